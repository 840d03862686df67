"""Reports drawn beside a watch, so that no arrival waits for one.

Conventions: a report is due for certain inputs, known by their fingerprint. Whoever draws is given all that it rests
on and answers with a standing. The one process that holds the results puts it in place, and only while the inputs are
still the same: a report of older ones is let go. The process beside reads and never writes; it steps back for whoever
else wants the processor, ignores Ctrl-C, and ends with its parent process.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing.process import BaseProcess
from typing import Protocol

from tapbatch.model.errors import ShopError
from tapbatch.run.instrument import Drawn, Due, not_worked_out, work_out
from tapbatch.run.workers import begin_worker, end_all_but, living, new_pool, one_thread, submit

_STEPS_BACK = 10


class Drawer(Protocol):
    """Draws one report at a time."""

    @property
    def busy(self) -> bool:
        """Whether a report was begun and not taken yet."""

    @property
    def done(self) -> bool:
        """Whether there is one to take."""

    def begin(self, due: Due) -> None:
        """Begin a report."""

    def take(self) -> Drawn | None:
        """Return the report that was begun, once it is drawn; ``None`` before."""

    def close(self) -> None:
        """Stop, whatever is in hand."""


class Here:
    """Draws in this process, while whoever begins a report waits."""

    def __init__(self) -> None:
        self._drawn: Drawn | None = None

    @property
    def busy(self) -> bool:
        """Whether a report was begun and not taken yet."""
        return self._drawn is not None

    @property
    def done(self) -> bool:
        """Whether there is one to take."""
        return self._drawn is not None

    def begin(self, due: Due) -> None:
        """Draw a report."""
        self._drawn = draw(due)

    def take(self) -> Drawn | None:
        """Return the report that was drawn."""
        drawn, self._drawn = self._drawn, None
        return drawn

    def close(self) -> None:
        """Stop: there is nothing to stop."""


class Beside:
    """Draws in a process of its own, started with the first report and kept for the next.

    Parameters
    ----------
    rouse
        Called from another thread when a report is drawn.
    """

    def __init__(self, rouse: Callable[[], None]) -> None:
        self._rouse = rouse
        self._pool: ProcessPoolExecutor | None = None
        self._others: frozenset[BaseProcess] = frozenset()
        self._due: Due | None = None
        self._future: Future[Drawn] | None = None

    @property
    def busy(self) -> bool:
        """Whether a report was begun and not taken yet."""
        return self._future is not None

    @property
    def done(self) -> bool:
        """Whether there is one to take."""
        return self._future is not None and self._future.done()

    def begin(self, due: Due) -> None:
        """Begin a report; one for which no process can be started has failed."""
        self._due = due
        try:
            self._future = self._submitted(due)
        except ShopError as error:
            self._pool = None
            self._future = Future()
            self._future.set_result(_lost(due, error.what))
        self._future.add_done_callback(lambda _: self._rouse())

    def take(self) -> Drawn | None:
        """Return the report that was begun, once it is drawn; one whose process was lost has failed."""
        if self._future is None or self._due is None or not self._future.done():
            return None
        future, due, self._future, self._due = self._future, self._due, None, None
        try:
            return future.result()
        except BrokenProcessPool:
            self._pool = None
            return _lost(due, "the process was ended from outside, perhaps for lack of memory")

    def close(self) -> None:
        """End the process, whatever it does: a report that was not put in place is drawn the next time."""
        if self._pool is not None:
            end_all_but(self._others)
            # Waited for, since a pool that is let go of while its thread ends may write to a pipe that is closed.
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool = self._future = self._due = None

    def _submitted(self, due: Due) -> Future[Drawn]:
        try:
            return submit(self._started(), draw, due)
        except BrokenProcessPool:
            # The process was ended while it had nothing to do.
            self._pool = None
            return submit(self._started(), draw, due)

    def _started(self) -> ProcessPoolExecutor:
        if self._pool is None:
            one_thread()
            self._others = living()
            self._pool = new_pool(1, _begin)
        return self._pool


def draw(due: Due) -> Drawn:
    """Draw a report, here and now."""
    return Drawn(instrument=due.instrument, fingerprint=due.fingerprint, standing=work_out(due.task))


def _lost(due: Due, why: str) -> Drawn:
    what, remedy = f"its report was not drawn: {why}", "make room, then draw it with tapbatch run"
    lost = not_worked_out(due.instrument, what, remedy)
    return Drawn(instrument=due.instrument, fingerprint=due.fingerprint, standing=lost)


def _begin() -> None:
    begin_worker()
    if hasattr(os, "nice"):
        os.nice(_STEPS_BACK)
