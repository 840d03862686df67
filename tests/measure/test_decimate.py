"""Decimation: poles pass exactly, nothing folds in, nothing before the window is touched."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapbatch.measure.decimate import STOP_DB, Decimator, zones

RATES = [8000, 11025, 16000, 22050, 44100, 48000, 96000, 192000]


@pytest.mark.parametrize("rate_hz", RATES)
@settings(max_examples=20)
@given(freq=st.floats(0.02, 0.98), t60_s=st.floats(0.03, 5.0), phase=st.floats(0, 6.28))
def test_a_damped_mode_comes_out_a_damped_mode(rate_hz: int, freq: float, t60_s: float, phase: float) -> None:
    for zone in zones(rate_hz, 50.0, min(4000.0, 0.46 * rate_hz)):
        freq_hz = zone.low_hz + freq * (zone.high_hz - zone.low_hz)
        pole = np.exp((-np.log(1000) / t60_s + 2j * np.pi * freq_hz) / rate_hz)
        n = np.arange(zone.reach + 40 * zone.factor)
        out = zone.apply((np.exp(1j * phase) * pole**n).real)
        lowered = pole**zone.factor * np.exp(-2j * np.pi * zone.shift_hz / zone.out_rate_hz)
        poles = np.array([lowered])
        # What is left of the mirror image, and of nothing else, is under the stop band.
        want = (np.exp(1j * phase) * zone.gain(poles)[0] * lowered ** np.arange(len(out))).real
        assert np.abs(out - want).max() < (2e-4 if zone.shift_hz else 1e-9)
        assert zone.true_hz(poles)[0] == pytest.approx(freq_hz, abs=1e-6)


@pytest.mark.parametrize("rate_hz", RATES)
def test_what_would_fold_in_is_stopped_and_what_matters_passes(rate_hz: int) -> None:
    for zone in zones(rate_hz, 50.0, min(4000.0, 0.46 * rate_hz)):
        inside = np.linspace(zone.low_hz, zone.high_hz, 50)
        gain_db = 20 * np.log10(np.abs(_response(zone, inside)) * (2 if zone.shift_hz else 1))
        assert np.abs(gain_db).max() < 0.1
        folding = np.arange(zone.shift_hz + zone.out_rate_hz / 2 + 20, rate_hz / 2, 37.0)
        if zone.factor > 1 and len(folding):
            assert 20 * np.log10(np.abs(_response(zone, folding)).max()) < -(STOP_DB - 6)


def _response(zone: Decimator, freq_hz: np.ndarray) -> np.ndarray:
    total, step = np.full(len(freq_hz), 0.5 if zone.shift_hz else 1.0, dtype=complex), 1
    for taps, factor in zone.stages:
        turn = np.exp(2j * np.pi * np.multiply.outer(freq_hz, np.arange(len(taps))) * step / zone.rate_hz)
        total *= turn @ taps
        step *= factor
    return total


def test_nothing_before_the_first_sample_is_touched() -> None:
    zone = zones(48000, 50.0, 1500.0)[0]
    y = np.random.default_rng(1).standard_normal(20000)
    late = zone.apply(y[120 * zone.factor :])
    np.testing.assert_allclose(late, zone.apply(y)[120:], atol=1e-12)


def test_too_short_a_sound_says_so() -> None:
    zone = zones(48000, 50.0, 1500.0)[0]
    with pytest.raises(ValueError, match="fewer than"):
        zone.apply(np.zeros(20))
