"""Rendered modes are what they claim: a fit by scipy, a plain integral and a convolution say so."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.bench_simulator.taps import Blow, force, strike
from tests.bench_simulator.world import (
    LN_1000,
    Mallet,
    Plate,
    PlateMode,
    draw_plate,
    level_of,
    stream,
    with_lead_pair,
)

RATE_HZ = 48_000


def _one(**more: float) -> Plate:
    return Plate(modes=(PlateMode(freq_hz=310.0, t60_s=0.4, gain=1.0, **more),))


def _free(plate: Plate, blow: Blow) -> np.ndarray:
    struck = strike(plate, blow, RATE_HZ)
    return struck.samples[math.ceil(struck.free_from_s * RATE_HZ) - struck.first :][: RATE_HZ // 4]


def _fitted(samples: np.ndarray) -> tuple[float, float]:
    """Return frequency and T60 of one mode, by scipy's non-linear least squares."""
    from scipy.optimize import curve_fit

    def model(t, a, b, freq_hz, t60_s):
        turned = 2 * np.pi * freq_hz * t
        return np.exp(-LN_1000 * t / t60_s) * (a * np.cos(turned) + b * np.sin(turned))

    loud = float(np.abs(samples).max())
    time_s = np.arange(len(samples)) / RATE_HZ
    (_, _, freq_hz, t60_s), _ = curve_fit(model, time_s, samples / loud, p0=(0.5, 0.5, 309.9, 0.38))
    return freq_hz, t60_s


def test_a_rendered_mode_has_its_frequency_and_t60() -> None:
    freq_hz, t60_s = _fitted(_free(_one(), Blow(onset_s=0.10001, mallet=Mallet(contact_s=0.005))))
    assert freq_hz == pytest.approx(310.0, rel=1e-8)
    assert t60_s == pytest.approx(0.4, rel=1e-6)


@pytest.mark.parametrize("contact_s", [0.0005, 0.003, 0.008])
@pytest.mark.parametrize("skewed", [False, True])
def test_the_level_is_that_of_the_free_decay(contact_s: float, skewed: bool) -> None:
    """The energy of a decaying cosine, summed on the samples, against the level that is told."""
    blow = Blow(onset_s=0.05, mallet=Mallet(contact_s=contact_s, skewed=skewed))
    struck = strike(_one(), blow, RATE_HZ)
    free = struck.samples[math.ceil(struck.free_from_s * RATE_HZ) - struck.first :]
    assert 10 * math.log10(np.sum(free**2) / RATE_HZ) == pytest.approx(struck.levels_db[0], abs=0.15)


def test_a_soft_mallet_takes_the_high_modes_away() -> None:
    """A raised cosine that lasts T has its first zero at 2/T (Harris, Proc. IEEE 66 (1978), 51, Hann window)."""
    pulse = force(Mallet(contact_s=0.005), RATE_HZ, 0.3)
    turned = np.exp(-2j * np.pi * 400.0 * np.arange(len(pulse)) / RATE_HZ)
    assert abs(np.sum(pulse * turned)) < 0.01
    assert np.sum(pulse) == pytest.approx(1.0)


@pytest.mark.parametrize("at_s", [0.0, 0.05, 0.3])
def test_damping_is_higher_at_first_and_right_in_the_end(at_s: float) -> None:
    """Over 12 ms around a moment, against the law with the momentary amplitude; ``x`` is close to its exponential."""
    samples = strike(_one(more_damping=0.3), Blow(onset_s=0.0), RATE_HZ).samples[100:]
    _, t60_s = _fitted(samples[round(at_s * RATE_HZ) :][: round(0.012 * RATE_HZ)])
    x = math.exp(-LN_1000 / 0.4 * (at_s + 0.008))
    assert 0.4 / t60_s == pytest.approx(1 + 0.3 * x, abs=0.03)


@pytest.mark.parametrize("at_s", [0.0, 0.05, 0.3])
def test_pitch_falls_by_its_cents(at_s: float) -> None:
    samples = strike(_one(pitch_cents=8.0), Blow(onset_s=0.0), RATE_HZ).samples[100:]
    freq_hz, _ = _fitted(samples[round(at_s * RATE_HZ) :][: round(0.012 * RATE_HZ)])
    x = math.exp(-LN_1000 / 0.4 * (at_s + 0.008))
    assert 1200 * math.log2(freq_hz / 310.0) == pytest.approx(8.0 * x, abs=0.3)


def test_plates_are_as_drawn() -> None:
    for number in range(10):
        modes = draw_plate(stream("plate", number)).modes
        assert 8 <= len(modes) <= 14
        assert all(0.1 <= m.t60_s <= 0.6 for m in modes)
        levels = [level_of(m.gain, m.decay_per_s) for m in modes]
        assert max(levels) == pytest.approx(0.0, abs=1e-9)
        assert min(levels) >= -33.0


def test_the_pair_is_the_lead() -> None:
    plate = draw_plate(stream("plate", 1))
    paired = with_lead_pair(plate, stream("pair", 1)).modes
    freqs = [m.freq_hz for m in paired]
    at = int(np.argmin(np.diff(freqs)))
    assert 0.5 <= freqs[at + 1] - freqs[at] <= 1.0
    assert level_of(paired[at].gain, paired[at].decay_per_s) == pytest.approx(0.0, abs=1e-9)
