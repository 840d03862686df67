"""Slow senders are waited for as long as bytes keep coming, and no longer."""

from __future__ import annotations

import io
import socket

import pytest

from tapbatch.watch.connections import BoundedServer, TimedHandler, UntilDeadline
from tapbatch.watch.incoming import IDLE_S, LEAST_BYTES_PER_S, WINDOW_S, Pace, TooSlowError, pieces_of


class Clock:
    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def test_an_hour_is_not_too_long_for_one_who_keeps_the_least_rate() -> None:
    clock = Clock()
    pace = Pace(clock)
    for _ in range(3600):
        clock.now_s += 1.0
        pace.came(LEAST_BYTES_PER_S + 1)


def test_one_who_is_slower_is_let_go_after_a_window() -> None:
    clock = Clock()
    pace = Pace(clock)
    for _ in range(int(WINDOW_S) - 1):
        clock.now_s += 1.0
        pace.came(LEAST_BYTES_PER_S - 1)
    clock.now_s += 1.0
    with pytest.raises(TooSlowError):
        pace.came(LEAST_BYTES_PER_S - 1)


def test_one_who_was_fast_is_not_excused_for_ever() -> None:
    clock = Clock()
    pace = Pace(clock)
    pace.came(10**9)
    clock.now_s = WINDOW_S
    pace.came(1)
    clock.now_s = 2 * WINDOW_S
    with pytest.raises(TooSlowError):
        pace.came(1)


def test_each_piece_puts_the_deadline_off() -> None:
    clock = Clock()
    here, there = socket.socketpair()
    with here, there:
        incoming = UntilDeadline(here, 0.0)
        pieces = pieces_of(io.BufferedReader(incoming), incoming, 60_000, clock)
        told = []
        for number in range(3):
            there.sendall(b"%d" % number * 20_000)
            # The socket's own clock is the system's; what counts is how far the deadline is put off.
            clock.now_s = 1e9 + 15.0 * number
            while len(b"".join(told)) < 20_000 * (number + 1):
                told.append(next(pieces))
            assert incoming.deadline_s == clock.now_s + IDLE_S
        assert b"".join(told) == b"0" * 20_000 + b"1" * 20_000 + b"2" * 20_000
        assert next(pieces, None) is None


def test_no_more_is_read_than_was_said_and_the_end_is_no_error() -> None:
    here, there = socket.socketpair()
    with here, there:
        incoming = UntilDeadline(here, 0.0)
        body = io.BufferedReader(incoming)
        there.sendall(b"x" * 10 + b"the next")
        there.shutdown(socket.SHUT_WR)
        assert b"".join(pieces_of(body, incoming, 10)) == b"x" * 10
        assert b"".join(pieces_of(body, incoming, 100)) == b"the next"


def test_one_machine_leaves_places_to_others() -> None:
    server = BoundedServer(("127.0.0.1", 0), TimedHandler, connections=4, most_each=3)
    with server:
        near, far = ("10.0.0.1", 1), ("10.0.0.2", 2)
        assert [server._has_place(near) for _ in range(5)] == [True, True, True, False, False]
        assert [server._has_place(far) for _ in range(2)] == [True, False]
        server._give_up(near)
        assert [server._has_place(near) for _ in range(2)] == [True, False]
