"""Automatic gain is noticed, and steady noise is not taken for it."""

import numpy as np
import pytest

from tapbatch.listen.gain import floor_behind, floor_rise_db
from tapbatch.listen.taps import find_taps, quiet_stretches
from tapbatch.model.reading import Sound
from tapbatch.simulate.taps import SimMode, Strike, automatic_gain, mains_hum, pink_noise, recording, scattered

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
    return floor_rise_db([floor_behind(sound, taps, quiet_stretches(sound, taps))]) > 0.0


@pytest.mark.slow
def test_steady_noise_does_not_breathe() -> None:
    assert not any(_breathes(seed, 0.0) for seed in range(20))


@pytest.mark.parametrize("release_db_per_s", [6.0, 20.0])
def test_a_floor_that_comes_up_is_noticed(release_db_per_s: float) -> None:
    assert sum(_breathes(seed, release_db_per_s) for seed in range(10)) >= 9


def test_without_taps_or_quiet_nothing_is_said() -> None:
    sound = Sound(samples=np.zeros(RATE_HZ), sample_rate_hz=RATE_HZ)
    assert floor_rise_db([floor_behind(sound, (), [(0, RATE_HZ)])]) == 0.0


BODY = (SimMode(131.0, 0.4, 0.6), SimMode(212.0, 0.3, 1.0, 0.8), SimMode(498.0, 0.2, 0.5, 2.0))


def a_session(seed: int, rate_hz: int, taps: int = 5) -> np.ndarray:
    """Return taps over pink noise and hum, peak -6 dBFS, noise about 60 dB under full scale."""
    rng = np.random.default_rng(seed)
    strikes = [Strike(onset_s=0.7 + 1.1 * n, modes=scattered(BODY, rng), contact_s=0.002) for n in range(taps)]
    duration_s = 0.7 + 1.1 * taps
    samples, _ = recording(strikes, duration_s=duration_s, sample_rate_hz=rate_hz)
    count = len(samples)
    noise = pink_noise(count, rng, sample_rate_hz=rate_hz, rms=0.001) + mains_hum(
        count, rng, sample_rate_hz=rate_hz, amplitudes=(5e-4, 2e-4, 3e-4)
    )
    return samples * 0.5 / np.abs(samples).max() + noise


def breathes(samples: np.ndarray, rate_hz: int) -> bool:
    sound = Sound(samples=np.rint(samples * 32768) / 32768, sample_rate_hz=rate_hz)
    taps = find_taps(sound)
    assert any(t.used for t in taps)
    return floor_rise_db([floor_behind(sound, taps, quiet_stretches(sound, taps))]) > 0.0


@pytest.mark.parametrize("rate_hz", [8000, 16000, 48000])
def test_a_steady_floor_does_not_breathe(rate_hz: int) -> None:
    assert not any(breathes(a_session(seed, rate_hz, taps=1 + seed % 6), rate_hz) for seed in range(8))


@pytest.mark.parametrize("rate_hz", [8000, 16000, 48000])
@pytest.mark.parametrize(("release_db_per_s", "change_db"), [(6.0, 8.0), (12.0, 12.0), (20.0, 18.0)])
def test_gain_that_comes_back_is_noticed(rate_hz: int, release_db_per_s: float, change_db: float) -> None:
    found = []
    for seed in range(4):
        # at rest the gain is 6 dB; the taps peak at -6 dBFS and are turned down by the change
        held, gain_db = automatic_gain(
            a_session(seed, rate_hz),
            sample_rate_hz=rate_hz,
            threshold_dbfs=-change_db,
            release_db_per_s=release_db_per_s,
            most_gain_db=6.0,
        )
        assert np.ptp(gain_db) == pytest.approx(change_db, abs=0.1)
        found.append(breathes(np.clip(held, -1, 1), rate_hz))
    assert sum(found) >= 3
