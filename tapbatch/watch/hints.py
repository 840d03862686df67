"""Wait for hints from the operating system that a folder may have changed.

Conventions: a hint says when to look at the folder, never what is in it. A source of hints waits for a given number
of seconds and returns whether a hint came. On network drives, in containers, and when the system has no more watches
to give, there are no hints and it only waits. The handler that the system calls only puts an item into a queue,
because an exception there would end its thread without anyone noticing. Every wait checks that the thread is alive
and still watches the folder that is at the path now.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from watchdog.observers.api import BaseObserver

_SLICE_S = 0.5
_SETTLE_S = 0.02


class Hints(Protocol):
    """A source of hints; replaced in tests, so that no test sleeps."""

    def wait(self, timeout_s: float) -> bool:
        """Wait until something may have changed, at most ``timeout_s``; return whether something may have."""

    def rouse(self) -> None:
        """End the current wait, or the next one, at once; any thread may call this."""

    def close(self) -> None:
        """Stop giving hints."""


class NoHints:
    """A source without hints, for network drives: every wait runs to its end unless :meth:`rouse` is called.

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
        """Wait for ``timeout_s``; return whether the wait was ended by :meth:`rouse`."""
        return _wait(self._roused, timeout_s)

    def rouse(self) -> None:
        """End the wait, or the next one, at once."""
        self._roused.put(None)

    def close(self) -> None:
        """Do nothing; there is nothing to stop."""


class FolderHints:
    """Hints from the operating system for some folders and everything below them.

    Parameters
    ----------
    folders
        The folders; each may be missing, disappear and come back.
    say
        Called once, with one line, if the system gives no hints.
    """

    def __init__(self, folders: Sequence[Path], say: Callable[[str], None]) -> None:
        self._folders = tuple(folders)
        self._say = say
        self._said = False
        self._roused: SimpleQueue[None] = SimpleQueue()
        self._observer: BaseObserver | None = None
        self._places: tuple[tuple[int, int], ...] = ()

    def wait(self, timeout_s: float) -> bool:
        """Wait for a hint, at most ``timeout_s``, and return whether one came; hints in quick succession are one."""
        self._keep_alive()
        return _wait(self._roused, timeout_s)

    def rouse(self) -> None:
        """End the wait, or the next one, at once."""
        self._roused.put(None)

    def close(self) -> None:
        """Stop the thread that listens for events."""
        if self._observer is not None:
            self._observer.stop()
            self._observer.join(timeout=_SLICE_S)
            self._observer = None

    def _keep_alive(self) -> None:
        places = tuple(map(_place_of, self._folders))
        if self._observer is not None and self._observer.is_alive() and places == self._places:
            return
        self.close()
        there = [folder for folder, place in zip(self._folders, places, strict=True) if place != (-1, -1)]
        if there:
            self._begin(there, places)

    def _begin(self, folders: Sequence[Path], places: tuple[tuple[int, int], ...]) -> None:
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

        # Leave out opening and reading: the watch's own looks at the folder would give hints.
        tells = [
            FileClosedEvent, FileCreatedEvent, FileDeletedEvent, FileModifiedEvent, FileMovedEvent,
            DirCreatedEvent, DirDeletedEvent, DirMovedEvent,
        ]  # fmt: skip
        observer = Observer()
        try:
            for folder in folders:
                observer.schedule(Handler(), str(folder), recursive=True, event_filter=tells)
            observer.start()
        except OSError as error:
            if not self._said:
                self._said = True
                reason = error.strerror or "no reason given"
                self._say(f"the system reports no changes here ({reason}); the folder is checked on a timer")
            return
        self._observer, self._places = observer, places


def _wait(roused: SimpleQueue[None], timeout_s: float) -> bool:
    until_s = time.monotonic() + timeout_s
    while True:
        left_s = until_s - time.monotonic()
        try:
            # In slices, because on some systems Ctrl-C does not interrupt a longer wait.
            roused.get(timeout=max(0.0, min(left_s, _SLICE_S)))
        except Empty:
            if left_s <= _SLICE_S:
                return False
            continue
        # Merge hints in quick succession, but not for long: a long copy gives hints without a pause.
        until_s = time.monotonic() + _SLICE_S
        with suppress(Empty):
            while time.monotonic() < until_s:
                roused.get(timeout=_SETTLE_S)
        return True


def _place_of(folder: Path) -> tuple[int, int]:
    """Return the device and inode of the folder at a path, which change if a drive is mounted there.

    They are (-1, -1) if there is no folder.
    """
    try:
        facts = folder.stat()
    except OSError:
        return (-1, -1)
    return (facts.st_dev, facts.st_ino)
