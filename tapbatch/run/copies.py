"""Copy a recording to its place, and delete such a copy again.

Conventions: nothing is written or deleted outside ``recordings/``, whatever links lie there, and no file there is
replaced. A copy is deleted only if it is the one that was placed.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path, PurePosixPath

from tapbatch.listen.files import hash_file
from tapbatch.model.bench_log import Event, OnBench
from tapbatch.model.errors import ShopError, SoundError, reason_of
from tapbatch.results.files import drop_half_written, put_copy
from tapbatch.shop.folder import Shop

_NAMES = 1000

_NAME_BYTES = 255
"""The longest name that common file systems take."""


def copy_to_place(shop: Shop, source: Path, sha256: str, bench: OnBench) -> str:
    """Copy a recording to its place and return its path there; a copy that is there already counts.

    Raises
    ------
    OSError
        If it cannot be copied, or if its place is not below ``recordings/``.
    SoundError
        If the file cannot be read.
    """
    folder = shop.recordings_dir / bench.folder
    if not _is_below(folder, shop.recordings_dir):
        raise OSError(None, "its place is a link that leads out of recordings/")
    for name in names_for(PurePosixPath(source.name)):
        path = folder / name
        # A link that leads nowhere takes a name as well.
        if path.is_symlink() or path.exists():
            if holds(path, sha256):
                # A kill may have come after the copy and before its first name was dropped.
                drop_half_written(folder)
                return f"{bench.folder}/{name}"
            continue
        if put_copy(source, path) != sha256:
            path.unlink()
            raise OSError(None, "it changed while it was copied")
        return f"{bench.folder}/{name}"
    raise OSError(None, "there are too many files of this name")


def names_for(name: PurePosixPath) -> Iterable[str]:
    """Return names for a copy, the original's own first; what is not text in it is replaced."""
    stem, suffix = (_as_text(part) for part in (name.stem, name.suffix))
    yield f"{stem}{suffix}"
    for number in range(2, _NAMES):
        end = f" ({number}){suffix}"
        yield _cut(stem, _NAME_BYTES - len(end.encode())) + end


def _as_text(name: str) -> str:
    return "".join(c if c.isprintable() else "_" for c in name)


def _cut(text: str, most_bytes: int) -> str:
    return text.encode()[:most_bytes].decode(errors="ignore")


def _is_below(path: Path, folder: Path) -> bool:
    return path.resolve().is_relative_to(folder.resolve())


def delete_copy(shop: Shop, event: Event) -> None:
    """Delete the copy of a recording, unless it is gone already.

    Raises
    ------
    ShopError
        If the file there is not what was placed, or if it cannot be deleted.
    """
    copy = shop.recordings_dir / event.recording
    if not copy.is_symlink() and not copy.exists():
        return
    if copy.is_symlink() or not _is_below(copy, shop.recordings_dir) or not holds(copy, event.sha256):
        what = "is not the recording that was placed there"
        raise ShopError(event.recording, what, "nothing was deleted; move it by hand")
    try:
        copy.unlink()
    except OSError as error:
        raise ShopError(event.recording, reason_of(error), "delete it by hand") from error


def holds(path: Path, sha256: str) -> bool:
    """Tell whether a file is there and has these contents."""
    try:
        return path.is_file() and hash_file(path) == sha256
    except (OSError, SoundError):
        return False
