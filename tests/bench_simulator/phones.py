"""Phones: their high-pass, their noise, the noise of the shop around them, gain control, and the file they write.

Conventions: full scale is 1. A phone is turned down (or up) until the loudest sample stands at ``peak_dbfs``. The
noise of the shop is given relative to the loudest sample *at 30 cm*, so a phone that comes nearer gains over it.
"""

from __future__ import annotations

import wave
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.bench_simulator.world import Phone

Float = NDArray[np.float64]

SHOP_NOISE_DB = -55.0
"""Root mean square of the shop's noise over the loudest sample at 30 cm."""


def shop_noise(count: int, rng: np.random.Generator, sample_rate_hz: int) -> Float:
    """Return noise of root mean square 1 whose density falls by 5 dB an octave above 60 Hz."""
    white = np.fft.rfft(rng.standard_normal(count))
    freq_hz = np.fft.rfftfreq(count, 1 / sample_rate_hz)
    white *= np.maximum(freq_hz, 60.0) ** (-5.0 / 6.02)
    noise = np.fft.irfft(white, count)
    return noise / float(np.sqrt(np.mean(noise**2)))


def fan(count: int, rng: np.random.Generator, sample_rate_hz: int) -> Float:
    """Return the sound of a fan: broad noise that swells, and lines of its blades that wander; root mean square 1."""
    from scipy.signal import butter, sosfilt

    time_s = np.arange(count) / sample_rate_hz
    air = sosfilt(butter(2, 700.0, fs=sample_rate_hz, output="sos"), rng.standard_normal(count))
    air *= 1 + 0.3 * np.sin(2 * np.pi * rng.uniform(0.3, 1.0) * time_s + rng.uniform(0, 6.28))
    air /= float(np.sqrt(np.mean(air**2)))
    blade_hz = float(rng.uniform(75.0, 190.0))
    wander = np.cumsum(rng.standard_normal(count)) / sample_rate_hz**0.5
    turned = 2 * np.pi * np.cumsum(blade_hz * (1 + 0.002 * wander)) / sample_rate_hz
    lines = sum(10 ** (-rng.uniform(3, 12) * k / 20) * np.cos(k * turned + rng.uniform(0, 6.28)) for k in range(1, 7))
    lines = lines / float(np.sqrt(np.mean(lines**2)))
    return np.asarray((air + 0.7 * lines) / np.hypot(1, 0.7))


def gain_controlled(samples: Float, sample_rate_hz: int) -> Float:
    """Return what a fast gain control makes of a sound: 2 ms down, 80 ms up, at most 20 dB, ratio 1.4 to 1."""
    from scipy.signal import lfilter

    step = sample_rate_hz // 1000
    frames = len(samples) // step + 1
    power = np.pad(samples, (0, frames * step - len(samples))).reshape(frames, step)
    level_db = 20 * np.log10(np.abs(power).max(axis=1) + 1e-6)
    held, follow = np.empty(frames), -120.0
    for n, level in enumerate(level_db.tolist()):
        follow += (level - follow) * (0.4 if level > follow else 0.012)
        held[n] = follow
    gain_db = np.clip((-20.0 - held) * (1 - 1 / 1.4), -20.0, 20.0)
    gain = 10 ** (np.interp(np.arange(len(samples)) / step, np.arange(frames) + 0.5, gain_db) / 20)
    return samples * lfilter([1 / step] * step, [1.0], gain)


def highpass(samples: Float, phone: Phone) -> Float:
    """Return a sound as the phone's microphone passes it on."""
    from scipy.signal import butter, sosfilt

    return np.asarray(sosfilt(butter(2, phone.highpass_hz, "high", fs=phone.sample_rate_hz, output="sos"), samples))


def highpass_db(phone: Phone, freq_hz: float) -> float:
    """Return what the high-pass does to a frequency, in decibels."""
    from scipy.signal import butter, sosfreqz

    sos = butter(2, phone.highpass_hz, "high", fs=phone.sample_rate_hz, output="sos")
    _, response = sosfreqz(sos, [freq_hz], fs=phone.sample_rate_hz)
    return float(20 * np.log10(abs(response[0])))


def write_wav(path: Path, samples: Float, sample_rate_hz: int, rng: np.random.Generator) -> Path:
    """Write 16 bits with triangular dither; ``samples`` of shape (n,) are mono, of (n, 2) stereo."""
    scaled = samples * 32767 + rng.uniform(-0.5, 0.5, samples.shape) + rng.uniform(-0.5, 0.5, samples.shape)
    path.parent.mkdir(parents=True, exist_ok=True)
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1 if samples.ndim == 1 else samples.shape[1])
        out.setsampwidth(2)
        out.setframerate(sample_rate_hz)
        out.writeframes(np.clip(np.round(scaled), -32768, 32767).astype("<i2").tobytes())
    return path
