"""The parts of a comparison of moves: scatter of the hand, contrasts of taps, what a shop believes of its set-ups."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from tapbatch.compare.moves.belief import Evidence, believe, evidence_anew
from tapbatch.compare.moves.contrast import TapSet, contrast
from tapbatch.compare.moves.mixture import t_cdf
from tapbatch.compare.moves.priors import FREQ, T60, Priors, common_grid, own_grid
from tapbatch.compare.moves.scatter import RHO, Cell, inflation, learn_scatter
from tests.compare.moves_count import tap_sets
from tests.compare.moves_sim import Bench, Floats, a_stage, an_instrument, sides


def taps(values: Floats, **more: object) -> TapSet:
    return TapSet(values, np.full(values.shape, 0.01), np.zeros(len(values)), **more)  # type: ignore[arg-type]


# --------------------------------------------------------------- priors


@pytest.mark.parametrize("priors", [FREQ, T60])
def test_the_grid_of_common_shifts_is_half_t_with_three_degrees(priors: Priors) -> None:
    sc, weights = common_grid(priors)
    for share in (0.25, 0.5, 0.9):
        wanted = priors.common_scale * stats.t.ppf(0.5 + share / 2.0, 3.0)
        step = sc[1] / sc[0]
        assert wanted / step <= np.interp(share, weights.cumsum(), sc) <= wanted * step
    assert weights.sum() == pytest.approx(1.0)


def test_no_own_shift_at_all_is_not_believed_beforehand() -> None:
    so, weights = own_grid(FREQ)
    assert weights[0] < 0.01
    assert so[int(np.argmax(weights))] == pytest.approx(0.6, abs=0.2)


@pytest.mark.parametrize("dof", [4.0, 8.0, 30.0])
def test_the_t_distribution_is_that_of_scipy_and_its_tails_a_little_wider(dof: float) -> None:
    z = np.linspace(-4.0, 0.0, 41)
    ours, theirs = t_cdf(z, np.full(41, dof)), stats.t.cdf(z, dof)
    assert np.all(ours[z < -2.0] >= theirs[z < -2.0])
    assert ours == pytest.approx(theirs, rel=0.04)


# -------------------------------------------------------------- scatter


@pytest.mark.parametrize("n", [2, 5, 12])
def test_inflation_is_that_of_the_correlation_matrix(n: int) -> None:
    for rho, factor in zip(RHO, inflation(n), strict=True):
        matrix = rho ** np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
        of_mean = matrix.sum() / n**2
        within = (np.trace(matrix) - n * of_mean) / (n - 1)
        assert factor == pytest.approx(of_mean / (within / n))


@pytest.mark.parametrize(("rho", "expected"), [(0.0, (0.0, 0.15)), (0.8, (0.45, 0.8))])
def test_wandering_taps_are_noticed(rho: float, expected: tuple[float, float]) -> None:
    found = []
    for n in range(30):
        rng = np.random.default_rng([10, n])
        before, after, _ = sides(rng, Bench(rho=rho, scatter=2.0, hand=1.0), np.zeros(8))
        cells = [Cell(t.read, t.variance, 10.0 ** (t.level_db / 10.0)) for t in (*before, *after)]
        found.append(float(learn_scatter(cells, FREQ).rho @ np.array(RHO)))
    assert expected[0] <= np.mean(found) <= expected[1]


def test_what_all_modes_share_is_told_from_what_is_each_ones_own() -> None:
    rng = np.random.default_rng(11)
    hand, own = rng.normal(0.0, 2.0, (4, 60, 1)), rng.normal(0.0, 0.5, (4, 60, 8))
    cells = [Cell(h + o, np.full((60, 8), 1e-4), np.ones(60)) for h, o in zip(hand, own, strict=True)]
    scatter = learn_scatter(cells, FREQ)
    assert scatter.common == pytest.approx(4.0, rel=0.3)
    assert scatter.own == pytest.approx(np.full(8, 0.25), rel=0.3)


def test_softening_is_learned_within_recordings() -> None:
    rng = np.random.default_rng(12)
    power = rng.uniform(0.0, 1.0, 40)
    soft = np.array([2.0, 5.0, 8.0])
    values = -power[:, None] * soft + rng.normal(0.0, 0.1, (40, 3))
    scatter = learn_scatter([Cell(values, np.full((40, 3), 1e-4), power)], FREQ)
    assert scatter.slopes == pytest.approx(soft, abs=0.2)


# ------------------------------------------------------------- contrast


def test_only_points_that_both_sides_have_are_compared() -> None:
    here, there = np.zeros((5, 2)), np.full((5, 2), 50.0)
    before = [taps(here, point="bridge"), taps(there, point="edge")]
    assert contrast(before, [taps(here + 4.0, point="bridge")], FREQ).change == pytest.approx(np.full(2, 4.0))
    apart = contrast([taps(here, point="bridge")], [taps(here + 4.0, point="edge")], FREQ)
    assert apart.change == pytest.approx(np.full(2, 4.0))


def test_set_ups_weigh_the_same_however_many_taps_they_have() -> None:
    after = [taps(np.zeros((2, 1)), setup=0), taps(np.full((20, 1), 3.0), setup=1)]
    found = contrast([taps(np.zeros((5, 1)))], after, FREQ)
    assert found.change == pytest.approx([1.5])
    assert found.setups == (1, 2)
    assert found.spread == 1.5


def test_taps_that_miss_a_mode_leave_the_others_alone() -> None:
    values = np.random.default_rng(13).normal(0.0, 0.5, (5, 3))
    holed = values.copy()
    holed[2:, 1] = np.nan
    whole, less = (contrast([taps(np.zeros((5, 3)))], [taps(v)], FREQ) for v in (values, holed))
    assert less.change[1] == pytest.approx(values[:2, 1].mean(), abs=0.1)
    assert less.change[[0, 2]] == pytest.approx(whole.change[[0, 2]], abs=0.2)
    assert less.later[1] > 1.5 * less.later[0]


def test_single_taps_get_the_untold_scatter() -> None:
    found = contrast([taps(np.zeros((1, 2)))], [taps(np.ones((1, 2)))], FREQ)
    assert found.variance == pytest.approx(np.full(2, 2.0 * (FREQ.untold_scatter**2 + 0.01)), rel=0.01)


def test_a_room_counts_once_a_spot() -> None:
    room = np.array([3.0, 1.0])
    noise = np.random.default_rng(14).normal(0.0, 0.3, (3, 5, 2))

    def fixed(room: Floats | None, spots: int) -> Floats:
        after = [taps(noise[1 + n], room=room, spot=f"s{n}", setup=n) for n in range(spots)]
        return contrast([taps(noise[0], room=room, spot="s0")], after, FREQ).fixed

    assert fixed(room, 1) - fixed(None, 1) == pytest.approx(2.0 * room**2)
    assert fixed(room, 2) - fixed(None, 2) == pytest.approx((1.0 + 0.6) * room**2)


def test_half_of_a_difference_in_level_is_taken_off_and_half_is_doubted() -> None:
    noise = np.random.default_rng(15).normal(0.0, 0.3, (2, 5, 4))
    quiet, loud = (TapSet(n, np.full((5, 4), 0.01), np.full(5, db)) for n, db in zip(noise, (-6.0, 0.0), strict=True))
    even = TapSet(noise[1], np.full((5, 4), 0.01), np.full(5, -6.0))
    unlike, like = contrast([quiet], [loud], FREQ), contrast([quiet], [even], FREQ)
    # No slope can be seen, so it is the prior's: 1.5 cents at the hardest blow, of which 0.75 of the power differ.
    assert unlike.change - like.change == pytest.approx(np.full(4, 0.5 * 0.75 * 1.5), abs=0.05)
    assert np.all(unlike.fixed > like.fixed)
    assert unlike.fixed_common > like.fixed_common


# --------------------------------------------------------------- belief


def again(common: float, own: float, count: int, seed: int) -> tuple[Evidence, ...]:
    rng = np.random.default_rng(seed)
    bench = Bench(common, own)
    made = an_instrument(rng, bench, 8)
    return evidence_anew(tap_sets(a_stage(rng, bench, made, np.zeros(8), 5, count + 1)), FREQ)


def mean_of(evidence: tuple[Evidence, ...]) -> tuple[float, float]:
    belief = believe(evidence, FREQ)
    return float(own_grid(FREQ)[0] @ belief.own), float(common_grid(FREQ)[0] @ belief.common)


def test_many_again_teach_what_a_bench_does() -> None:
    quiet, loud = mean_of(again(0.3, 0.2, 12, 1)), mean_of(again(4.0, 1.5, 12, 1))
    assert quiet[0] < 0.4
    assert quiet[1] < 0.8
    assert 1.1 < loud[0] < 2.0
    assert 2.5 < loud[1] < 6.0


def test_one_again_is_neither_believed_nor_makes_everything_unclear() -> None:
    own, common = mean_of(())
    for seed in range(10):
        one = mean_of(again(0.0, 0.0, 1, seed))
        assert common / 2.5 < one[1] < 1.5 * common
        wide = mean_of(again(6.0, 0.5, 1, seed))
        assert common / 2.5 < wide[1] < 2.0 * common
        assert own / 3.0 < one[0] < own
