"""Modes that no tap shows by itself: all taps find them, at the stated rate of false alarms, and nothing else."""

import numpy as np
import pytest

from tapbatch.measure.all_taps import decided
from tapbatch.measure.common_lines import is_beside
from tapbatch.measure.fit import fit_modes
from tapbatch.measure.found_together import found_together
from tapbatch.measure.geometric import Samples, decays
from tapbatch.measure.prune import TapFit
from tapbatch.measure.steady_lines import against_steady

RATE_HZ = 2000.0
LENGTH = 900
T60_S = 0.4
STRONG_HZ, OTHER_HZ = 250.0, 340.0
INSIDE_HZ = (50.0, 900.0)
NO_QUIET = np.zeros(0)


def _pole(freq_hz: float, t60_s: float = T60_S) -> complex:
    return complex(np.exp((-np.log(1000) / t60_s + 2j * np.pi * freq_hz) / RATE_HZ))


def _weight(sigmas: float, pole: complex) -> float:
    """Return the amplitude whose energy is ``sigmas**2`` times the noise density."""
    return sigmas * float(np.sqrt(4 * -np.log(abs(pole))))


def _tap(
    rng: np.random.Generator, others: dict[complex, float], *, known: int = 0, noise: np.ndarray | None = None
) -> TapFit:
    """Return a tap with a strong mode and others of so many sigmas; the fit has it and ``known`` others."""
    poles = np.array([_pole(STRONG_HZ), *others])
    sizes = [_weight(300.0, poles[0]), *(_weight(sigmas, pole) for pole, sigmas in others.items())]
    ring = decays(poles, np.array(sizes) * np.exp(2j * np.pi * rng.random(len(poles))), LENGTH)
    samples = ring + (rng.standard_normal(LENGTH) if noise is None else noise)
    fit = fit_modes(Samples(samples), poles[: 1 + known])
    left = samples - decays(fit.poles, fit.weights, LENGTH)
    return TapFit(fit, samples, left, np.ones(fit.count), 0, RATE_HZ)


def _added_hz(taps: list[TapFit], quiet: np.ndarray = NO_QUIET) -> list[list[float]]:
    """Return, for each tap, the frequencies of the modes that were added."""
    after = found_together(taps, quiet, INSIDE_HZ)
    return [
        sorted((np.angle(found.fit.poles[found.decided]) * RATE_HZ / (2 * np.pi)).tolist())
        if len(found.decided)
        else []
        for found in after
        if found is not None
    ]


def test_a_mode_too_weak_for_any_tap_is_found_by_all() -> None:
    rng = np.random.default_rng(1)
    taps = [_tap(rng, {_pole(OTHER_HZ): 6.0}) for _ in range(5)]
    assert [tap.fit.count for tap in decided(taps) if tap is not None] == [1] * 5
    after = found_together(taps, NO_QUIET, INSIDE_HZ)
    # Cramer-Rao for five taps of 36 each: rho is 180, and the errors are 2.2/(T60 sqrt(rho)) Hz and 2/sqrt(rho).
    poles = np.array([found.fit.poles[1] for found in after if found is not None])
    assert len(poles) == 5
    common = np.median(np.angle(poles)) * RATE_HZ / (2 * np.pi)
    assert common == pytest.approx(OTHER_HZ, abs=4 * np.log(1000) / np.pi / T60_S / np.sqrt(180))
    log_ratio = np.log(np.median(-np.log(np.abs(poles))) / -np.log(abs(_pole(OTHER_HZ))))
    assert abs(log_ratio) < 4 * 2 / np.sqrt(180)


def test_noise_alone_gives_no_mode() -> None:
    # At 1 in 100,000 not one of 150 recordings should show one.
    for seed in range(150):
        rng = np.random.default_rng([2, seed])
        assert _added_hz([_tap(rng, {}) for _ in range(4)]) == [[]] * 4, seed


def test_what_sounds_in_one_tap_alone_is_no_mode() -> None:
    rng = np.random.default_rng(4)
    once = [_tap(rng, {_pole(OTHER_HZ): 40.0}), *(_tap(rng, {}) for _ in range(4))]
    assert _added_hz(once) == [[]] * 5


def test_a_mode_that_two_taps_have_is_listed_in_all_though_the_others_hardly_show_it() -> None:
    rng = np.random.default_rng(5)
    mode = _pole(OTHER_HZ)
    taps = [*(_tap(rng, {mode: 30.0}, known=1) for _ in range(2)), *(_tap(rng, {mode: 1.0}) for _ in range(3))]
    assert [tap.fit.count for tap in decided(taps) if tap is not None] == [2, 2, 1, 1, 1]
    assert [found.fit.count for found in found_together(taps, NO_QUIET, INSIDE_HZ) if found is not None] == [2] * 5


def test_a_line_that_sounds_before_the_taps_is_no_mode() -> None:
    rng = np.random.default_rng(6)
    taps = [_tap(rng, {_pole(OTHER_HZ): 6.0}) for _ in range(5)]
    noise = rng.standard_normal(2000)
    steady = noise + 0.5 * np.cos(2 * np.pi * OTHER_HZ / RATE_HZ * np.arange(2000))
    assert all(_added_hz(taps, noise))
    assert _added_hz(taps, steady) == [[]] * 5
    lines = np.array([_pole(OTHER_HZ), _pole(600.0)])
    # Its mean power over two cells is some ten times that of the noise.
    assert against_steady(steady, lines)[0] < 0.2
    assert against_steady(steady, lines)[1] == 1.0
    assert against_steady(NO_QUIET, lines).tolist() == [1.0, 1.0]


def test_there_is_no_search_where_more_than_noise_is_left() -> None:
    rng = np.random.default_rng(7)
    mode = {_pole(OTHER_HZ): 6.0}
    clean = [_tap(rng, mode) for _ in range(5)]
    loud = [_tap(rng, mode, noise=2.0 * rng.standard_normal(LENGTH)) for _ in range(5)]
    assert all(_added_hz(clean))
    assert _added_hz(loud) == [[]] * 5


def test_what_is_decided_on_without_lines_stays_as_it_was() -> None:
    rng = np.random.default_rng(8)
    mode = _pole(OTHER_HZ)
    taps = [_tap(rng, {mode: 60.0}, known=1), *(_tap(rng, {mode: 2.5}) for _ in range(4))]
    for before, after in zip(decided(taps), found_together(taps, NO_QUIET, INSIDE_HZ), strict=True):
        assert before is not None
        assert after is not None
        assert after.fit.count == before.fit.count


def test_one_tap_or_none_finds_nothing_more() -> None:
    tap = _tap(np.random.default_rng(10), {})
    assert found_together([], NO_QUIET, INSIDE_HZ) == []
    assert found_together([None, tap], NO_QUIET, INSIDE_HZ) == [None, tap]


def test_beside_means_within_a_width_or_half_of_that_of_the_other() -> None:
    narrow, wide = _pole(300.0, 0.7), _pole(310.0, 0.1)
    assert is_beside(narrow, np.array([wide]))
    assert not is_beside(narrow, np.array([_pole(310.0, 0.7)]))
    assert is_beside(wide, np.array([narrow]))
