"""No face calls a mode moved, or its decay longer, beside an interval that holds zero; nor the other way round.

The drift rows are those of simulated stages: set-ups that shift, modes of which some moved, all, or none. What each
face says is read back from its text.
"""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapbatch.compare.before_after import Comparison, SustainChange, rings_verdict, side_by_side
from tapbatch.compare.history import build_history
from tapbatch.model.history import Drift, Extent, History
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.say.moves import moved_cell, moved_text, rings_text, since_first_text
from tapbatch.show.tables.columns import SCHEMA, cell_text
from tapbatch.show.tables.rows import history_to_tables
from tapbatch.show.terminal.comparison import comparison_lines
from tapbatch.show.view.answers import standing_text
from tapbatch.show.view.tables import drift_table, first_table
from tests.compare.builds import item, reading, taps

_BOUNDS = re.compile(r"\(([-+][\d.]+) to ([-+][\d.]+)\)")
WAYS = ("up", "probably up", "down", "probably down", "longer", "shorter", "probably longer", "probably shorter")
PARTED = "parted from the others"


def _holds_zero(bounds: tuple[str, str]) -> bool:
    return float(bounds[0]) <= 0.0 <= float(bounds[1])


def agree(text: str) -> None:
    """Fail where a verdict and the interval printed behind it disagree; ``text`` speaks of one move."""
    found = _BOUNDS.search(text)
    said = text.lower().lstrip()
    if any(said.startswith(f"{way} ") for way in WAYS) or PARTED in said:
        assert found, text
        assert not _holds_zero(found.groups()), text  # type: ignore[arg-type]
    if said.startswith(("cannot tell", "did not move")) and found:
        assert _holds_zero(found.groups()), text  # type: ignore[arg-type]


def _shift(rng: np.random.Generator, rows: list[tuple[float, float, float]]) -> list[tuple[float, float, float]]:
    """Return modes after a new set-up and a cut that moves none of them, some, or all."""
    cut = rng.choice([0.0, 3.0, 8.0, 25.0]) * rng.choice([-1.0, 1.0])
    share = rng.choice([0.0, 0.3, 1.0])
    alike, longer = rng.normal(0.0, 2.0), rng.choice([0.0, 0.0, 0.15])
    moved = []
    for freq, t60, level in rows:
        cents = alike + rng.normal(0.0, 0.7) + cut * (rng.random() < share)
        moved.append((freq * 2.0 ** (cents / 1200.0), t60 * np.exp(rng.normal(longer, 0.05)), level))
    return moved


@cache
def stages_of(seed: int) -> History:
    """Return three stages of a body, some with a second set-up, with all their rows of drift."""
    rng = np.random.default_rng([77, seed])
    rows = [(110.0 * 1.31**n, 0.5 / (1.0 + 0.2 * n), -3.0 * n) for n in range(int(rng.integers(1, 8)))]
    items = []
    for name in ("01-a", "02-b", "03-c"):
        scatter = float(rng.choice([0.3, 1.0, 3.0]))
        # A mode may come or go.
        heard = rows[: len(rows) - 1] if len(rows) > 3 and rng.random() < 0.3 else rows
        items.append(item(f"c_{name}.wav", reading(taps(rng, heard, 4, scatter))))
        if rng.random() < 0.4:
            again = _shift(rng, heard) if rng.random() < 0.2 else heard
            items.append(item(f"c_{name}_again.wav", reading(taps(rng, again, 4, scatter)), again=True))
        rows = _shift(rng, rows)
    history, _ = build_history("cittern-07", items, InstrumentSettings(), {})
    return history


SEEDS = range(30)


@pytest.mark.parametrize("seed", SEEDS)
def test_words_agree_with_the_interval_behind_them(seed: int) -> None:
    history = stages_of(seed)
    for drift in history.drifts:
        agree(moved_text(drift))
        agree(rings_text(drift))
        agree(since_first_text(drift, "01-a"))
        assert not drift.opposed or "by itself and" in moved_text(drift)
        # In a cell there is no room for an interval, but the verdict is the same.
        way = drift.verdict.removesuffix("?")
        assert moved_cell(drift).startswith({"steady": "did not move", "unclear": "cannot tell"}.get(way, way))
    agree(standing_text(history, history.stages[-1]).rpartition(" c), ")[2])


@pytest.mark.parametrize("seed", SEEDS)
def test_tables_and_compare_agree_with_the_interval_beside_them(seed: int) -> None:
    history = stages_of(seed)
    for row in drift_table(history, "body").rows:
        agree(row["moved"].text)
        agree(row["rings"].text)
        if "alike" not in row["verdict"].text:
            agree(f"{row['verdict'].text.removeprefix('moved ')} {row['cents'].text}")
    for row in first_table(history, history.stages[-1]).rows:
        agree(f"{row['verdict'].text.removeprefix('moved ')} {row['cents'].text}")
    comparison = side_by_side(*history.stages[:2], InstrumentSettings())
    for text in _last_cells(comparison):
        agree(text)


def _last_cells(comparison: Comparison) -> list[str]:
    """Return what the last column of a comparison says, each row on one line again."""
    cells: list[str] = []
    for line, _ in comparison_lines(comparison):
        if line.startswith(" " * 41):
            cells[-1] += f" {line.strip()}"
        else:
            cells.append(line[40:].strip())
    return cells


def _number(row: dict[str, object], name: str) -> float | None:
    text = cell_text(next(c for c in SCHEMA["drift"] if c.name == name), row)  # type: ignore[arg-type]
    return float(text) if text else None


@pytest.mark.parametrize("seed", SEEDS)
def test_drift_csv_has_the_interval_that_each_verdict_rests_on(seed: int) -> None:
    history = stages_of(seed)
    named = {"own": ("own_low_cents", "own_high_cents"), "all": ("common_low_cents", "common_high_cents")}
    for row, drift in zip(history_to_tables(history)["drift"], history.drifts, strict=True):
        for verdict, ends in (
            (row["verdict"], named.get(str(row["moved"]), ("cents_low", "cents_high"))),
            (row["first_verdict"], ("first_moved_low_cents", "first_moved_high_cents")),
        ):
            low, high = (_number(dict(row), end) for end in ends)
            if low is None or high is None:
                assert verdict in ("", "new", "gone", "unheard")
            elif str(verdict).removesuffix("?") in ("up", "down"):
                assert low * high > 0
                assert (low > 0) == str(verdict).startswith("up")
            elif not drift.opposed or ends[0].startswith("first"):
                assert low <= 0 <= high, (verdict, ends)


def test_the_stages_met_every_kind_of_verdict() -> None:
    drifts = [d for seed in SEEDS for d in stages_of(seed).drifts]
    assert {"up", "up?", "down", "down?", "steady", "unclear", "unheard"} <= {d.verdict for d in drifts}
    assert {d.moved for d in drifts} == {"own", "all", "whole", ""}
    assert any(d.first_verdict for d in drifts)
    said = {rings_text(d).split(" by ")[0].split(",")[0] for d in drifts}
    assert {"longer", "probably longer", "cannot tell"} <= said


# What excludes zero does so by a millionth at least (tapbatch.compare.moves.judge).
bounds = st.floats(-60.0, 60.0).map(lambda x: x if abs(x) > 2e-6 else 0.0)


@given(bounds, bounds, st.sampled_from([0.01, 0.3, None]))
def test_a_decay_is_called_what_its_interval_says(one: float, other: float, chance: float | None) -> None:
    low, high = sorted((one, other))
    row = replace(_ROW, t60_change_pct=(low + high) / 2, t60_low_pct=low, t60_high_pct=high, t60_chance=chance)
    agree(rings_text(row))
    firm = rings_text(row).startswith(("longer", "shorter"))
    assert not firm or chance != 0.3
    change = SustainChange(
        subject="mode", name="air", kind="tap", before_s=0.3, after_s=0.4, change_pct=(low + high) / 2, low_pct=low,
        high_pct=high, verdict=rings_verdict(low, high, chance),
    )  # fmt: skip
    (text,) = (text for text in _last_cells(_compared(change)) if "%" in text and "5 %" not in text[-8:])
    agree(text)


@settings(max_examples=50)
@given(st.floats(0.05, 30.0), st.floats(0.05, 30.0), st.sampled_from([1.0, -1.0]))
def test_moves_that_oppose_each_other_say_so(own: float, whole: float, sign: float) -> None:
    row = replace(
        _ROW,
        verdict="unclear",
        moved="whole",
        cents_low=min(-sign * whole, -sign * 2 * whole),
        cents_high=max(-sign * whole, -sign * 2 * whole),
        own_low_cents=min(sign * own, sign * 2 * own),
        own_high_cents=max(sign * own, sign * 2 * own),
        extent=Extent(-sign * 1.5 * whole, -2 * max(own, whole), 2 * max(own, whole)),
    )
    assert row.opposed
    ways = ("up", "down") if sign > 0 else ("down", "up")
    assert f"for it went {ways[0]} by itself and {ways[1]} in all" in moved_text(row)
    assert not replace(row, own_low_cents=-0.1, own_high_cents=0.1).opposed


_ROW = Drift(
    part="body", mode="air", from_stage="a", to_stage="b", freq_change_hz=1.0, freq_change_cents=9.0, cents_low=4.0,
    cents_high=14.0, t60_change_pct=None, t60_low_pct=None, t60_high_pct=None, verdict="up",
)  # fmt: skip


def _compared(change: SustainChange) -> Comparison:
    before, after = stages_of(0).stages[:2]
    return Comparison(before=before, after=after, drifts=(), sustain=(change,), balance=(), cautions=())
