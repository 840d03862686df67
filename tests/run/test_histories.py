"""One road to an answer: ``run``, ``compare`` and the notebook give the same numbers for the same shop."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path

import pytest

from tapbatch.api import load_readings
from tapbatch.model.history import Drift, History, Stage
from tapbatch.run.compare import compare_in_shop
from tapbatch.shop.folder import open_shop
from tapbatch.show.tables.columns import table_bytes
from tapbatch.show.tables.rows import history_to_tables
from tests.shops import make_shop, rows_of, tapbatch, taps

pytestmark = pytest.mark.usefixtures("drawn")

# A learner that moves by 20 cents when it is set up anew: far more than the 7 cents between the other's two stages.
AGAIN = {
    "na_01-closed_top_1.wav": taps(70),
    "na_01-closed_top_again_2.wav": taps(71, cents=20),
}
LYRE = {
    "lyre-2_01-joined_top_1.wav": taps(72),
    "lyre-2_02-thinned_top_1.wav": taps(73, cents=7),
}


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    return make_shop(tmp_path / "shop", {**AGAIN, **LYRE})


def as_printed(name: str, stages: Sequence[Stage], drifts: Sequence[Drift]) -> list[dict[str, str]]:
    """Return stages and drifts as the rows of a table, every cell as its text."""
    history = History(instrument="x", instrument_shown="x", stages=tuple(stages), drifts=tuple(drifts))
    text = table_bytes(name, history_to_tables(history)[name]).decode()
    return list(csv.DictReader(io.StringIO(text)))


def without_first(rows: list[dict[str, str]]) -> list[dict[str, str]]:
    return [{name: cell for name, cell in row.items() if not name.startswith("first_")} for row in rows]


def test_compare_gives_the_numbers_of_the_tables(shop: Path) -> None:
    tapbatch("run", shop)
    ((comparison,), attention) = compare_in_shop(open_shop(shop), "lyre-2", "01-joined", "02-thinned")
    assert attention == ()
    both = (comparison.before, comparison.after)
    for name in ("drift", "modes", "sustain"):
        rows = rows_of(shop / "results" / "lyre-2" / f"{name}.csv")
        assert len(rows) > 2
        # What moved since the first stage is the table's alone: a comparison knows two stages.
        assert without_first(as_printed(name, both, comparison.drifts)) == without_first(rows)
    # and the other instrument has taught this one: by itself it would be sure that every mode went up
    drift = rows_of(shop / "results" / "lyre-2" / "drift.csv")
    assert {row["verdict"] for row in drift} == {"unclear"}


def test_compare_learns_from_recordings_that_no_run_has_measured(shop: Path) -> None:
    (unmeasured, _) = compare_in_shop(open_shop(shop), "lyre-2", "01-joined", "02-thinned")
    tapbatch("run", shop)
    (measured, _) = compare_in_shop(open_shop(shop), "lyre-2", "01-joined", "02-thinned")
    assert [c.drifts for c in unmeasured] == [c.drifts for c in measured]


def test_the_notebook_gives_the_numbers_of_the_tables(shop: Path) -> None:
    tapbatch("run", shop)
    for instrument, history in load_readings(shop).items():
        for name, rows in history_to_tables(history).items():
            printed = list(csv.DictReader(io.StringIO(table_bytes(name, rows).decode())))
            assert printed == rows_of(shop / "results" / instrument / f"{name}.csv")


def test_what_cannot_be_compared_leaves_the_others_in_the_notebook(
    shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from tapbatch.run import histories

    tapbatch("run", shop)
    known = histories.gather_history

    def failing(instrument: str, *rest: object) -> object:
        if instrument == "na":
            raise IndexError("odd")
        return known(instrument, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(histories, "gather_history", failing)
    assert list(load_readings(shop)) == ["lyre-2"]
