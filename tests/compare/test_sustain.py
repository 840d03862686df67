"""Sustain of a stage: what is joined, what is left empty, what is flagged."""

from __future__ import annotations

import math

import pytest

from tapbatch.compare.order import place
from tapbatch.compare.sustain import stage_decays
from tapbatch.model.history import StageDecay
from tapbatch.model.reading import Decay
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import Item, item, reading


def _decay(
    t60_s: float | None, edt_s: float | None = None, band: tuple[float, float] | None = None, **more: object
) -> Decay:
    values: dict[str, object] = {
        "band_low_hz": band[0] if band else None, "band_high_hz": band[1] if band else None, "edt_s": edt_s,
        "t20_s": None, "t30_s": None, "t60_s": t60_s, "t60_log_se": None if t60_s is None else 0.02,
    }  # fmt: skip
    return Decay(**(values | more))  # type: ignore[arg-type]


def _item(path: str, decays: list[list[Decay]], **said: object) -> Item:
    return item(path, reading([[] for _ in decays], decays), **said)


def _joined(*items: Item) -> tuple[StageDecay, ...]:
    return stage_decays(place(items, InstrumentSettings(), {}).places[0].heard)


def test_taps_join_as_logarithms() -> None:
    (whole,) = _joined(_item("c_01-a.wav", [[_decay(t, edt_s=t / 2)] for t in (0.4, 0.5, 0.625)]))
    assert whole.t60_s == pytest.approx(0.5)
    assert whole.edt_s == pytest.approx(0.25)
    assert (whole.t20_s, whole.t30_s) == (None, None)
    # t(2) s/sqrt(3) of three logarithms 0.2231 apart.
    half = 4.303 * math.log(1.25) / math.sqrt(3.0)
    assert whole.t60_high_s == pytest.approx(0.5 * math.exp(half), rel=1e-3)
    assert whole.t60_low_s == pytest.approx(0.5 * math.exp(-half), rel=1e-3)
    assert (whole.kind, whole.recordings, whole.flags) == ("tap", 1, ())


def test_a_range_that_most_taps_do_not_reach_is_left_empty() -> None:
    taps = [[_decay(0.4, edt_s=0.3)], [_decay(None)], [_decay(None)]]
    (whole,) = _joined(_item("c_01-a.wav", taps))
    assert (whole.edt_s, whole.t60_s, whole.t60_low_s, whole.t60_high_s) == (None, None, None, None)
    (half,) = _joined(_item("c_01-a.wav", taps[:2]))
    assert half.edt_s == pytest.approx(0.3)
    assert half.flags == ("few-taps",)


def test_kinds_and_bands_stand_apart_in_a_fixed_order() -> None:
    of_tap = [_decay(0.3, band=(707.0, 1414.0)), _decay(0.4), _decay(0.5, band=(88.0, 177.0))]
    rows = _joined(
        _item("c_01-a_pluck.wav", [[_decay(2.0)]] * 3, kind="pluck"),
        _item("c_01-a_1.wav", [of_tap] * 3),
        _item("c_01-a_2.wav", [of_tap] * 3),
        _item("c_01-a_room.wav", [[_decay(9.0)]], kind="room"),
    )
    assert [(r.kind, r.band_low_hz, r.recordings) for r in rows] == [
        ("tap", None, 2),
        ("tap", 88.0, 2),
        ("tap", 707.0, 2),
        ("pluck", None, 1),
    ]


def test_flags_that_half_of_the_taps_bear_are_those_of_the_stage() -> None:
    flagged, plain = _decay(0.4, flags=("room",)), _decay(0.4)
    assert _joined(_item("c_01-a.wav", [[flagged], [flagged], [plain], [plain]]))[0].flags == ("room",)
    assert _joined(_item("c_01-a.wav", [[flagged], [plain], [plain]]))[0].flags == ()
