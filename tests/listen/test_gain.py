"""Automatic gain is noticed, and steady noise is not taken for it."""

import numpy as np
import pytest

from tapbatch.listen.gain import gain_breathes
from tapbatch.listen.taps import find_taps, quiet_stretches
from tapbatch.simulate import SimMode, Strike, automatic_gain, mains_hum, pink_noise, recording
from tapbatch.values import Sound

RATE_HZ = 16000
MODES = tuple(SimMode(f, t, 0.05) for f, t in ((95.0, 0.5), (190.0, 0.35), (270.0, 0.4), (600.0, 0.2)))


def _breathes(seed: int, release_db_per_s: float) -> bool:
    rng = np.random.default_rng(seed)
    strikes = [Strike(onset_s=0.8 + 1.6 * k, modes=MODES, contact_s=0.0015) for k in range(5)]
    count = 9 * RATE_HZ
    noise = pink_noise(count, rng, sample_rate_hz=RATE_HZ, rms=1e-4)
    noise += mains_hum(count, rng, sample_rate_hz=RATE_HZ, mains_hz=50, amplitudes=(3e-5, 1e-5))
    samples, _ = recording(strikes, duration_s=9.0, sample_rate_hz=RATE_HZ, noise=noise)
    if release_db_per_s:
        samples, _ = automatic_gain(
            samples, sample_rate_hz=RATE_HZ, threshold_dbfs=-40, release_db_per_s=release_db_per_s, most_gain_db=0
        )
    sound = Sound(samples=samples, sample_rate_hz=RATE_HZ)
    taps = find_taps(sound)
    return gain_breathes(sound, taps, quiet_stretches(sound, taps))


def test_steady_noise_does_not_breathe() -> None:
    assert not any(_breathes(seed, 0.0) for seed in range(20))


@pytest.mark.parametrize("release_db_per_s", [6.0, 20.0])
def test_a_floor_that_comes_up_is_noticed(release_db_per_s: float) -> None:
    assert sum(_breathes(seed, release_db_per_s) for seed in range(10)) >= 9


def test_without_taps_or_quiet_nothing_is_said() -> None:
    sound = Sound(samples=np.zeros(RATE_HZ), sample_rate_hz=RATE_HZ)
    assert not gain_breathes(sound, (), [(0, RATE_HZ)])
