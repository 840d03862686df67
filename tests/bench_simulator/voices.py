"""What is heard besides taps: syllables, claps, doors and steps, made from sources and filters.

Conventions: a sound of loudness 1 has its loudest sample at 1. A syllable is a train of glottal pulses (Rosenberg's
shape: Journal of the Acoustical Society of America 49 (1971), 583) at a gliding pitch of 85 to 240 Hz, sent through
four formants; it may begin with the burst of a plosive or with a fricative. The formants are those of vowels by
Peterson and Barney (Journal of the Acoustical Society of America 24 (1952), 175). A clap is a burst of noise around
one or two kilohertz that falls within milliseconds. All sound in a room: a tail of noise follows.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.bench_simulator.hands import Session

Float = NDArray[np.float64]

# F1, F2, F3 in hertz, of men's vowels: i, I, e, a, A, o, U, u.
VOWELS_HZ = (
    (270, 2290, 3010), (390, 1990, 2550), (530, 1840, 2480), (660, 1720, 2410),
    (730, 1090, 2440), (570, 840, 2410), (440, 1020, 2240), (300, 870, 2240),
)  # fmt: skip
BANDWIDTHS_HZ = (70.0, 100.0, 140.0, 200.0)
RISE_S = 0.4
"""A gap between taps is talked into from this long after a tap on, when many modes still ring."""


@dataclass(frozen=True, eq=False)
class Said:
    """Sounds, and when each of them begins."""

    samples: Float
    events_s: tuple[float, ...]


def glottal_pulses(pitch_hz: Float, rng: np.random.Generator, sample_rate_hz: int) -> Float:
    """Return the flow of a train of glottal pulses, differentiated as the lips do; ``pitch_hz`` for each sample."""
    turned = np.cumsum(pitch_hz * (1 + 0.01 * rng.standard_normal(len(pitch_hz)) * 0.3)) / sample_rate_hz
    phase = turned % 1.0
    opening, closing = 0.4, 0.16
    falls = phase - opening
    flow = np.where(phase < opening, 0.5 - 0.5 * np.cos(np.pi * phase / opening), 0.0)
    flow = np.where((falls >= 0) & (falls < closing), np.cos(0.5 * np.pi * falls / closing), flow)
    return np.diff(flow, prepend=0.0)


def syllable(rng: np.random.Generator, sample_rate_hz: int) -> Float:
    """Return one syllable of 0.12 to 0.32 s."""
    count = round(float(rng.uniform(0.12, 0.32)) * sample_rate_hz)
    time_s = np.arange(count) / sample_rate_hz
    pitch_hz = rng.uniform(85, 240) * 2 ** (rng.uniform(-4, 2) / 12 * time_s / time_s[-1])
    voiced = _formed(glottal_pulses(pitch_hz, rng, sample_rate_hz), rng, sample_rate_hz)
    rise, fall = rng.uniform(0.008, 0.05), rng.uniform(0.03, 0.09)
    voiced *= np.minimum(1, time_s / rise) * np.minimum(1, (time_s[-1] - time_s) / fall)
    voiced /= np.abs(voiced).max()
    kind = rng.choice(["vowel", "plosive", "fricative"], p=[0.25, 0.55, 0.2])
    if kind == "vowel":
        return voiced
    if kind == "plosive":
        return _joined(_burst(rng, sample_rate_hz), voiced, round(rng.uniform(0.01, 0.04) * sample_rate_hz))
    hiss = _band_noise(round(rng.uniform(0.06, 0.12) * sample_rate_hz), 2500.0, 7000.0, rng, sample_rate_hz)
    hiss *= np.hanning(len(hiss)) * float(rng.uniform(0.1, 0.3)) / np.abs(hiss).max()
    return _joined(hiss, voiced, round(0.8 * len(hiss)))


def clap(rng: np.random.Generator, sample_rate_hz: int) -> Float:
    """Return a hand clap."""
    count = round(0.08 * sample_rate_hz)
    time_s = np.arange(count) / sample_rate_hz
    middle_hz = float(rng.uniform(700, 2200))
    noise = _band_noise(count, 0.5 * middle_hz, 1.6 * middle_hz, rng, sample_rate_hz)
    noise = noise + 0.2 * rng.standard_normal(count) * np.abs(noise).max()
    noise *= np.exp(-time_s / rng.uniform(0.003, 0.010)) * np.minimum(1, time_s / 0.0006)
    return np.asarray(noise / np.abs(noise).max())


def door(rng: np.random.Generator, sample_rate_hz: int) -> Float:
    """Return a door that falls shut: a heavy knock of low noise, the latch before it, a rattle behind."""
    knock = _thud(rng, sample_rate_hz, (40.0, float(rng.uniform(150, 350))), float(rng.uniform(0.03, 0.09)), 0.4)
    latch = 0.3 * clap(rng, sample_rate_hz)
    sound = _joined(latch, knock, round(rng.uniform(0.02, 0.07) * sample_rate_hz))
    for _ in range(int(rng.integers(0, 5))):
        rattle = float(rng.uniform(0.05, 0.2)) * clap(rng, sample_rate_hz)
        sound = _joined(sound, rattle, round(rng.uniform(0.08, 0.3) * sample_rate_hz))
    return sound / np.abs(sound).max()


def step(rng: np.random.Generator, sample_rate_hz: int) -> Float:
    """Return a step: the heel, then the ball of the foot."""
    heel = _thud(rng, sample_rate_hz, (50.0, float(rng.uniform(200, 600))), float(rng.uniform(0.008, 0.03)), 0.15)
    ball = 0.4 * _thud(rng, sample_rate_hz, (80.0, 900.0), 0.02, 0.12)
    return _joined(heel, ball, round(rng.uniform(0.06, 0.14) * sample_rate_hz))


def said_between(session: Session, count: int, sample_rate_hz: int, rng: np.random.Generator) -> Said:
    """Return up to four syllables in each gap between taps, up to 10 dB below the loudest tap."""
    samples, events = np.zeros(count), []
    for onset_s in session.taps_s:
        at_s = onset_s + RISE_S + float(rng.uniform(0, 0.15))
        loudness = 10 ** (float(rng.uniform(-10, 0)) / 20)
        for _ in range(int(rng.integers(0, 5))):
            sound = loudness * syllable(rng, sample_rate_hz)
            if at_s + len(sound) / sample_rate_hz > onset_s + 1.15:
                break
            _put(samples, sound, at_s, sample_rate_hz)
            events.append(at_s)
            at_s += len(sound) / sample_rate_hz + float(rng.uniform(0.0, 0.08))
    return Said(_in_room(samples, rng, sample_rate_hz), tuple(events))


def said_alone(kind: str, count: int, sample_rate_hz: int, rng: np.random.Generator) -> Said:
    """Return a recording of nothing but ``speech``, ``claps``, or ``doors`` and steps, after a quiet second."""
    makers: dict[str, tuple[Callable[..., Float], ...]] = {
        "speech": (syllable,),
        "claps": (clap,),
        "doors": (door, step),
    }
    samples, events, at_s = np.zeros(count), [], 1.0
    while at_s < count / sample_rate_hz - 0.8:
        makes = makers[kind]
        sound = makes[int(rng.integers(len(makes)))](rng, sample_rate_hz) * 10 ** (float(rng.uniform(-12, 0)) / 20)
        _put(samples, sound, at_s, sample_rate_hz)
        events.append(at_s)
        pause = float(rng.uniform(0.3, 1.0)) if rng.uniform() < (0.25 if kind == "speech" else 1.0) else 0.03
        at_s += len(sound) / sample_rate_hz + pause
    return Said(_in_room(samples, rng, sample_rate_hz), tuple(events))


# -------------------------------------------------------------------- filters


def _formed(source: Float, rng: np.random.Generator, sample_rate_hz: int) -> Float:
    from scipy.signal import lfilter

    vowel = VOWELS_HZ[int(rng.integers(len(VOWELS_HZ)))]
    size = float(rng.uniform(0.95, 1.2))
    for formant_hz, width_hz in zip((*vowel, 3500.0), BANDWIDTHS_HZ, strict=True):
        pole = np.exp((-np.pi * width_hz + 2j * np.pi * formant_hz * size) / sample_rate_hz)
        poles = np.array([1.0, -2 * pole.real, abs(pole) ** 2])
        source = lfilter([poles.sum()], poles, source)
    return np.asarray(source)


def _burst(rng: np.random.Generator, sample_rate_hz: int) -> Float:
    count = round(float(rng.uniform(0.004, 0.015)) * sample_rate_hz)
    low_hz = float(rng.uniform(300, 2500))
    burst = _band_noise(count, low_hz, 3 * low_hz, rng, sample_rate_hz) * np.exp(-4 * np.arange(count) / count)
    return burst / np.abs(burst).max() * float(rng.uniform(0.3, 1.0))


def _thud(
    rng: np.random.Generator, sample_rate_hz: int, band_hz: tuple[float, float], fall_s: float, last_s: float
) -> Float:
    count = round(last_s * sample_rate_hz)
    time_s = np.arange(count) / sample_rate_hz
    thud = (
        _band_noise(count, *band_hz, rng, sample_rate_hz) * np.exp(-time_s / fall_s) * np.minimum(1, time_s / 0.003)
    )
    return thud / np.abs(thud).max()


def _band_noise(count: int, low_hz: float, high_hz: float, rng: np.random.Generator, sample_rate_hz: int) -> Float:
    from scipy.signal import butter, sosfilt

    filled = rng.standard_normal(count + sample_rate_hz // 20)
    high_hz = min(high_hz, 0.45 * sample_rate_hz)
    sos = butter(2, (low_hz, high_hz), "bandpass", fs=sample_rate_hz, output="sos")
    return np.asarray(sosfilt(sos, filled)[-count:])


def _joined(first: Float, then: Float, at: int) -> Float:
    sound = np.zeros(max(len(first), at + len(then)))
    sound[: len(first)] += first
    sound[at : at + len(then)] += then
    return sound


def _put(samples: Float, sound: Float, at_s: float, sample_rate_hz: int) -> None:
    first = round(at_s * sample_rate_hz)
    until = min(len(samples), first + len(sound))
    samples[first:until] += sound[: until - first]


def _in_room(samples: Float, rng: np.random.Generator, sample_rate_hz: int) -> Float:
    """Return sounds with a tail of noise of 0.4 s that holds a fifth of their energy."""
    from scipy.signal import fftconvolve

    time_s = np.arange(round(0.4 * sample_rate_hz)) / sample_rate_hz
    tail = rng.standard_normal(len(time_s)) * np.exp(-6.91 * time_s / 0.4)
    tail[: round(0.004 * sample_rate_hz)] = 0.0
    tail *= np.sqrt(0.2 / np.sum(tail**2))
    return samples + np.asarray(fftconvolve(samples, tail)[: len(samples)])
