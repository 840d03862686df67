"""The family side by side: which stage is the same, which mode is which, and how far apart they are said to be."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.compare.bench import Bench
from tapbatch.compare.history import gather_history
from tapbatch.compare.kin import kin_stages, same_stage, set_up_anew, side_by_side
from tapbatch.model.history import History, Stage
from tapbatch.model.kin import KinMode, KinStage, SideBySide
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import item, mode, reading, stage_mode

LUTE = InstrumentSettings(family="lute")


def stage_of(modes: dict[str, float], name: str = "05-closed", order: int = 1) -> Stage:
    return Stage(
        part="body",
        state="closed",
        stage=name,
        stage_shown=name,
        order=order,
        concert_pitch_hz=440.0,
        heard=(),
        modes=tuple(stage_mode(hz, name=label) for label, hz in modes.items()),
        decays=(),
    )


def kin_of(name: str, modes: dict[str, float], when: str = "2025-01-01", **said: str) -> KinStage:
    stage = KinStage(
        instrument=name,
        instrument_shown=name,
        family="lute",
        part="body",
        state="closed",
        same="closed",
        stage_shown="04-closed",
        when=when,
        opening_mm2=None,
        modes=tuple(KinMode(label, hz, 4.0) for label, hz in modes.items()),
    )
    return replace(stage, **said)


def beside(modes: dict[str, float], *kin: KinStage) -> SideBySide | None:
    stage = stage_of(modes)
    history = History(instrument="new", instrument_shown="New", stages=(stage,), drifts=(), kin=kin)
    return side_by_side(history, stage, LUTE)


def rows(side: SideBySide | None) -> dict[str, list[float | None]]:
    assert side is not None
    return {row.mode: [r.freq_hz if r else None for r in row.readings] for row in side.rows}


def test_modes_are_the_same_by_label_however_far_and_else_by_nearness() -> None:
    near, far = 300.0 * 2 ** (90 / 1200), 500.0 * 2 ** (110 / 1200)
    side = beside({"air": 180.0, "r2": 300.0, "r3": 500.0}, kin_of("old", {"air": 220.0, "r1": near, "r2": far}))
    assert rows(side) == {"air": [220.0, 180.0], "r2": [near, 300.0]}
    assert side is not None
    assert [row.mode for row in side.rows if row.by_note] == ["r2"]


def test_a_label_that_only_another_has_keeps_its_row() -> None:
    side = beside({"r1": 180.0}, kin_of("old", {"air": 240.0}), kin_of("older", {"air": 250.0}, "2024-01-01"))
    assert rows(side) == {"air": [250.0, 240.0, None]}


def test_they_stand_in_the_order_in_which_they_were_recorded() -> None:
    side = beside(
        {"air": 180.0}, kin_of("b", {"air": 182.0}, "2025-05-01"), kin_of("c", {"air": 184.0}, "2024-05-01")
    )
    assert side is not None
    # Nothing says when the new one was recorded.
    assert [stage.instrument for stage in side.stages] == ["c", "b", "new"]
    assert side.present == 2


@pytest.mark.parametrize("said", [{"same": "strung"}, {"part": "top"}, {"state": "strung"}])
def test_another_stage_part_or_state_is_not_the_same(said: dict[str, str]) -> None:
    assert beside({"air": 180.0}, kin_of("old", {"air": 182.0}, **said)) is None
    assert beside({"air": 180.0}, kin_of("old", {"air": 182.0})) is not None


@given(a=st.floats(80.0, 900.0), b=st.floats(80.0, 900.0))
def test_how_far_apart_is_what_the_ratio_says(a: float, b: float) -> None:
    side = beside({"air": a}, kin_of("old", {"air": b}))
    assert side is not None
    other = side.rows[0].readings[1 - side.present]
    assert other is not None
    assert other.apart_cents == pytest.approx(1200.0 * math.log2(b / a), abs=1e-6)
    here = side.rows[0].readings[side.present]
    assert here is not None
    # Errors of two readings add in squares.
    assert other.apart_half_cents == pytest.approx(math.hypot(4.0, here.half_cents))
    assert (here.apart_cents, here.apart_half_cents) == (None, None)


def test_the_number_in_front_does_not_matter() -> None:
    names = ("05-closed", "5 closed", "closed", "12_closed")
    assert {same_stage(stage_of({}, name)) for name in names} == {"closed"}


def test_of_a_series_the_last_step_counts_whatever_its_number() -> None:
    paths = [f"cittern-07_05-voicing step {n}_{n}.wav" for n in (1, 2, 3)]
    items = [
        replace_step(item(path, reading([[mode(180.0 + n)] * 1] * 3)), n) for n, path in enumerate(paths, start=1)
    ]
    history, _ = gather_history("cittern-07", items, LUTE, {})
    (shown,) = kin_stages(history, LUTE)
    assert (shown.same, shown.stage_shown) == ("voicing", "05-voicing step 3")
    assert [m.freq_hz for m in shown.modes] == pytest.approx([183.0], abs=0.01)
    assert kin_stages(history, InstrumentSettings()) == ()


def replace_step(one: tuple, number: int) -> tuple:
    recording, *rest = one
    return (
        replace(recording, stage="05-voicing", stage_shown="05-voicing", step=True, take=number),
        *rest,
    )


def test_a_reference_and_a_board_stand_beside_nobody() -> None:
    items = [item("cittern-07_05-closed_1.wav", reading([[mode(180.0)]] * 3))]
    history, _ = gather_history("cittern-07", items, LUTE, {})
    assert len(kin_stages(history, LUTE)) == 1
    assert kin_stages(history, LUTE.model_copy(update={"reference": True})) == ()
    board = replace(history, stages=tuple(replace(s, part="blank") for s in history.stages))
    assert kin_stages(board, LUTE) == ()


def test_intervals_are_those_of_a_new_set_up() -> None:
    (anew,) = set_up_anew([kin_of("old", {"air": 180.0})], Bench())
    assert anew.modes[0].half_cents == pytest.approx(Bench().reach_cents(4.0, 1))
    assert anew.modes[0].half_cents > 4.0
