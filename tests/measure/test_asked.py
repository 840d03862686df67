"""Kept taps asked for a mode of another stage: false alarms, power and the limit, against the chi-square laws."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom, chi2, ncx2

from tapbatch.measure.asked import SEARCH_CENTS, Answer, ask
from tapbatch.measure.decimate import zones
from tapbatch.measure.kept_taps import KeptTaps
from tests.measure.kept import OUT_HZ, RATE_HZ, STRONG_HZ, T60_S, WEAK_HZ, WHITENER, kept_tap

POINTS = 7  # of the grid: lines of 7.3 Hz, asked every half line within 60 cents of 613 Hz


def _density_db(freq_hz: float) -> float:
    """Return the two-sided density of the noise: white with variance 1 behind the whitener and the filters."""
    gain = abs(zones(RATE_HZ, 50.0, 1500.0)[0].gain(np.exp(2j * np.pi * np.array([freq_hz]) / OUT_HZ))[0])
    return float(-10 * math.log10(OUT_HZ * (gain * WHITENER[0]) ** 2))


def _asked(rng: np.random.Generator, ratio: float, taps: int, cents: float = 0.0) -> Answer:
    answer = ask([kept_tap(rng, ratio) for _ in range(taps)], WEAK_HZ * 2 ** (cents / 1200), T60_S)
    assert answer is not None
    return answer


@pytest.mark.parametrize("taps", [1, 6])
def test_the_limit_is_that_of_the_non_central_chi_square(taps: int) -> None:
    answer = _asked(np.random.default_rng(1), 0.0, taps)
    ratio = 10 ** ((answer.limit_db - _density_db(WEAK_HZ)) / 10)
    least = chi2.isf(1e-5 / POINTS, 2 * taps)
    # The window holds all of the decay; the strong mode, 363 Hz away, takes little.
    assert ncx2.sf(least, 2 * taps, taps * ratio) == pytest.approx(0.95, abs=0.02)


def test_six_taps_hear_eleven_decibels_over_the_noise() -> None:
    answer = _asked(np.random.default_rng(2), 0.0, 6)
    assert answer.limit_db - _density_db(WEAK_HZ) == pytest.approx(10.5, abs=0.7)


@pytest.mark.slow
def test_noise_is_not_heard_and_a_mode_at_the_limit_is() -> None:
    rng, trials = np.random.default_rng(3), 25
    assert sum(_asked(rng, 0.0, 3).is_heard for _ in range(trials)) <= binom.ppf(0.999, trials, 1e-5)
    least = chi2.isf(1e-5 / POINTS, 6)
    for ratio in (8.0, 30.0):
        heard = sum(_asked(rng, ratio, 3).is_heard for _ in range(trials))
        power = ncx2.sf(least, 6, 3 * ratio)
        assert (
            binom.ppf(0.001, trials, max(power - 0.07, 0.0))
            <= heard
            <= binom.ppf(0.999, trials, min(power + 0.07, 1))
        )


@pytest.mark.parametrize(("cents", "heard"), [(40.0, True), (-55.0, True), (150.0, False)])
def test_a_mode_that_moved_a_little_is_heard(cents: float, heard: bool) -> None:
    assert SEARCH_CENTS == 60.0
    assert _asked(np.random.default_rng(4), 60.0, 6, cents).is_heard == heard


def test_under_another_mode_nothing_would_be_heard() -> None:
    rng = np.random.default_rng(5)
    answer = ask([kept_tap(rng, 0.0) for _ in range(6)], STRONG_HZ, T60_S)
    assert answer is not None
    assert answer.limit_db - _density_db(STRONG_HZ) > 30.0
    assert not answer.is_heard


def test_where_more_than_noise_is_left_more_is_needed() -> None:
    rng = np.random.default_rng(6)

    def louder(kept: KeptTaps) -> KeptTaps:
        (tap,) = kept.taps
        samples = tap.samples * tap.step + 3.0 * rng.standard_normal(len(tap.samples))
        step = float(np.abs(samples).max()) / 32767
        return replace(kept, taps=(replace(tap, samples=np.round(samples / step).astype(np.int16), step=step),))

    clean = _asked(rng, 0.0, 4)
    answer = ask([louder(kept_tap(rng, 0.0)) for _ in range(4)], WEAK_HZ, T60_S)
    assert answer is not None
    # Ten times the residual power, and the guard of 10 against a misfit.
    assert answer.limit_db - clean.limit_db == pytest.approx(20.0, abs=3.0)
    assert not answer.is_heard


def test_nothing_kept_gives_no_answer() -> None:
    rng = np.random.default_rng(7)
    assert ask([], WEAK_HZ, T60_S) is None
    assert ask([kept_tap(rng, 0.0)], 1800.0, T60_S) is None
