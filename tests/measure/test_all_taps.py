"""Modes that few taps show: all taps decide, at the stated rate of false alarms, without those that proposed them."""

import numpy as np
import pytest
from scipy.stats import chi2, kstest

from tapbatch.measure.all_taps import asked_of, decided
from tapbatch.measure.fit import fit_modes
from tapbatch.measure.geometric import Samples, decays
from tapbatch.measure.prune import TapFit

RATE_HZ = 2000.0
LENGTH = 900
T60_S = 0.4
STRONG_HZ, OTHER_HZ = 250.0, 340.0


def _pole(freq_hz: float, t60_s: float = T60_S) -> complex:
    return complex(np.exp((-np.log(1000) / t60_s + 2j * np.pi * freq_hz) / RATE_HZ))


def _amplitude(sigmas: float) -> float:
    """Return the amplitude whose energy is ``sigmas**2`` times the noise density."""
    return sigmas * float(np.sqrt(4 * np.log(1000) / (T60_S * RATE_HZ)))


def _tap(rng: np.random.Generator, sigmas: float, *, found: bool = False, other_hz: float = OTHER_HZ) -> TapFit:
    """Return a tap with a strong mode and another of ``sigmas``; the fit has the other only where it is ``found``."""
    poles = np.array([_pole(STRONG_HZ), _pole(other_hz)])
    weights = np.array([_amplitude(300.0), _amplitude(sigmas)]) * np.exp(2j * np.pi * rng.random(2))
    samples = decays(poles, weights, LENGTH) + rng.standard_normal(LENGTH)
    fit = fit_modes(Samples(samples), poles if found else poles[:1])
    left = samples - decays(fit.poles, fit.weights, LENGTH)
    return TapFit(fit, samples, left, np.ones(fit.count), 0, RATE_HZ)


def _counts(taps: list[TapFit | None]) -> list[int]:
    return [tap.fit.count for tap in decided(taps) if tap is not None]


def test_a_mode_of_one_tap_that_is_weak_in_the_others_is_listed_in_all() -> None:
    rng = np.random.default_rng(1)
    taps: list[TapFit | None] = [_tap(rng, 60.0, found=True), *(_tap(rng, 5.0) for _ in range(4))]
    after = decided(taps)
    assert after[0] is taps[0]
    for tap in after[1:]:
        assert tap is not None
        assert tap.decided.tolist() == [False, True]
        # A sigma of 5 scatters by 1: the amplitude is known to a fifth.
        assert abs(tap.fit.weights[1]) == pytest.approx(_amplitude(5.0), abs=4 * _amplitude(1.0))
        assert np.angle(tap.fit.poles[1]) == pytest.approx(2 * np.pi * OTHER_HZ / RATE_HZ, abs=0.02)


def test_taps_in_which_nothing_rings_do_not_confirm_it_however_strong_the_proposer() -> None:
    rng = np.random.default_rng(2)
    taps: list[TapFit | None] = [_tap(rng, 1000.0, found=True), *(_tap(rng, 0.0) for _ in range(4))]
    assert all(after is before for after, before in zip(decided(taps), taps, strict=True))


def test_each_proposer_is_left_out_of_the_count() -> None:
    rng = np.random.default_rng(3)
    weak = [_tap(rng, 2.0) for _ in range(2)]
    clear = [_tap(rng, 40.0, found=True) for _ in range(3)]
    assert _counts([*clear, *weak]) == [2, 2, 2, 1, 1]
    # The same strength, when the fits do not know of it, is evidence.
    hidden = [_tap(np.random.default_rng(seed), 40.0) for seed in range(2)]
    assert _counts([*clear, *hidden]) == [2] * 5


def test_noise_alone_answers_as_chi_square_says() -> None:
    rng = np.random.default_rng(4)
    # Far from the strong mode, whose skirt would count some answers as nothing.
    asked = np.array([_pole(hz) for hz in np.arange(600.0, 960.0, 60.0)])
    said = np.concatenate([asked_of(_tap(rng, 0.0), asked)[1] for _ in range(100)])
    assert len(said) == 600
    assert kstest(said, chi2(2).cdf).pvalue > 0.001


def test_false_alarms_are_rare() -> None:
    # Each recording asks for one pole; at 1 in 100,000 not one of 150 should pass.
    for seed in range(150):
        rng = np.random.default_rng([5, seed])
        taps: list[TapFit | None] = [_tap(rng, 30.0, found=True), *(_tap(rng, 0.0) for _ in range(3))]
        assert _counts(taps) == [2, 1, 1, 1], seed


def test_a_tap_with_a_mode_within_a_width_is_not_asked() -> None:
    rng = np.random.default_rng(6)
    beside = [_tap(rng, 60.0, found=True, other_hz=OTHER_HZ + 4.0) for _ in range(2)]
    assert _counts([_tap(rng, 60.0, found=True), *beside]) == [2, 2, 2]


def test_a_misfit_as_strong_as_the_answer_confirms_nothing() -> None:
    rng = np.random.default_rng(7)

    def rough() -> TapFit:
        plain = _tap(rng, 0.0)
        samples = plain.samples + 3.0 * rng.standard_normal(LENGTH)
        fit = fit_modes(Samples(samples), plain.fit.poles)
        return TapFit(fit, samples, samples - decays(fit.poles, fit.weights, LENGTH), np.ones(1), 0, RATE_HZ)

    for _ in range(20):
        assert _counts([_tap(rng, 60.0, found=True), *(rough() for _ in range(4))]) == [2, 1, 1, 1, 1]


def test_a_tap_without_a_fit_stays_without() -> None:
    rng = np.random.default_rng(8)
    taps = [_tap(rng, 60.0, found=True), None, _tap(rng, 10.0), _tap(rng, 10.0)]
    after = decided(taps)
    assert after[1] is None
    assert [tap.fit.count for tap in after if tap is not None] == [2, 2, 2]
    assert decided([]) == []
    assert decided([None]) == [None]
