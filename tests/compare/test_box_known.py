"""The box of an instrument from its stages, notes and settings: what is taken for what, and why nothing is told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tapbatch.box.growth import Hole
from tapbatch.box.known import KnownBox
from tapbatch.compare.box_known import NoBox, box_known, hole_at
from tapbatch.compare.box_told import box_told, opening_needed
from tapbatch.compare.step_box import Opened, with_box
from tapbatch.compare.step_forecast import Forecast, basis_text
from tapbatch.compare.step_series import Work
from tapbatch.compare.steps import At, learn_steps
from tapbatch.model.history import Note, Stage
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import stage_mode

SETTINGS = InstrumentSettings.model_validate(
    {
        "opening": [{"shape": "round", "length_mm": 78.0, "edge_mm": 2.8}],
        "mode": [
            {"label": "air", "near_hz": 155.0, "kind": "air"},
            {"label": "top", "near_hz": 290.0, "kind": "plate"},
            {"label": "back", "near_hz": 360.0, "kind": "plate"},
        ],
    }
)
# Of a simulated box of 9.5 litres (tests/box/boxes_sim.py).
HZ = {
    72.0: (154.6, 288.7, 360.5),
    74.0: (157.3, 288.6, 360.5),
    76.0: (159.9, 288.5, 360.5),
    78.0: (162.5, 288.4, 360.5),
}
COVERED_HZ = (287.6, 360.4)


def _stage(order: int, length_mm: float | None, hz: tuple[float, ...], **said: object) -> Stage:
    note = Note(instrument="c", stage=f"s{order}", work="hole", opening_length_mm=length_mm, temperature_c=20.0)
    names = ("air", "top", "back")[-len(hz) :]
    modes = tuple(stage_mode(f, name=name) for f, name in zip(hz, names, strict=True))
    values: dict[str, object] = {"state": "closed", "note": note} | said
    return Stage(
        part="body", stage=f"s{order}", stage_shown=f"s{order}", order=order, concert_pitch_hz=440.0,
        heard=(), modes=modes, decays=(), **values,
    )  # fmt: skip


STAGES = tuple(_stage(n, length, hz) for n, (length, hz) in enumerate(HZ.items(), 1))
SHUT = _stage(4, None, COVERED_HZ, state="covered")


def _known(**changed: object) -> KnownBox:
    found = box_known(STAGES, SETTINGS.model_copy(update=changed), [SHUT])
    assert isinstance(found, KnownBox)
    return found


def test_the_box_is_known_by_its_labels_and_notes() -> None:
    box = _known()
    assert box.modes == ("air", "top", "back")
    assert box.hole == Hole("round", 78.0, edge_mm=2.8)
    assert len(box.areas_mm2) == 4
    # The simulated box has its top alone at 285 Hz.
    assert box.model.top.low < 285.0 < box.model.top.high
    told = box_told(box, STAGES[-1])
    assert told is not None
    assert told.stages == 4
    assert told.top_hz is not None


def test_the_opening_of_a_note_is_told_from_the_near_end() -> None:
    # 169.6 Hz is where an opening of 84 mm takes the simulated box.
    needed = opening_needed(_known(), "air", 169.6)
    assert needed is not None
    assert needed.stop is not None
    assert needed.most is not None
    assert 78.0 < needed.stop.length_mm < 84.0 < needed.most.length_mm < 90.0
    assert [each.mode for each in needed.meanwhile] == ["top", "back"]
    beyond = opening_needed(_known(), "air", 300.0)
    assert beyond is not None
    assert beyond.out_of_reach
    assert opening_needed(_known(), "r7", 300.0) is None


@pytest.mark.parametrize(
    ("stages", "settings", "why"),
    [
        (STAGES, InstrumentSettings(), "opening"),
        (STAGES, SETTINGS.model_copy(update={"mode": SETTINGS.mode[1:]}), "air"),
        (STAGES, SETTINGS.model_copy(update={"mode": (*SETTINGS.mode, SETTINGS.mode[0])}), "air"),
        ((*STAGES[:3], replace(STAGES[3], state="strung")), SETTINGS, "held"),
        ((*STAGES[:3], _stage(4, None, HZ[78.0])), SETTINGS, "sizes"),
        ((_stage(1, 72.0, (300.0, 288.0, 360.0)), *STAGES[1:]), SETTINGS, "order"),
        (STAGES[3:], SETTINGS, "little"),
    ],
)
def test_why_nothing_is_told(stages: tuple[Stage, ...], settings: InstrumentSettings, why: str) -> None:
    assert box_known(stages, settings) == NoBox(why)  # type: ignore[arg-type]


def test_a_volume_or_a_covered_tap_is_enough_with_one_opening() -> None:
    assert isinstance(box_known(STAGES[3:], SETTINGS, [SHUT]), KnownBox)
    assert isinstance(box_known(STAGES[3:], SETTINGS.model_copy(update={"box_volume_l": 9.5})), KnownBox)


def test_sizes_come_from_the_notes_else_from_the_settings() -> None:
    slot = InstrumentSettings.model_validate(
        {"opening": [{"shape": "slot", "length_mm": 70.0, "width_mm": 6.0, "count": 2}]}
    )
    bare = replace(STAGES[0], note=None)
    assert hole_at(bare, [bare], slot) == Hole("slot", 70.0, 6.0, count=2)
    assert hole_at(bare, [bare, STAGES[1]], slot) is None
    noted = Note(instrument="c", stage="s", opening_length_mm=72.0, opening_width_mm=6.5, opening_edge_mm=3.0)
    assert hole_at(replace(bare, note=noted), [bare], slot) == Hole("slot", 72.0, 6.5, 3.0, 2)
    by_area = hole_at(replace(bare, note=Note(instrument="c", stage="s", opening_mm2=960.0)), [bare], slot)
    assert by_area is not None
    assert by_area.area_mm2 == pytest.approx(960.0)
    assert by_area.length_mm / by_area.width_mm == pytest.approx(70.0 / 6.0)


# ------------------------------------------------------- cuts and physics


def _work(count: int) -> Work:
    return Work(STAGES[:count], tuple((n, n + 1) for n in range(count - 1)), "work 'hole' in the notes")


def _opened() -> Opened:
    return Opened(_known(), 0, HZ[78.0][0])


def test_physics_speaks_alone_after_one_cut() -> None:
    work = Work(STAGES[2:], ((0, 1),), "work 'hole' in the notes")
    found = with_box(Forecast(), work, _opened())
    assert found.outlook is not None
    # The cut before, from 76 to 78 mm, took it up by 28 cents.
    assert 20.0 < found.outlook.step.middle < 32.0
    assert basis_text(work, found) == "1 step of work 'hole' in the notes, and the physics of the box"


def test_cuts_that_say_otherwise_are_not_overruled() -> None:
    # Three cuts that lowered the mode by 40 cents each, where physics sees it rise.
    falling = learn_steps([At(c, 0.3, area) for c, area in zip((0.0, -40.0, -80.0, -120.0), _areas(), strict=True)],
                          [(0, 1), (1, 2), (2, 3)])  # fmt: skip
    assert falling is not None
    found = with_box(Forecast(falling, steps=3, model="area"), _work(4), _opened())
    assert found.physics == "apart"
    assert found.outlook is not None
    assert found.outlook.low < -35.0
    assert found.outlook.high > 20.0
    assert basis_text(_work(4), found).endswith("and the physics of the box, which says otherwise")


def _areas() -> list[float]:
    return [np.pi / 4.0 * length**2 for length in HZ]


def test_where_both_agree_the_interval_is_no_wider_than_that_of_the_cuts() -> None:
    # 30, 29 and 28 cents: what the readings of the four stages did.
    cents = [1200.0 * np.log2(hz[0] / 154.6) for hz in HZ.values()]
    own = learn_steps([At(c, 1.0, a) for c, a in zip(cents, _areas(), strict=True)], [(0, 1), (1, 2), (2, 3)])
    assert own is not None
    found = with_box(Forecast(own, steps=3, model="area"), _work(4), _opened())
    assert found.physics == "with"
    assert found.outlook is not None
    assert found.outlook.high - found.outlook.low <= own.high - own.low
    assert found.outlook.steps_to_go(74.0) == pytest.approx(3.0, abs=0.6)
    assert found.outlook.steps_to_go(1200.0) is None


def test_work_that_changes_no_opening_is_not_foretold() -> None:
    alike = tuple(replace(s, note=STAGES[3].note) for s in STAGES[2:])
    assert with_box(Forecast(), Work(alike, ((0, 1),), ""), _opened()) == Forecast()
