"""Joining: published means and factors reproduced, and the coverage of the intervals counted."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.compare.random_effects import (
    Mean,
    Sample,
    across_cells,
    cells_of,
    effective_dof,
    join,
    random_effects,
    recordings_disagree,
    t_95,
)
from tapbatch.model.pitch import CENTS

# JCGM 100:2008 (GUM), table 1: twenty readings of a temperature, in degrees Celsius; 4.4.3 gives their mean as
# 100.145, their standard deviation as 1.489 and the standard uncertainty of the mean as 0.333.
GUM_TABLE_1 = (
    96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
    100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72,
)  # fmt: skip
TABLE = Path(__file__).parents[1] / "reference" / "gum_table1.csv"

# JCGM 100:2008, table G.2, column 95 %.
GUM_TABLE_G2 = {1: 12.71, 2: 4.30, 3: 3.18, 4: 2.78, 5: 2.57, 9: 2.26, 10: 2.23, 20: 2.09, 50: 2.01, math.inf: 1.960}


def test_gum_table_1_is_the_case_of_equal_variances() -> None:
    mean = random_effects(GUM_TABLE_1, [0.0] * 20)
    assert mean.value == pytest.approx(100.145, abs=5e-4)
    assert math.sqrt(mean.variance) == pytest.approx(0.333, abs=5e-4)
    assert mean.between == pytest.approx(1.489, abs=5e-4)
    assert mean.dof == pytest.approx(19.0)


def test_numbers_here_are_those_of_the_reference() -> None:
    with TABLE.open(encoding="utf-8") as file:
        assert tuple(float(row["t_C"]) for row in csv.DictReader(file)) == GUM_TABLE_1


@pytest.mark.parametrize(("dof", "factor"), GUM_TABLE_G2.items())
def test_few_tap_factors_are_those_of_gum_table_g2(dof: float, factor: float) -> None:
    assert t_95(dof) == pytest.approx(factor, abs=6e-3)


def test_welch_and_satterthwaite_on_the_worked_example_of_gum_h1() -> None:
    # JCGM 100:2008, H.1.6: u in nm 25, 9.7, 2.9, 16.6 with 18, 25.6, 50, 2 degrees of freedom gives 16.7, cut to 16.
    ses, dofs = (25.0, 9.7, 2.9, 16.6), (18.0, 25.6, 50.0, 2.0)
    assert effective_dof([u * u for u in ses], dofs) == pytest.approx(16.7, abs=0.1)


def test_equal_errors_below_the_scatter_give_the_textbook_interval() -> None:
    values = [1.0, 1.4, 0.9, 1.7, 1.2]
    mean = random_effects(values, [0.01] * 5)
    assert mean.value == pytest.approx(np.mean(values))
    assert mean.half == pytest.approx(2.776 * np.std(values, ddof=1) / math.sqrt(5), rel=1e-3)


def test_paule_and_mandel_make_the_weighted_residuals_as_large_as_expected() -> None:
    # The defining equation (Paule & Mandel 1982, eq. 11): sum (y - mean)^2/(s^2 + tau^2) = n - 1.
    values, ses = np.array([0.0, 1.2, -0.7, 2.5, 0.4]), np.array([0.1, 0.5, 0.2, 0.9, 0.3])
    weights = 1.0 / (ses**2 + random_effects(values.tolist(), ses.tolist()).between ** 2)
    centre = np.sum(weights * values) / np.sum(weights)
    assert np.sum(weights * (values - centre) ** 2) == pytest.approx(4.0, rel=1e-6)


def test_taps_that_agree_by_chance_are_no_surer_than_their_noise() -> None:
    assert random_effects([5.0, 5.0], [0.3, 0.4]).half >= 1.959 / math.sqrt(1 / 0.3**2 + 1 / 0.4**2)


def test_one_tap_keeps_its_own_error() -> None:
    assert random_effects([5.0], [0.3]).half == pytest.approx(1.96 * 0.3, rel=1e-3)


def test_nothing_to_join_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one value"):
        random_effects([], [])
    with pytest.raises(ValueError, match="at least one sample"):
        join([])
    with pytest.raises(ValueError, match="must be positive"):
        t_95(0.0)


def _coverage(rng: np.random.Generator, taps: int, scatter: float, trials: int) -> tuple[float, float]:
    """Return coverage, and the median half-width over that of known variances, at 8 dB of level scatter."""
    hits, widths = 0, []
    for _ in range(trials):
        ses = 0.1 * 10.0 ** (-rng.normal(0.0, 8.0, taps) / 20.0)
        values = rng.normal(0.0, scatter, taps) + rng.normal(0.0, 1.0, taps) * ses
        mean = random_effects(values.tolist(), ses.tolist())
        hits += mean.low <= 0.0 <= mean.high
        widths.append(mean.half * math.sqrt(np.sum(1.0 / (ses**2 + scatter**2))) / 1.96)
    return hits / trials, float(np.median(widths))


# Widest beside an interval of known variances: about the t factor over the normal one (6.5, 2.2, 1.4, 1.15) where the
# scatter dominates, more where there is none and the weights of loud taps cannot be known to be deserved.
@pytest.mark.parametrize(
    ("taps", "widest", "widest_without"), [(2, 6.6, 6.6), (3, 2.6, 3.8), (5, 1.7, 2.6), (10, 1.5, 1.9)]
)
@pytest.mark.parametrize("scatter_cents", [0.0, 0.5, 2.0])
def test_stage_interval_covers_94_percent(
    taps: int, widest: float, widest_without: float, scatter_cents: float
) -> None:
    trials = 1500
    rng = np.random.default_rng([taps, int(10 * scatter_cents)])
    covered, width = _coverage(rng, taps, scatter_cents, trials)
    # Three standard deviations of a count at 94 %, so that a right interval does not fail by the luck of the draw.
    assert covered >= 0.94 - 3.0 * math.sqrt(0.94 * 0.06 / trials)
    assert width <= (widest if scatter_cents else widest_without)


@pytest.mark.parametrize("setups", [2, 3, 5])
@pytest.mark.parametrize("scatter_cents", [0.0, 1.0, 3.0])
def test_interval_holds_what_set_ups_contribute(setups: int, scatter_cents: float) -> None:
    trials = 800
    rng = np.random.default_rng([setups, int(scatter_cents)])
    hits = 0
    for _ in range(trials):
        offsets = rng.normal(0.0, scatter_cents, setups)
        samples = [
            Sample(float(offsets[s] + rng.normal(0.0, 0.5) + rng.normal(0.0, 0.2)), 0.2, "", s)
            for s in range(setups)
            for _ in range(4)
        ]
        mean = join(samples).mean
        hits += mean.low <= 0.0 <= mean.high
    assert hits / trials >= 0.94 - 3.0 * math.sqrt(0.94 * 0.06 / trials)


@pytest.mark.parametrize(("points", "setups"), [(2, 2), (3, 2), (2, 3), (4, 4)])
@pytest.mark.parametrize(("of_points", "of_setups"), [(1.0, 0.0), (0.0, 1.0), (2.0, 1.0)])
def test_crossed_points_and_set_ups_have_a_variance_each(
    points: int, setups: int, of_points: float, of_setups: float
) -> None:
    trials = 400
    rng = np.random.default_rng([points, setups, int(of_points)])
    hits = 0
    for _ in range(trials):
        at, when = rng.normal(0.0, of_points, points), rng.normal(0.0, of_setups, setups)
        samples = [
            Sample(float(at[p] + when[s] + rng.normal(0.0, 0.3)), 0.1, str(p), s)
            for p in range(points)
            for s in range(setups)
            for _ in range(3)
        ]
        mean = join(samples).mean
        hits += mean.low <= 0.0 <= mean.high
    assert hits / trials >= 0.94 - 3.0 * math.sqrt(0.94 * 0.06 / trials)


def test_points_that_differ_widen_the_interval_though_taps_agree() -> None:
    apart = [Sample(v, 0.01, p) for p, at in (("bridge", 0.0), ("top", 1.0)) for v in (at, at + 0.02, at - 0.02)]
    joined = join(apart)
    assert joined.mean.half == pytest.approx(12.71 * 0.5, rel=0.01)
    assert joined.between == pytest.approx(0.02, rel=0.2)


def test_points_that_agree_by_chance_are_no_surer_than_their_taps() -> None:
    # Two points of two taps each, all variances known from one degree of freedom: t(2) of GUM table G.2 is 4.30.
    cells = {(point, 0): Mean(0.0, 1.0, 1.0) for point in ("bridge", "top")}
    assert across_cells(cells).half == pytest.approx(4.30 / math.sqrt(2.0), rel=2e-3)


def test_points_and_set_ups_that_cannot_be_told_apart_are_values_that_scatter() -> None:
    cells = {("bridge", 0): Mean(0.0, 1e-4, 4.0), ("top", 1): Mean(1.0, 1e-4, 4.0)}
    assert across_cells(cells).half == pytest.approx(12.71 * 0.5, rel=0.01)


SAMPLES = st.lists(
    st.builds(
        Sample,
        st.floats(-1.0, 1.0),
        st.floats(1e-5, 1.0),
        st.sampled_from(["", "bridge", "top"]),
        st.integers(0, 2),
    ),
    min_size=1,
    max_size=12,
)


@given(SAMPLES, st.randoms(use_true_random=False))
def test_order_of_taps_does_not_matter(samples: list[Sample], shuffler: object) -> None:
    shuffled = list(samples)
    shuffler.shuffle(shuffled)  # type: ignore[attr-defined]
    assert join(shuffled) == join(samples)


@given(SAMPLES)
def test_mean_lies_among_the_taps_and_no_interval_is_empty(samples: list[Sample]) -> None:
    mean = join(samples).mean
    assert min(s.value for s in samples) - 1.0 <= mean.value <= max(s.value for s in samples) + 1.0
    assert 0.0 < mean.half < math.inf


@given(SAMPLES, st.floats(-3.0, 3.0))
def test_a_shift_of_all_taps_shifts_the_mean_alone(samples: list[Sample], shift: float) -> None:
    moved = join([Sample(s.value + shift, s.se, s.point, s.setup) for s in samples]).mean
    still = join(samples).mean
    assert moved.value == pytest.approx(still.value + shift, abs=1e-6)
    assert moved.half == pytest.approx(still.half, rel=1e-3, abs=1e-6)


def test_cells_are_points_and_set_ups() -> None:
    assert list(cells_of([Sample(0.0, 1.0, "top", 1), Sample(0.0, 1.0, "top"), Sample(0.0, 1.0)])) == [
        ("", 0),
        ("top", 0),
        ("top", 1),
    ]


def test_recordings_that_agree_are_seldom_said_to_differ() -> None:
    # The test is at 1 %, so about 1 in 100 of those that are equal; the least spread is set to nothing here.
    rng = np.random.default_rng(11)
    said = [
        recordings_disagree([[Sample(float(v), 0.1) for v in rng.normal(0.0, 1.0, 5)] for _ in range(3)], 0.0)
        for _ in range(2000)
    ]
    assert 0.003 <= np.mean(said) <= 0.02


def test_wood_taken_between_recordings_is_seen() -> None:
    rng = np.random.default_rng(12)
    cents = [rng.normal(0.0, 0.5, 5), rng.normal(8.0, 0.5, 5)]
    recordings = [[Sample(float(c) / CENTS, 0.1 / CENTS) for c in r] for r in cents]
    assert recordings_disagree(recordings, 3.0 / CENTS)
    assert not recordings_disagree(recordings, 20.0 / CENTS)
    assert not recordings_disagree([recordings[0], recordings[1][:1]], 3.0 / CENTS)
