"""Handle a file as bytes, before decoding: refuse special files and hash the contents."""

from __future__ import annotations

import errno
import hashlib
import stat
from pathlib import Path

from tapbatch.model.errors import SoundError


def hash_file(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, in lower-case hexadecimal.

    Raises
    ------
    SoundError
        If the file cannot be read.

    Examples
    --------
    >>> hash_file(Path("nowhere.wav"))
    Traceback (most recent call last):
    ...
    tapbatch.model.errors.SoundError: nowhere.wav: cannot be read (No such file or directory); check ...
    """
    try:
        refuse_special(path)
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        reason = error.strerror or "no reason given"
        raise SoundError(
            path.name, f"cannot be read ({reason})", "check that it exists and that you may read it"
        ) from error


def refuse_special(path: Path) -> None:
    """Refuse a path that is not a file or a folder: opening a pipe may wait forever, and a device may have no end.

    Raises
    ------
    OSError
        If the path is a pipe, a socket or a device, or does not exist.
    """
    kind = path.stat().st_mode
    if not (stat.S_ISREG(kind) or stat.S_ISDIR(kind)):
        raise OSError(errno.EINVAL, "it is a pipe, a socket or a device, not a file", str(path))
