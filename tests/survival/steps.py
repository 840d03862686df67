"""A run stopped at its n-th step, where a step is anything it does to the file system below its results.

The run is a child of this process. Its steps are seen through Python's audit events (``open``, ``os.rename`` and
similar; PEP 578) and a wrapped ``os.fsync``. At the chosen step the child is killed by SIGKILL, or gets the operating
system's error for a full disk. Nothing depends on timing, so every distinct moment is tried.
"""

from __future__ import annotations

import errno
import os
import signal
import stat
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Literal

Blow = Literal["kill", "tear", "full"]

_EVENTS = {"open", "os.rename", "os.remove", "os.mkdir", "os.rmdir"}
_WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC


def stopped_at(step: int, blow: Blow, below: Path, work: Callable[[], None]) -> str:
    """Do ``work`` in a child process that is struck by ``blow`` at its ``step``-th step; return how it ended.

    ``kill``
        SIGKILL before the step is done.
    ``tear``
        The same, but only at a flush, and half of what was written is lost: as after a power cut.
    ``full``
        The step and all writing after it fail because the disk is full.

    Returns
    -------
    str
        ``"killed"``, ``"refused"`` (ended by an expected error), or ``"done"`` where it has no such step.
    """
    child = os.fork()
    if child == 0:
        status = 70
        try:
            arm(step, blow, str(below))
            status = _status_of(work)
        finally:
            os._exit(status)
    _, waited = os.waitpid(child, 0)
    if os.WIFSIGNALED(waited):
        assert os.WTERMSIG(waited) == signal.SIGKILL
        return "killed"
    return {0: "done", 2: "refused"}.get(os.WEXITSTATUS(waited), f"broken ({os.WEXITSTATUS(waited)})")


def _status_of(work: Callable[[], None]) -> int:
    from tapbatch.model.errors import TapbatchError

    try:
        work()
    except TapbatchError:
        return 2
    return 0


def arm(step: int, blow: Blow, below: str) -> None:
    count, flush = [0], os.fsync

    def come() -> bool:
        count[0] += 1
        return count[0] == step or (blow == "full" and count[0] > step)

    def strike() -> None:
        if blow == "full":
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        os.kill(os.getpid(), signal.SIGKILL)

    def heard(event: str, arguments: tuple[object, ...]) -> None:
        if blow == "tear" or event not in _EVENTS or not str(arguments[0]).startswith(below):
            return
        if event == "open":
            writes = isinstance(arguments[2], int) and arguments[2] & _WRITES
            if not writes:
                return
        # Renaming and removing still work on a full disk.
        if blow == "full" and event not in ("open", "os.mkdir"):
            return
        if come():
            strike()

    def flushed(handle: int) -> None:
        if come():
            if blow == "tear" and stat.S_ISREG(os.fstat(handle).st_mode):
                os.ftruncate(handle, os.fstat(handle).st_size // 2)
            strike()
        flush(handle)

    os.fsync = flushed
    sys.addaudithook(heard)
