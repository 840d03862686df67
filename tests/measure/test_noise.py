"""The noise model: white where it says white, mains found and told from what is no mains."""

import numpy as np
import pytest

from tapbatch.measure.noise import estimate_noise, white_noise
from tapbatch.simulate.disturbances import pink_noise

RATE_HZ = 4000.0


def _spread(noise_of_band: np.ndarray, bands: int = 8) -> float:
    power = np.abs(np.fft.rfft(noise_of_band)) ** 2 / len(noise_of_band)
    inside = power[int(len(power) * 50 / 2000) : int(len(power) * 1500 / 2000)]
    return float(np.max(np.abs(10 * np.log10([b.mean() for b in np.array_split(inside, bands)]))))


@pytest.mark.parametrize("kind", ["white", "pink"])
def test_whitened_noise_is_white_with_variance_one(kind: str) -> None:
    rng = np.random.default_rng(5)
    count = 40000
    sound = (
        1e-3 * rng.standard_normal(count)
        if kind == "white"
        else pink_noise(count, rng, sample_rate_hz=int(RATE_HZ), rms=1e-3)
    )
    noise = estimate_noise([sound[:8000]], RATE_HZ, 50.0, 1560.0)
    # Two seconds tell the level of an eighth of the band to 0.2 dB; half a decibel is two and a half of that.
    assert _spread(noise.whiten(sound[8000:])) < 0.7


def test_gain_is_what_whitening_does_to_a_pole() -> None:
    noise = estimate_noise([np.random.default_rng(2).standard_normal(4000)], RATE_HZ, 50.0, 1560.0)
    pole = np.exp((-20 + 2j * np.pi * 300) / RATE_HZ)
    out = noise.whiten((pole ** np.arange(400)).real)
    want = (noise.gain(np.array([pole]))[0] * pole ** np.arange(len(out))).real
    np.testing.assert_allclose(out, want, atol=1e-9)


@pytest.mark.parametrize(("mains_hz", "asked_hz"), [(50.05, 50.0), (59.9, 60.0), (60.06, 50.0)])
def test_mains_is_found_wherever_it_lies(mains_hz: float, asked_hz: float) -> None:
    rng = np.random.default_rng(3)
    t = np.arange(6000) / RATE_HZ
    hum = sum(3e-4 * np.sin(2 * np.pi * k * mains_hz * t + k) for k in (1, 2, 3, 5))
    noise = estimate_noise([1e-4 * rng.standard_normal(6000) + hum], RATE_HZ, 50.0, 1560.0, asked_hz)
    np.testing.assert_allclose(noise.hum_hz, np.array([1, 2, 3, 5]) * mains_hz, atol=0.08)


def test_noise_alone_has_no_mains() -> None:
    found = [
        estimate_noise([np.random.default_rng(seed).standard_normal(4000)], RATE_HZ, 50.0, 1560.0).hum_hz
        for seed in range(30)
    ]
    # 41 fundamentals by 30 harmonics are looked at; at 25 times the floor chance makes one in 6e7 cells.
    assert sum(map(len, found)) == 0


def test_too_little_quiet_says_so() -> None:
    with pytest.raises(ValueError, match="of quiet is less"):
        estimate_noise([np.zeros(100)], RATE_HZ, 50.0, 1560.0)


def test_white_noise_is_its_own_density() -> None:
    noise = white_noise(2.0, RATE_HZ)
    np.testing.assert_allclose(noise.density(np.array([100.0])), 2 * 4.0 / RATE_HZ)


@pytest.mark.parametrize("may_ring", [False, True])
def test_a_line_that_may_ring_is_not_taken_for_noise(may_ring: bool) -> None:
    rng = np.random.default_rng(4)
    ring = 3e-3 * np.exp(-2.0 * np.arange(4000) / RATE_HZ) * np.sin(2 * np.pi * 730.0 / RATE_HZ * np.arange(4000))
    quiet = 1e-4 * rng.standard_normal(4000) + ring
    noise = estimate_noise([quiet], RATE_HZ, 50.0, 1560.0, may_ring=may_ring)
    at, beside = noise.density(np.array([730.0])), noise.density(np.array([400.0, 600.0, 1000.0, 1300.0]))
    over_db = 10 * float(np.log10(at[0] / beside.mean()))
    # The limit is 5 dB over the median. Without it the line stands some 40 dB over the noise.
    assert over_db < 6.0 if may_ring else over_db > 15.0


def test_hum_is_found_whether_or_not_modes_may_ring() -> None:
    rng = np.random.default_rng(3)
    hum = 3e-4 * np.sin(2 * np.pi * 50.05 * np.arange(6000) / RATE_HZ)
    quiet = [1e-4 * rng.standard_normal(6000) + hum]
    still, ringing = (estimate_noise(quiet, RATE_HZ, 50.0, 1560.0, may_ring=ring) for ring in (False, True))
    assert len(still.hum_hz) == 1
    assert still.hum_hz == ringing.hum_hz
