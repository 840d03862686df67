"""Hints that something moved in a folder, from the system where it gives any: they say when to look, never what is.

Conventions: a source of hints is waited on for so many seconds, and says whether it was roused. On network drives,
in containers and where the system has no more watches to give there are no hints, and waiting is all it does. The
handler that the system calls only puts a mark into a queue: an exception there would end its thread, and nobody would
know. Whether the thread lives, and still looks at the folder that lies there now, is asked at every wait.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from watchdog.observers.api import BaseObserver

_SLICE_S = 0.5
_SETTLE_S = 0.02


class Hints(Protocol):
    """Where hints come from; replaced in tests, so that no test sleeps."""

    def wait(self, timeout_s: float) -> bool:
        """Wait until something may have moved, or for ``timeout_s``; tell whether something may have."""

    def rouse(self) -> None:
        """End the wait, or the next one, at once; any thread may."""

    def close(self) -> None:
        """Stop."""


class NoHints:
    """Only time passes, until somebody rouses: for network drives, which tell of nothing.

    Examples
    --------
    >>> hints = NoHints()
    >>> hints.wait(0.0)
    False
    >>> hints.rouse()
    >>> hints.wait(60.0)
    True
    """

    def __init__(self) -> None:
        self._roused: SimpleQueue[None] = SimpleQueue()

    def wait(self, timeout_s: float) -> bool:
        """Wait for ``timeout_s``."""
        return _wait(self._roused, timeout_s)

    def rouse(self) -> None:
        """End the wait, or the next one, at once."""
        self._roused.put(None)

    def close(self) -> None:
        """Stop: there is nothing to stop."""


class FolderHints:
    """What the operating system tells of a folder and all below it.

    Parameters
    ----------
    folder
        The folder; it may go and come again.
    say
        Called with one line, once, where the system gives no hints.
    """

    def __init__(self, folder: Path, say: Callable[[str], None]) -> None:
        self._folder = folder
        self._say = say
        self._said = False
        self._roused: SimpleQueue[None] = SimpleQueue()
        self._observer: BaseObserver | None = None
        self._place = (-1, -1)

    def wait(self, timeout_s: float) -> bool:
        """Wait for a hint; many that come together are one."""
        self._keep_alive()
        return _wait(self._roused, timeout_s)

    def rouse(self) -> None:
        """End the wait, or the next one, at once."""
        self._roused.put(None)

    def close(self) -> None:
        """Stop the thread that listens."""
        if self._observer is not None:
            self._observer.stop()
            self._observer.join(timeout=_SLICE_S)
            self._observer = None

    def _keep_alive(self) -> None:
        place = _place_of(self._folder)
        if self._observer is not None and self._observer.is_alive() and place == self._place:
            return
        self.close()
        if place != (-1, -1):
            self._begin(place)

    def _begin(self, place: tuple[int, int]) -> None:
        from watchdog.events import (
            DirCreatedEvent,
            DirDeletedEvent,
            DirMovedEvent,
            FileClosedEvent,
            FileCreatedEvent,
            FileDeletedEvent,
            FileModifiedEvent,
            FileMovedEvent,
            FileSystemEvent,
            FileSystemEventHandler,
        )
        from watchdog.observers import Observer

        roused = self._roused

        class Handler(FileSystemEventHandler):
            def on_any_event(self, event: FileSystemEvent) -> None:
                roused.put(None)

        # Not what is opened or read: looking at the folder would rouse the one who looks.
        tells = [
            FileClosedEvent, FileCreatedEvent, FileDeletedEvent, FileModifiedEvent, FileMovedEvent,
            DirCreatedEvent, DirDeletedEvent, DirMovedEvent,
        ]  # fmt: skip
        observer = Observer()
        try:
            observer.schedule(Handler(), str(self._folder), recursive=True, event_filter=tells)
            observer.start()
        except OSError as error:
            if not self._said:
                self._said = True
                reason = error.strerror or "no reason given"
                self._say(f"the system tells of no changes here ({reason}): the folder is looked at on a timer")
            return
        self._observer, self._place = observer, place


def _wait(roused: SimpleQueue[None], timeout_s: float) -> bool:
    until_s = time.monotonic() + timeout_s
    while True:
        left_s = until_s - time.monotonic()
        try:
            # In slices, since not every system lets Ctrl-C through to a longer wait.
            roused.get(timeout=max(0.0, min(left_s, _SLICE_S)))
        except Empty:
            if left_s <= _SLICE_S:
                return False
            continue
        # Many that come together are one, but a long copy tells of itself without a pause.
        until_s = time.monotonic() + _SLICE_S
        with suppress(Empty):
            while time.monotonic() < until_s:
                roused.get(timeout=_SETTLE_S)
        return True


def _place_of(folder: Path) -> tuple[int, int]:
    """Return which folder lies under a name now; another one may be put there, as when a drive is connected."""
    try:
        facts = folder.stat()
    except OSError:
        return (-1, -1)
    return (facts.st_dev, facts.st_ino)
