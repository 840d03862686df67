"""Write a file in one step: to a temporary name in the same folder, flushed to disk, then moved into place.

A reader sees the old file or the new one, never a partial one. A file whose contents would not change is left alone,
so its date tells when its contents changed, and a cloud folder has nothing to upload. If the old file cannot be
replaced (on some systems, while a spreadsheet has it open), the new one is kept beside it with ``(new)`` in its name.
"""

from __future__ import annotations

import hashlib
import os
import re
import secrets
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import BinaryIO

from tapbatch.model.errors import ShopError, reason_of
from tapbatch.model.notice import Notice

_PIECE_BYTES = 1 << 20
_HALF_WRITTEN = re.compile(r"\.[0-9a-f]{12}\.part")


def put_file(path: Path, data: bytes) -> Notice | None:
    """Write ``data`` to ``path``, replacing an existing file in one step.

    Parameters
    ----------
    path
        The path of the file; its folder is created if missing.
    data
        The contents of the file.

    Returns
    -------
    Notice or None
        ``None`` on success; otherwise a notice that the old file could not be replaced, and where the new one is.

    Raises
    ------
    ShopError
        If the folder cannot be written at all.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "modes.csv"
    >>> put_file(path, b"part"), path.read_bytes()
    (None, b'part')
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if _holds(path, data):
            _drop(beside(path))
            return None
        fresh = _write_beside(path, [data])
    except OSError as error:
        remedy = "make room or let the folder be written, then run again"
        raise ShopError(str(path), reason_of(error), remedy) from error
    return _move_over(fresh, path)


def put_copy(source: Path, path: Path) -> str:
    """Copy a file to a path where there is none, in one step, and return the SHA-256 of what was copied.

    Half-written copies that a kill left in the folder are deleted first.

    Raises
    ------
    FileExistsError
        If there is a file at ``path``; it is left alone.
    OSError
        If the source cannot be read, or the copy cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = (folder / "a.wav").write_bytes(b"RIFF")
    >>> len(put_copy(folder / "a.wav", folder / "b" / "a.wav"))
    64
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    drop_half_written(path.parent)
    digest = hashlib.sha256()
    with source.open("rb") as file:
        fresh = _write_beside(path, _hashed(file, digest))
    try:
        _move_to_new(fresh, path)
    finally:
        _drop(fresh)
    _flush_folder(path.parent)
    return digest.hexdigest()


def put_linked(source: Path, path: Path) -> None:
    """Put a file at a path where there is none, in one step: as a second name for it, or else as a copy.

    Raises
    ------
    FileExistsError
        If there is a file at ``path``; it is left alone.
    OSError
        If it can be neither linked nor copied.
    """
    try:
        os.link(source, path)
    except FileExistsError:
        raise
    except OSError:
        put_copy(source, path)
    _flush_folder(path.parent)


def drop_half_written(folder: Path) -> None:
    """Delete the half-written copies that a kill left in a folder; only the holder of the lock may do so.

    Raises
    ------
    OSError
        If the folder cannot be listed.
    """
    for stray in folder.iterdir():
        if is_half_written(stray.name):
            _drop(stray)


def _hashed(file: BinaryIO, digest: hashlib._Hash) -> Iterator[bytes]:
    while piece := file.read(_PIECE_BYTES):
        digest.update(piece)
        yield piece


def _move_to_new(fresh: Path, path: Path) -> None:
    try:
        os.link(fresh, path)
    except FileExistsError:
        raise
    except OSError:
        # Some file systems have no links. Only the holder of the lock places files, so nobody comes in between.
        if path.exists():
            raise FileExistsError(path) from None
        fresh.rename(path)


def beside(path: Path) -> Path:
    """Return the path at which the new file is kept if ``path`` cannot be replaced.

    Examples
    --------
    >>> beside(Path("results/modes.csv")).name
    'modes (new).csv'
    """
    return path.with_name(f"{path.stem} (new){path.suffix}")


def is_half_written(name: str) -> bool:
    """Return whether a file name is a temporary name of this module.

    Examples
    --------
    >>> is_half_written(".0123456789ab.part"), is_half_written("modes.csv"), is_half_written(".take 1.part")
    (True, False, False)
    """
    return _HALF_WRITTEN.fullmatch(name) is not None


def _holds(path: Path, data: bytes) -> bool:
    try:
        return path.stat().st_size == len(data) and path.read_bytes() == data
    except FileNotFoundError:
        return False


def _write_beside(path: Path, pieces: Iterable[bytes]) -> Path:
    # Not ``tempfile``, because only their owner may read its files, and results are often shared.
    fresh = path.with_name(f".{secrets.token_hex(6)}.part")
    with ExitStack() as unless_whole:
        # The pieces are made while they are written, so anything may go wrong here.
        unless_whole.callback(_drop, fresh)
        with fresh.open("xb") as file:
            file.writelines(pieces)
            file.flush()
            os.fsync(file.fileno())
        unless_whole.pop_all()
    return fresh


def _move_over(fresh: Path, path: Path) -> Notice | None:
    try:
        fresh.replace(path)
    except OSError as refused:
        return _keep_beside(fresh, path, refused)
    _drop(beside(path))
    _flush_folder(path.parent)
    return None


def _keep_beside(fresh: Path, path: Path, refused: OSError) -> Notice:
    kept = beside(path)
    try:
        fresh.replace(kept)
    except OSError as error:
        _drop(fresh)
        raise ShopError(str(path), reason_of(error), f"close {path.name} and {kept.name}, then run again") from error
    return Notice("not replaced", path=str(path), other_path=kept.name, text=reason_of(refused))


def _flush_folder(folder: Path) -> None:
    """Flush the folder entry to disk, so that the move survives a power cut; not possible on Windows."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _drop(path: Path) -> None:
    with suppress(OSError):
        path.unlink()


REPORT, OWN_PAGE = "report.pdf", "page.html"
"""Files in the folder of an instrument, beside its tables."""


def facts_of(path: Path) -> tuple[int, int] | None:
    """Return the size in bytes and the modification time in nanoseconds of a file, ``None`` if it does not exist."""
    with suppress(OSError):
        facts = path.stat()
        return facts.st_size, facts.st_mtime_ns
    return None
