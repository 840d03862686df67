"""Ctrl-C, held back while a library that would swallow it is at work.

Conventions: only the main thread of a process runs signal handlers, so elsewhere there is nothing to hold back. The
handler that was set before runs when the work is done, with the first signal that came.
"""

from __future__ import annotations

import _thread
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from types import FrameType

_SOON_S = 0.02


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


def _interrupt() -> None:
    """Interrupt the main thread, also while it waits, where the system can."""
    if hasattr(signal, "pthread_kill"):
        signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGINT)
    else:
        _thread.interrupt_main()


def heed_lost_interrupts() -> None:
    """Let a Ctrl-C end the program that comes while an object is deleted.

    Python prints such a Ctrl-C with its traceback and goes on without it, because nothing can be raised there. Now it
    comes once more, a moment later. All else that cannot be raised is reported as before.
    """
    usual = sys.unraisablehook

    def hook(lost: sys.UnraisableHookArgs) -> None:
        if not issubclass(lost.exc_type, KeyboardInterrupt):
            usual(lost)
            return
        # Not at once, or it would be raised in here and lost again. At the very end no thread can be started.
        with suppress(RuntimeError):
            again = threading.Timer(_SOON_S, _interrupt)
            again.daemon = True
            again.start()

    sys.unraisablehook = hook
