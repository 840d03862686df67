"""Progress within one recording: the code that does the work reports it, and a listener shows it.

Conventions: a share is a number from 0 to 1, the part of the current recording that is done in this process and
thread. A recording that lasts hours takes a minute to process, and a progress bar that does not move for a minute
looks like a fault.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

Heard = Callable[[float], None]

_LISTENER: ContextVar[Heard | None] = ContextVar("_LISTENER", default=None)


@contextmanager
def listening(heard: Heard) -> Iterator[None]:
    """Call a function with each reported share while the context lasts.

    Examples
    --------
    >>> shares = []
    >>> with listening(shares.append):
    ...     tell(0.5)
    >>> tell(1.0)
    >>> shares
    [0.5]
    """
    token = _LISTENER.set(heard)
    try:
        yield
    finally:
        _LISTENER.reset(token)


def tell(share: float) -> None:
    """Report how much of the current recording is done; without a listener nothing happens."""
    heard = _LISTENER.get()
    if heard is not None:
        heard(share)
