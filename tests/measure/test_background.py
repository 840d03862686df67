"""What a mode must have to be heard: the density behind the modes, and the limit, against closed forms and counts."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import binom, ncx2

from tapbatch.listen.taps import find_taps
from tapbatch.measure.background import BANDS, Behind, background_of, band_of, heard_db
from tapbatch.measure.prune import LEAST_OVER_MISFIT
from tapbatch.measure.room_share import residuals_of
from tapbatch.measure.tap import fit_tap
from tapbatch.model.reading import Background, BandSettings, Sound
from tests.measured import measure_taps

RATE_HZ = 8000
LN_1000 = math.log(1000.0)


def _background(samples: np.ndarray) -> Background:
    sound = Sound(samples=samples, sample_rate_hz=RATE_HZ)
    readings, prepared = measure_taps(sound, find_taps(sound), BandSettings())
    behind = Behind(prepared)
    found = background_of([behind.of_tap(residuals_of(r, prepared), 0.3) for r in readings if r.tap.used])
    assert found is not None
    return found


def _taps(rng: np.random.Generator, sigma: float, count: int = 3) -> np.ndarray:
    time_s = np.arange(RATE_HZ) / RATE_HZ
    rings = [np.exp(-LN_1000 / 0.3 * time_s) * np.sin(2 * np.pi * f * time_s) for f in (180.0, 410.0, 760.0)]
    dry = np.concatenate([np.zeros(RATE_HZ), *([0.1 * np.sum(rings, axis=0)] * count)])
    return dry + sigma * rng.standard_normal(len(dry))


@pytest.mark.parametrize("sigma", [1e-4, 1e-3])
def test_the_density_is_that_of_white_noise(sigma: float) -> None:
    found = _background(_taps(np.random.default_rng(1), sigma))
    # White noise of variance s^2 at a rate r has the two-sided density s^2/r.
    true_db = 10 * math.log10(sigma**2 / RATE_HZ)
    inside = [found.noise_db[band_of(hz) - found.first_band] for hz in (100.0, 250.0, 600.0, 1200.0)]
    assert [level for level in inside if level is not None] == pytest.approx([true_db] * 4, abs=1.5)
    # Modes that are all found leave nothing but the noise.
    left = [a - b for a, b in zip(found.left_db, found.noise_db, strict=True) if a is not None and b is not None]
    assert float(np.median(left)) < 0.5


def test_what_the_modes_leave_is_in_the_background() -> None:
    rng = np.random.default_rng(2)
    clean = _taps(rng, 1e-4)
    tail = rng.standard_normal(RATE_HZ // 2) * np.exp(-LN_1000 / 0.5 * np.arange(RATE_HZ // 2) / RATE_HZ)
    room = np.convolve(clean, tail)[: len(clean)]
    room *= 0.3 * math.sqrt(float(np.sum(clean**2) / np.sum(room**2)))
    found = _background(clean + room)
    at = band_of(410.0) - found.first_band
    noise, left = found.noise_db[at], found.left_db[at]
    assert noise is not None
    assert left is not None
    assert left > noise + 10.0


def test_nothing_is_known_outside_the_band() -> None:
    found = _background(_taps(np.random.default_rng(3), 1e-4))
    assert heard_db(found, 300.0, 3) is not None
    assert heard_db(found, 30.0, 3) is None
    assert heard_db(found, 3000.0, 3) is None
    assert background_of([np.zeros((BANDS, 2), dtype=np.float32)]) is None


@pytest.mark.parametrize("taps", [1, 3, 7])
@pytest.mark.parametrize("left_db", [-90.0, -80.0, -60.0])
def test_the_limit_passes_with_95_per_cent(taps: int, left_db: float) -> None:
    quiet = Background(first_band=20, noise_db=(-90.0,), left_db=(left_db,))
    limit_db = heard_db(quiet, 210.0, taps, within_cents=0.0)
    assert limit_db is not None
    excess = 10 ** ((left_db + 90.0) / 10)
    ratio = 10 ** ((limit_db + 90.0) / 10) / excess
    alone = ncx2.sf(LEAST_OVER_MISFIT, 2, ratio / 2)
    assert 1 - (1 - alone) ** taps == pytest.approx(0.95, abs=0.002)


@pytest.mark.slow
def test_one_tap_lists_a_mode_as_often_as_the_limit_says() -> None:
    rng, trials = np.random.default_rng(4), 60
    rate_hz, t60_s = 4000.0, 0.3
    quiet = Background(first_band=20, noise_db=(0.0,), left_db=(0.0,))
    limit_db = heard_db(quiet, 210.0, 1, within_cents=0.0)
    assert limit_db is not None
    heard = {}
    for over_db in (0.0, -4.0):
        listed = 0
        for _ in range(trials):
            samples = rng.standard_normal(3200)
            for hz, energy in ((250.0, 1e6), (613.0, 10 ** ((limit_db + over_db) / 10))):
                delta = LN_1000 / (t60_s * rate_hz)
                n = np.arange(3000)
                ring = np.sqrt(4 * delta * energy) * np.exp(-delta * n)
                samples[200:] += ring * np.cos(2 * np.pi * hz / rate_hz * n + rng.uniform(0, 2 * np.pi))
            found = fit_tap(samples, 200, 3200, rate_hz, np.zeros(0, dtype=np.complex128), (50.0, 1500.0))
            assert found is not None
            hz = np.angle(found.fit.poles) * rate_hz / (2 * np.pi)
            listed += bool(np.any(np.abs(hz - 613.0) < 8.0))
        heard[over_db] = listed
    # The limit promises 95 %; chance goes below the 0.1 % point of the binomial distribution once in a thousand.
    assert heard[0.0] >= binom.ppf(0.001, trials, 0.95)
    # Four decibels below it, little is heard: the limit is not one that anything passes.
    assert heard[-4.0] <= binom.ppf(
        0.999, trials, ncx2.sf(LEAST_OVER_MISFIT, 2, 10 ** ((limit_db - 4) / 10) / 2) + 0.1
    )
