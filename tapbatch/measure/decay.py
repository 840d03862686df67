"""Decay times of the whole sound after one tap, and of each of its octave bands.

Conventions: time runs from ``Tap.free_from_s``; only sound between it and ``Tap.free_until_s`` is used. Bands are the
octaves of IEC 61260-1 with base-two mid-band frequencies ``1000 * 2**k`` Hz (62.5, 125, 250, ...) and edges
``mid/sqrt(2)`` and ``mid*sqrt(2)``; the whole is everything within the settings' band. The filters are sixth-order
Butterworth filters, ``H = 1/prod(j W - p)`` with ``W = (f**2 - low*high)/(f (high - low))``, run backwards in time
(Jacobsen & Rindel, J. Sound Vib. 117, 187-190, 1987). Such a filter looks ahead,
``y(t) = integral h(u) x(t + u) du``, so a damped mode stays a damped mode and the filter's own ringing falls before
the decay. It spoils only the end of the stretch: the last 1.5 periods of the bandwidth are left out. The noise is
appended to the decay and filtered in the same transform.

The decay curve is the backward integral of the squared sound (ISO 3382-1:2009, 5.3.3). The noise power is subtracted,
the curve is cut at ``t1``, where the decay meets the floor, and the energy beyond ``t1`` is added as an exponential
with the slope from ``t0`` to ``t1``, ``t0`` being where the level is 10 dB above that at ``t1``. Each range (ISO
3382-1:2009, ISO 3382-2:2008) is fitted by a straight line and extrapolated to 60 dB:

    edt_s  0 to -10 dB        t20_s  -5 to -25 dB        t30_s  -5 to -35 dB

A range is given only if it ends before ``t0``, that is, at least 10 dB above the floor (or above the level at which
the sound is cut). The curve is then right to 0.1 dB even if the tail is off by a third. A decay shorter than
``4/bandwidth`` is too fast for a filter run backwards (``16/bandwidth`` for one run forwards, Jacobsen & Rindel).
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapbatch.measure.decay_fit import Blocks, DecayFit, Float, fit_decays
from tapbatch.model.reading import BandSettings, Decay, Sound, Tap

RANGES_DB = {"edt_s": (0.0, -10.0), "t20_s": (-5.0, -25.0), "t30_s": (-5.0, -35.0)}
LEAST_BT = 4.0
TOP_OF_RATE = 0.46

_ORDER = 6
_LOWEST_OCTAVE = -5  # 31.25 Hz, the lowest octave that lies mostly within a band from 20 Hz
_HIGHEST_OCTAVE = 4
_BLOCK_S = 0.006
_LONGEST_S = 12.0
_AT_ONCE = 8  # taps: more save little and take memory
_NOISE_S = 0.6
_SPOILT = 1.5
_RINGING = 15.0  # periods of the bandwidth until the slowest pole of the filter is 100 dB down
_MOST_STRETCHES = 4
_UNEVEN = 1.5
_BESIDE = 1.02
_LEAST_RANGE_DB = 6.0
_MOST_LOG_SE = 0.35
_SMOOTH_S = 0.03
_SMOOTH_BT = 6.0
_TEN_DB = 10.0


def measure_decays(
    sound: Sound, tap: Tap, noise_stretches: Sequence[tuple[int, int]], settings: BandSettings
) -> tuple[Decay, ...]:
    """Measure the decay of the whole sound and of each octave band after one tap.

    Parameters
    ----------
    sound
        The recording, at any rate.
    tap
        The tap; only ``free_from_s`` to ``free_until_s`` is used, and of that the first 12 s.
    noise_stretches
        Stretches ``(first, last)`` in samples, last excluded, in which nothing rings, longest first. The first four
        are used, up to 0.6 s. If there are none, the floor is taken from the end of the decay itself; if the decay
        is cut before it reaches a floor, errors are wider and fewer ranges are given.
    settings
        The band; its upper limit is at most 0.46 of the sample rate.

    Returns
    -------
    tuple of Decay
        The whole first (band limits ``None``), then the octaves that lie at least half (in pitch) within the band.
        ``t60_s`` comes from a joint fit of decay and floor (:mod:`tapbatch.measure.decay_fit`). It is ``None``, and
        so is everything else, if less than 6 dB of decay lie above the floor or before the cut, or if its error
        exceeds 35 %. Flags; with the first three nothing is given, or only ``t60_s``:

        - ``band-too-narrow``: the decay is shorter than ``4/bandwidth``;
        - ``empty-band``: the band has no sound of its own; what is heard there is the skirt of its neighbours;
        - ``floor``: less than 20 dB lie above the floor or before the cut, too few even for ``edt_s``;
        - ``not-exponential``: ``edt_s`` differs from ``t20_s``, ``t30_s`` or ``t60_s`` by more than a factor of 1.5.

    Examples
    --------
    >>> time_s = np.arange(48000) / 48000
    >>> ring = 0.5 * 10 ** (-3 * time_s / 0.4) * np.sin(2 * np.pi * 230 * time_s)
    >>> sound = Sound(samples=ring + 1e-5 * np.random.default_rng(1).standard_normal(48000), sample_rate_hz=48000)
    >>> tap = Tap(number=1, onset_s=0.0, peak_dbfs=-6.0, snr_db=90.0, used=True, reason="",
    ...           free_from_s=0.002, free_until_s=1.0)
    >>> for d in measure_decays(sound, tap, [], BandSettings(band_low_hz=150.0, band_high_hz=800.0)):
    ...     print(d.band_low_hz and round(d.band_low_hz), d.t30_s and round(d.t30_s, 2), d.flags)
    None 0.4 ()
    177 0.4 ()
    354 None ('empty-band',)
    """
    return decays_of_taps(sound, (tap,), noise_stretches, settings)[0]


def decays_of_taps(
    sound: Sound, taps: Sequence[Tap], noise_stretches: Sequence[tuple[int, int]], settings: BandSettings
) -> list[tuple[Decay, ...]]:
    """Measure the decays after several taps, each as :func:`measure_decays` does, in less time.

    Parameters
    ----------
    sound, noise_stretches, settings
        As for one tap.
    taps
        The taps; may be empty.
    """
    rate_hz = sound.sample_rate_hz
    top_hz = TOP_OF_RATE * rate_hz
    high_hz = min(settings.band_high_hz, top_hz)
    if high_hz <= settings.band_low_hz:
        return [()] * len(taps)
    bands = [_Band(settings.band_low_hz, high_hz, whole=True), *_octaves(settings.band_low_hz, high_hz, top_hz)]
    noise = _noise(sound, noise_stretches)
    found = []
    for at in range(0, len(taps), _AT_ONCE):
        heard = [_filtered(_ring(sound, tap), noise, rate_hz, bands) for tap in taps[at : at + _AT_ONCE]]
        fits = fit_decays([of_band.blocks for of_tap in heard for of_band in of_tap])
        found += [
            tuple(
                _measured(of_band, fit, band)
                for of_band, fit, band in zip(of_tap, fits[len(bands) * i : len(bands) * (i + 1)], bands, strict=True)
            )
            for i, of_tap in enumerate(heard)
        ]
    return found


def _ring(sound: Sound, tap: Tap) -> Float:
    """Return the free decay after a tap."""
    rate_hz = sound.sample_rate_hz
    first = max(0, math.ceil(tap.free_from_s * rate_hz - 1e-6))
    last = min(len(sound.samples), math.floor(tap.free_until_s * rate_hz + 1e-6), first + int(_LONGEST_S * rate_hz))
    return sound.samples[first : max(first, last)]


def backward_integral_db(
    squared: Float, noise_power: float = 0.0, until: int | None = None, tail: float = 0.0
) -> Float:
    """Return the decay curve in decibels, 0 at its start: the backward integral of the squared sound.

    Parameters
    ----------
    squared
        The squared sound, shape (n,).
    noise_power
        Mean square of the noise, to be subtracted. Default: 0.
    until
        Sample at which the decay meets its floor; later samples are not used. Default: the end.
    tail
        Energy beyond ``until``, as a sum of squares. Default: 0, with which a truncated curve bends down at its end
        and the decay comes out too short: cut at half of its T60, ``t30_s`` is 12 % short.

    Returns
    -------
    ndarray
        Shape (until,); ``-inf`` where the noise power leaves no positive energy.

    Examples
    --------
    >>> squared = np.exp(-0.1 * np.arange(100))
    >>> curve = backward_integral_db(squared, tail=np.exp(-10) / (1 - np.exp(-0.1)))
    >>> bool(np.allclose(curve, 10 * np.log10(squared)))
    True
    """
    left = np.cumsum((squared[:until] - noise_power)[::-1])[::-1] + tail
    curve = np.full(len(left), -np.inf)
    if len(left) and left[0] > 0:
        above = left > 0
        curve[above] = 10 * np.log10(left[above] / left[0])
    return curve


def range_decay_s(curve_db: Float, rate_hz: float, top_db: float, bottom_db: float) -> float | None:
    """Return the decay time over 60 dB from a straight line through one range of a decay curve.

    ``None`` if the curve does not fall to ``bottom_db`` or the range has fewer than three samples.

    Examples
    --------
    >>> round(range_decay_s(-60 * np.arange(1000) / 1000, 1000.0, -5.0, -25.0), 6)
    1.0
    """
    ends = _crossing(curve_db, bottom_db)
    starts = _crossing(curve_db, top_db)
    if ends is None or starts is None or ends - starts < 3:
        return None
    part = curve_db[starts:ends]
    time = np.arange(len(part)) - (len(part) - 1) / 2
    slope = float(time @ part) / float(time @ time)
    return -60 / (slope * rate_hz) if slope < 0 else None


def _crossing(curve_db: Float, level_db: float) -> int | None:
    """Return the first sample at or below a level."""
    below = curve_db <= level_db
    at = int(below.argmax()) if len(below) else 0
    return at if len(below) and below[at] else None


@dataclass(frozen=True, slots=True)
class _Band:
    low_hz: float
    high_hz: float
    whole: bool = False

    @property
    def width_hz(self) -> float:
        return self.high_hz - self.low_hz

    @property
    def block_s(self) -> float:
        """Length of a block: 6 ms or more.

        At least one period of the mid-band frequency, so that the waveform itself does not show; at least half a
        period of the bandwidth, so that neighbouring blocks are independent.
        """
        return max(_BLOCK_S, 1 / math.sqrt(self.low_hz * self.high_hz), 0.5 / self.width_hz)


@dataclass(frozen=True, slots=True, eq=False)
class _Heard:
    """One band: squared sound at ``rate_hz``, the same in blocks of ``length`` samples, and its typical frequency."""

    squared: Float
    rate_hz: float
    length: int
    blocks: Blocks
    typical_hz: float


def _octaves(low_hz: float, high_hz: float, top_hz: float) -> list[_Band]:
    """Return the octaves that lie at least half within two frequencies and do not reach above ``top_hz``."""
    found = []
    for k in range(_LOWEST_OCTAVE, _HIGHEST_OCTAVE + 1):
        band = _Band(1000.0 * 2.0 ** (k - 0.5), 1000.0 * 2.0 ** (k + 0.5))
        inside = math.log2(max(min(high_hz, band.high_hz) / max(low_hz, band.low_hz), 1.0))
        if inside >= 0.5 and band.high_hz <= top_hz:
            found.append(band)
    return found


def _noise(sound: Sound, stretches: Sequence[tuple[int, int]]) -> Float:
    pieces, left = [np.zeros(0)], int(_NOISE_S * sound.sample_rate_hz)
    for first, last in stretches[:_MOST_STRETCHES]:
        pieces.append(sound.samples[first : min(last, first + left)])
        left -= len(pieces[-1])
    return np.concatenate(pieces)


def _filtered(ring: Float, noise: Float, rate_hz: int, bands: Sequence[_Band]) -> list[_Heard]:
    """Filter decay and noise into each band with one transform, at a rate of at least four times the band's top."""
    silence_s = min(_RINGING / min(b.width_hz for b in bands), _LONGEST_S)
    # Rounded up to 0.1 s, so that taps of one recording share their filters.
    tenths = math.ceil((len(ring) + len(noise)) / rate_hz / 0.1 + silence_s / 0.1)
    total = _fast_length(math.ceil(0.1 * tenths * rate_hz))
    both = np.concatenate([ring, noise])
    # A constant offset would start with a step.
    spectrum = np.fft.rfft(both - both.mean() if len(both) else both, total)
    found = []
    for band in bands:
        count = min(total, _fast_length(math.ceil(4 * band.high_hz / rate_hz * total)))
        bins = count // 2 + 1
        shaped = spectrum[:bins] * _look_ahead(band.low_hz, band.high_hz, rate_hz / total, bins)
        samples = np.fft.irfft(shaped, count) * (count / total)
        found.append(_heard(samples, len(ring) / rate_hz, len(noise) / rate_hz, rate_hz * count / total, band))
    return found


@functools.lru_cache(maxsize=256)
def _fast_length(least: int) -> int:
    """Return the smallest length of at least ``least`` without a prime factor above 5, for a fast transform."""
    best = 1 << max(least - 1, 1).bit_length()
    five = 1
    while five < best:
        three = five
        while three < best:
            two = three << max(0, (-(-least // three) - 1).bit_length())
            best = min(best, two) if two >= least else best
            three *= 3
        five *= 5
    return best


@functools.lru_cache(maxsize=32)
def _look_ahead(low_hz: float, high_hz: float, step_hz: float, bins: int) -> NDArray[np.complex128]:
    """Return the response of a Butterworth band-pass run backwards at each spectral line: the conjugate of ``H``."""
    freq_hz = step_hz * np.arange(1, bins)
    turned = 1j * (freq_hz**2 - low_hz * high_hz) / (freq_hz * (high_hz - low_hz))
    gain = np.zeros(bins, dtype=np.complex128)
    product = np.ones(bins - 1, dtype=np.complex128)
    for k in range(_ORDER):
        product *= turned - np.exp(1j * np.pi * (2 * k + _ORDER + 1) / (2 * _ORDER))
    gain[1:] = 1 / product
    return np.conj(gain)


def _heard(samples: Float, ring_s: float, noise_s: float, rate_hz: float, band: _Band) -> _Heard:
    spoilt_s = _SPOILT / band.width_hz
    ring = samples[: max(0, int((ring_s - spoilt_s) * rate_hz))]
    noise = samples[math.ceil(ring_s * rate_hz) : max(0, int((ring_s + noise_s - spoilt_s) * rate_hz))]
    squared = ring**2
    length = max(1, round(band.block_s * rate_hz))
    count = len(ring) // length
    power = squared[: count * length].reshape(count, length).mean(axis=1)
    dof = 2 * band.width_hz / rate_hz
    known = dof * len(noise) >= 2
    blocks = Blocks(
        power=power,
        block_s=length / rate_hz,
        dof=dof * length,
        noise_power=float(noise @ noise) / len(noise) if known else None,
        noise_dof=max(dof * len(noise), 2.0),
    )
    turn = float(ring[:-1] @ ring[1:]) / max(float(squared.sum()), 1e-300)
    typical_hz = math.acos(min(max(turn, -1.0), 1.0)) * rate_hz / (2 * math.pi)
    return _Heard(squared, rate_hz, length, blocks, typical_hz)


def _measured(heard: _Heard, fit: DecayFit | None, band: _Band) -> Decay:
    flags = []
    edt_s = t20_s = t30_s = t60_s = log_se = None
    seen_s = len(heard.squared) / heard.rate_hz
    if fit is None or min(fit.range_db, 60 * seen_s / fit.t60_s) < _LEAST_RANGE_DB or fit.t60_log_se > _MOST_LOG_SE:
        flags.append("floor")
    elif fit.t60_s * band.width_hz < LEAST_BT:
        flags.append("band-too-narrow")
    elif not band.whole and not band.low_hz / _BESIDE <= heard.typical_hz <= band.high_hz * _BESIDE:
        flags.append("empty-band")
    else:
        t60_s, log_se = fit.t60_s, fit.t60_log_se
        edt_s, t20_s, t30_s = _ranges(heard, fit, band)
        if edt_s is None:
            flags.append("floor")
        elif any(t is not None and not 1 / _UNEVEN <= edt_s / t <= _UNEVEN for t in (t20_s, t30_s, t60_s)):
            flags.append("not-exponential")
    return Decay(
        band_low_hz=None if band.whole else band.low_hz,
        band_high_hz=None if band.whole else band.high_hz,
        edt_s=edt_s,
        t20_s=t20_s,
        t30_s=t30_s,
        t60_s=t60_s,
        t60_log_se=log_se,
        flags=tuple(flags),
    )


def _ranges(heard: _Heard, fit: DecayFit, band: _Band) -> list[float | None]:
    """Return EDT, T20 and T30 from the noise-compensated curve; ``None`` for ranges that reach beyond ``t0``."""
    power, length = heard.blocks.power, heard.length
    t0, t1, ratio = _meeting(power, heard.blocks.block_s, fit, band)
    if t0 >= t1:
        return [None] * len(RANGES_DB)
    last_ten_db = length * float((power[t0:t1] - fit.floor_power).sum())
    tail = max(0.0, last_ten_db) * ratio / (1 - ratio)
    curve_db = backward_integral_db(heard.squared, fit.floor_power, t1 * length, tail)[: t0 * length]
    return [range_decay_s(curve_db, heard.rate_hz, top, bottom) for top, bottom in RANGES_DB.values()]


def _meeting(power: Float, block_s: float, fit: DecayFit, band: _Band) -> tuple[int, int, float]:
    """Return ``t0`` and ``t1`` in blocks, and the power of the decay at ``t1`` over that at ``t0``.

    ``t1`` is where the smoothed decay first falls to the floor, or else the end; ``t0`` is where it first falls to
    within 10 dB of that level. Smoothing an exponential over ``2 x`` time constants raises it by ``sinh(x)/x``; this
    factor is removed.
    """
    tau_s = fit.t60_s / (2 * math.log(1000))
    width_s = min(4 * tau_s, max(_SMOOTH_S, _SMOOTH_BT / band.width_hz))
    width = min(max(3, round(width_s / block_s)) | 1, (len(power) - 1) | 1)
    x = width * block_s / (2 * tau_s)
    smooth = np.convolve(power - fit.floor_power, np.full(width, 1 / width), mode="valid") * (x / math.sinh(x))
    met = np.flatnonzero(smooth <= fit.floor_power)
    end = int(met[0]) if len(met) else len(smooth) - 1
    level = fit.floor_power if len(met) else float(smooth[end])
    near = np.flatnonzero(smooth[: end + 1] < _TEN_DB * level)
    start = int(near[0]) if len(near) else end
    half = width // 2
    if start == 0 or start == end:
        return 0, 0, 0.0
    return start + half, end + half, min(level / float(smooth[start]), 0.5)
