"""Read and write kept files, which are JSON with a leading checksum, and set invalid ones aside.

Conventions: a kept file is one JSON object whose first member is ``checksum``, the SHA-256 of all bytes after it.
Files of version 0.1 have no checksum and are accepted without one. A file with a wrong checksum or invalid content is
refused: it is set aside as ``refused-NAME`` (then ``refused-2-NAME`` and so on), never overwritten and never read
again. Only the process that holds the lock sets files aside.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from tapbatch.model.interrupts import interrupts_held
from tapbatch.model.notice import Notice

if TYPE_CHECKING:
    from pydantic import BaseModel

    Model = TypeVar("Model", bound=BaseModel)

_HEAD = b'{"checksum":"'
_BODY_AT = len(_HEAD) + 64 + 2

MOST_BYTES = 256 * 2**20
"""The size limit of a kept file in bytes; the ledger of a million recordings is smaller."""


class RefusedError(ValueError):
    """The error for a kept file that is invalid, with its ``path`` and ``why`` it was refused, in a few words."""

    def __init__(self, path: Path, why: str) -> None:
        super().__init__(f"{path.name} {why}")
        self.path, self.why = path, why


def seal(text: str) -> bytes:
    """Return the bytes of a JSON object with its checksum in front.

    Lone surrogates, which cannot be encoded, become ``?``.

    Examples
    --------
    >>> seal('{"a":1}')[:20], unseal(seal('{"a":1}'))
    (b'{"checksum":"7359ed1', (b'{"a":1}', True))
    """
    rest = text.encode("utf-8", "replace")[1:]
    return b"".join((_HEAD, hashlib.sha256(rest).hexdigest().encode(), b'",', rest))


def unseal(data: bytes) -> tuple[bytes, bool]:
    """Return the JSON object without its checksum, and whether it had one.

    Raises
    ------
    ValueError
        If the checksum is wrong.

    Examples
    --------
    >>> unseal(b'{"a":1}')
    (b'{"a":1}', False)
    """
    if not is_sealed(data):
        return data, False
    rest = data[_BODY_AT:]
    if data[len(_HEAD) : _BODY_AT] != hashlib.sha256(rest).hexdigest().encode() + b'",':
        msg = "does not fit its checksum"
        raise ValueError(msg)
    return b"{" + rest, True


def is_sealed(data: bytes) -> bool:
    """Return whether a file has a checksum, judged from its first bytes.

    Examples
    --------
    >>> is_sealed(b'{"checksum":"00'), is_sealed(b'{"taps":[]}')
    (True, False)
    """
    return data.startswith(_HEAD)


def read_sealed(path: Path) -> tuple[bytes, bool]:
    """Return the JSON object in a kept file without its checksum, and whether it had one.

    Raises
    ------
    OSError
        If the file is not there or cannot be opened.
    RefusedError
        If it is not a plain file, is too large, or its checksum is wrong.
    """
    if path.exists() and not path.is_file():
        # Opening a pipe would wait until something writes to it.
        raise RefusedError(path, "is not a plain file")
    with path.open("rb") as file:
        size = os.fstat(file.fileno()).st_size
        # Asked for the most that it may hold, the reader would set all that memory aside for each small file.
        data = file.read(size + 1) if size <= MOST_BYTES else b""
    if size > MOST_BYTES or len(data) > size:
        raise RefusedError(path, "is far too large" if size > MOST_BYTES else "grew while it was read")
    try:
        return unseal(data)
    except ValueError as error:
        raise RefusedError(path, str(error)) from error


def load(path: Path, model: type[Model]) -> Model:
    """Return the contents of a kept file, validated by a model.

    Raises
    ------
    OSError
        If the file cannot be opened.
    RefusedError
        If the checksum is wrong or the contents are invalid.
    """
    from pydantic import ValidationError

    text, _ = read_sealed(path)
    try:
        with interrupts_held():
            return model.model_validate_json(text)
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False, include_input=False)[0]
        where = ".".join(str(step) for step in first["loc"])
        what = first["msg"].removeprefix("Value error, ").lower()
        raise RefusedError(path, f"does not fit ({where}: {what})" if where else "is not JSON") from error


def set_aside(path: Path, kind: str = "refused", *, leave: bool = False) -> str:
    """Give a file a name under which it is never read, and return that name; empty if that failed.

    Parameters
    ----------
    path
        A file in the folder of kept files.
    kind
        First word of the new name; default ``refused``.
    leave
        Whether the file also keeps its own name, so that its successor can replace it in one step; default no.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "ledger.json"
    >>> _ = path.write_text("?")
    >>> set_aside(path), path.exists()
    ('refused-ledger.json', False)
    >>> _ = path.write_text("!")
    >>> set_aside(path, leave=True), path.exists()
    ('refused-2-ledger.json', True)
    """
    for fresh in _names(path, kind):
        try:
            if fresh.exists() and leave and fresh.samefile(path):
                return fresh.name
            # Link, because a link never replaces an existing file; a rename would.
            os.link(path, fresh)
        except FileExistsError:
            continue
        except OSError:
            return _moved(path, fresh)
        if not leave:
            path.unlink()
        return fresh.name
    return ""


def refuse(error: RefusedError) -> Notice:
    """Set a refused file aside, so that it is remade, and return the notice that says so."""
    return Notice("set aside", path=error.path.name, other_path=set_aside(error.path), text=error.why)


def _names(path: Path, kind: str) -> Iterator[Path]:
    yield path.with_name(f"{kind}-{path.name}")
    for number in count(2):
        yield path.with_name(f"{kind}-{number}-{path.name}")


def _moved(path: Path, fresh: Path) -> str:
    """Rename a file on a file system without hard links; return the new name, empty if that failed."""
    if fresh.exists():
        return ""
    try:
        path.rename(fresh)
    except OSError:
        return ""
    return fresh.name


def is_aside(path: Path) -> bool:
    """Return whether a kept file was ever refused and set aside.

    Examples
    --------
    >>> is_aside(Path("nowhere/ledger.json"))
    False
    """
    return path.with_name(f"refused-{path.name}").exists()
