"""Draw reports in a process beside a watch, so that no arrival waits for one.

Conventions: a report is due for certain inputs, known by their fingerprint. The drawer is given all that the report
depends on and returns a standing. The process that holds the lock on the results saves it, and only if the inputs are
still the same; a report of older inputs is dropped. The drawer's process (:mod:`~tapbatch.watch.lane`) leaves the
processor to others that want it.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from typing import Protocol

from tapbatch.model.errors import ShopError
from tapbatch.run.instrument import Drawn, Due, not_worked_out, work_out
from tapbatch.watch.lane import Lane


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
    """Draws in this process; the caller waits for the report."""

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
        self._lane: Lane | None = None
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
        if self._lane is not None and not self._lane.alive:
            # The process was ended while it had nothing to do.
            self._end()
        try:
            self._future = self._started().give(draw, due)
        except ShopError as error:
            self._future = Future()
            self._future.set_exception(error)
            self._rouse()

    def take(self) -> Drawn | None:
        """Return the report that was begun, once it is drawn; one whose process was lost has failed."""
        if self._future is None or self._due is None or not self._future.done():
            return None
        future, due, self._future, self._due = self._future, self._due, None, None
        try:
            return future.result()
        except BrokenProcessPool:
            why = "the process was ended from outside, perhaps for lack of memory"
        except ShopError as error:
            why = error.what
        self._end()
        return _lost(due, why)

    def close(self) -> None:
        """End the process, whatever it does: a report that was not put in place is drawn the next time."""
        self._end()
        self._future = self._due = None

    def _started(self) -> Lane:
        if self._lane is None:
            self._lane = Lane(self._rouse)
            self._lane.step_back()
        return self._lane

    def _end(self) -> None:
        if self._lane is not None:
            self._lane.end()
            self._lane = None


def draw(due: Due) -> Drawn:
    """Draw a report, here and now."""
    return Drawn(instrument=due.instrument, fingerprint=due.fingerprint, standing=work_out(due.task))


def _lost(due: Due, why: str) -> Drawn:
    what, remedy = f"its report was not drawn: {why}", "make room, then draw it with tapbatch run"
    lost = not_worked_out(due.instrument, what, remedy)
    return Drawn(instrument=due.instrument, fingerprint=due.fingerprint, standing=lost)
