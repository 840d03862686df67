"""Simulate disturbances of a recording: noise, hum, a room, and sounds that must not be taken for taps.

Conventions: every function is pure. Random values come from the ``numpy.random.Generator`` passed in, so the same
seed gives the same sound. Samples are float64 of shape (count,), full scale 1.0. Steady sounds take ``rms`` (of the
process, not of the samples drawn); transient sounds take ``peak`` (of the samples drawn). The power spectral density
of pink noise is proportional to ``1/f``, 10 dB a decade. A tail with decay time ``t60_s`` falls as ``exp(-delta t)``,
``delta = ln(1000)/t60_s``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tapbatch.model.reading import LN_1000

Samples = NDArray[np.float64]

SYLLABLES_PER_S = 4.0
"""Syllables a second of unhurried talk: speech envelopes peak near 4 Hz (Houtgast & Steeneken, JASA 77, 1985)."""

OPEN_VOWEL_HZ = ((700.0, 130.0), (1220.0, 70.0), (2600.0, 160.0))
"""Formants of an open vowel: centre frequency and bandwidth of each in hertz, as in Klatt, JASA 67, 1980."""


def white_noise(count: int, rng: np.random.Generator, *, rms: float = 1.0) -> Samples:
    """Return ``count`` samples of Gaussian noise with a flat spectrum.

    Examples
    --------
    >>> noise = white_noise(10000, np.random.default_rng(1), rms=0.01)
    >>> f"{np.sqrt(np.mean(noise**2)):.3f}"
    '0.010'
    """
    return rms * rng.standard_normal(count)


def pink_noise(
    count: int, rng: np.random.Generator, *, sample_rate_hz: int, rms: float = 1.0, low_hz: float = 20.0
) -> Samples:
    """Return Gaussian noise whose power spectral density falls as 1/f above ``low_hz`` and is flat below.

    The background noise that a phone records is closer to this than to white noise. The spectrum is shaped by a
    Fourier transform, so the noise is periodic: its end joins its start.

    Examples
    --------
    >>> pink_noise(5, np.random.default_rng(1), sample_rate_hz=16000).shape
    (5,)
    """
    # Below the period of the corner frequency, no bin would represent the level correctly.
    length = max(count, 2 * math.ceil(sample_rate_hz / low_hz))
    freq_hz = np.fft.rfftfreq(length, 1 / sample_rate_hz)
    shape = np.maximum(freq_hz, low_hz) ** -0.5
    shape[0] = 0.0
    weight = np.full(len(shape), 2.0)
    if length % 2 == 0:
        weight[-1] = 1.0
    density = math.sqrt(float(np.sum(weight * shape**2)) / length)
    shaped: Samples = np.fft.irfft(np.fft.rfft(rng.standard_normal(length)) * shape, length)
    return rms / density * shaped[:count]


def coloured_noise(
    count: int, coefficients: Sequence[float], rng: np.random.Generator, *, rms: float = 1.0
) -> Samples:
    """Return autoregressive noise, ``y[n] + a1 y[n-1] + a2 y[n-2] + ... = e[n]``.

    Parameters
    ----------
    coefficients
        ``(a1, a2, ...)``, without the leading 1.

    Raises
    ------
    ValueError
        If a pole is on or outside the unit circle, because such noise grows without limit.

    Examples
    --------
    >>> coloured_noise(3, (-0.9,), np.random.default_rng(1)).shape
    (3,)
    >>> coloured_noise(3, (-1.1,), np.random.default_rng(1))
    Traceback (most recent call last):
    ...
    ValueError: the noise is not stable: its largest pole has modulus 1.1
    """
    from scipy.signal import lfilter

    polynomial = np.concatenate(([1.0], np.asarray(coefficients, dtype=float)))
    largest = float(np.max(np.abs(np.roots(polynomial)), initial=0.0))
    if largest >= 1.0:
        msg = f"the noise is not stable: its largest pole has modulus {largest:.6g}"
        raise ValueError(msg)
    # Run in until the effect of the start has decayed to 1e-8.
    lead = 0 if largest == 0.0 else min(1_000_000, math.ceil(math.log(1e-8) / math.log(largest)))
    bins = 1 << max(12, (4 * lead).bit_length())
    variance = float(np.mean(np.abs(np.fft.fft(polynomial, bins)) ** -2.0))
    driven: Samples = lfilter([1.0], polynomial, rng.standard_normal(lead + count))
    return rms / math.sqrt(variance) * driven[lead:]


def mains_hum(
    count: int,
    rng: np.random.Generator,
    *,
    sample_rate_hz: int,
    mains_hz: float = 50.0,
    amplitudes: Sequence[float] = (1.0, 0.5, 0.7, 0.2, 0.3),
) -> Samples:
    """Return mains hum: lines at ``mains_hz`` and its multiples, with random phases.

    ``amplitudes`` has one value a line, the fundamental first; lines above half the sample rate are left out.

    Examples
    --------
    >>> hum = mains_hum(16000, np.random.default_rng(1), sample_rate_hz=16000, amplitudes=(0.01,))
    >>> f"{np.sqrt(2 * np.mean(hum**2)):.4f}"
    '0.0100'
    """
    time_s = np.arange(count) / sample_rate_hz
    phases_rad = rng.uniform(0, 2 * math.pi, len(amplitudes))
    hum = np.zeros(count)
    for order, (amplitude, phase_rad) in enumerate(zip(amplitudes, phases_rad, strict=True), start=1):
        if order * mains_hz < sample_rate_hz / 2:
            hum += amplitude * np.cos(2 * math.pi * order * mains_hz * time_s + phase_rad)
    return hum


def room_tail(
    dry: Samples, rng: np.random.Generator, *, sample_rate_hz: int, t60_s: float = 0.4, level_db: float = -20.0
) -> Samples:
    """Return the reverberant tail of ``dry``, of the same length and without the direct sound; add it to ``dry``.

    The room is diffuse: its response is noise with an exponential decay (Schroeder, JASA 37, 1965). ``level_db`` is
    the energy of the response relative to the direct sound, in decibels.

    Examples
    --------
    >>> click = np.zeros(800)
    >>> click[0] = 1.0
    >>> room_tail(click, np.random.default_rng(1), sample_rate_hz=8000).shape
    (800,)
    """
    from scipy.signal import fftconvolve

    length = max(1, round(1.5 * t60_s * sample_rate_hz))
    time_s = np.arange(length) / sample_rate_hz
    response = rng.standard_normal(length) * np.exp(-LN_1000 / t60_s * time_s)
    response *= 10 ** (level_db / 20) / math.sqrt(float(np.sum(response**2)))
    tail: Samples = fftconvolve(dry, response)[: len(dry)]
    return tail


def knock(
    rng: np.random.Generator,
    *,
    sample_rate_hz: int,
    peak: float = 0.1,
    t60_s: float = 0.018,
    cutoff_hz: float = 500.0,
) -> Samples:
    """Return a dull thud without a tone, like an elbow on the bench: low-passed noise that decays in ``t60_s``.

    Examples
    --------
    >>> thud = knock(np.random.default_rng(1), sample_rate_hz=16000, peak=0.2)
    >>> float(np.max(np.abs(thud))), len(thud) / 16000
    (0.2, 0.027)
    """
    from scipy.signal import butter, sosfilt

    count = max(2, round(1.5 * t60_s * sample_rate_hz))
    time_s = np.arange(count) / sample_rate_hz
    sections = butter(2, cutoff_hz, fs=sample_rate_hz, output="sos")
    lead = round(4 * sample_rate_hz / cutoff_hz)
    dull = sosfilt(sections, rng.standard_normal(lead + count))[lead:]
    # A soft object has no sharp attack: let the sound rise in half a millisecond.
    envelope = (1 - np.exp(-time_s / 0.0005)) * np.exp(-LN_1000 / t60_s * time_s)
    return _to_peak(dull * envelope, peak)


def speech(
    rng: np.random.Generator,
    *,
    sample_rate_hz: int,
    duration_s: float = 0.8,
    peak: float = 0.1,
    pitch_hz: tuple[float, float] = (130.0, 105.0),
    formants_hz: Sequence[tuple[float, float]] = OPEN_VOWEL_HZ,
) -> Samples:
    """Return speech-like sound: glottal pulses of gliding pitch, filtered by formants, with a syllable envelope.

    The pulses follow Rosenberg (JASA 49, 1971; opening 0.4 and closing 0.16 of the period); the formants are a
    cascade of resonators (Klatt, JASA 67, 1980). ``formants_hz`` has pairs of centre frequency and bandwidth; those
    with a centre above 0.45 of the sample rate are left out. The pitch glides from ``pitch_hz[0]`` to
    ``pitch_hz[1]`` and varies by about 1 % around that.

    Examples
    --------
    >>> len(speech(np.random.default_rng(1), sample_rate_hz=8000, duration_s=0.5))
    4000
    """
    from scipy.signal import lfilter

    count = round(duration_s * sample_rate_hz)
    time_s = np.arange(count) / sample_rate_hz
    wander = 1 + 0.01 * np.sin(2 * math.pi * 2.3 * time_s + rng.uniform(0, 2 * math.pi))
    cycle = np.cumsum(np.linspace(*pitch_hz, count) * wander) / sample_rate_hz % 1.0
    opening = 0.5 * (1 - np.cos(math.pi * cycle / 0.4))
    closing = np.cos(math.pi / 2 * (cycle - 0.4) / 0.16)
    flow = np.where(cycle < 0.4, opening, np.where(cycle < 0.56, closing, 0.0))
    # The sound radiated from the lips is proportional to the rate of change of the flow.
    voice = np.diff(flow, prepend=flow[:1])
    for centre_hz, bandwidth_hz in formants_hz:
        if centre_hz < 0.45 * sample_rate_hz:
            radius = math.exp(-math.pi * bandwidth_hz / sample_rate_hz)
            b, c = 2 * radius * math.cos(2 * math.pi * centre_hz / sample_rate_hz), -(radius**2)
            voice = lfilter([1 - b - c], [1, -b, -c], voice)
    syllable = np.floor(time_s * SYLLABLES_PER_S).astype(int)
    loudness = rng.uniform(0.5, 1.0, int(syllable.max(initial=0)) + 1)[syllable]
    return _to_peak(voice * loudness * np.sin(math.pi * time_s * SYLLABLES_PER_S) ** 2, peak)


def crackle(
    count: int, rng: np.random.Generator, *, sample_rate_hz: int, per_s: float = 5.0, peak: float = 0.05
) -> Samples:
    """Return clicks of one to three samples at random times, ``per_s`` a second on average, like a bad plug.

    Examples
    --------
    >>> clicks = crackle(16000, np.random.default_rng(1), sample_rate_hz=16000)
    >>> bool(np.count_nonzero(clicks) < 100)
    True
    """
    clicks = np.zeros(count)
    starts = rng.integers(0, max(count, 1), rng.poisson(per_s * count / sample_rate_hz))
    for start in starts:
        width = int(rng.integers(1, 4))
        clicks[start : start + width] += (
            rng.choice((-1.0, 1.0)) * rng.uniform(0.3, 1.0) * 0.5 ** np.arange(len(clicks[start : start + width]))
        )
    return _to_peak(clicks, peak)


def handling(
    count: int,
    rng: np.random.Generator,
    *,
    sample_rate_hz: int,
    bursts_per_s: float = 2.0,
    peak: float = 0.05,
    cutoff_hz: float = 120.0,
) -> Samples:
    """Return handling noise, like fingers on the phone or the bench: bursts of 0.1 to 0.4 s below ``cutoff_hz``.

    Examples
    --------
    >>> rumble = handling(16000, np.random.default_rng(1), sample_rate_hz=16000, peak=0.03)
    >>> float(np.max(np.abs(rumble)))
    0.03
    """
    from scipy.signal import butter, sosfilt

    sections = butter(4, cutoff_hz, fs=sample_rate_hz, output="sos")
    rumble = np.zeros(count)
    for _ in range(max(1, int(rng.poisson(bursts_per_s * count / sample_rate_hz)))):
        length = min(count, round(rng.uniform(0.1, 0.4) * sample_rate_hz))
        start = int(rng.integers(0, count - length + 1))
        swell = np.sin(math.pi * (np.arange(length) + 0.5) / length) ** 2
        rumble[start : start + length] += swell * sosfilt(sections, rng.standard_normal(length))
    return _to_peak(rumble, peak)


def automatic_gain(
    samples: Samples,
    *,
    sample_rate_hz: int,
    threshold_dbfs: float = -20.0,
    release_db_per_s: float = 6.0,
    most_gain_db: float = 12.0,
) -> tuple[Samples, Samples]:
    """Return ``samples`` as a phone with automatic gain would store them, and the gain in decibels, both (count,).

    In quiet the gain is ``most_gain_db``. A sound that would exceed ``threshold_dbfs`` lowers it at once, and it
    recovers at ``release_db_per_s``. The noise floor rises and falls with the gain, and every decay becomes slower: a
    decay of ``r`` dB/s is recorded as ``r - release_db_per_s``.

    Examples
    --------
    >>> held, gain_db = automatic_gain(np.array([0.0, 1.0, 0.0, 0.0]), sample_rate_hz=1, most_gain_db=0.0)
    >>> gain_db.tolist()
    [0.0, -20.0, -14.0, -8.0]
    """
    level_dbfs = 20 * np.log10(np.maximum(np.abs(samples), 1e-12))
    wanted_db = np.minimum(most_gain_db, threshold_dbfs - level_dbfs)
    # gain[n] = min over m <= n of wanted[m] + release (n - m): a running minimum once the ramp is subtracted.
    ramp_db = release_db_per_s * np.arange(len(samples)) / sample_rate_hz
    gain_db = np.minimum(most_gain_db, np.minimum.accumulate(wanted_db - ramp_db) + ramp_db)
    return samples * 10 ** (gain_db / 20), gain_db


def _to_peak(samples: Samples, peak: float) -> Samples:
    largest = float(np.max(np.abs(samples), initial=0.0))
    return samples if largest == 0.0 else samples / largest * peak
