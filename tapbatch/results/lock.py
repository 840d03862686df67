"""Lock the results of a shop, so that one run at a time writes there, and delete half-written files of killed runs.

Conventions: the operating system holds a lock on ``results/.readings/lock`` for as long as the process lives, so a
killed process releases it. ``holder.json`` says who holds the lock, for people to read. Only the holder of the lock
writes, so any half-written file found is left over from a killed run. On a file system without locks (some network
drives), the run continues without one and says so.
"""

from __future__ import annotations

import json
import os
import socket
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path

from tapbatch.model.errors import ShopError, reason_of
from tapbatch.results.files import is_half_written
from tapbatch.results.readings import FOLDER

_POLL_S = 0.05

A_PHONE = "a phone"
"""What holds the lock for what a phone asks; that takes so short a time that nobody who waits for it is told."""


@contextmanager
def hold(results: Path, doing: str, say: Callable[[str], None]) -> Iterator[None]:
    """Lock the results of a shop, waiting for another holder if there is one, and delete half-written files.

    Parameters
    ----------
    results
        The results folder; created if missing.
    doing
        The command that takes the lock, for others to read.
    say
        Called with one line if it has to wait for another run, or if files cannot be locked.

    Raises
    ------
    ShopError
        If the folder cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> with hold(Path(tempfile.mkdtemp()), "tapbatch run", print):
    ...     pass
    """
    from filelock import FileLock, Timeout

    folder = results / FOLDER
    lock = FileLock(folder / "lock")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if (folder / "lock").is_symlink():
            # A link is not followed: no run may write to, or hold, what it leads to.
            (folder / "lock").unlink()
        try:
            lock.acquire(timeout=0)
        except Timeout:
            holder = _holder(folder)
            if not holder.startswith(A_PHONE):
                say(f"waiting for {holder}, which writes to {results}; press Ctrl-C to stop waiting")
            lock.acquire(poll_interval=_POLL_S)
    except NotImplementedError:
        say(f"files in {results} cannot be locked: let one run end before you start the next")
    except OSError as error:
        raise ShopError(
            str(results), reason_of(error), "make room or let the folder be written, then run again"
        ) from error
    try:
        _sign(folder, doing)
        sweep(results)
        yield
    finally:
        with suppress(OSError):
            (folder / "holder.json").unlink()
        if lock.is_locked:
            lock.release()


def sweep(results: Path) -> None:
    """Delete the half-written files of killed runs; only the holder of the lock may do so.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = (folder / ".0123456789ab.part").write_bytes(b"half"), (folder / "modes.csv").write_bytes(b"whole")
    >>> sweep(folder)
    >>> [path.name for path in folder.iterdir()]
    ['modes.csv']
    """
    folders = [results]
    with suppress(OSError), os.scandir(results) as found:
        folders += [Path(entry.path) for entry in found if entry.is_dir(follow_symlinks=False)]
    for folder in folders:
        with suppress(OSError), os.scandir(folder) as found:
            strays = [Path(entry.path) for entry in found if is_half_written(entry.name)]
            for path in strays:
                path.unlink()


def _sign(folder: Path, doing: str) -> None:
    holder = {"doing": doing, "process": os.getpid(), "machine": socket.gethostname(), "since": _now()}
    # This file is only for people, so the run continues if it cannot be written.
    with suppress(OSError):
        path = folder / "holder.json"
        path.unlink(missing_ok=True)
        # Always a new file, so that a link of that name cannot make a run write elsewhere.
        with path.open("x", encoding="utf-8") as file:
            json.dump(holder, file)


def _holder(folder: Path) -> str:
    try:
        holder = json.loads((folder / "holder.json").read_text(encoding="utf-8"))
        where = "" if holder["machine"] == socket.gethostname() else f" on {holder['machine']}"
        return f"{holder['doing']} (process {holder['process']}{where}, since {holder['since']})"
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return "another run"


def _now() -> str:
    return datetime.now().strftime("%H:%M:%S")


def name_of_command() -> str:
    """Return the command line as it was given, shortened to 60 characters.

    Examples
    --------
    >>> len(name_of_command()) <= 60
    True
    """
    said = " ".join(["tapbatch", *sys.argv[1:]])
    return said if len(said) <= 60 else f"{said[:59]}…"
