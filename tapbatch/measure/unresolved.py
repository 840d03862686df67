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

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

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
    """A line of one zone: its pole at the decimated rate, the resolution, and its energy in (full scale)^2 s."""

    freq_hz: float
    se_hz: float
    cell_hz: float
    pole: complex
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
        if clean and any(zone.decimator.low_hz <= m.freq_hz < zone.decimator.high_hz for m in reading.modes):
            continue
        lines += _lines_of(reading.tap, reading.modes, zone)
    if not lines:
        return ()
    loudest = max(10.0 ** (m.energy_db / 10.0) for m in reading.modes) if reading.modes else 0.0
    loudest = max(loudest, *(line.energy for line in lines))
    strong = [line for line in lines if line.energy > _FAINTEST * loudest]
    return tuple(_as_mode(line) for line in sorted(strong, key=lambda line: line.freq_hz))


def with_unresolved(reading: TapReading, lines: Sequence[Mode]) -> TapReading:
    """Return a reading with lines added to its modes, by frequency; its couplings follow their modes."""
    if not lines:
        return reading
    every = [*reading.modes, *lines]
    order = sorted(range(len(every)), key=lambda k: every[k].freq_hz)
    place = {k: at for at, k in enumerate(order)}
    couplings = tuple(replace(c, first=place[c.first], second=place[c.second]) for c in reading.couplings)
    return replace(reading, modes=tuple(every[k] for k in order), couplings=couplings)


def _as_mode(line: _Line) -> Mode:
    delta = -float(np.log(np.abs(line.pole)))
    return Mode(
        freq_hz=line.freq_hz,
        freq_se_hz=line.se_hz,
        t60_s=LN_1000 / delta,
        t60_log_se=UNKNOWN_LOG_SE,
        freq_t60_corr=0.0,
        amplitude=float(np.sqrt(4.0 * delta * line.energy)),
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
    count, rate_hz = len(early), zone.rate_hz
    power, single = _spectrum(early)
    bin_hz = rate_hz / (2 * (len(power) - 1))
    cell_hz = (_TAPERS + 1) * rate_hz / (2 * count)
    cell = max(2, round(cell_hz / bin_hz))
    peaks = 1 + np.flatnonzero((power[1:-1] > power[:-2]) & (power[1:-1] >= power[2:]) & (power[1:-1] > _OVER))
    true_hz = peaks * bin_hz + zone.decimator.shift_hz
    peaks = peaks[(true_hz >= zone.decimator.low_hz) & (true_hz < zone.decimator.high_hz)]
    peaks = peaks[np.argsort(-power[peaks], kind="stable")]
    after, after_single = _spectrum(late)
    found: list[_Line] = []
    for at in peaks.tolist():
        freq_hz = float(at * bin_hz + zone.decimator.shift_hz)
        others = [*known, *((line.freq_hz, cell_hz) for line in found)]
        if any(abs(freq_hz - other_hz) < max(cell_hz, reach_hz) for other_hz, reach_hz in others):
            continue
        near = slice(max(at - cell, 1), at + cell + 1)
        then = near.start + int(np.argmax(after[near]))
        wide = round(max(_SURROUNDINGS_CELLS * cell_hz, _SURROUNDINGS_HZ) / bin_hz)
        if power[at] < power[near].max() or power[at] < _OVER * _around(power, at, cell, wide):
            continue
        if after[then] < _STILL * max(1.0, _around(after, then, cell, wide)):
            continue
        fall = max(float(power[near].sum() / after[near].sum()), 1.0)
        peak_hz, later_hz = (_peak(s, near) * bin_hz for s in (single, after_single))
        found.append(
            _line(peak_hz, later_hz, cell_hz, fall, float(power[near].sum()) * count / len(power), count, zone)
        )
    return found


def _line(
    freq_hz: float, later_hz: float, cell_hz: float, fall: float, energy: float, count: int, zone: Prepared
) -> _Line:
    """Return a line from its peak in both windows; ``energy`` is that of the first, ``fall`` the ratio of both."""
    rate_hz = zone.rate_hz
    least, most = (LN_1000 / (t * rate_hz) for t in _T60_LIMITS_S[::-1])
    delta = float(np.clip(np.log(fall) / (2.0 * count), least, most))
    pole = np.exp(-delta + 2j * np.pi * freq_hz / rate_hz)
    gain = abs(complex((zone.noise.gain(np.array([pole])) * zone.decimator.gain(np.array([pole])))[0]))
    whole = energy / rate_hz / -np.expm1(-2.0 * delta * count)
    return _Line(
        freq_hz=freq_hz + zone.decimator.shift_hz,
        se_hz=float(np.hypot(_OF_CELL * cell_hz, (freq_hz - later_hz) / 2.0)),
        cell_hz=cell_hz,
        pole=complex(pole),
        energy=float(whole / gain**2),
    )


def _spectrum(samples: Float) -> tuple[Float, Float]:
    """Return the mean power under three sine tapers, and that under the first alone, zero-padded to twice the length.

    Sine tapers: Riedel and Sidorenko, IEEE Trans. Signal Process. 43 (1995) 188.
    """
    count = len(samples)
    length = 1 << (2 * count - 1).bit_length()
    turn = np.pi * np.arange(1, count + 1) / (count + 1)
    tapers = np.sqrt(2.0 / (count + 1)) * np.sin(np.outer(np.arange(1, _TAPERS + 1), turn))
    power = np.abs(np.fft.rfft(tapers * samples, length, axis=1)) ** 2
    return power.mean(axis=0), power[0]


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
