"""Find the partials of a plucked string in the spectrum, before anything is fitted, to learn which note sounds.

Conventions: frequencies in hertz, levels in decibels of a power spectrum. The partials of a stiff string lie at
``f_n = n f_0 sqrt(1 + B n**2)`` (Fletcher, JASA 36, 1964; Young, JASA 24, 1952). The series is followed upwards from
its first partials; those found so far predict the next one, so B need not be known in advance. A candidate for the
fundamental is a strong line or an integer fraction of one. Lines that it explains count for it; partials missing
below the highest one found count against it. Half the true note would miss every second partial; twice the note would
leave half of the lines unexplained.

Lines that were as loud before the pluck are left out, so a string that rings on does not hide the one plucked last. A
string that is plucked again while it rings is kept, because its lines are louder after the touch than just before it.
The search fails for a string stopped so lightly at its middle that only every second partial sounds: it hears the
octave, and so does the ear.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tapbatch.measure.geometric import Float

LOWEST_HZ = 40.0
HIGHEST_HZ = 4000.0
MOST_PARTIALS = 16
_HIGHEST_NOTE_HZ = 2200.0
_LONGEST_S = 1.2
_SHORTEST_S = 0.25
_SHORT_S = 0.4
_SETTLING_S = 0.02
_OVER_FLOOR_DB = 14.0
_UNDER_TOP_DB = 55.0
_FLOOR_HZ = 120.0
_GROWN = 2.0
_MOST_LINES = 40
_NEAR_CENTS = 22.0
_MOST_STIFFNESS = 2e-3
_MISSING = 0.7


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """Spectral lines by frequency: frequencies and levels above the floor, each of shape (K,)."""

    freq_hz: Float
    over_db: Float


def spectral_lines(y: Float, first: int, last: int, touched: int, rate_hz: int) -> Lines:
    """Return the lines that stand out in a stretch of sound, without those that rang before the pluck.

    Parameters
    ----------
    y
        The sound, shape (n,).
    first, last
        The stretch in samples, last excluded; at most 1.2 s of it are used.
    touched
        Sample at which the string was touched.
    rate_hz
        Sample rate in hertz.

    Returns
    -------
    Lines
        At most 40, from 40 to 4000 Hz; none if the stretch is shorter than 0.25 s.
    """
    count = min(last - first, int(_LONGEST_S * rate_hz))
    if count < _SHORTEST_S * rate_hz:
        return Lines(np.zeros(0), np.zeros(0))
    size = 1 << int(np.ceil(np.log2(2 * count)))
    power = _power(y[first : first + count], size)
    grown = _grown(y, first, count, touched - int(_SETTLING_S * rate_hz), size, power)
    # A string plucked again while it rings is as loud over a second as over the second before. So the end of that
    # second is also compared with the beginning of this one, which shows new sound.
    short = min(count, int(_SHORT_S * rate_hz))
    grown |= _grown(y, first, short, touched - int(_SETTLING_S * rate_hz), size)
    step_hz = rate_hz / size
    level = 10 * np.log10(np.maximum(power[: int(HIGHEST_HZ / step_hz) + 2], 1e-30))
    floor = _floor_db(level, int(_FLOOR_HZ / step_hz))
    low = int(LOWEST_HZ / step_hz)
    middle = level[1:-1]
    peak = (middle > level[:-2]) & (middle >= level[2:]) & (middle - floor[1:-1] > _OVER_FLOOR_DB)
    peak &= (middle > level[low:].max() - _UNDER_TOP_DB) & grown[1 : len(middle) + 1]
    at = np.flatnonzero(peak) + 1
    at = at[at >= low]
    at = np.sort(at[np.argsort(-level[at], kind="stable")[:_MOST_LINES]])
    # The vertex of a parabola through three points, in decibels, of the main lobe of a Hann window.
    left, top, right = level[at - 1], level[at], level[at + 1]
    shift = 0.5 * (left - right) / np.minimum(left - 2 * top + right, -1e-9)
    return Lines((at + np.clip(shift, -0.5, 0.5)) * step_hz, top - floor[at])


def _grown(y: Float, first: int, count: int, until: int, size: int, power: Float | None = None) -> np.ndarray:
    """Return where a spectrum is louder than that of an equal stretch before ``until``; all true if there is none."""
    before = y[max(0, until - count) : max(0, until)]
    if len(before) <= count // 4:
        return np.ones(size // 2 + 1, dtype=bool)
    after = _power(y[first : first + count], size) if power is None else power
    return np.asarray(after > _GROWN * _power(before, size))


def _power(piece: Float, size: int) -> Float:
    return np.asarray(np.abs(np.fft.rfft(piece * np.hanning(len(piece)), size)) ** 2 / len(piece))


def _floor_db(level: Float, half: int) -> Float:
    """Return the floor below the lines: the lower quartile of overlapping blocks, interpolated."""
    half = max(half, 4)
    centres = np.arange(0, len(level), half)
    quartiles = [float(np.quantile(level[max(0, c - half) : c + half], 0.25)) for c in centres]
    return np.asarray(np.interp(np.arange(len(level)), centres, quartiles))


def find_series(lines: Lines) -> tuple[Float, Float]:
    """Return the partials of the sounding string: numbers and frequencies, shape (P,); empty if there are none.

    Examples
    --------
    >>> lines = Lines(np.array([196.0, 331.0, 392.1, 588.4]), np.array([40.0, 18.0, 35.0, 30.0]))
    >>> numbers, freq_hz = find_series(lines)
    >>> numbers.tolist(), freq_hz.tolist()
    ([1.0, 2.0, 3.0], [196.0, 392.1, 588.4])
    """
    best: tuple[float, list[int], list[int]] = (0.0, [], [])
    for i in np.argsort(-lines.over_db, kind="stable")[:8]:
        for k in range(1, 9):
            base_hz = float(lines.freq_hz[i]) / k
            if LOWEST_HZ <= base_hz <= _HIGHEST_NOTE_HZ:
                numbers, found = _followed(lines, base_hz)
                score, count = _score(lines, numbers, found)
                if score > best[0] + 1e-9:
                    best = (score, numbers[:count], found[:count])
    return np.array(best[1], dtype=np.float64), np.asarray(lines.freq_hz[best[2]], dtype=np.float64)


def _followed(lines: Lines, base_hz: float) -> tuple[list[int], list[int]]:
    """Follow a series upwards: take the line nearest to each predicted partial and update the stiffness."""
    numbers: list[int] = []
    found: list[int] = []
    stiffness = 0.0
    for n in range(1, MOST_PARTIALS + 1):
        expected = n * base_hz * np.sqrt(1 + stiffness * n**2)
        if expected > HIGHEST_HZ:
            break
        off = 1200 * np.log2(lines.freq_hz / expected)
        near = np.flatnonzero(np.abs(off) < _NEAR_CENTS + 866 * 2e-4 * (2 * n + 1))
        if not len(near):
            continue
        j = int(near[np.argmax(lines.over_db[near])])
        numbers.append(n)
        found.append(j)
        if len(numbers) > 1:
            base_hz, stiffness = _line_through(np.array(numbers), lines.freq_hz[found])
    return numbers, found


def _line_through(numbers: np.ndarray, freq_hz: Float) -> tuple[float, float]:
    """Return ``f_0`` and B by least squares: ``(f_n/n)**2 = f_0**2 + f_0**2 B n**2`` is linear in ``n**2``."""
    if len(numbers) < 3:
        return float(freq_hz[0] / numbers[0]), 0.0
    slope, start = np.polyfit(numbers.astype(float) ** 2, (freq_hz / numbers) ** 2, 1, w=1 / (1 + numbers / 4))
    return float(np.sqrt(max(start, 1.0))), float(np.clip(slope / max(start, 1.0), 0.0, _MOST_STIFFNESS))


def _score(lines: Lines, numbers: list[int], found: list[int]) -> tuple[float, int]:
    """Return the support for a series and the number of partials behind it; a stray line far up does not count."""
    best, count = 0.0, 0
    for end in range(1, len(found) + 1):
        weight = np.minimum(lines.over_db[found[:end]], 40.0)
        missing = numbers[end - 1] - end + (numbers[0] != 1)
        score = float(weight.sum() - _MISSING * missing * weight.mean())
        if score > best:
            best, count = score, end
    return best, count
