"""A process beside a watch that does one job after the other.

Conventions: jobs and answers are sent between processes, so a job is a module-level function and a plain value. The
process starts with the lane, ignores Ctrl-C, and ends with the watch. It reads and never writes, so it may be killed
at any time.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from multiprocessing.process import BaseProcess
from typing import TypeVar

from tapbatch.model.errors import TapbatchError
from tapbatch.run.workers import end_all_but, living, new_pool, one_thread, submit

T = TypeVar("T")
R = TypeVar("R")

_STEPS_BACK = 10


def do_nothing(_: None) -> None:
    """Do nothing, as the first job of a process that needs no preparation."""


class Lane:
    """One process, started now.

    Parameters
    ----------
    rouse
        Called from another thread, or at once, when a job is finished or cannot be given to the process.
    prepare
        The first job of the process; default none. Its answer is not looked at.

    Attributes
    ----------
    stepped_back
        Whether the process leaves the processor to others. Only an administrator could undo that.

    Raises
    ------
    ShopError
        If the system has no room for one more process.
    """

    def __init__(self, rouse: Callable[[], None], prepare: Callable[[None], None] = do_nothing) -> None:
        one_thread()
        self._rouse = rouse
        self._pool = new_pool(1)
        self.stepped_back = False
        others = living()
        try:
            # A pool starts its process with the first job.
            submit(self._pool, prepare, None)
        except TapbatchError:
            # The process may be there without the thread that would give it work.
            end_all_but(others)
            raise
        self._process: BaseProcess | None = next(iter(living() - others), None)

    @property
    def alive(self) -> bool:
        """Whether the process runs."""
        return self._process is not None and self._process.is_alive()

    def give(self, work: Callable[[T], R], item: T) -> Future[R]:
        """Give the process a job, and return its future.

        Its exception is ``BrokenProcessPool`` if the process was lost, and ``ShopError`` if the job could not be
        given to it.
        """
        try:
            future = submit(self._pool, work, item)
        except (BrokenProcessPool, TapbatchError) as error:
            future = Future()
            future.set_exception(error)
        future.add_done_callback(lambda _: self._rouse())
        return future

    def step_back(self) -> None:
        """Leave the processor to others that want it, where the system has priorities."""
        self.stepped_back = True
        if self._process is not None and self._process.pid is not None and hasattr(os, "setpriority"):
            pid = self._process.pid
            with suppress(OSError):
                os.setpriority(os.PRIO_PROCESS, pid, os.getpriority(os.PRIO_PROCESS, pid) + _STEPS_BACK)

    def end(self) -> None:
        """End the process, whatever it does."""
        if self._process is not None:
            # It writes nothing that could be cut, and a suspended process ends only if it is killed.
            self._process.kill()
        # Waited for, since a pool that is let go of while its thread ends may write to a pipe that is closed.
        self._pool.shutdown(wait=True, cancel_futures=True)
