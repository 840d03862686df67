"""Measuring on a Dask cluster, and what it says where it cannot.

That a real one gives the same bytes, also when one of its two workers is killed, is among the trials of
``tests/survival``.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tapbatch.model.errors import ShopError, TapbatchError
from tapbatch.run.one_pass import How, run_shop
from tapbatch.shop.folder import open_shop
from tests.refusals import misses, refused
from tests.shops import make_shop, tapbatch, taps
from tests.survival.dask import cluster

COUNT = 14

pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    names = [f"lyre-{n % 2}_{n:02}-stage_top.wav" for n in range(COUNT)]
    made = make_shop(
        tmp_path_factory.mktemp("shop") / "shop", {name: taps(n, count=2) for n, name in enumerate(names)}
    )
    (made / "recordings" / "lyre-2_03 x_top.wav").write_bytes(b"RIFF")
    return made


@pytest.mark.slow
def test_workers_that_do_not_see_the_shop_are_no_reason_to_call_it_missing(shop: Path, tmp_path: Path) -> None:
    from tapbatch.run.cluster import Cluster

    elsewhere = tmp_path / "elsewhere"
    # the worker is named, by its address
    with cluster(tmp_path, 1) as (address, _), refused(ShopError, "tcp", elsewhere), Cluster(str(address), elsewhere):
        pass


def test_an_address_where_nobody_is(shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tapbatch.run.cluster.ANSWERS_IN_S", 0.2)
    result = tapbatch("run", shop, "--results", tmp_path / "results", "--cluster", "tcp://127.0.0.1:9")
    (line,) = result.err.splitlines()
    assert (result.status, misses(line, "tcp://127.0.0.1:9", 0.2, "dask scheduler")) == (2, [])
    assert not (tmp_path / "results").exists()


def test_a_recording_that_no_worker_could_measure_is_named_and_the_rest_goes_on(shop: Path, tmp_path: Path) -> None:
    from tapbatch.run.workers import Alone

    class Losing(Alone):
        """A crew that loses whoever works on one recording."""

        def each(self, work, items):  # type: ignore[no-untyped-def]
            for item, answer in super().each(work, items):
                lost = item.recording.path == "lyre-1_03-stage_top.wav"
                error: TapbatchError = ShopError(
                    "--cluster", "no worker could measure it (KilledWorker)", "look at logs"
                )
                yield item, error if lost else answer

    outcome = run_shop(open_shop(shop, tmp_path / "results"), How(crew=Losing()))
    assert outcome.measured == COUNT - 1
    assert [item.where for item in outcome.attention] == ["lyre-1_03-stage_top.wav", "lyre-2_03 x_top.wav"]
