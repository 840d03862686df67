"""Crews: the same answers whoever works, few items in hand, and nobody who outlives his master's interest."""

from __future__ import annotations

import errno
import os
import signal
from collections.abc import Iterator
from multiprocessing import active_children
from multiprocessing.connection import wait
from multiprocessing.context import SpawnProcess

import pytest

from tapbatch.model.errors import ShopError
from tapbatch.run.workers import Alone, Crew, Processes, cores, living
from tests.refusals import refused


def items(count: int, taken: list[int]) -> Iterator[int]:
    for n in range(count):
        taken.append(n)
        yield n


@pytest.mark.parametrize("crew", [Alone(), Processes(2)], ids=["alone", "two"])
def test_every_item_is_answered_once(crew: Crew) -> None:
    assert sorted(crew.each(abs, [-3, 1, -2])) == [(-3, 3), (-2, 2), (1, 1)]
    assert list(crew.each(abs, [])) == []
    if isinstance(crew, Processes):
        with crew:
            pass


def test_few_items_are_in_hand_at_a_time() -> None:
    taken: list[int] = []
    before = set(active_children())
    with Processes(2) as crew:
        answers = crew.each(abs, items(100, taken))
        next(answers)
        assert len(taken) <= 12
        assert len(list(answers)) == 99
    assert set(active_children()) <= before


def test_an_interruption_ends_the_processes() -> None:
    crew = Processes(2)
    next(crew.each(abs, [-1, -2, -3]))
    started = active_children()
    assert started
    crew.__exit__(KeyboardInterrupt, KeyboardInterrupt(), None)
    # as the system tells of each: the pool's own thread joins them at the same time, and one of two who do so errs
    assert all(wait([process.sentinel], timeout=30) for process in started)


@pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="no process is suspended here")
def test_an_interruption_ends_suspended_processes() -> None:
    before = living()
    crew = Processes(2)
    next(crew.each(abs, [-1, -2, -3]))
    started = living() - before
    assert started
    for process in started:
        os.kill(process.pid or 0, signal.SIGSTOP)
    crew.__exit__(KeyboardInterrupt, KeyboardInterrupt(), None)
    assert all(wait([process.sentinel], timeout=30) for process in started)


def test_a_machine_that_has_room_for_no_process_is_told_in_a_line(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise BlockingIOError(errno.EAGAIN, "Resource temporarily unavailable")

    monkeypatch.setattr(SpawnProcess, "start", refuse)
    values = "Resource temporarily unavailable", "--jobs 1"
    with refused(ShopError, "--jobs", *values), Processes(2) as crew:
        list(crew.each(abs, [-1]))


def test_no_process_is_started_for_nothing() -> None:
    before = set(active_children())
    with Processes(2):
        assert set(active_children()) <= before


def test_a_machine_has_a_core() -> None:
    assert cores() >= 1
