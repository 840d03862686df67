"""Strong lines that no mode accounts for, in decays written out in closed form and in real recordings."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapbatch.listen.taps import find_taps
from tapbatch.measure.prepare import Prepared
from tapbatch.measure.recording import measure_recording
from tapbatch.measure.room_share import left_by_modes
from tapbatch.measure.sound import UNKNOWN_LOG_SE
from tapbatch.measure.unresolved import unresolved
from tapbatch.model.reading import LN_1000, BandSettings, Mode, Sound, TapReading
from tests.measured import measure_taps
from tests.recordings import FOLDER as RECORDINGS

RATE_HZ = 16000
LINES = ((196.0, 0.5, 0.1), (330.0, 0.4, 0.08), (523.0, 0.9, 0.05), (1180.0, 0.3, 0.02))
"""Frequency, T60 and amplitude of each decay."""


def struck(lines: tuple[tuple[float, float, float], ...] = LINES, seed: int = 1) -> Sound:
    rng = np.random.default_rng(seed)
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    decays = sum(a * np.exp(-LN_1000 / t * time_s) * np.sin(2 * np.pi * f * time_s) for f, t, a in lines)
    samples = np.concatenate([np.zeros(RATE_HZ // 2), decays])
    return Sound(samples=samples + 2e-5 * rng.standard_normal(len(samples)), sample_rate_hz=RATE_HZ)


def measured(sound: Sound) -> tuple[TapReading, tuple[Prepared, ...]]:
    readings, prepared = measure_taps(sound, find_taps(sound), BandSettings())
    (reading,) = [r for r in readings if r.tap.used]
    return reading, prepared


def lines_of(reading: TapReading, prepared: tuple[Prepared, ...]) -> tuple[Mode, ...]:
    return unresolved(reading, left_by_modes(reading, prepared), prepared)


def test_modes_that_account_for_all_leave_no_line() -> None:
    reading, prepared = measured(struck())
    assert len(reading.modes) == len(LINES)
    assert lines_of(reading, prepared) == ()


@pytest.mark.parametrize(("freq_hz", "t60_s", "amplitude"), LINES)
def test_a_strong_line_without_a_mode_is_found_with_its_level(freq_hz: float, t60_s: float, amplitude: float) -> None:
    """The energy of the free decay is a**2 / (4 delta), and the share in the sound is that over all of it."""
    reading, prepared = measured(struck())
    others = tuple(m for m in reading.modes if abs(m.freq_hz - freq_hz) > 1.0)
    (line,) = lines_of(replace(reading, modes=others), prepared)
    assert line.flags == ("unresolved",)
    assert not line.resolved
    assert abs(line.freq_hz - freq_hz) < 3.0 * line.freq_se_hz
    assert line.freq_se_hz < 0.015 * freq_hz
    assert line.t60_log_se == UNKNOWN_LOG_SE
    assert abs(math.log(line.t60_s / t60_s)) < 0.5
    assert abs(line.energy_db - 10.0 * math.log10(amplitude**2 * t60_s / (4.0 * LN_1000))) < 1.5


def test_a_line_under_20_db_over_its_surroundings_is_none() -> None:
    """A hiss that dies away with the ringing: it leaves far more than the noise, and no line stands out of it."""
    sound = struck(((196.0, 0.5, 0.1),))
    rng = np.random.default_rng(4)
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    rough = sound.samples.copy()
    rough[RATE_HZ // 2 :] += 0.01 * rng.standard_normal(len(time_s)) * np.exp(-LN_1000 / 0.8 * time_s)
    reading, prepared = measured(replace(sound, samples=rough))
    left = left_by_modes(reading, prepared)
    assert left is not None
    assert left.residual > 100.0 * left.noise
    assert unresolved(reading, left, prepared) == ()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "lines_hz"), [("banjo_4.flac", (1886.8, 4540.8)), ("steel_e6.flac", (4635.7, 6641.0))]
)
def test_lines_of_real_strings_are_no_longer_lost(name: str, lines_hz: tuple[float, float]) -> None:
    """``tests.benchmarks.strong_lines`` sees them without a fit, 30 to 40 dB over their surroundings."""
    reading = measure_recording(RECORDINGS / name, "", BandSettings(band_low_hz=60.0, band_high_hz=12000.0))
    (tap,) = reading.used_taps
    for freq_hz in lines_hz:
        assert any(not m.resolved for m in tap.modes if abs(m.freq_hz - freq_hz) < 5.0)
    # A rule that let everything in would say nothing.
    assert sum(not m.resolved for m in tap.modes) < 0.25 * len(tap.modes)


# ---------------------------------------------------------------- long, low and high


def write_decays(path: Path, lines: tuple[tuple[float, float, float], ...], rate_hz: int, ringing_s: float) -> Path:
    rng = np.random.default_rng(7)
    time_s = np.arange(round(ringing_s * rate_hz)) / rate_hz
    decays = sum(a * np.exp(-LN_1000 / t * time_s) * np.sin(2 * np.pi * f * time_s) for f, t, a in lines)
    samples = np.concatenate([np.zeros(rate_hz // 2), decays])
    soundfile.write(path, samples + 2e-5 * rng.standard_normal(len(samples)), rate_hz, "PCM_24")
    return path


def check(path: Path, lines: tuple[tuple[float, float, float], ...], band_high_hz: float) -> None:
    """Hold a recording to the decays it was made of: all there, none else, and each within five standard errors."""
    (tap,) = measure_recording(path, "", BandSettings(band_high_hz=band_high_hz)).used_taps
    assert len(tap.modes) == len(lines)
    for mode, (freq_hz, t60_s, _) in zip(tap.modes, sorted(lines), strict=True):
        assert abs(mode.freq_hz - freq_hz) < 5.0 * mode.freq_se_hz
        assert abs(math.log(mode.t60_s / t60_s)) < 5.0 * mode.t60_log_se
        assert abs(mode.freq_hz / freq_hz - 1.0) < 1e-4
        assert mode.t60_log_se < 0.05


@pytest.mark.parametrize("t60_s", [3.0, 10.0, 30.0])
def test_decays_much_longer_than_the_recording_are_measured(t60_s: float, tmp_path: Path) -> None:
    lines = ((233.0, t60_s, 0.08), (610.0, 0.6 * t60_s, 0.05), (1210.0, 0.4, 0.05))
    check(write_decays(tmp_path / "long.wav", lines, 48000, ringing_s=1.5), lines, 1500.0)


@pytest.mark.parametrize(("rate_hz", "top_hz"), [(8000, 3300.0), (11025, 4800.0), (22050, 9500.0)])
def test_low_sample_rates_are_measured_up_to_nearly_half_of_them(rate_hz: int, top_hz: float, tmp_path: Path) -> None:
    lines = ((96.0, 0.5, 0.05), (187.0, 0.35, 0.1), (655.0, 0.2, 0.04), (1180.0, 0.15, 0.05), (top_hz, 0.12, 0.03))
    check(write_decays(tmp_path / "low.wav", lines, rate_hz, ringing_s=2.0), lines, 12000.0)


@pytest.mark.parametrize("rate_hz", [44100, 48000])
def test_a_band_up_to_12_khz_is_measured_to_its_end(rate_hz: int, tmp_path: Path) -> None:
    """Also on both sides of the edges between the zones in which it is measured."""
    freqs_hz = (96.0, 1498.0, 2990.0, 4510.0, 6030.0, 7490.0, 9010.0, 10490.0, 11900.0)
    lines = tuple((f, 0.4 - 0.02 * n, 0.05 - 0.004 * n) for n, f in enumerate(freqs_hz))
    check(write_decays(tmp_path / "high.wav", lines, rate_hz, ringing_s=1.5), lines, 12000.0)
