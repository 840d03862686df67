"""Pooled steps: textbook mixed models, what a family is counted by, and that own cuts take over."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from tapbatch.compare.step_course import Course, Taken, Unit
from tapbatch.compare.step_family import Grid, learn_family
from tapbatch.compare.step_pooled import family_of, outlook_pooled
from tapbatch.compare.steps import At
from tests.benchmarks.nextcut import both_of
from tests.compare.families_sim import KINDS, Kind, cut
from tests.compare.steps_sim import GROWTH

EXACT = 1e-9


def course(*changes: float, variance: float = EXACT, areas: list[float] | None = None, grams: float = 0.0) -> Course:
    cents = np.cumsum([0.0, *changes])
    stages = tuple(At(float(c), variance, areas[n] if areas else None) for n, c in enumerate(cents))
    taken = tuple(Taken(grams=grams or None) for _ in changes)
    return Course(stages, tuple((n, n + 1) for n in range(len(changes))), taken)


def flat(taus: list[float], omegas: list[float]) -> Grid:
    """Return a grid without trends and with flat priors."""
    one = np.zeros(1)
    return Grid(one, one, np.array(taus), np.array(omegas), one, one, np.zeros(len(taus)))


EVEN = (course(14.0, 16.0, 15.0), course(9.0, 11.0, 10.0), course(20.0, 18.0, 22.0), course(15.0, 13.0, 17.0))


# ------------------------------------------------------------ closed forms


def test_restricted_likelihood_of_balanced_data_is_largest_at_the_analysis_of_variance() -> None:
    # For balanced one-way data, restricted likelihood gives the estimates of the analysis of variance:
    # Searle, Casella & McCulloch, Variance Components (1992), chapter 4.
    groups = np.array([c.changes for c in EVEN])
    within = float(groups.var(axis=1, ddof=1).mean())
    between = float(groups.mean(axis=1).var(ddof=1)) - within / 3.0
    shares = [0.8, 0.9, 1.0, 1.1, 1.2]
    grid = flat([math.sqrt(between) * s for s in shares], [math.sqrt(within) * s for s in shares])
    family = learn_family(EVEN, "step", grid)
    assert family is not None
    best = int(np.argmax(family.points.weights))
    assert (family.points.tau[best], family.points.omega[best]) == (2, 2)
    assert family.points.beta[best] == pytest.approx(groups.mean())


@pytest.mark.parametrize("steps", [0, 1, 2, 6])
def test_with_known_variances_it_is_the_best_linear_prediction(steps: int) -> None:
    # Robinson, That BLUP is a good thing, Statistical Science 6 (1991), and any textbook on mixed models: the mean of
    # n steps counts by n tau^2 / (n tau^2 + omega^2), here with an estimated beta beside.
    tau, omega = 5.0, 2.0
    family = learn_family(EVEN, "step", flat([tau], [omega]))
    assert family is not None
    beta = float(np.mean([c.changes.mean() for c in EVEN]))
    of_beta = (tau**2 + omega**2 / 3.0) / 4.0
    own = course(*[22.0] * steps)
    prior = tau**2 + of_beta
    share = steps * prior / (steps * prior + omega**2)
    outlook = outlook_pooled(own, family)
    # One in a hundred is taken to be unlike its family, which moves the middle by little.
    assert outlook.typical.middle == pytest.approx(beta + share * (22.0 - beta), abs=0.35)
    half = 1.96 * math.sqrt(prior * (1.0 - share) + omega**2)
    assert (outlook.high - outlook.low) / 2.0 == pytest.approx(half, rel=0.07)


def test_a_shared_reading_raises_one_step_and_lowers_the_next() -> None:
    # Steps of 10 read with errors of 3 cents: if the errors were taken for scatter, it would be far above what it is.
    rng = np.random.default_rng(71)
    courses = []
    for _ in range(6):
        read = 10.0 * np.arange(8) + rng.normal(0.0, 3.0, 8)
        courses.append(Course(tuple(At(float(c), 9.0) for c in read), tuple((n, n + 1) for n in range(7))))
    family = learn_family(tuple(courses), "step")
    assert family is not None
    scatter = float(family.points.weights @ family.grid.omegas[family.points.omega])
    assert scatter < 1.2


# ------------------------------------------------------------ which way, by what


def test_two_instruments_and_four_steps_at_least() -> None:
    assert learn_family(EVEN[:1], "step") is None
    assert learn_family((course(9.0), course(11.0, 9.0)), "step") is None
    assert learn_family((course(9.0, 10.0), course(11.0, 9.0)), "step") is not None


@pytest.mark.parametrize(
    ("other", "opposed"), [((-12.0, -14.0, -13.0), True), ((-2.0, 9.0, -4.0), False), ((3.0, 2.0, 4.0), False)]
)
def test_went_both_ways_only_if_both_are_sure(other: tuple[float, ...], opposed: bool) -> None:
    family = learn_family((*EVEN[:2], course(*other, variance=0.1)), "step")
    assert family is not None
    assert family.opposed is opposed


@pytest.mark.parametrize(
    ("unit", "own"),
    [
        ("step", course(10.0)),
        ("gram", course(10.0, grams=2.0)),
        ("doubling", course(10.0, areas=[400.0, 440.0])),
    ],
)
def test_steps_count_by_what_all_have_noted(unit: Unit, own: Course) -> None:
    areas = [400.0, 440.0, 480.0, 520.0]
    earlier = [course(*c.changes, areas=areas if unit == "doubling" else None, grams=2.0) for c in EVEN]
    family = family_of(earlier, own)
    assert family is not None
    assert family.unit == unit


def test_a_step_twice_as_heavy_does_twice_as_much() -> None:
    light = [course(*(5.0 * g + e for g, e in zip((1.0, 2.0, 3.0), errors, strict=True))) for errors in
             ((0.2, -0.3, 0.1), (-0.2, 0.1, 0.3), (0.1, 0.2, -0.3))]  # fmt: skip
    earlier = [Course(c.stages, c.steps, tuple(Taken(grams=g) for g in (1.0, 2.0, 3.0))) for c in light]
    own = course(20.0, 20.0, 20.0, grams=4.0)
    family = family_of(earlier, own)
    assert family is not None
    assert family.unit == "gram"
    assert outlook_pooled(own, family).step.middle == pytest.approx(20.0, abs=0.7)
    # Counted by steps, the family would go on by 10 cents each.
    first = family_of(earlier, course(grams=0.0))
    assert first is not None
    assert outlook_pooled(course(), first).step.middle == pytest.approx(10.0, abs=2.0)


def test_a_mistyped_mass_still_leaves_a_forecast() -> None:
    # A milliardth of a gram makes a slope of 10^14 cents a typical step, which no step here comes near.
    wrong, right = course(2000.0, grams=1e-9), course(0.0, 0.0, 0.0, grams=300.0)
    own = course(0.0, 0.0, grams=300.0)
    family = family_of([wrong, right], own)
    assert family is not None
    outlook = outlook_pooled(own, family)
    assert math.isfinite(outlook.low)
    assert outlook.low <= 0.0 <= outlook.high


def test_a_larger_opening_counts_by_doublings() -> None:
    # 300 cents a doubling is a thin hole in a rigid box (Rayleigh), on all instruments.
    opened = [
        [400.0, 450.0, 500.0, 560.0],
        [300.0, 350.0, 420.0, 480.0],
        [500.0, 540.0, 600.0, 640.0],
    ]
    noise = np.random.default_rng(72).normal(0.0, 0.3, (3, 3))
    earlier = [
        course(
            *(300.0 * math.log2(b / a) + e for a, b, e in zip(areas, areas[1:], errors, strict=False)), areas=areas
        )
        for areas, errors in zip(opened, noise, strict=True)
    ]
    start = course(areas=[450.0])
    family = family_of(earlier, start)
    assert family is not None
    assert family.unit == "doubling"
    outlook = outlook_pooled(start, family)
    mean = np.mean([b - a for areas in opened for a, b in pairwise(areas)])
    assert outlook.step.middle == pytest.approx(300.0 * math.log2((450.0 + mean) / 450.0), rel=0.05)
    assert outlook.per_doubling == pytest.approx(300.0, rel=0.05)
    steps = outlook.steps_to_go(90.0)
    assert steps is not None
    assert 300.0 * math.log2((450.0 + steps * mean) / 450.0) == pytest.approx(90.0, rel=0.05)


# ------------------------------------------------------------ who is believed


def test_own_cuts_take_over() -> None:
    family = learn_family(EVEN[:3], "step")
    assert family is not None
    said = [outlook_pooled(course(*[30.0] * n, variance=0.1), family) for n in range(7)]
    assert said[0].step.middle == pytest.approx(15.0, abs=1.0)
    assert all(one.step.middle == pytest.approx(30.0, abs=1.0) for one in said[1:])
    widths = [one.high - one.low for one in said]
    assert all(a > b for a, b in pairwise(widths))


def test_two_cuts_that_go_the_other_way_are_believed() -> None:
    # Ten instruments alike, and one that falls: no family stands against two cuts.
    rng = np.random.default_rng(73)
    earlier = tuple(course(*rng.normal(15.0, 1.5, 5), variance=0.1) for _ in range(10))
    family = learn_family(earlier, "step")
    assert family is not None
    assert outlook_pooled(course(variance=0.1), family).low > 0
    after = outlook_pooled(course(-14.0, -15.0, variance=0.1), family)
    assert after.high < 0
    assert after.step.middle == pytest.approx(-14.5, abs=3.0)


@pytest.mark.parametrize("growth", [0.75, 1.2])
def test_a_trend_of_the_family_is_expected_of_a_new_one(growth: float) -> None:
    rng = np.random.default_rng(74)
    earlier = tuple(
        course(*(15.0 * growth ** np.arange(6) * rng.normal(1.0, 0.05, 6)), variance=0.1) for _ in range(5)
    )
    family = learn_family(earlier, "step")
    assert family is not None
    own = course(15.0, variance=0.1)
    assert outlook_pooled(own, family).step.middle == pytest.approx(15.0 * growth, rel=0.08)
    six = course(*(15.0 * growth ** np.arange(4)), variance=0.1)
    ahead = 15.0 * sum(growth**k for k in (4, 5))
    assert outlook_pooled(six, family).steps_to_go(ahead) == pytest.approx(2.0, rel=0.1)


def test_the_same_courses_give_the_same_numbers() -> None:
    first = outlook_pooled(course(12.0), family_of(EVEN, course(12.0)))  # type: ignore[arg-type]
    learn_family.cache_clear()
    again = outlook_pooled(course(12.0), family_of(EVEN, course(12.0)))  # type: ignore[arg-type]
    assert (first.low, first.high) == (again.low, again.high)


# ------------------------------------------------------------ calibration


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_the_interval_holds_from_the_first_cut_on(kind: Kind) -> None:
    """At least 91 % after any number of cuts; 60 cuts a number and trend, so a standard error of 2.1 points."""
    for seen in (0, 1, 2, 4):
        if kind == "one the other way" and seen == 0:
            continue
        held = []
        for n in range(60):
            for trend in GROWTH:
                one = cut(np.random.default_rng([75, seen, n, len(trend)]), kind, trend, seen)
                family = family_of(one.earlier, one.own)
                assert family is not None
                if seen or not family.opposed:
                    outlook = outlook_pooled(one.own, family)
                    held.append(outlook.low <= one.step <= outlook.high)
        # Three standard errors below: by chance alone once in 700.
        assert np.mean(held) >= 0.91 - 3 * 0.021, (kind, seen)
        assert len(held) > 100


@pytest.mark.slow
def test_with_the_family_forecasts_score_better_than_alone() -> None:
    """Pinball and Brier of 150 cuts each after four and six steps; the whole benchmark is ``NEXTCUT.md``."""
    for seen in (3, 5):
        found = []
        for n in range(150):
            rng = np.random.default_rng([76, seen, n])
            kind, trend = KINDS[n % 3], [*GROWTH][n // 3 % 3]
            both = both_of(cut(rng, kind, trend, seen), rng, ideal=False)
            assert both is not None
            assert both.alone is not None
            found.append((both.pooled, both.alone))
        ours, alone = zip(*found, strict=True)
        assert np.mean([j.pinball for j in ours]) < np.mean([j.pinball for j in alone])
        assert np.mean([j.brier for j in ours]) < np.mean([j.brier for j in alone])
        assert np.mean([j.width for j in ours]) < 0.85 * np.mean([j.width for j in alone])
