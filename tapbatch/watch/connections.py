"""A server that keeps working whoever connects to it: few connections at a time, each with a deadline.

Conventions: times are in seconds, rates in bytes a second. If all places are taken, a connection is told to come
back later and closed at once, so that many of them never use up the file descriptors that the watch needs to read
recordings. There are no more places than the system's limit on descriptors allows. The whole head of a request must
arrive within ``HEAD_S``, however slowly its bytes come. An answer may take as long as it would at
``LEAST_BYTES_PER_S``, plus ``HEAD_S``.
"""

from __future__ import annotations

import io
import math
import socket
import time
from collections import Counter
from collections.abc import Iterable
from contextlib import suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import BoundedSemaphore, Lock
from typing import Any

CONNECTIONS = 32
"""How many connections are served at a time: some phones and a few browsers, each of which opens up to six."""

HEAD_S = 5.0
"""How long the head of a request may take, in seconds from the start of the connection."""

LEAST_BYTES_PER_S = 20_000
"""The lowest rate at which an answer is still sent; a phone at the far end of the workshop is faster."""

DESCRIPTORS_EACH = 2
"""How many file descriptors a connection may use: its socket, and the file that it sends."""

KEPT_DESCRIPTORS = 96
"""How many file descriptors the watch itself may use: results, hints, and eight for each of its processes."""

_BUSY = b"HTTP/1.0 503 Service Unavailable\r\nRetry-After: 2\r\nContent-Length: 0\r\n\r\n"


def most_connections() -> float:
    """Return how many connections the system's limit on file descriptors has room for, besides the watch itself.

    It is infinite if the system has no such limit.

    Examples
    --------
    >>> most_connections() >= 0
    True
    """
    try:
        from resource import RLIM_INFINITY, RLIMIT_NOFILE, getrlimit
    except ImportError:
        return math.inf
    limit = getrlimit(RLIMIT_NOFILE)[0]
    return math.inf if limit == RLIM_INFINITY else max((limit - KEPT_DESCRIPTORS) // DESCRIPTORS_EACH, 0)


class BoundedServer(ThreadingHTTPServer):
    """An HTTP server with at most so many connections at a time, each in a thread of its own.

    ``most_each`` is how many of them one other machine may hold, so that it does not shut out the rest; default all.
    """

    daemon_threads = True
    # A whole workshop may reload its pages in the same second.
    request_queue_size = 128

    def __init__(
        self,
        address: tuple[str, int],
        handler: type[BaseHTTPRequestHandler],
        connections: int = CONNECTIONS,
        most_each: int | None = None,
    ) -> None:
        self._places = BoundedSemaphore(connections)
        self._most_each = most_each
        self._held: Counter[str] = Counter()
        self._holding = Lock()
        if ":" in address[0]:
            self.address_family = socket.AF_INET6
        super().__init__(address, handler)

    def process_request(self, request: Any, client_address: Any) -> None:
        """Serve a connection if there is a place for it; else say so and close it."""
        if not self._has_place(client_address):
            # What fits into the system's own buffer is sent without waiting.
            request.settimeout(0.0)
            with suppress(OSError):
                request.send(_BUSY)
            self.shutdown_request(request)
            return
        try:
            super().process_request(request, client_address)
        except RuntimeError:
            # The system gives no thread more: as good as no place.
            self._give_up(client_address)
            self.shutdown_request(request)

    def finish_request(self, request: Any, client_address: Any) -> None:
        """Serve a connection, and give its place to the next before the client learns that it is over."""
        try:
            super().finish_request(request, client_address)
        finally:
            self._give_up(client_address)

    def _has_place(self, client_address: Any) -> bool:
        client = str(client_address[0])
        with self._holding:
            if self._most_each is not None and self._held[client] >= self._most_each:
                return False
            if not self._places.acquire(blocking=False):
                return False
            self._held[client] += 1
            return True

    def _give_up(self, client_address: Any) -> None:
        client = str(client_address[0])
        with self._holding:
            self._held[client] -= 1
            if self._held[client] <= 0:
                del self._held[client]
            self._places.release()

    def handle_error(self, request: object, client_address: object) -> None:
        """Keep quiet: a browser that goes away in the middle is nothing to tell at the bench."""


class TimedHandler(BaseHTTPRequestHandler):
    """A handler that reads the head of its request by a deadline, and sends its answer at a least rate."""

    def setup(self) -> None:
        """Prepare to read, by the deadline."""
        super().setup()
        self.incoming = UntilDeadline(self.connection, time.monotonic() + HEAD_S)
        self.rfile = self.body = io.BufferedReader(self.incoming)

    def send_whole(self, pieces: Iterable[bytes], length: int) -> None:
        """Send pieces, ``length`` bytes in all, to a client that takes them at ``LEAST_BYTES_PER_S`` or faster.

        Raises
        ------
        OSError
            Where it does not.
        """
        deadline_s = time.monotonic() + HEAD_S + length / LEAST_BYTES_PER_S
        for piece in pieces:
            # The time-out of a socket bounds the whole of ``sendall``, not each of its steps.
            self.connection.settimeout(max(deadline_s - time.monotonic(), 1e-3))
            self.wfile.write(piece)


class UntilDeadline(io.RawIOBase):
    """The bytes that come over a socket until a moment of the monotonic clock; later reads raise ``TimeoutError``.

    The moment may be put off, by setting ``deadline_s``.
    """

    def __init__(self, connection: socket.socket, deadline_s: float) -> None:
        self._connection = connection
        self.deadline_s = deadline_s

    def readable(self) -> bool:
        """Whether it can be read: it can."""
        return True

    def readinto(self, buffer: Any) -> int:
        """Read what comes next, up to the length of ``buffer``, and return how many bytes came."""
        left_s = self.deadline_s - time.monotonic()
        if left_s <= 0:
            msg = "the request took too long"
            raise TimeoutError(msg)
        self._connection.settimeout(left_s)
        return self._connection.recv_into(buffer)
