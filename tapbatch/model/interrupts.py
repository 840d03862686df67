"""Ctrl-C, held back while a library that would swallow it is at work.

Conventions: only the main thread of a process runs signal handlers, so elsewhere there is nothing to hold back. The
handler that was set before runs when the work is done, with the first signal that came.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


@contextmanager
def interrupts_held() -> Iterator[None]:
    """Hold back Ctrl-C until the work inside is done.

    pydantic turns values into text while it builds a validator. A Ctrl-C at that moment is printed as a traceback and
    forgotten, and the validator is built from the wrong text, so it then refuses valid files. The work inside must be
    short.

    Raises
    ------
    KeyboardInterrupt
        At the end, if Ctrl-C came meanwhile and Python's own handler is set.

    Examples
    --------
    >>> done = []
    >>> try:
    ...     with interrupts_held():
    ...         signal.raise_signal(signal.SIGINT)
    ...         done.append("the work")
    ... except KeyboardInterrupt:
    ...     done.append("Ctrl-C")
    >>> done
    ['the work', 'Ctrl-C']
    """
    before = signal.getsignal(signal.SIGINT)
    if threading.current_thread() is not threading.main_thread() or not callable(before):
        yield
        return
    came: list[tuple[int, FrameType | None]] = []
    signal.signal(signal.SIGINT, lambda number, frame: came.append((number, frame)))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
        if came:
            before(*came[0])
