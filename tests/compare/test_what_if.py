"""What if: changes with their values now, effects that add up, and the reasons why nobody can say."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from tapbatch.compare import what_if
from tapbatch.compare.spread import Spread
from tapbatch.compare.step_forecast import Elders
from tapbatch.compare.what_if import Seen, answer
from tapbatch.compare.what_if_spreads import extent_of, summed, warmth
from tapbatch.compare.working_on import with_working_on
from tapbatch.model.history import History
from tapbatch.model.settings import InstrumentSettings
from tapbatch.model.what_if import Answer, Asked, Rest
from tests.compare.builds import item, reading
from tests.compare.voicing import LABELS, landed, step, taps_at, up

# Openings that double the same share of area each time; the air rises with them, the main mode stays.
AREAS = (400.0, 440.0, 484.0, 532.4)


def seen_of(history: History, **settings: Any) -> Seen:
    wanted = InstrumentSettings.model_validate({"mode": LABELS, **settings})
    seen = what_if.seen_of(with_working_on(history, wanted, {}), wanted, Elders(settings=wanted))
    assert seen is not None
    return seen


def voiced(**asked: Any) -> Answer:
    """Return the answer after three openings, each of which raised the air by 12 cents."""
    items = [step(n + 1, up(176.0, 12.0 * n), 262.0) for n in range(len(AREAS))]
    noted = {"opening_mm2": None, "temperature_c": 20.0}
    notes = {f"05-voicing-step-{n + 1}": {**noted, "opening_mm2": a} for n, a in enumerate(AREAS)}
    target = [{"mode": "air", "note": "F3"}]
    history, _ = landed(*items, notes=notes, target=target)
    return answer(seen_of(history, target=target), Asked(**asked))


def strung(**asked: Any) -> Answer:
    items = [item(f"c_0{n}-strung_{n}.wav", reading(taps_at(176.0, 262.0)), state="strung") for n in (1, 2)]
    notes = {"02-strung": {"string_pitch_hz": 415.0}}
    history, _ = landed(*items, notes=notes)
    strings = [{"note": "A4", "unit_weight_g_m": 1.0, "scale_mm": 400.0}]
    return answer(seen_of(history, strings=strings), Asked(**asked))


def rest(of: Answer, mode: str) -> Rest:
    return next(r for r in of.rests if r.mode == mode)


def across(area_mm2: float) -> float:
    return 2.0 * math.sqrt(area_mm2 / math.pi)


# --------------------------------------------------------------- the opening


def test_one_more_equal_share_of_area_moves_the_air_as_those_before() -> None:
    told = rest(voiced(hole_mm=across(532.4 * 1.1)), "air")
    assert told.moved is not None
    assert told.moved.cents == pytest.approx(12.0, abs=0.5)
    assert told.moved.low < 12.0 < told.moved.high
    assert told.then_hz == pytest.approx(up(176.0, 48.0), abs=0.1)


def test_a_slot_of_the_same_area_says_the_same_by_area() -> None:
    hole = rest(voiced(hole_mm=across(560.0)), "air").moved
    slot = rest(voiced(slot_mm=(8.0, 70.0)), "air").moved
    assert hole is not None
    assert slot is not None
    assert slot.cents == pytest.approx(hole.cents, abs=1e-6)


def test_what_changes_is_said_from_what_it_is_now() -> None:
    (change,) = voiced(hole_mm=27.0).changes
    assert change.size_before is not None
    assert change.size_after is not None
    assert change.size_before.length_mm == pytest.approx(across(532.4))
    assert change.size_after.length_mm == 27.0
    assert change.before == pytest.approx(532.4)


def test_a_target_is_as_far_as_the_landing_less_the_way_to_it() -> None:
    told = rest(voiced(hole_mm=across(532.4 * 1.1)), "air")
    (aim,) = told.aims
    assert told.then_hz is not None
    assert aim.left.cents == pytest.approx(1200.0 * math.log2(told.then_hz / aim.freq_hz), abs=0.01)


def test_what_is_worked_on_comes_first() -> None:
    told = voiced(hole_mm=27.0)
    assert [r.worked_on for r in told.rests] == [True, False]
    assert told.rests[0].mode == "air"


def test_far_beyond_the_steps_nobody_can_say() -> None:
    told = rest(voiced(hole_mm=40.0), "air")
    assert told.moved is None
    assert told.effects[0].unknown == "beyond"


def test_grams_that_were_never_noted_are_too_few_steps() -> None:
    assert rest(voiced(take_off_g=2.0), "air").effects[0].unknown == "few steps"
    assert rest(voiced(thickness_mm=2.0), "air").effects[0].unknown == "thickness not noted"


# ------------------------------------------------------------ several together


def test_several_changes_add_up_and_one_unknown_leaves_all_unknown() -> None:
    hole, warm = (rest(voiced(**a), "air") for a in ({"hole_mm": 27.0}, {"temperature_c": 25.0}))
    both = rest(voiced(hole_mm=27.0, temperature_c=25.0), "air")
    assert hole.moved is not None
    assert warm.moved is not None
    assert both.moved is not None
    assert both.moved.cents == pytest.approx(hole.moved.cents + warm.moved.cents, abs=1.0)
    assert both.moved.high - both.moved.low > hole.moved.high - hole.moved.low
    none = rest(voiced(hole_mm=27.0, take_off_g=2.0), "air")
    assert none.moved is None
    assert [e.unknown for e in none.effects] == ["", "few steps"]


def test_the_variances_of_independent_normals_add_up() -> None:
    # Means and variances of independent quantities add (any textbook of probability).
    spread = Spread(np.array([3.0]), np.array([16.0]), np.ones(1))
    other = Spread(np.array([-1.0]), np.array([9.0]), np.ones(1))
    extent = extent_of(summed([spread, other]))
    assert extent.cents == pytest.approx(2.0, abs=1e-6)
    assert extent.high - extent.cents == pytest.approx(1.959964 * 5.0, abs=1e-3)


# ------------------------------------------------------------------- warmth


@pytest.mark.parametrize("moved_k", [-8.0, 5.0, 12.0])
def test_air_follows_the_speed_of_sound(moved_k: float) -> None:
    # The speed of sound in dry air is 331.3 sqrt(T / 273.15) m/s; moisture adds a little, never 0.25 cents a kelvin.
    dry = 1200.0 * math.log2(math.sqrt((293.15 + moved_k) / 293.15))
    told = warmth(20.0, 20.0 + moved_k, np.array([1.0])).middle
    assert abs(told - dry) < 0.25 * abs(moved_k)


def test_the_share_of_air_is_between_that_of_air_alone_and_wood_alone() -> None:
    told = rest(voiced(temperature_c=25.0), "air").moved
    main = rest(voiced(temperature_c=25.0), "main").moved
    assert told is not None
    assert main is not None
    assert 0.0 < told.cents < 5 * 3.15
    # Nobody said what the main mode is: it may go either way.
    assert main.low < 0.0 < main.high


def test_without_the_temperature_now_nobody_can_say() -> None:
    told = strung(temperature_c=25.0)
    assert {e.unknown for r in told.rests for e in r.effects} == {"temperature not noted"}


# -------------------------------------------------------------------- strings


def test_the_pull_of_the_strings_goes_with_the_square_of_the_pitch() -> None:
    # Mersenne, Harmonie universelle (1636): T = mu (2 L f)^2; (440/415)^2 is 1.124.
    load = strung(pitch_hz=440.0).load
    assert load is not None
    assert load.more_pct == pytest.approx(12.41, abs=0.01)
    assert load.before_n == pytest.approx(0.001 * (0.8 * 415.0) ** 2, rel=1e-6)
    assert load.after_n == pytest.approx(0.001 * (0.8 * 440.0) ** 2, rel=1e-6)


def test_pitch_moves_a_mode_by_a_cent_for_each_per_cent_at_most() -> None:
    told = rest(strung(pitch_hz=440.0), "air").moved
    assert told is not None
    assert told.cents == pytest.approx(0.0, abs=0.01)
    assert 12.0 < told.high < 20.0


def test_no_strings_no_pitch_and_under_tension_no_cut() -> None:
    assert rest(voiced(pitch_hz=440.0), "air").effects[0].unknown == "not strung"
    told = strung(take_off_g=2.0)
    assert told.is_cut
    assert rest(told, "air").effects[0].unknown == "strung"
