"""Strong lines of a tap that its fit could not resolve: their frequency is known, and their decay is not.

Conventions: frequencies in hertz, times in seconds, levels in decibels; power spectra are those of whitened samples
under tapers of unit energy, so that noise alone has a mean of 1.

A decay that is not exponential leaves more than noise, and where much is left, weak and strong modes alike are
dropped: their decay depends on what was left (:mod:`tapbatch.measure.prune`, :mod:`tapbatch.measure.sound`). A maker
hears such a line and misses it in the table. So the spectrum of the tap is searched for lines which no mode accounts
for, and these are listed with the flag ``unresolved``: frequency and level, no decay.

A line counts only if it is there beyond doubt: its peak stands 20 dB over the noise and 20 dB over the median of its
surroundings, and directly afterwards, in a second window as long, the peak is still there and stands out by 10 dB. A
mode accounts for a line if it lies within the resolution of the window, or within its own width. Windows of 0.8 to
0.1 s are tried, the longest first. Nothing shorter: what stands out of 50 ms of a short decay is often no line.

Where hardly more than noise is left, the modes account for all there is, and nothing is searched.

When it is wrong: two lines closer than 2.5 Hz are one, and a line is not found beside a mode that is wider than they
are apart. The decay, level and energy are rough, from the fall between the two windows.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from tapbatch.measure.geometric import Float
from tapbatch.measure.prepare import Prepared
from tapbatch.measure.room_share import Left
from tapbatch.measure.sound import UNKNOWN_LOG_SE
from tapbatch.model.reading import LN_1000, UNRESOLVED, Mode, Tap, TapReading

_WINDOWS_S = (0.8, 0.4, 0.2, 0.1)
_TAPERS = 3
_OVER = 100.0  # 20 dB
_STILL = 10.0
_MISFIT = 2.0  # residual power over that of the noise
_FAINTEST = 1e-4  # of the energy of the loudest mode or line
_SURROUNDINGS_HZ = 60.0
_SURROUNDINGS_CELLS = 8
_BEFORE_NEXT_S = 0.02
_T60_LIMITS_S = (0.05, 25.0)
_OF_CELL = 0.1  # standard error of a peak, in cells


@dataclass(frozen=True, slots=True)
class _Line:
    """A line: frequency, the resolution at which it was seen, rough decay, and energy in (full scale)^2 s."""

    freq_hz: float
    se_hz: float
    cell_hz: float
    t60_s: float
    energy: float


def unresolved(reading: TapReading, left: Left | None, prepared: Sequence[Prepared]) -> tuple[Mode, ...]:
    """Return the strong lines of a tap for which none of its modes accounts.

    Parameters
    ----------
    reading
        A used tap with its modes, in the time of the section.
    left
        What its modes leave of its sound, from :func:`tapbatch.measure.room_share.left_by_modes`.
    prepared
        The zones of the section.

    Returns
    -------
    tuple of Mode
        By frequency, each with the flag ``unresolved``; the standard error of ``ln t60_s`` is
        :data:`tapbatch.measure.sound.UNKNOWN_LOG_SE`.
    """
    lines: list[_Line] = []
    clean = left is not None and left.residual < _MISFIT * left.noise
    for zone in prepared:
        if clean and any(zone.decimator.holds(m.freq_hz) for m in reading.modes):
            continue
        lines += _lines_of(reading.tap, reading.modes, zone)
    if not lines:
        return ()
    loudest = max(10.0 ** (m.energy_db / 10.0) for m in reading.modes) if reading.modes else 0.0
    loudest = max(loudest, *(line.energy for line in lines))
    strong = [line for line in lines if line.energy > _FAINTEST * loudest]
    return tuple(_as_mode(line) for line in sorted(strong, key=lambda line: line.freq_hz))


def _as_mode(line: _Line) -> Mode:
    return Mode(
        freq_hz=line.freq_hz,
        freq_se_hz=line.se_hz,
        t60_s=line.t60_s,
        t60_log_se=UNKNOWN_LOG_SE,
        freq_t60_corr=0.0,
        amplitude=float(np.sqrt(4.0 * LN_1000 / line.t60_s * line.energy)),
        phase_rad=0.0,
        energy_db=float(10.0 * np.log10(max(line.energy, 1e-30))),
        flags=(UNRESOLVED,),
    )


# ---------------------------------------------------------------- lines of a zone


def _lines_of(tap: Tap, modes: Sequence[Mode], zone: Prepared) -> Iterator[_Line]:
    rate_hz = zone.rate_hz
    first, last = int(np.ceil(tap.free_from_s * rate_hz)), int((tap.free_until_s - _BEFORE_NEXT_S) * rate_hz)
    known = [(m.freq_hz, LN_1000 / (np.pi * m.t60_s)) for m in modes]
    known += [(zone.decimator.shift_hz + float(hum), 0.0) for hum in zone.noise.hum_hz]
    for window_s in _WINDOWS_S:
        count = int(window_s * rate_hz)
        if first + 2 * count > min(last, len(zone.whitened)):
            continue
        early, late = (zone.whitened[at : at + count] for at in (first, first + count))
        for line in _lines_in(early, late, zone, known):
            known.append((line.freq_hz, line.cell_hz))
            yield line


def _lines_in(early: Float, late: Float, zone: Prepared, known: Sequence[tuple[float, float]]) -> list[_Line]:
    """Return the lines of a window that the next one still shows, the strongest first."""
    (power, single), (after, after_single) = _spectrum(early), _spectrum(late)
    bin_hz = zone.rate_hz / (2 * (len(power) - 1))
    cell_hz = (_TAPERS + 1) * zone.rate_hz / (2 * len(early))
    cell, wide = round(cell_hz / bin_hz), round(max(_SURROUNDINGS_CELLS * cell_hz, _SURROUNDINGS_HZ) / bin_hz)
    found: list[_Line] = []
    for at in _peaks(power, bin_hz, cell, zone):
        freq_hz = at * bin_hz + zone.decimator.shift_hz
        others = [*known, *((line.freq_hz, cell_hz) for line in found)]
        if any(abs(freq_hz - other_hz) < max(cell_hz, reach_hz) for other_hz, reach_hz in others):
            continue
        if not _stands_out(power, after, at, cell, wide):
            continue
        near = slice(max(at - cell, 1), at + cell + 1)
        both_hz = _peak(single, near) * bin_hz, _peak(after_single, near) * bin_hz
        energies = [float(p[near].sum()) / (len(p) - 1) for p in (power, after)]
        found.append(_line(both_hz, energies, len(early), cell_hz, zone))
    return found


def _peaks(power: Float, bin_hz: float, cell: int, zone: Prepared) -> list[int]:
    """Return the peaks of a spectrum that stand 20 dB over the noise and lead their cell, the highest first."""
    peaks = 1 + np.flatnonzero((power[1:-1] > power[:-2]) & (power[1:-1] >= power[2:]) & (power[1:-1] > _OVER))
    true_hz = np.asarray(peaks * bin_hz + zone.decimator.shift_hz, dtype=np.float64)
    peaks = peaks[zone.decimator.holds(true_hz)]
    # The power at zero frequency is not looked at, and the last cell may be cut short.
    cells = sliding_window_view(np.concatenate([np.zeros(cell), power[1:], np.zeros(cell)]), 2 * cell + 1)
    peaks = peaks[power[peaks] >= cells[peaks - 1].max(axis=1)] if len(peaks) else peaks
    return [int(at) for at in peaks[np.argsort(-power[peaks], kind="stable")]]


def _stands_out(power: Float, after: Float, at: int, cell: int, wide: int) -> bool:
    """Tell whether a peak stands 20 dB over its surroundings, and one within its cell 10 dB over those afterwards."""
    if power[at] < _OVER * _around(power, at, cell, wide):
        return False
    near = slice(max(at - cell, 1), at + cell + 1)
    then = near.start + int(np.argmax(after[near]))
    return bool(after[then] >= _STILL * max(1.0, _around(after, then, cell, wide)))


def _line(
    both_hz: tuple[float, float], energies: Sequence[float], count: int, cell_hz: float, zone: Prepared
) -> _Line:
    """Return a line from its peaks in two windows of ``count`` samples; energies are sums of squares under tapers."""
    rate_hz, freq_hz = zone.rate_hz, both_hz[0]
    fall = max(math.log(energies[0] / energies[1]) / (2.0 * count), 0.0)
    least, most = (LN_1000 / (t60_s * rate_hz) for t60_s in reversed(_T60_LIMITS_S))
    delta = min(max(fall, least), most)
    pole = np.exp(np.array([-delta + 2j * np.pi * freq_hz / rate_hz]))
    gain = abs(complex((zone.noise.gain(pole) * zone.decimator.gain(pole))[0]))
    # The tapers leave out most of the beginning, where a short decay is loudest.
    seen = float((_tapers(count) ** 2).mean(axis=0) @ np.exp(-2.0 * delta * np.arange(count)))
    whole = energies[0] / seen / -math.expm1(-2.0 * delta)
    return _Line(
        freq_hz=freq_hz + zone.decimator.shift_hz,
        se_hz=math.hypot(_OF_CELL * cell_hz, (both_hz[0] - both_hz[1]) / 2.0),
        cell_hz=cell_hz,
        t60_s=LN_1000 / (delta * rate_hz),
        energy=whole / rate_hz / gain**2,
    )


def _spectrum(samples: Float) -> tuple[Float, Float]:
    """Return the mean power under three sine tapers, and that under the first alone, zero-padded to twice the length.

    Sine tapers: Riedel and Sidorenko, IEEE Trans. Signal Process. 43 (1995) 188.
    """
    length = 1 << (2 * len(samples) - 1).bit_length()
    power = np.abs(np.fft.rfft(_tapers(len(samples)) * samples, length, axis=1)) ** 2
    return power.mean(axis=0), power[0]


@functools.lru_cache(maxsize=4 * len(_WINDOWS_S))
def _tapers(count: int) -> Float:
    turn = np.pi * np.arange(1, count + 1) / (count + 1)
    return np.asarray(np.sqrt(2.0 / (count + 1)) * np.sin(np.outer(np.arange(1, _TAPERS + 1), turn)))


def _around(power: Float, at: int, cell: int, wide: int) -> float:
    """Return the median power to both sides of a peak, its own cell and the next left out."""
    low = power[max(at - wide, 0) : max(at - 2 * cell, 0)]
    high = power[at + 2 * cell + 1 : at + wide + 1]
    return float(np.median(np.concatenate([low, high])))


def _peak(power: Float, near: slice) -> float:
    """Return where the peak of a stretch lies, in bins, by a parabola through the logarithms of three."""
    at = min(max(near.start + int(np.argmax(power[near])), 1), len(power) - 2)
    left, top, right = np.log(np.maximum(power[at - 1 : at + 2], 1e-300)).tolist()
    bend = left - 2.0 * top + right
    return float(at + (0.5 * (left - right) / bend if bend < 0 else 0.0))
