"""Shops with frozen instruments and references, from files to tables: what is kept between runs changes nothing."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pytest

from tapbatch.model.history import History
from tapbatch.results.marks import read_marks
from tapbatch.results.sealed import read_sealed, seal
from tapbatch.run.compare import compare_in_shop
from tapbatch.shop.folder import open_shop
from tapbatch.show.tables.columns import table_bytes
from tapbatch.show.tables.rows import history_to_tables
from tests.shops import make_shop, rows_of, tapbatch, taps, write_wav

pytestmark = pytest.mark.usefixtures("drawn")

FROZEN = 'frozen = "2026-11-30"\n'


def at(instrument: str, stage: str, words: str, when: str) -> str:
    """Return the path of a recording that a phone named by its time."""
    return f"{instrument}/{stage}/{words}/{when}.wav"


LYRE = {
    at("lyre-2", "01-joined", "top", "2026-11-20 10.00.00"): taps(72, count=2),
    at("lyre-2", "02-thinned", "top", "2026-11-25 10.00.00"): taps(73, count=2, cents=7),
}
OLD = {
    at("old", "01-closed", "top", "2026-11-02 10.00.00"): taps(70, count=2),
    at("old", "01-closed", "top/again", "2026-11-02 11.00.00"): taps(71, count=2, cents=1),
}
BAR = {
    at("bar-1", "day-1", "blank", "2026-11-20 08.00.00"): taps(80, count=2),
    at("bar-1", "day-2", "blank", "2026-11-25 08.00.00"): taps(81, count=2, cents=5),
}
LATER = {
    at("na", "01-closed", "top", "2026-12-01 10.00.00"): taps(82, count=2),
    at("na", "01-closed", "top/again", "2026-12-01 11.00.00"): taps(83, count=2, cents=4),
    at("old", "01-closed", "top/again", "2026-12-01 12.00.00"): taps(84, count=2, cents=5),
    at("lyre-2", "03-braced", "top", "2026-12-02 10.00.00"): taps(85, count=2, cents=30),
    at("bar-1", "day-3", "blank", "2026-12-02 08.00.00"): taps(86, count=2, cents=9),
}


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    files = {"instruments/lyre-2.toml": FROZEN, "instruments/bar-1.toml": "reference = true\n"}
    return make_shop(tmp_path / "shop", {**LYRE, **OLD, **BAR}, files)


def add(shop: Path, recordings: dict[str, np.ndarray]) -> None:
    for name, samples in recordings.items():
        write_wav(shop / "recordings" / name, samples)


def rows(shop: Path) -> list[dict[str, str]]:
    return [r for r in rows_of(shop / "results" / "lyre-2" / "drift.csv") if r["to_stage"] == "02-thinned"]


def run(shop: Path, results: str = "") -> None:
    told = tapbatch("run", shop, "--jobs", "1", *(("--results", shop.parent / results) if results else ()))
    assert told.status == 0, told.err


@pytest.mark.slow
def test_frozen_rows_keep_their_digits_in_every_way_of_running(shop: Path) -> None:
    run(shop)
    before = rows(shop)
    assert before
    assert all("the reference bar-1" in row["caution"] for row in before)
    add(shop, LATER)
    run(shop)
    now = rows_of(shop / "results" / "lyre-2" / "drift.csv")
    assert rows(shop) == before
    assert {row["to_stage"] for row in now} == {"02-thinned", "03-braced"}
    # From nothing, with what every mark would have to be learned anew.
    run(shop, "anew")
    assert rows_of(shop.parent / "anew" / "lyre-2" / "drift.csv") == now
    # As the command compares them.
    ((found,), _) = compare_in_shop(open_shop(shop), "lyre-2", "01-joined", "02-thinned")
    history = History(instrument="x", instrument_shown="x", stages=(found.before, found.after), drifts=found.drifts)
    said = csv.DictReader(io.StringIO(table_bytes("drift", history_to_tables(history)["drift"]).decode()))
    first = {name for name in before[0] if name.startswith("first_")}
    assert [{k: v for k, v in r.items() if k not in first} for r in said] == [
        {k: v for k, v in r.items() if k not in first} for r in before
    ]
    # Without the setting they are judged with all that is known by now.
    (shop / "instruments" / "lyre-2.toml").write_text("", encoding="utf-8")
    run(shop)
    assert rows(shop) != before


def test_what_a_reference_taught_is_kept_and_read_back(shop: Path) -> None:
    run(shop)
    learned = read_marks(shop / "results").of["bar-1"].learned
    assert learned is not None
    assert [s.day for s in learned.sittings] == ["2026-11-20", "2026-11-25"]
    assert [(t.until, len(t.sittings)) for t in learned.then] == [("2026-11-30", 2)]
    marks = {p.name: p.stat().st_mtime_ns for p in (shop / "results" / ".readings").glob("standing-*")}
    run(shop)
    assert {p.name: p.stat().st_mtime_ns for p in (shop / "results" / ".readings").glob("standing-*")} == marks


SPOILED = {"a day": ('"2026-11-20"', '"20 November"'), "a number": ('"levels_db": [', '"levels_db": [1, ')}


@pytest.mark.parametrize("what", SPOILED)
def test_a_mark_that_does_not_make_sense_is_not_believed(shop: Path, what: str) -> None:
    run(shop)
    before, spoiled = rows(shop), 0
    for path in (shop / "results" / ".readings").glob("standing-*"):
        text = read_sealed(path)[0].decode()
        if SPOILED[what][0] in text:
            spoiled += 1
            path.write_bytes(seal(text.replace(*SPOILED[what])))
    assert spoiled
    run(shop)
    assert rows(shop) == before


def test_a_reference_has_no_landings_and_tells_no_target(shop: Path) -> None:
    run(shop)
    assert rows_of(shop / "results" / "bar-1" / "targets.csv") == []
    assert rows_of(shop / "results" / "lyre-2" / "targets.csv")
    targets = 'reference = true\n[[mode]]\nlabel = "a"\nnear_hz = 182\n[[target]]\nmode = "a"\nnearest = true\n'
    (shop / "instruments" / "bar-1.toml").write_text(targets, encoding="utf-8")
    told = tapbatch("run", shop)
    assert told.status == 1
    assert "[[target]] 1" in told.said
