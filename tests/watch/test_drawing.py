"""Reports drawn beside a watch: the same bytes as here, and a lost process is reported."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from multiprocessing.connection import wait
from multiprocessing.context import SpawnProcess
from queue import SimpleQueue

import pytest

from tapbatch.results.files import REPORT
from tapbatch.run.instrument import Due
from tapbatch.run.one_pass import How, run_shop
from tapbatch.run.workers import living
from tapbatch.shop.folder import open_shop
from tapbatch.watch.drawing import Beside, Here
from tests.refusals import check
from tests.shops import make_shop, taps

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def due(tmp_path_factory: pytest.TempPathFactory) -> Due:
    shop = make_shop(tmp_path_factory.mktemp("drawing") / "shop", {"lyre-2_01-joined_top_1.wav": taps(91, count=2)})
    (due,) = run_shop(open_shop(shop), How(reports=0)).reports_due
    return due


@pytest.fixture
def beside() -> Iterator[tuple[Beside, SimpleQueue[None]]]:
    roused: SimpleQueue[None] = SimpleQueue()
    drawer, others = Beside(lambda: roused.put(None)), living()
    yield drawer, roused
    started = living() - others
    drawer.close()
    # other tests count processes
    assert all(wait([process.sentinel], timeout=30) for process in started)


def test_a_process_beside_draws_the_same_bytes_and_is_kept(
    due: Due, beside: tuple[Beside, SimpleQueue[None]]
) -> None:
    drawer, roused = beside
    here = Here()
    here.begin(due)
    expected = here.take()
    assert expected is not None
    assert expected.standing.files[REPORT].startswith(b"%PDF")
    others = living()
    for _ in range(2):
        assert (drawer.busy, drawer.done, drawer.take()) == (False, False, None)
        drawer.begin(due)
        assert drawer.busy
        roused.get(timeout=60)
        assert drawer.done
        assert drawer.take() == expected
        assert len(living() - others) == 1


def test_a_process_that_is_lost_is_told_and_the_next_report_gets_another(
    due: Due, beside: tuple[Beside, SimpleQueue[None]]
) -> None:
    drawer, roused = beside
    others = living()
    drawer.begin(due)
    for process in living() - others:
        process.kill()
    roused.get(timeout=60)
    lost = drawer.take()
    assert lost is not None
    assert (lost.standing.failed, lost.fingerprint) == (True, due.fingerprint)
    (why,) = lost.standing.attention
    check(why, "lyre-2", "tapbatch run")
    drawer.begin(due)
    roused.get(timeout=60)
    drawn = drawer.take()
    assert drawn is not None
    assert not drawn.standing.failed
    # ended while it had nothing to do
    for process in living() - others:
        process.kill()
        process.join()
    drawer.begin(due)
    roused.get(timeout=60)
    assert drawer.busy


def test_a_machine_that_has_room_for_no_process_is_told(
    due: Due, beside: tuple[Beside, SimpleQueue[None]], monkeypatch: pytest.MonkeyPatch
) -> None:
    drawer, roused = beside

    def refuse(*_: object) -> None:
        raise BlockingIOError(errno.EAGAIN, "Resource temporarily unavailable")

    with monkeypatch.context() as patch:
        # what a system that has no room for one more answers, here where the process would be made
        patch.setattr(SpawnProcess, "start", refuse)
        drawer.begin(due)
        roused.get(timeout=60)
        lost = drawer.take()
    assert lost is not None
    assert (lost.standing.failed, lost.fingerprint, drawer.busy) == (True, due.fingerprint, False)
    (why,) = lost.standing.attention
    check(why, "lyre-2", "Resource temporarily unavailable", "tapbatch run")
    drawer.begin(due)
    roused.get(timeout=60)
    drawn = drawer.take()
    assert drawn is not None
    assert not drawn.standing.failed


def test_closing_ends_the_process_and_no_other(due: Due, beside: tuple[Beside, SimpleQueue[None]]) -> None:
    drawer, _ = beside
    # Processes of other tests, which may still be ending.
    others = living()
    other = Beside(lambda: None)
    other.begin(due)
    kept = living() - others
    drawer.begin(due)
    (process,) = living() - others - kept
    drawer.close()
    assert wait([process.sentinel], timeout=30)
    assert all(other_one.is_alive() for other_one in kept)
    other.close()
    assert all(wait([other_one.sentinel], timeout=30) for other_one in kept)
    assert not drawer.busy


@pytest.mark.skipif(not hasattr(os, "nice"), reason="no priorities here")
def test_whoever_draws_steps_back(due: Due, beside: tuple[Beside, SimpleQueue[None]]) -> None:
    drawer, roused = beside
    others = living()
    drawer.begin(due)
    roused.get(timeout=60)
    (process,) = living() - others
    assert process.pid is not None
    assert os.getpriority(os.PRIO_PROCESS, process.pid) > os.getpriority(os.PRIO_PROCESS, 0)
