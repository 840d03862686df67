"""How far the work in hand has come: told by who does it, shown by who listens, and neither knows the other.

Conventions: a share is a number from 0 to 1 of the one recording in hand, in this process and thread. A recording of
hours takes a minute, and a bar that stands still for that long looks like a fault.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

Heard = Callable[[float], None]

_LISTENER: ContextVar[Heard | None] = ContextVar("_LISTENER", default=None)


@contextmanager
def listening(heard: Heard) -> Iterator[None]:
    """Have a function told the share, as long as the context lasts.

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
    """Tell whoever listens how far the recording in hand is; nothing happens where nobody does."""
    heard = _LISTENER.get()
    if heard is not None:
        heard(share)
