"""Where there is no forecast: each reason, and what is still known beside it."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.compare.step_limits import SPOILING_FLAGS, Ahead, faults_of, no_forecast
from tapbatch.compare.step_series import Work
from tapbatch.compare.steps import At, learn_steps
from tapbatch.model.caution import Caution
from tapbatch.model.history import Drift, Landing, NoForecast
from tests.compare.builds import item, reading
from tests.compare.voicing import landed, step, taps_at, up


def _target(cents: list[float], hz: float, **said: object) -> Landing:
    """Return the target of the air mode after steps at these cents above 176 Hz."""
    items = [step(n, up(176.0, c), 262.0, **said) for n, c in enumerate(cents, 1)]
    history, _ = landed(*items, target=[{"mode": "air", "hz": hz}])
    return history.landings[0]


RISING = [0.0, 10.0, 19.0, 30.0, 40.0]


def test_a_forecast_has_no_reason() -> None:
    landing = _target(RISING, up(176.0, 70.0))
    assert (landing.no_forecast, landing.work_way) == ("", "up")
    assert landing.steps_to_go == pytest.approx(3.0, rel=0.05)
    assert landing.overshoot is not None


def test_on_target_there_is_nothing_to_forecast() -> None:
    landing = _target(RISING, up(176.0, 41.0))
    assert (landing.on_target, landing.no_forecast) == ("sure", "on target")
    assert (landing.step_cents, landing.steps_to_go, landing.overshoot) == (None, None, None)


def test_past_the_target_and_which_way_the_work_goes() -> None:
    landing = _target(RISING, up(176.0, 28.0))
    assert (landing.no_forecast, landing.work_way) == ("past", "up")
    assert landing.cents_to_go == pytest.approx(-12.0, abs=0.05)
    assert landing.step_cents == pytest.approx(10.0, abs=0.5)
    assert (landing.steps_to_go, landing.overshoot) == (None, None)
    down = _target([-c for c in RISING], up(176.0, -28.0))
    assert (down.no_forecast, down.work_way) == ("past", "down")


def test_work_that_led_away_from_the_start_is_not_called_past() -> None:
    landing = _target(RISING, up(176.0, -30.0))
    assert (landing.no_forecast, landing.work_way) == ("away", "up")


def test_a_target_that_was_passed_within_two_steps_is_said_to_be() -> None:
    landing = _target([0.0, 10.0, 20.0], up(176.0, 12.0))
    assert (landing.no_forecast, landing.work_way, landing.step_cents) == ("past", "", None)
    assert _target([0.0, 10.0, 20.0], up(176.0, 60.0)).no_forecast == "few steps"


def test_farther_than_twice_the_steps_seen_is_beyond_the_data() -> None:
    for ahead, reason in ((75.0, ""), (90.0, "beyond")):
        landing = _target(RISING, up(176.0, 40.0 + ahead))
        assert landing.no_forecast == reason, ahead
        assert (landing.steps_to_go is None) == bool(reason)
        assert landing.step_cents is not None


def test_steps_that_shrink_too_fast_are_said_never_to_get_there() -> None:
    cents = [0.0]
    for n in range(6):
        cents.append(cents[-1] + 20.0 * 0.6**n)
    # All that is left of the series is 20 x 0.6^6 / 0.4 = 2.3 cents.
    assert _target(cents, up(176.0, cents[-1] + 8.0)).no_forecast == "beyond"


def test_under_string_tension_there_is_none() -> None:
    landing = _target(RISING, up(176.0, 70.0), state="strung")
    assert (landing.no_forecast, landing.step_cents) == ("strung", None)


def test_without_a_common_point_there_is_none() -> None:
    items = [step(n, up(176.0, c), 262.0, point=f"p{n}") for n, c in enumerate(RISING, 1)]
    history, _ = landed(*items, target=[{"mode": "air", "hz": up(176.0, 70.0)}])
    assert {x.no_forecast for x in history.landings} == {"points"}


@pytest.mark.parametrize("flag", [f for f in SPOILING_FLAGS if f not in ("identity?", "recordings-differ", "string")])
def test_a_flag_that_spoils_the_frequency_stands_against_a_forecast(flag: str) -> None:
    items = [step(n, up(176.0, c), 262.0) for n, c in enumerate(RISING[:-1], 1)]
    flagged = [[replace(m, flags=(flag,)) if k == 0 else m for k, m in enumerate(t)] for t in taps_at(183.0, 262.0)]
    last = item("c_05-voicing_step_5.wav", reading(flagged), step=True, take=5)
    history, _ = landed(*items, last, target=[{"mode": "air", "hz": up(176.0, 100.0)}])
    landing = history.landings[0]
    assert (landing.no_forecast, landing.faults, landing.step_cents) == ("fault", (flag,), None)


def _work(*flags: tuple[str, ...]) -> Work:
    """Return work whose stages have these flags at the air mode."""
    history, _ = landed(*(step(n, up(176.0, 10.0 * n), 262.0) for n in range(1, len(flags) + 1)))
    stages = [
        replace(s, modes=tuple(replace(m, flags=f) if m.mode == "air" else m for m in s.modes))
        for s, f in zip(history.stages, flags, strict=True)
    ]
    return Work(tuple(stages), tuple((n, n + 1) for n in range(len(stages) - 1)), "")


def test_a_fault_stands_if_it_is_there_now_or_names_may_have_been_swapped() -> None:
    assert faults_of(_work((), ("pair?",), ()), ["air"], []) == ()
    assert faults_of(_work((), (), ("wide", "pair?")), ["air"], []) == ("pair?",)
    assert faults_of(_work((), ("identity?",), ()), ["air"], []) == ("identity?",)
    # The name of the first stage was in doubt on the way there, which is no step of this work.
    assert faults_of(_work(("identity?",), (), ()), ["air"], []) == ()
    assert faults_of(_work((), (), ("pair?",)), ["main"], []) == ()


def test_what_moved_the_reading_besides_the_work_is_a_fault() -> None:
    work = _work((), (), ())
    drift = Drift(
        part="body", mode="air", from_stage="", to_stage=work.stages[1].stage, freq_change_hz=None,
        freq_change_cents=None, cents_low=None, cents_high=None, t60_change_pct=None, t60_low_pct=None,
        t60_high_pct=None, verdict="up", cautions=(Caution("method"), Caution("days", days=2)),
    )  # fmt: skip
    assert faults_of(work, ["air"], [drift]) == ("method",)
    assert faults_of(work, ["main"], [drift]) == ()
    assert faults_of(work, ["air"], [replace(drift, to_stage=work.stages[0].stage)]) == ()


@given(
    st.lists(st.floats(-15.0, 15.0), min_size=3, max_size=6),
    st.floats(-150.0, 150.0),
    st.floats(-150.0, 150.0),
    st.booleans(),
)
def test_past_and_away_are_said_only_of_work_that_leads_away(
    steps: list[float], to_go: float, first: float, aimed: bool
) -> None:
    cents = [0.0]
    for each in steps:
        cents.append(cents[-1] + each)
    pairs = tuple((n, n + 1) for n in range(len(steps)))
    outlook = learn_steps([At(c, 0.05) for c in cents], pairs)
    work = replace(_FIVE, steps=pairs)
    ahead = Ahead(to_go, first, aimed, "no", outlook)
    said = no_forecast(ahead, work, ())
    assert said in ("", "past", "away", "beyond")
    if said in ("past", "away"):
        assert ahead.way == ("down" if to_go > 0 else "up")
        assert (said == "past") == (to_go * first < 0)
    elif ahead.way:
        assert ahead.way == ("up" if to_go > 0 else "down")
    assert no_forecast(replace(ahead, on_target="likely"), work, ("hum",)) == "on target"
    assert no_forecast(ahead, work, ("hum",)) == "fault"


_FIVE = _work((), (), (), (), ())


def test_every_reason_was_met_here() -> None:
    met = {"on target", "strung", "fault", "few steps", "both ways", "points", "past", "away", "beyond"}
    assert met == set(get_args(NoForecast))
