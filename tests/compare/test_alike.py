"""What all modes did alike: once a pair of stages, and only where its interval leaves out zero."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from tapbatch.compare.alike import alike_moves
from tapbatch.compare.drift import drifts_of_part
from tapbatch.compare.history import build_history
from tapbatch.model.history import Drift, Extent
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import item, reading
from tests.compare.voicing import taps_at, up

ROW = Drift(
    part="body", mode="air", from_stage="a", to_stage="b", freq_change_hz=1.0, freq_change_cents=9.0, cents_low=4.0,
    cents_high=14.0, t60_change_pct=None, t60_low_pct=None, t60_high_pct=None, verdict="up",
)  # fmt: skip

bounds = st.floats(-40.0, 40.0)


def _common(row: Drift, cents: float, low: float, high: float) -> Drift:
    return replace(row, common_cents=cents, common_low_cents=low, common_high_cents=high)


@given(bounds, bounds)
def test_it_is_a_fact_only_where_zero_lies_outside(one: float, other: float) -> None:
    low, high = sorted((one, other))
    found = alike_moves([_common(ROW, (low + high) / 2, low, high)])
    assert bool(found) == (low > 0 or high < 0)
    assert all(each.extent == Extent((low + high) / 2, low, high) for each in found)


def test_each_pair_of_stages_has_one() -> None:
    rows = [_common(replace(ROW, mode=m, to_stage=s), 9.0, 4.0, 14.0) for s in ("b", "c") for m in ("air", "main")]
    assert [(a.from_stage, a.to_stage) for a in alike_moves(rows)] == [("a", "b"), ("a", "c")]
    assert alike_moves([replace(ROW, verdict="gone")]) == ()


def test_a_body_whose_modes_all_rose_far_has_one_and_one_that_stood_has_none() -> None:
    freqs = (176.0, 262.0, 390.0, 580.0, 701.0)
    first, later = item("c_01-a.wav", reading(taps_at(*freqs))), item("c_02-b.wav", reading(taps_at(*freqs)))
    risen = item("c_02-b.wav", reading(taps_at(*(up(f, 60.0) for f in freqs))))
    for items, told in (((first, later), False), ((first, risen), True)):
        history, _ = build_history("cittern-07", items, InstrumentSettings(), {})
        found = alike_moves(drifts_of_part(history.stages, 3.0))
        assert bool(found) == told
        assert all(abs(alike.extent.cents - 60.0) < 10.0 for alike in found)
