"""The curves that figures need of a recording, thinned to what the eye can see: a spectrum, and one fitted decay.

Conventions: the spectrum is the mean power of the first half second of free decay of all used taps, relative to its
strongest line; the noise is that of the quiet stretches on the same scale. The decay is the mean power in blocks of
5 ms (longer if there would be too many) in the measured band, in dB relative to full scale, against the time since
the onset of the tap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tapbatch.measure.geometric import Float, decays
from tapbatch.measure.prepare import Prepared
from tapbatch.model.reading import LN_1000, DecayTrace, Spectrum, TapReading

_SPECTRUM_S = 0.5
_SPECTRUM_POINTS = 420
_TRACE_POINTS = 220
_CONTACT_S = 0.02  # no mallet stays longer
_BLOCK_S = 0.005
_LONGEST_TRACE_S = 1.5


@dataclass(frozen=True, slots=True, eq=False)
class TapSpectrum:
    """Power of one tap's free decay and of its noise, by frequency over all zones; arrays of equal shape."""

    freq_hz: Float
    power: Float
    noise: Float


def spectrum_of_tap(reading: TapReading, prepared: tuple[Prepared, ...]) -> TapSpectrum:
    """Return the spectrum of one used tap."""
    pieces = [_zone_spectrum(reading, zone) for zone in prepared]
    freq, power, noise = (np.concatenate([p[i] for p in pieces]) for i in range(3))
    return TapSpectrum(freq, power, noise)


def mean_spectrum(spectra: Sequence[TapSpectrum]) -> Spectrum | None:
    """Return the mean spectrum of taps, thinned for drawing; ``None`` if there are none or all are silent."""
    if not spectra:
        return None
    freq = spectra[0].freq_hz
    level, noise = np.zeros(len(freq)), np.zeros(len(freq))
    for one in spectra:
        level += one.power
        noise += one.noise
    top = float(level.max())
    if top <= 0:
        return None
    bins = np.array_split(np.arange(len(freq)), min(_SPECTRUM_POINTS, len(freq)))
    loudest = np.array([b[int(level[b].argmax())] for b in bins])
    level_db = 10 * np.log10(np.maximum(level[loudest] / top, 1e-14))
    noise_db = 10 * np.log10(np.maximum(noise[loudest] / top, 1e-14))
    return Spectrum(
        freq_hz=_rounded(freq[loudest], 2), level_db=_rounded(level_db, 2), noise_db=_rounded(noise_db, 2)
    )


def _zone_spectrum(reading: TapReading, zone: Prepared) -> tuple[Float, Float, Float]:
    rate_hz = zone.rate_hz
    length = 1 << int(np.ceil(np.log2(_SPECTRUM_S * rate_hz * 2)))
    power, noise_s = np.zeros(length // 2 + 1), 0.0
    first = int(reading.tap.free_from_s * rate_hz)
    last = min(first + int(_SPECTRUM_S * rate_hz), int(reading.tap.free_until_s * rate_hz), len(zone.decimated))
    if last - first >= 16:
        # Half a window: a decay is loudest at the start, where a full window would fade in.
        window = np.hanning(2 * (last - first))[last - first :]
        power = np.abs(np.fft.rfft(zone.decimated[first:last] * window, length)) ** 2
        noise_s = float(window @ window)
    freq = np.asarray(np.fft.rfftfreq(length, 1 / rate_hz), dtype=np.float64)
    noise = zone.noise.density(freq) * rate_hz / 2 * noise_s
    shifted = freq + zone.decimator.shift_hz
    inside = zone.decimator.holds(shifted)
    scale = 4.0 if zone.decimator.shift_hz else 1.0
    return shifted[inside], scale * power[inside], scale * noise[inside]


def seen_fall_db(reading: TapReading) -> float:
    """Return how many decibels of a tap's decay are visible: down to the noise, or until a bounce ends it.

    Where a tap is measured only after its bounces, what fell before is not counted.
    """
    strongest = max(reading.modes, key=lambda m: m.energy_db, default=None)
    if strongest is None or not strongest.t60_s > 0:
        return reading.tap.snr_db
    free_s = reading.tap.free_until_s - reading.tap.free_from_s
    late_s = max(reading.tap.free_from_s - reading.tap.onset_s - _CONTACT_S, 0.0)
    return min(reading.tap.snr_db - 60.0 * late_s / strongest.t60_s, 60.0 * free_s / strongest.t60_s)


def trace_of(taps: tuple[TapReading, ...], prepared: tuple[Prepared, ...]) -> DecayTrace | None:
    """Return the decay of the tap with the largest visible fall (:func:`seen_fall_db`); ``None`` if there is none."""
    used = [t for t in taps if t.tap.used and t.modes]
    if not used or not prepared:
        return None
    best = max(used, key=lambda t: (seen_fall_db(t), -t.tap.number))
    start_s = max(best.tap.onset_s - 0.02, 0.0)
    heard_s = min(len(zone.decimated) / zone.rate_hz for zone in prepared)
    end_s = min(best.tap.free_until_s, heard_s, start_s + _LONGEST_TRACE_S)
    block_s = max(_BLOCK_S, (end_s - start_s) / _TRACE_POINTS)
    count = int((end_s - start_s) / block_s)
    if count < 4:
        return None
    edges_s = np.asarray(start_s + block_s * np.arange(count + 1), dtype=np.float64)
    power, floor = np.zeros(count), 0.0
    for zone in prepared:
        scale = 4.0 if zone.decimator.shift_hz else 1.0
        at = np.minimum((edges_s * zone.rate_hz).astype(int), len(zone.decimated))
        sums = np.concatenate([[0.0], np.cumsum(zone.decimated**2)])
        power += scale * (sums[at[1:]] - sums[at[:-1]]) / np.maximum(np.diff(at), 1)
        floor += scale * _noise_power(zone)
    fit = _fit_power(best, edges_s) + floor
    return DecayTrace(
        time_s=_rounded((edges_s[:-1] + edges_s[1:]) / 2 - best.tap.onset_s, 5),
        level_db=_rounded(10 * np.log10(np.maximum(power, 1e-16)), 2),
        fit_db=_rounded(
            np.where(edges_s[:-1] >= best.tap.free_from_s, 10 * np.log10(np.maximum(fit, 1e-16)), np.nan), 2
        ),
        floor_db=round(float(10 * np.log10(max(floor, 1e-16))), 2),
        tap=best.tap.number,
    )


def _noise_power(zone: Prepared) -> float:
    freq = np.linspace(zone.decimator.pass_low_hz, zone.decimator.pass_high_hz, 200)
    return float(np.mean(zone.noise.density(freq)) * (freq[-1] - freq[0]))


def _fit_power(best: TapReading, edges_s: Float) -> Float:
    """Return the mean power of the fitted modes in each block; zero before the free decay."""
    rate_hz = 8.0 * max(m.freq_hz for m in best.modes)
    delta = np.array([LN_1000 / m.t60_s for m in best.modes])
    omega = np.array([2 * np.pi * m.freq_hz for m in best.modes])
    weights = np.array([m.amplitude * np.exp(1j * m.phase_rad) for m in best.modes])
    length = max(2, int((edges_s[-1] - best.tap.free_from_s) * rate_hz) + 2)
    sound = decays(np.exp((-delta + 1j * omega) / rate_hz), weights, length)
    sums = np.concatenate([[0.0], np.cumsum(sound**2)])
    at = np.clip(((edges_s - best.tap.free_from_s) * rate_hz).astype(int), 0, length)
    return np.asarray((sums[at[1:]] - sums[at[:-1]]) / np.maximum(np.diff(at), 1), dtype=np.float64)


def _rounded(values: Float, digits: int) -> tuple[float, ...]:
    return tuple(np.round(values, digits).tolist())
