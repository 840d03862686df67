"""A step of a known amount: what it does, how often that holds in simulated shops, and where nobody knows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tapbatch.compare.step_amount import effect_of
from tapbatch.compare.step_course import Course, Taken, Unit
from tapbatch.compare.step_forecast import Earlier
from tapbatch.compare.steps import At, effect_alone
from tests.compare.families_sim import KINDS, Kind, cut

EXACT = 1e-9


def by_grams(*steps: tuple[float, float], variance: float = EXACT) -> Course:
    """Return steps, each with its cents and grams."""
    cents = np.cumsum([0.0, *(c for c, _ in steps)])
    taken = tuple(Taken(grams=g) for _, g in steps)
    return Course(tuple(At(float(c), variance) for c in cents), tuple((n, n + 1) for n in range(len(steps))), taken)


def test_of_steps_in_proportion_the_next_is_in_proportion_too() -> None:
    told = effect_of(by_grams((10.0, 2.0), (20.0, 4.0), (5.0, 1.0)), Earlier(), "gram", 3.0)
    assert told.landing is not None
    assert told.landing.middle == pytest.approx(15.0, abs=0.01)
    assert told.steps == 3


def test_exact_steps_of_equal_amount_have_the_interval_of_students_t() -> None:
    # Prediction interval for one more of n normal values: mean +- t(n-1) s sqrt(1 + 1/n); t(3) at 0.975 is 3.182
    # (any table of Student's t, such as ISO 3534-1 or Box & Tiao 1973, 2.4).
    steps = (10.0, 13.0, 9.0, 12.0)
    told = effect_of(by_grams(*((c, 1.0) for c in steps)), Earlier(), "gram", 1.0)
    assert told.step is not None
    half = 3.182 * float(np.std(steps, ddof=1)) * np.sqrt(1.25)
    assert told.step.quantile(0.975) - 11.0 == pytest.approx(half, rel=0.02)


@pytest.mark.parametrize("grows", [True, False])
@pytest.mark.parametrize("count", [3, 6])
def test_the_interval_holds_on_an_instrument_alone(count: int, grows: bool) -> None:
    rng = np.random.default_rng(17)
    trials, held = 200, 0
    for _ in range(trials):
        beta, scatter, error = rng.normal(0.0, 8.0), rng.uniform(0.2, 4.0), rng.uniform(0.2, 1.5)
        amounts, ahead = rng.uniform(0.5, 1.5, count), float(rng.uniform(0.2, 2.0))
        sizes = np.array([*amounts, ahead]) if grows else np.ones(count + 1)
        moves = beta * np.array([*amounts, ahead]) + scatter * sizes * rng.normal(size=count + 1)
        true = np.cumsum([0.0, *moves])
        read = true + error * rng.normal(size=count + 2)
        stages = [At(float(c), error**2) for c in read[:-1]]
        steps = [(n, n + 1) for n in range(count)]
        _, landing = effect_alone(stages, steps, amounts, ahead, grows=grows)
        held += landing.quantile(0.025) <= true[-1] - read[-2] <= landing.quantile(0.975)
    # Of 200 intervals of 95 %, chance alone leaves fewer than 180 in under one run in a thousand.
    assert held >= 180


@pytest.mark.parametrize("kind", [k for k in KINDS if k != "one the other way"])
@pytest.mark.parametrize("noted", ["mass", "area"])
def test_the_interval_holds_with_a_family_when_the_amount_is_known(kind: Kind, noted: str) -> None:
    rng = np.random.default_rng(5)
    unit: Unit = "gram" if noted == "mass" else "doubling"
    trials, held = 0, 0
    for n in range(90):
        whole = cut(rng, kind, "level", 1 + n % 3, noted=noted)  # type: ignore[arg-type]
        # The last step that was read stands in for the one to come: what it took off is known, where it led is read.
        own, last = whole.own, whole.own.steps[-1]
        before = Course(own.stages[:-1], own.steps[:-1], own.taken[:-1])
        amount = own.amounts(unit)[-1]
        assert amount is not None
        told = effect_of(before, Earlier("lute", "work open", whole.earlier), unit, amount)
        if told.landing is None:
            continue
        came = own.stages[last[1]].cents - own.stages[last[0]].cents
        read = replace(told.landing, variances=told.landing.variances + own.stages[-1].variance)
        trials += 1
        held += read.quantile(0.025) <= came <= read.quantile(0.975)
    assert trials >= 70
    # Of intervals of 95 %, chance alone leaves fewer in under one run in a thousand.
    assert held >= 0.86 * trials


def test_nothing_is_said_beyond_what_was_taken_off_so_far() -> None:
    own = by_grams((10.0, 2.0), (11.0, 2.0), (9.0, 2.0))
    assert effect_of(own, Earlier(), "gram", 6.0).unknown is None
    assert effect_of(own, Earlier(), "gram", 6.5).unknown == "beyond"


def test_two_steps_alone_are_too_few() -> None:
    told = effect_of(by_grams((10.0, 2.0), (11.0, 2.0)), Earlier(), "gram", 1.0)
    assert (told.unknown, told.steps) == ("few steps", 2)


def test_before_the_first_cut_a_family_that_went_both_ways_tells_nothing() -> None:
    up = by_grams((20.0, 2.0), (21.0, 2.0), (20.0, 2.0))
    down = by_grams((-20.0, 2.0), (-21.0, 2.0), (-20.0, 2.0))
    first = Course((At(0.0, EXACT),), ())
    assert effect_of(first, Earlier("lute", "work carve", (up, down)), "gram", 2.0).unknown == "both ways"
    alike = effect_of(first, Earlier("lute", "work carve", (up, up)), "gram", 2.0)
    assert alike.landing is not None
    assert alike.landing.middle == pytest.approx(20.0, abs=2.0)
    assert (alike.instruments, alike.steps) == (2, 0)
