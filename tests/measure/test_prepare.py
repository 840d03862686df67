"""The noise that whitens a sound, learned from the quiet around its taps; its true density is known."""

import numpy as np
import pytest
from scipy.signal import lfilter

from tapbatch.listen.taps import find_taps
from tapbatch.measure.prepare import prepare
from tapbatch.model.reading import BandSettings, Sound
from tapbatch.simulate.taps import Strike, recording
from tests.measure.test_sound import MODES


@pytest.mark.parametrize("pole", [0.0, 0.9, 0.97])
def test_noise_is_learned_without_bias_whatever_its_colour(pole: float) -> None:
    # The density of y[n] = p y[n-1] + e[n] is 2 sigma^2/(rate |1 - p exp(-iw)|^2), a textbook's (from memory: Box &
    # Jenkins, Time Series Analysis). Noise that swings slowly must not be cut to its calm moments.
    rate_hz, freq_hz = 48_000, np.array([93.0, 187.0, 402.0, 1210.0])
    true = 2e-6 / (rate_hz * np.abs(1 - pole * np.exp(-2j * np.pi * freq_hz / rate_hz)) ** 2)
    ratios = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        noise = lfilter([1.0], [1.0, -pole], 1e-3 * rng.standard_normal(3 * rate_hz))
        struck = Strike(onset_s=1.0, modes=MODES, contact_s=0.001)
        samples, _ = recording([struck], duration_s=3.0, sample_rate_hz=rate_hz, noise=noise)
        sound = Sound(samples=samples, sample_rate_hz=rate_hz)
        (zone,) = prepare(sound, find_taps(sound), BandSettings())
        gain = np.abs(zone.decimator.gain(np.exp(2j * np.pi * freq_hz / zone.rate_hz)))
        ratios.append(zone.noise.density(freq_hz) / gain**2 / true)
    assert np.mean(ratios, axis=0) == pytest.approx(1.0, abs=0.12)
