"""One more step: textbook prediction, correlated readings, areas, and chances that hold over thousands of steps."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tapbatch.compare.steps import At, learn_steps
from tests.compare.steps_sim import GROWTH, passed, voicing_day

TOLERANCE = 3.0


def _chain(steps: int) -> list[tuple[int, int]]:
    return [(i, i + 1) for i in range(steps)]


def _stages(cents: list[float], variance: float, areas: list[float] | None = None) -> list[At]:
    return [At(c, variance, None if areas is None else areas[i]) for i, c in enumerate(cents)]


# ------------------------------------------------------------ closed forms


@pytest.mark.parametrize("steps", [(8.0, 11.0, 10.0), (9.0, 12.0, 7.0, 10.0, 11.0, 8.0)])
def test_a_trend_that_may_be_there_widens_the_textbook_interval(steps: tuple[float, ...]) -> None:
    # Student's t with n - 1 degrees of freedom, s sqrt(1 + 1/n), for steps without a trend: any textbook; t from GUM
    # (JCGM 100), table G.2. A straight line through n steps leaves n - 2 degrees of freedom.
    t = {3: 4.303, 6: 2.571}[len(steps)]
    outlook = learn_steps(_stages(list(np.cumsum([0.0, *steps])), 1e-5), _chain(len(steps)))
    assert outlook is not None
    half = t * float(np.std(steps, ddof=1)) * math.sqrt(1.0 + 1.0 / len(steps))
    assert outlook.low < np.mean(steps) < outlook.high
    assert half < (outlook.high - outlook.low) / 2.0 < 2.3 * half


@pytest.mark.parametrize("growth", [0.7, 0.9, 1.0, 1.15])
def test_even_growth_goes_on(growth: float) -> None:
    steps = 10.0 * growth ** np.arange(7)
    outlook = learn_steps(_stages(list(np.cumsum([0.0, *steps[:6]])), 1e-5), _chain(6))
    assert outlook is not None
    assert outlook.step.middle == pytest.approx(steps[6], rel=0.05)
    assert outlook.low < steps[6] < outlook.high
    # Three more steps of a geometric series.
    ahead = steps[5] * sum(growth**k for k in (1, 2, 3))
    assert outlook.steps_to_go(ahead) == pytest.approx(3.0, rel=0.05)


def test_steps_that_shrink_may_never_get_there() -> None:
    steps = 20.0 * 0.6 ** np.arange(6)
    outlook = learn_steps(_stages(list(np.cumsum([0.0, *steps])), 1e-4), _chain(6))
    assert outlook is not None
    # All that is left of the series is 20 x 0.6^6 / 0.4 = 2.3 cents.
    assert outlook.steps_to_go(1.5) is not None
    assert outlook.steps_to_go(6.0) is None


def test_a_reading_shared_by_two_steps_counts_once() -> None:
    # Equal true steps, readings off by 1 cent: the mean step is (last - first)/n in the limit, as for a random walk
    # that is only read, and the middle reading says nothing of it.
    plain = learn_steps(_stages([0.0, 10.0, 20.0, 30.0], 0.2), _chain(3))
    bumped = learn_steps(_stages([0.0, 10.5, 19.5, 30.0], 0.2), _chain(3))
    assert plain is not None
    assert bumped is not None
    assert bumped.step.middle == pytest.approx(plain.step.middle, abs=0.1)


def test_a_last_reading_that_came_out_high_is_expected_to_come_down() -> None:
    # Steps of 10 to a tenth of a cent, then one of 12 with readings that scatter by a cent: part of the surplus is
    # the reading's, and the next landing lies less than 10 above it.
    outlook = learn_steps(_stages([0.0, 10.0, 20.0, 30.0, 40.0, 52.0], 1.0), _chain(5))
    assert outlook is not None
    assert outlook.landing.middle < outlook.step.middle - 0.2


@pytest.mark.parametrize("per_doubling", [300.0, 130.0, -80.0])
def test_the_exponent_of_the_area_is_learned_with_its_sign(per_doubling: float) -> None:
    # Rayleigh: a thin hole in a rigid box goes with the fourth root of its area, 300 cents a doubling.
    areas = [490.0, 540.0, 590.0, 640.0, 690.0]
    outlook = learn_steps(_stages([per_doubling * math.log2(a / 490.0) for a in areas], 1e-4, areas), _chain(4))
    assert outlook is not None
    assert outlook.model == "area"
    assert outlook.per_doubling == pytest.approx(per_doubling, rel=0.01)
    following = areas[-1] + (areas[-1] - areas[0]) / 4.0
    assert outlook.step.middle == pytest.approx(per_doubling * math.log2(following / areas[-1]), rel=0.01)
    ahead = math.copysign(60.0, per_doubling)
    steps = outlook.steps_to_go(ahead)
    assert steps is not None
    assert per_doubling * math.log2((690.0 + steps * 50.0) / 690.0) == pytest.approx(ahead, rel=0.01)
    assert outlook.steps_to_go(-ahead) is None


@pytest.mark.parametrize("share", [0.8, 1.2])
def test_an_opening_that_grows_by_equal_shares_goes_on_so(share: float) -> None:
    areas = [300.0 * share**n for n in range(5)]
    outlook = learn_steps(_stages([180.0 * math.log2(a / 300.0) for a in areas], 1e-4, areas), _chain(4))
    assert outlook is not None
    assert outlook.step.middle == pytest.approx(180.0 * math.log2(share), rel=0.02)
    step_mm2 = sum(one.weight * one.area_step_mm2 for one in outlook.openings)
    assert step_mm2 == pytest.approx(areas[-1] * (share - 1.0), rel=0.05)
    # A landing well before the end of such a step is passed, one well beyond is not.
    step = 180.0 * math.log2(share)
    assert outlook.overshoot(0.8 * step, 3.0) > 0.9
    assert outlook.overshoot(1.2 * step, 3.0) < 0.1
    # Each leads as far as the one before: by equal differences it would be 7.4 steps, or 3.4.
    assert outlook.steps_to_go(5.0 * step) == pytest.approx(5.0, rel=0.03)


def test_areas_are_used_only_where_all_are_known_and_changed() -> None:
    cents, areas = [0.0, 9.0, 20.0, 31.0], [490.0, 540.0, 600.0, 650.0]
    for odd in ([490.0, 490.0, 600.0, 650.0], [0.0, 540.0, 600.0, 650.0]):
        outlook = learn_steps(_stages(cents, 0.1, odd), _chain(3))
        assert outlook is not None
        assert outlook.model == "plain"
    missing = [*_stages(cents, 0.1, areas)[:3], At(31.0, 0.1)]
    outlook = learn_steps(missing, _chain(3))
    assert outlook is not None
    assert (outlook.model, outlook.per_doubling) == ("plain", None)


def test_three_steps_at_least() -> None:
    assert learn_steps(_stages([0.0, 9.0, 20.0], 0.1), _chain(2)) is None


def test_steps_that_go_nowhere_lead_nowhere() -> None:
    outlook = learn_steps(_stages([0.0, 0.3, -0.2, 0.1], 0.1), _chain(3))
    assert outlook is not None
    assert outlook.steps_to_go(20.0) is None
    assert outlook.steps_to_go(-20.0) is None
    assert outlook.overshoot(20.0, TOLERANCE) < 0.02


def test_overshoot_is_on_the_far_side_and_on_either_from_within() -> None:
    outlook = learn_steps(_stages([0.0, 10.0, 20.5, 30.0, 40.2], 0.01), _chain(4))
    assert outlook is not None
    assert outlook.overshoot(2.0, TOLERANCE) > 0.98
    assert outlook.overshoot(60.0, TOLERANCE) < 0.02
    assert outlook.overshoot(-2.5, TOLERANCE) > 0.98
    assert outlook.overshoot(-20.0, TOLERANCE) < 0.02


# ------------------------------------------------------------ calibration


@pytest.mark.slow
def test_over_2000_next_steps_the_chance_to_overshoot_is_what_it_says() -> None:
    # Each next step against ten landings so placed that the chance falls into each bin of 10 %; a frequency over
    # 2,000 has a standard error of 1.1 points.
    days = [voicing_day(np.random.default_rng([41, n]), area=n % 2 == 1) for n in range(2000)]
    said, came = np.zeros((2000, 10)), np.zeros((2000, 10))
    for row, day in enumerate(days):
        for column in range(10):
            # From far below or far above, so that it is the landing that is passed.
            up = day.outlook.step.middle > 0
            edge = day.outlook.landing.quantile(1.0 - (column + 0.5) / 10.0 if up else (column + 0.5) / 10.0)
            to_go = edge - TOLERANCE if up else edge + TOLERANCE
            if abs(to_go) <= TOLERANCE or (to_go > 0) != up:
                said[row, column] = came[row, column] = np.nan
                continue
            said[row, column] = day.outlook.overshoot(to_go, TOLERANCE)
            came[row, column] = passed(day, to_go, TOLERANCE)
    off = np.nanmean(came, axis=0) - np.nanmean(said, axis=0)
    assert np.nanmean(said, axis=0) == pytest.approx(np.linspace(0.05, 0.95, 10), abs=1e-6)
    assert np.abs(off).max() <= 0.06, off


@pytest.mark.slow
def test_over_4000_next_steps_and_landings_anywhere_it_beats_the_base_rate() -> None:
    rng = np.random.default_rng(42)
    said, came = [], []
    for n in range(4000):
        day = voicing_day(np.random.default_rng([43, n]), area=n % 2 == 1)
        for ahead in rng.uniform(-0.5, 2.0, 10):
            to_go = float(ahead) * day.outlook.step.middle
            said.append(day.outlook.overshoot(to_go, TOLERANCE))
            came.append(passed(day, to_go, TOLERANCE))
    chance, hit = np.array(said), np.array(came, dtype=float)
    brier, base = float(np.mean((chance - hit) ** 2)), float(hit.mean() * (1.0 - hit.mean()))
    assert brier < 0.4 * base
    bins = np.minimum((10 * chance).astype(int), 9)
    for b in range(10):
        own = bins == b
        # A chance may be off by two points. The landings of a day hang together, so the least filled bins tell their
        # share to one and a half: three such errors on top come by chance once in 700.
        assert abs(hit[own].mean() - chance[own].mean()) <= 0.065


@pytest.mark.slow
@pytest.mark.parametrize("trend", GROWTH)
def test_the_interval_holds_whether_steps_stay_shrink_or_grow(trend: str) -> None:
    """At least 91 % after any number of steps and 93 % together; 300 days a number have a standard error of 1.6."""
    held = {
        steps: np.mean(
            [
                d.outlook.low <= d.step <= d.outlook.high
                for d in (
                    voicing_day(
                        np.random.default_rng([45, steps, n]), area=False, steps=steps, trend=trend, scatter=0.2
                    )
                    for n in range(300)
                )
            ]
        )
        for steps in range(3, 8)
    }
    # Three standard errors below: by chance alone once in 700.
    assert min(held.values()) >= 0.91 - 3 * 0.016, held
    assert np.mean([*held.values()]) >= 0.93 - 3 * 0.007, held


@pytest.mark.slow
@pytest.mark.parametrize("area", [False, True])
def test_the_interval_of_the_next_step_covers_what_it_says(area: bool) -> None:
    days = [voicing_day(np.random.default_rng([44, n]), area) for n in range(1500)]
    share = np.mean([d.outlook.low <= d.step <= d.outlook.high for d in days])
    assert 0.93 - 0.017 <= share <= 0.98 + 0.011
