"""The body of a request: read piece by piece, from a sender that may be slow but must not stand still.

Conventions: rates in bytes a second. There is no deadline for the whole: a phone at the far end of a workshop may
take an hour for a long recording. But something must come every ``IDLE_S``, and over each ``WINDOW_S`` at least
``LEAST_BYTES_PER_S`` on average. A small body, such as JSON, must come whole within ``SMALL_S``.
"""

from __future__ import annotations

import io
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from socket import SHUT_WR, socket

from tapbatch.watch.connections import UntilDeadline

IDLE_S = 20.0
WINDOW_S = 30.0
LEAST_BYTES_PER_S = 500
SMALL_S = 10.0
PIECE_BYTES = 65_536

_LET_GO_BYTES, _LET_GO_S = 1 << 20, 1.0


class TooSlowError(Exception):
    """A sender is slower than the least rate."""


@dataclass(slots=True)
class Pace:
    """Tells whether what comes keeps the least rate.

    Parameters
    ----------
    clock
        Returns seconds that never go backwards.

    Examples
    --------
    >>> now = [0.0]
    >>> pace = Pace(lambda: now[0])
    >>> for now[0] in (10.0, 20.0, 30.0):
    ...     pace.came(20_000)
    >>> now[0] = 61.0
    >>> pace.came(100)
    Traceback (most recent call last):
    ...
    tapbatch.watch.incoming.TooSlowError
    """

    clock: Callable[[], float]
    _since_s: float = field(init=False)
    _bytes: int = 0

    def __post_init__(self) -> None:
        self._since_s = self.clock()

    def came(self, count: int) -> None:
        """Count bytes that came just now.

        Raises
        ------
        TooSlowError
            If too few came in the window that ends.
        """
        self._bytes += count
        passed_s = self.clock() - self._since_s
        if passed_s >= WINDOW_S:
            if self._bytes < LEAST_BYTES_PER_S * passed_s:
                raise TooSlowError
            self._since_s, self._bytes = self.clock(), 0


def pieces_of(
    body: io.BufferedReader[UntilDeadline],
    incoming: UntilDeadline,
    length: int,
    clock: Callable[[], float] = time.monotonic,
) -> Iterator[bytes]:
    """Yield a body of a known length as it comes; it ends early if the sender goes away.

    Parameters
    ----------
    body, incoming
        What is read from, and whose deadline is put off.
    length
        How many bytes the body has.
    clock
        Returns seconds that never go backwards; default that of the deadline.

    Raises
    ------
    TimeoutError
        If nothing comes for ``IDLE_S``.
    TooSlowError
        If what comes is less than the least rate.
    """
    pace = Pace(clock)
    while length > 0:
        incoming.deadline_s = clock() + IDLE_S
        piece = body.read1(min(PIECE_BYTES, length))
        if not piece:
            return
        length -= len(piece)
        yield piece
        if length > 0:
            pace.came(len(piece))


def small_body(body: io.BufferedReader[UntilDeadline], incoming: UntilDeadline, length: int) -> bytes:
    """Return a small body; fewer bytes if the sender goes away.

    Raises
    ------
    TimeoutError
        If it has not come within ``SMALL_S``.
    """
    incoming.deadline_s = time.monotonic() + SMALL_S
    return body.read(length)


def let_go(connection: socket, body: io.BufferedReader[UntilDeadline], incoming: UntilDeadline) -> None:
    """End a connection whose sender may still be sending, so that it can read the answer: for a short time only."""
    with suppress(OSError, ValueError):
        connection.shutdown(SHUT_WR)
        incoming.deadline_s = time.monotonic() + _LET_GO_S
        left = _LET_GO_BYTES
        while left > 0 and (piece := body.read1(min(PIECE_BYTES, left))):
            left -= len(piece)
