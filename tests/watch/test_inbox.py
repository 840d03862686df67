"""A watch empties the inbox: what has fully arrived is placed, then read like any other recording."""

from __future__ import annotations

from pathlib import Path

import pytest

from tapbatch.run.now import Asked, answer
from tapbatch.shop.folder import open_shop
from tests.shops import make_shop, taps, write_wav
from tests.watch.bench import Bench, as_a_run

pytestmark = pytest.mark.usefixtures("drawn")


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    root = make_shop(tmp_path / "shop", {"lyre-2/05-closed/a.wav": taps(1, count=2)})
    (root / "inbox").mkdir()
    bench = Bench(root)
    bench.until_quiet()
    return bench


def on_the_bench(bench: Bench, *fields: str, **asked: object) -> None:
    answer(open_shop(bench.root), Asked(fields=fields, **asked))  # type: ignore[arg-type]


def test_what_arrives_is_placed_and_read(bench: Bench, tmp_path: Path) -> None:
    on_the_bench(bench, "lyre-2", "06-voicing", "step", new=True)
    write_wav(bench.root / "inbox/New Recording 1.wav", taps(2, count=2, cents=20))
    told = bench.until_quiet(5.0)
    assert "arrived: lyre-2/06-voicing/step 1/New Recording 1.wav" in told
    on_the_bench(bench, next_step=True)
    write_wav(bench.root / "inbox/New Recording 2.wav", taps(3, count=2, cents=40))
    assert "arrived: lyre-2/06-voicing/step 2/New Recording 2.wav" in bench.until_quiet(5.0)
    assert {row["stage"] for row in bench.modes("lyre-2")} == {"05-closed", "06-voicing step 1", "06-voicing step 2"}
    assert as_a_run(bench, tmp_path / "run")


def test_one_that_waits_is_told_once_and_goes_where_it_is_told(bench: Bench) -> None:
    write_wav(bench.root / "inbox/New Recording 1.wav", taps(2, count=2))
    told = bench.until_quiet(5.0)
    assert [line for line in told if line.startswith("attention: inbox/New Recording 1.wav: ")]
    assert bench.until_quiet(20.0) == []
    on_the_bench(bench, "lyre-2", "05-closed", given=("New Recording 1.wav",))
    assert "arrived: lyre-2/05-closed/New Recording 1.wav" in bench.until_quiet(5.0)


def test_half_a_file_is_not_placed(bench: Bench, tmp_path: Path) -> None:
    on_the_bench(bench, "lyre-2", "06-closed", new=True)
    whole = write_wav(tmp_path / "whole.wav", taps(2, count=2)).read_bytes()
    path = bench.root / "inbox/New Recording 1.wav"
    path.write_bytes(whole[: len(whole) // 2])
    bench.until_quiet(20.0)
    assert not (bench.root / "recordings/lyre-2/06-closed").exists()
    path.write_bytes(whole)
    assert "arrived: lyre-2/06-closed/New Recording 1.wav" in bench.until_quiet(5.0)


def test_undo_while_watching(bench: Bench) -> None:
    on_the_bench(bench, "lyre-2", "06-closed", new=True)
    write_wav(bench.root / "inbox/New Recording 1.wav", taps(2, count=2))
    bench.until_quiet(5.0)
    on_the_bench(bench, undo=True)
    bench.until_quiet(10.0)
    assert {row["stage"] for row in bench.modes("lyre-2")} == {"05-closed"}
