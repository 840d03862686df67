"""Noises and false taps against what defines them: slopes, powers, times."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy.signal import freqz, hilbert, welch

from tapbatch.simulate import disturbances as dist
from tapbatch.simulate import taps as sim

RATE = 16000

Maker = Callable[[np.random.Generator], np.ndarray]

MAKERS: dict[str, Maker] = {
    "white": lambda rng: dist.white_noise(4000, rng),
    "pink": lambda rng: dist.pink_noise(4000, rng, sample_rate_hz=RATE),
    "coloured": lambda rng: dist.coloured_noise(4000, (-1.2, 0.6), rng),
    "hum": lambda rng: dist.mains_hum(4000, rng, sample_rate_hz=RATE),
    "tail": lambda rng: dist.room_tail(np.eye(1, 4000)[0], rng, sample_rate_hz=RATE),
    "knock": lambda rng: dist.knock(rng, sample_rate_hz=RATE),
    "speech": lambda rng: dist.speech(rng, sample_rate_hz=RATE),
    "crackle": lambda rng: dist.crackle(RATE, rng, sample_rate_hz=RATE, per_s=20),
    "handling": lambda rng: dist.handling(8000, rng, sample_rate_hz=RATE),
}


def generator(seed: int = 7) -> np.random.Generator:
    return np.random.default_rng(seed)


@pytest.mark.parametrize("name", MAKERS)
def test_a_seed_gives_the_same_sound_again(name: str) -> None:
    first, again, other = (MAKERS[name](generator(seed)) for seed in (1, 1, 2))
    assert first.tobytes() == again.tobytes()
    assert first.tobytes() != other.tobytes()
    assert np.all(np.isfinite(first))


def slope_db_a_decade(noise: np.ndarray, low_hz: float, high_hz: float) -> float:
    freq_hz, density = welch(noise, RATE, nperseg=8192)
    inside = (freq_hz > low_hz) & (freq_hz < high_hz)
    return float(np.polyfit(np.log10(freq_hz[inside]), 10 * np.log10(density[inside]), 1)[0])


def test_white_is_flat_and_pink_falls_by_ten_decibels_a_decade() -> None:
    # the definitions of white and of 1/f noise; Welch's averaged periodogram from scipy.signal
    assert slope_db_a_decade(dist.white_noise(20 * RATE, generator()), 40, 7000) == pytest.approx(0.0, abs=0.4)
    pink = dist.pink_noise(20 * RATE, generator(), sample_rate_hz=RATE)
    assert slope_db_a_decade(pink, 40, 7000) == pytest.approx(-10.0, abs=0.4)
    assert slope_db_a_decade(pink, 40, 400) == pytest.approx(-10.0, abs=1.0)


@pytest.mark.parametrize("count", [16000 * 20, 16000 * 20 + 1])
def test_rms_is_what_was_asked(count: int) -> None:
    assert np.std(dist.white_noise(count, generator(), rms=0.3)) == pytest.approx(0.3, rel=0.01)
    assert np.std(dist.pink_noise(count, generator(), sample_rate_hz=RATE, rms=0.3)) == pytest.approx(0.3, rel=0.03)
    assert np.std(dist.coloured_noise(count, (-1.2, 0.6), generator(), rms=0.3)) == pytest.approx(0.3, rel=0.02)


def test_a_short_stretch_of_pink_is_as_loud() -> None:
    rng = generator()
    short = np.concatenate([dist.pink_noise(200, rng, sample_rate_hz=RATE) for _ in range(400)])
    assert np.sqrt(np.mean(short**2)) == pytest.approx(1.0, rel=0.1)


def test_coloured_noise_has_the_spectrum_of_its_filter() -> None:
    # an all-pole filter driven by white noise: density proportional to |1/A|^2, from scipy.signal.freqz
    coefficients = (-1.6, 1.1, -0.2)
    freq_hz, density = welch(dist.coloured_noise(60 * RATE, coefficients, generator()), RATE, nperseg=1024)
    _, response = freqz([1.0], [1.0, *coefficients], worN=freq_hz, fs=RATE)
    ratio_db = 10 * np.log10(density[4:-4] / np.abs(response[4:-4]) ** 2)
    assert np.max(np.abs(ratio_db - np.mean(ratio_db))) < 1.0


def test_hum_is_lines_and_nothing_else() -> None:
    # one second holds whole periods, so that each line is one bin of the transform
    hum = dist.mains_hum(RATE, generator(), sample_rate_hz=RATE, mains_hz=60.0, amplitudes=(0.1, 0.0, 0.04))
    lines = np.abs(np.fft.rfft(hum)) * 2 / RATE
    assert {int(f): round(float(lines[f]), 6) for f in np.flatnonzero(lines > 1e-9)} == {60: 0.1, 180: 0.04}


def test_hum_above_half_the_rate_is_left_out() -> None:
    assert not dist.mains_hum(500, generator(), sample_rate_hz=100, amplitudes=(1.0, 1.0)).any()


def test_a_room_decays_as_told() -> None:
    # Schroeder, JASA 37 (1965): the backward integral of the squared response falls as the decay
    click = np.eye(1, 2 * RATE)[0]
    tail = dist.room_tail(click, generator(), sample_rate_hz=RATE, t60_s=0.6, level_db=-20.0)
    left_db = 10 * np.log10(np.cumsum(tail[::-1] ** 2)[::-1][: round(0.5 * RATE)])
    assert left_db[0] == pytest.approx(-20.0, abs=0.01)
    slope = np.polyfit(np.arange(len(left_db)) / RATE, left_db, 1)[0]
    assert -60 / slope == pytest.approx(0.6, rel=0.05)


def test_a_knock_is_dull_and_soon_gone() -> None:
    thuds = [dist.knock(generator(seed), sample_rate_hz=RATE, peak=0.2, t60_s=0.018) for seed in range(40)]
    for thud in thuds:
        assert np.max(np.abs(thud)) == pytest.approx(0.2)
        assert np.max(np.abs(thud[round(0.018 * RATE) :])) < 0.2 * 10 ** (-40 / 20)
    freq_hz, power = np.fft.rfftfreq(4096, 1 / RATE), np.mean([np.abs(np.fft.rfft(t, 4096)) ** 2 for t in thuds], 0)
    assert np.sum(power[freq_hz < 1000]) / np.sum(power) > 0.9


def test_speech_has_a_pitch_that_glides_and_syllables() -> None:
    talk = dist.speech(generator(), sample_rate_hz=RATE, duration_s=2.0, pitch_hz=(200.0, 100.0), peak=0.3)
    assert np.max(np.abs(talk)) == pytest.approx(0.3)
    for middle_s, pitch_hz in ((0.125, 193.75), (1.875, 106.25)):
        # the pitch of a syllable, by its autocorrelation
        part = talk[round((middle_s - 0.08) * RATE) : round((middle_s + 0.08) * RATE)]
        repeats = np.correlate(part, part, "full")[len(part) - 1 :]
        shortest, longest = round(RATE / 260), round(RATE / 70)
        assert RATE / (shortest + np.argmax(repeats[shortest:longest])) == pytest.approx(pitch_hz, rel=0.04)
    loud = np.abs(hilbert(talk))
    valleys = [np.mean(loud[round((s - 0.01) * RATE) : round((s + 0.01) * RATE)]) for s in (0.25, 0.5, 1.0, 1.5)]
    assert max(valleys) < 0.1 * np.mean(loud)
    formant_hz, density = welch(talk, RATE, nperseg=2048)
    assert 550 < formant_hz[np.argmax(density)] < 850


def test_crackle_is_rare_and_short() -> None:
    clicks = dist.crackle(20 * RATE, generator(), sample_rate_hz=RATE, per_s=10.0, peak=0.05)
    starts = np.flatnonzero((clicks != 0) & (np.roll(clicks, 1) == 0))
    # a Poisson count of 200: four standard deviations
    assert abs(len(starts) - 200) < 4 * math.sqrt(200)
    assert np.count_nonzero(clicks) <= 3 * len(starts) + 6
    assert np.max(np.abs(clicks)) == pytest.approx(0.05)
    assert not dist.crackle(100, generator(), sample_rate_hz=RATE, per_s=0.0).any()


def test_handling_is_low_and_comes_in_swells() -> None:
    rumble = dist.handling(10 * RATE, generator(), sample_rate_hz=RATE, bursts_per_s=1.0, cutoff_hz=120.0)
    freq_hz, density = welch(rumble, RATE, nperseg=4096)
    assert np.sum(density[freq_hz < 160]) / np.sum(density) > 0.95
    quiet = np.mean(rumble == 0)
    assert 0.4 < quiet < 0.97


# --------------------------------------------------------- automatic gain


def test_gain_comes_back_at_its_rate_and_never_lets_pass() -> None:
    loud = np.zeros(RATE)
    loud[RATE // 4] = 0.5
    held, gain_db = dist.automatic_gain(
        loud, sample_rate_hz=RATE, threshold_dbfs=-20, release_db_per_s=12.0, most_gain_db=10.0
    )
    assert 20 * math.log10(np.max(np.abs(held))) == pytest.approx(-20.0, abs=1e-9)
    assert np.all(gain_db[: RATE // 4] == 10.0)
    assert gain_db[RATE // 4 + RATE // 2] - gain_db[RATE // 4] == pytest.approx(6.0, abs=1e-9)
    assert np.max(gain_db) == 10.0


def test_gain_stretches_a_decay_by_its_rate() -> None:
    # a decay of 60/0.5 = 120 dB/s under a gain that rises by 20 dB/s is heard as one of 100 dB/s
    decay = sim.free_decay([sim.SimMode(200.0, 0.5, 0.5)], 0.4, 8000)
    heard, _ = dist.automatic_gain(decay, sample_rate_hz=8000, release_db_per_s=20.0, most_gain_db=60.0)
    # whole periods apart, clear of the first, at which the gain was still falling
    fall_db = 20 * np.log10(np.abs(heard[800] / heard[2400]))
    assert fall_db / 0.2 == pytest.approx(100.0, abs=1e-6)


def test_quiet_sound_is_only_louder() -> None:
    quiet = dist.white_noise(1000, generator(), rms=1e-5)
    held, gain_db = dist.automatic_gain(quiet, sample_rate_hz=RATE, most_gain_db=12.0)
    assert np.all(gain_db == 12.0)
    assert held == pytest.approx(quiet * 10 ** (12 / 20))
