"""What taps say together, held to least squares by another library, to the bound, and to what it must not do."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.compare.random_effects import cells_of, random_effects
from tapbatch.compare.stage import TapAt, freq_sample, join_members, t60_sample, with_shared
from tapbatch.compare.tap_consensus import Shared, shared_poles
from tapbatch.model.reading import Coupling, Mode
from tests.benchmarks import scenes
from tests.benchmarks.cases import CASES, Case
from tests.benchmarks.montecarlo import measured

Tap = tuple[list[Mode], list[Coupling]]


def mode(freq_hz: float, t60_s: float, freq_se: float, t60_se: float, corr: float = 0.0) -> Mode:
    return Mode(
        freq_hz=freq_hz, freq_se_hz=freq_se * freq_hz, t60_s=t60_s, t60_log_se=t60_se, freq_t60_corr=corr,
        amplitude=1.0, phase_rad=0.0, energy_db=-20.0,
    )  # fmt: skip


def covariance(rng: np.random.Generator, scale: float) -> np.ndarray:
    root = rng.standard_normal((4, 6)) * scale
    return root @ root.T


def tap_of(values: np.ndarray, cov: np.ndarray) -> Tap:
    """Return a tap of two modes from ``(ln f1, ln f2, ln T1, ln T2)`` and its covariance."""
    sd = np.sqrt(np.diagonal(cov))
    corr = cov / np.outer(sd, sd)
    modes = [mode(*np.exp(values[[i, 2 + i]]), sd[i], sd[2 + i], corr[i, 2 + i]) for i in (0, 1)]
    coupled = Coupling(
        first=0, second=1, freq_freq=corr[0, 1], freq_t60=corr[0, 3], t60_freq=corr[2, 1], t60_t60=corr[2, 3]
    )
    return modes, [coupled]


BOTH = [[(0, 0), (1, 0), (2, 0)], [(0, 1), (1, 1), (2, 1)]]


def taps_of_a_pair(seed: int, wander: float = 0.0) -> tuple[list[Tap], np.ndarray]:
    """Return three taps of a pair, and their least-squares mean by numpy."""
    rng = np.random.default_rng(seed)
    centre = np.log([200.0, 203.0, 0.4, 0.5])
    covs = [covariance(rng, s) for s in (1e-4, 2e-4, 5e-4)]
    values = [rng.multivariate_normal(centre, c) + wander * rng.standard_normal(4) for c in covs]
    roots = [np.linalg.inv(np.linalg.cholesky(c)) for c in covs]
    stacked = np.concatenate([r @ (v - centre) for r, v in zip(roots, values, strict=True)])
    together = centre + np.linalg.lstsq(np.concatenate(roots), stacked, rcond=None)[0]
    return [tap_of(v, c) for v, c in zip(values, covs, strict=True)], together


@pytest.mark.parametrize("seed", range(8))
def test_it_is_the_least_squares_mean_of_a_general_library(seed: int) -> None:
    taps, together = taps_of_a_pair(seed)
    first, second = shared_poles(taps, BOTH)
    assert first is not None
    assert second is not None
    found = [first.ln_freq, second.ln_freq, first.ln_t60, second.ln_t60]
    assert np.max(np.abs(np.array(found) - together)) < 2e-6


def test_alone_it_is_the_mean_weighted_by_variance() -> None:
    taps: list[Tap] = [([mode(200.0, 0.4, 1e-4, 1e-2)], []), ([mode(200.01, 0.41, 2e-4, 3e-2)], [])]
    (found,) = shared_poles(taps, [[(0, 0), (1, 0)]])
    assert found is not None
    weights = np.array([1.0, 0.25]) / 1.25
    assert found.ln_freq == pytest.approx(weights @ np.log([200.0, 200.01]), abs=1e-12)
    weights = np.array([9.0, 1.0]) / 10.0
    assert found.ln_t60 == pytest.approx(weights @ np.log([0.4, 0.41]), abs=1e-12)


@pytest.mark.parametrize("seed", range(4))
def test_taps_that_wander_say_nothing_together(seed: int) -> None:
    taps, _ = taps_of_a_pair(seed, wander=0.01)
    assert shared_poles(taps, BOTH) == (None, None)


def test_taps_that_share_are_hardly_ever_refused() -> None:
    # Once in 100,000: of 400, one already comes but once in 250 times, two once in 10^5 (binomial).
    refused = sum(shared_poles(taps_of_a_pair(seed)[0], BOTH)[0] is None for seed in range(400))
    assert refused <= 1


def test_a_tap_that_misses_one_of_a_pair_still_tells_of_the_other() -> None:
    taps, _ = taps_of_a_pair(1)
    found = shared_poles(taps, [[(0, 0), (1, 0), (2, 0)], [(0, 1), (1, 1)]])
    assert all(f is not None for f in found)


def test_one_tap_has_nobody_to_agree_with() -> None:
    taps, _ = taps_of_a_pair(1)
    assert shared_poles(taps, [[(0, 0)], []]) == (None, None)


@given(st.permutations(range(3)))
def test_the_order_of_taps_is_nothing(order: list[int]) -> None:
    taps, _ = taps_of_a_pair(3)
    straight = shared_poles(taps, BOTH)
    turned = shared_poles([taps[i] for i in order], [[(t, m) for t in range(3)] for m in (0, 1)])
    for a, b in zip(straight, turned, strict=True):
        assert a is not None
        assert b is not None
        assert (a.ln_freq, a.ln_t60) == pytest.approx((b.ln_freq, b.ln_t60), abs=1e-10)


# --------------------------------------------------------------- at a stage


def stage_taps(values_hz: list[float], ses: list[float], point: str = "") -> list[TapAt]:
    return [
        TapAt(0, i, point, 0, (mode(f, 0.4, s, 0.01),)) for i, (f, s) in enumerate(zip(values_hz, ses, strict=True))
    ]


def test_only_the_middle_moves_and_the_interval_holds_the_old_middle() -> None:
    taps = stage_taps([200.0, 200.012, 199.99], [1e-5, 1e-4, 1e-4])
    moved = with_shared(taps, [[(0, 0), (1, 0), (2, 0)]])
    (mean,) = cells_of([freq_sample(t, t.modes[0]) for t in moved]).values()
    alone = random_effects([math.log(t.modes[0].freq_hz) for t in taps], [1e-5, 1e-4, 1e-4])
    assert mean.value == pytest.approx(math.log(200.0), abs=5e-6)
    assert mean.half >= alone.half
    assert mean.low < alone.value < mean.high


def test_points_are_asked_apart() -> None:
    # Two cents between the points, none within: each point agrees with itself.
    taps = stage_taps([200.0, 200.001], [1e-5] * 2, "bridge") + stage_taps([200.231, 200.232], [1e-5] * 2, "centre")
    moved = with_shared(taps, [[(i, 0) for i in range(4)]])
    said = [t.shared[0] for t in moved]
    assert all(isinstance(s, Shared) for s in said)
    assert said[0] == said[1]
    assert said[2] == said[3]
    assert said[0] != said[2]
    assert t60_sample(moved[0], moved[0].modes[0]).shared == pytest.approx(math.log(0.4))


# ----------------------------------------------- couplings as they are measured


def case_named(name: str) -> Case:
    return next(c for c in CASES if c.name == name)


def test_couplings_of_a_pair_are_those_of_the_bound() -> None:
    case = case_named("pair-4")
    scene = scenes.scene(case, 0)
    (reading,) = measured(case, scene)
    (coupling,) = reading.couplings
    inverse = np.linalg.inv(scenes.information(case, scene.true[0], ()))
    sd = np.sqrt(np.diagonal(inverse))
    # The bound's order is (ln delta 1, 2, omega 1, 2); ln T60 = const - ln delta.
    bound = inverse / np.outer(sd, sd)
    found = [coupling.freq_freq, coupling.freq_t60, coupling.t60_freq, coupling.t60_t60]
    assert found == pytest.approx([bound[2, 3], -bound[2, 1], -bound[0, 3], bound[0, 1]], abs=0.1)


def test_modes_far_apart_are_not_coupled() -> None:
    case = case_named("body-6")
    (reading,) = measured(case, scenes.scene(case, 0))
    assert len(reading.modes) == 6
    assert reading.couplings == ()


# ------------------------------------------------- what all taps misfit alike


def in_a_room(dry: Mode, freq_misfit_hz: float, t60_log_misfit: float) -> Mode:
    return replace(
        dry,
        freq_se_hz=math.hypot(dry.freq_se_hz, freq_misfit_hz),
        t60_log_se=math.hypot(dry.t60_log_se, t60_log_misfit),
        freq_misfit_hz=freq_misfit_hz,
        t60_log_misfit=t60_log_misfit,
    )


def test_what_a_room_does_to_every_tap_is_not_averaged_away() -> None:
    # A systematic part counts whole beside the scatter (GUM, JCGM 100, 4.3 and 5.1): halves join as squares.
    clean = stage_taps([200.0, 200.01, 199.99, 200.02], [1e-5] * 4)
    roomy = [replace(t, modes=(in_a_room(t.modes[0], 0.05, 0.1),)) for t in clean]
    freq, t60 = join_members([(t, t.modes[0]) for t in clean])
    wide_freq, wide_t60 = join_members([(t, t.modes[0]) for t in roomy])
    assert wide_freq.mean.half == pytest.approx(math.hypot(freq.mean.half, 1.96 * 0.05 / 200.0), rel=1e-3)
    assert wide_t60.mean.half == pytest.approx(math.hypot(t60.mean.half, 1.96 * 0.1), rel=1e-3)
    assert wide_freq.mean.value == pytest.approx(freq.mean.value, abs=1e-12)
