"""An arrival writes the tables of its own instrument; those of others, which learn from it, follow when quiet."""

from __future__ import annotations

from pathlib import Path

import pytest

from tapbatch.watch.arrivals import STILL_S
from tapbatch.watch.watching import QUIET_S
from tests.shops import bytes_below, make_shop, taps
from tests.watch.bench import Bench, as_a_run

pytestmark = pytest.mark.usefixtures("drawn")

STAGES = {
    "lyre-2_01-joined_top_1.wav": taps(72, count=2),
    "lyre-2_02-thinned_top_1.wav": taps(73, count=2, cents=7),
    "na_01-closed_top_1.wav": taps(70, count=2),
}
AGAIN = "na_01-closed_top_again_2.wav"


@pytest.fixture
def two(drawn: list[str], tmp_path: Path) -> Bench:
    bench = Bench(make_shop(tmp_path / "shop", STAGES))
    assert bench.until_quiet(10.0) == ["began: 3"]
    drawn.clear()
    return bench


def drift(bench: Bench) -> bytes:
    return bytes_below(bench.root / "results" / "lyre-2")["drift.csv"]


def until_told(bench: Bench, what: str) -> None:
    """Step until an arrival was told, and no further."""
    for _ in range(50):
        wait_s = bench.watch.step()
        if what in bench.told:
            return
        bench.now_s += wait_s
    raise AssertionError("it was never told")


def test_the_tables_of_others_follow_when_it_is_quiet(two: Bench, drawn: list[str], tmp_path: Path) -> None:
    before = drift(two)
    two.put(AGAIN, taps(71, count=2, cents=4))
    until_told(two, f"arrived: {AGAIN}")
    arrived_s = two.now_s
    # Its own tables are there at once; the other's, which learn from it, are as they were.
    assert {row["taps"] for row in two.modes("na")} == {"4"}
    assert drift(two) == before
    wait_s = 0.0
    while drift(two) == before:
        assert drawn == []
        two.now_s += max(wait_s, 0.001)
        wait_s = two.watch.step()
    assert two.now_s - arrived_s == pytest.approx(QUIET_S, abs=0.1)
    two.until_quiet(10.0)
    assert sorted(drawn) == ["lyre-2", "na"]
    assert as_a_run(two, tmp_path / "run")


def test_while_files_keep_arriving_the_others_wait(two: Bench, tmp_path: Path) -> None:
    before = drift(two)
    two.put(AGAIN, taps(71, count=2, cents=4))
    until_told(two, f"arrived: {AGAIN}")
    began_s = two.now_s
    for number in range(4):
        # The next comes before three seconds have passed, although each takes time to be still.
        two.now_s += QUIET_S - STILL_S - 0.1
        name = f"na_02-opened_top_{number}.wav"
        two.put(name, taps(80 + number, count=2))
        until_told(two, f"arrived: {name}")
        assert drift(two) == before
    assert two.now_s - began_s > 2.0 * QUIET_S
    two.until_quiet(10.0)
    assert drift(two) != before
    assert as_a_run(two, tmp_path / "run")


def test_half_a_file_holds_the_others_back(two: Bench) -> None:
    before = drift(two)
    two.put(AGAIN, taps(71, count=2, cents=4))
    until_told(two, f"arrived: {AGAIN}")
    whole = two.put("na_02-opened_top_1.wav", taps(81, count=2)).read_bytes()
    path = two.root / "recordings" / "na_02-opened_top_1.wav"
    path.write_bytes(whole[: len(whole) // 2])
    for _ in range(20):
        two.now_s += 0.5
        two.watch.step()
    assert drift(two) == before
    path.write_bytes(whole)
    two.until_quiet(10.0)
    assert drift(two) != before


def test_its_own_new_stage_is_written_at_once_also_while_it_waits_for_others(two: Bench) -> None:
    two.put(AGAIN, taps(71, count=2, cents=4))
    until_told(two, f"arrived: {AGAIN}")
    two.put("lyre-2_03-braced_top_1.wav", taps(75, count=2, cents=30))
    until_told(two, "arrived: lyre-2_03-braced_top_1.wav")
    assert "03-braced" in {row["stage"] for row in two.modes("lyre-2")}


def test_a_watch_that_starts_finds_what_was_left_to_follow(two: Bench, tmp_path: Path) -> None:
    before = drift(two)
    two.put(AGAIN, taps(71, count=2, cents=4))
    until_told(two, f"arrived: {AGAIN}")
    assert drift(two) == before
    other = Bench(two.root)
    assert other.until_quiet(10.0) == ["began: 0"]
    assert drift(other) != before
    assert as_a_run(other, tmp_path / "run")
