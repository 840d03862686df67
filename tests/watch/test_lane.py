"""A process beside a watch: jobs are answered in order, and a job given to a lost process ends with an error."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures.process import BrokenProcessPool
from multiprocessing.connection import wait
from multiprocessing.process import BaseProcess
from queue import SimpleQueue

import pytest

from tapbatch.run.workers import living
from tapbatch.watch.lane import Lane

pytestmark = pytest.mark.slow


@pytest.fixture
def roused() -> SimpleQueue[None]:
    return SimpleQueue()


@pytest.fixture
def others() -> frozenset[BaseProcess]:
    """Processes of other tests, which may still be ending."""
    return living()


@pytest.fixture
def lane(roused: SimpleQueue[None], others: frozenset[BaseProcess]) -> Iterator[Lane]:
    lane = Lane(lambda: roused.put(None))
    started = living() - others
    yield lane
    lane.end()
    assert all(wait([process.sentinel], timeout=30) for process in started)
    assert not lane.alive


def test_jobs_are_answered_and_each_rouses(lane: Lane, roused: SimpleQueue[None]) -> None:
    futures = [lane.give(abs, number) for number in (-1, -2)]
    for _ in futures:
        roused.get(timeout=60)
    assert [future.result(timeout=60) for future in futures] == [1, 2]
    assert lane.alive


def test_a_job_for_a_lost_process_has_an_error_and_rouses(
    lane: Lane, roused: SimpleQueue[None], others: frozenset[BaseProcess]
) -> None:
    (process,) = [each for each in living() - others if each.is_alive()]
    process.kill()
    process.join()
    assert not lane.alive
    for _ in range(2):
        # Given before and after the pool has noticed.
        future = lane.give(abs, -1)
        roused.get(timeout=60)
        assert isinstance(future.exception(timeout=60), BrokenProcessPool)
