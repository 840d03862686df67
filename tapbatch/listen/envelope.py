"""Compute the level of a sound in blocks of 1 ms, and its noise floor.

Conventions: levels are the mean power of a block, in decibels relative to full scale. *Plain* is the sound above
40 Hz, the range in which a phone's microphone works. *Sharp* is its first difference, which emphasises the broadband
contact of a mallet over the ringing of earlier taps. The floor is the quietest level of a recording, never digital
silence.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapbatch.model.reading import Sound

Float = NDArray[np.float64]

BLOCK_S = 0.001
_RUMBLE_HZ = 40.0
_FAINTEST = 1e-20
_SILENT_FLOOR = 1e-12
_MOST_FOR_MEDIAN = 20_000
_ROW = 64
_BLOCKS_AT_ONCE = 1000
_ROWS_AT_ONCE = 512  # as many as stay in the cache


@dataclass(frozen=True, slots=True, eq=False)
class Envelope:
    """The plain and sharp levels in blocks of ``block`` samples, each of shape (blocks,), and the floor of each."""

    block: int
    plain_db: Float
    sharp_db: Float
    plain_floor_db: float
    sharp_floor_db: float


def above_rumble(sound: Sound) -> Float:
    """Return the sound above 40 Hz, of the same length; the filter is causal, so no tap sounds before its onset.

    A converter's offset would look like a tap at the first sample, so it is subtracted. The offset is taken as 0, the
    median of all samples or the mean of the first 20 ms, whichever is nearest to the first sample. None of them is
    enough alone: a drum shifts the median, and an early tap shifts the mean of the first 20 ms.

    Examples
    --------
    >>> bool(np.abs(above_rumble(Sound(samples=np.full(8000, 0.2), sample_rate_hz=8000))).max() < 1e-12)
    True
    """
    x, rate_hz = sound.samples, sound.sample_rate_hz
    if not len(x):
        return x
    guesses = np.array([0.0, np.median(x[:: 1 + len(x) // _MOST_FOR_MEDIAN]), x[: rate_hz // 50 + 1].mean()])
    return _highpassed(x, float(guesses[np.argmin(np.abs(guesses - x[0]))]), rate_hz)


def _highpassed(x: Float, offset: float, rate_hz: int) -> Float:
    """Return ``x`` minus an offset, filtered by a second-order Butterworth high-pass (bilinear transform).

    ``H(z) = g (1 - 1/z)^2 / ((1 - p/z)(1 - p*/z))`` equals ``g/|p|^2 + 2 Re r/(1 - p/z)``, so one complex recursion
    ``s[n] = p s[n-1] + x[n]`` is enough. It is computed in rows of 64 samples: a product with the impulse response,
    plus the state left by the previous row times ``p^n``; only the step from row to row is a loop. This avoids a
    signal library, whose import takes a second.
    """
    warped = np.tan(np.pi * _RUMBLE_HZ / rate_hz)
    scale = 1 + np.sqrt(2) * warped + warped**2
    half = (1 - warped**2) / scale
    pole = complex(half, np.sqrt((1 - np.sqrt(2) * warped + warped**2) / scale - half**2))
    residue = (1 - 1 / pole) ** 2 / (1 - pole.conjugate() / pole) / scale
    direct = 1 / (scale * abs(pole) ** 2)

    powers = pole ** np.arange(_ROW)
    shown, still = 2 * residue * powers, pole**_ROW
    behind = np.subtract.outer(np.arange(_ROW), np.arange(_ROW)).T
    response = np.where(behind >= 0, shown.real[np.abs(behind)], 0.0) + direct * np.eye(_ROW)
    # The state that a row leaves to the next is the sum of x[j] p^(64 - j).
    left = still / powers
    y = np.zeros((-(-len(x) // _ROW), _ROW))
    np.subtract(x, offset, out=y.ravel()[: len(x)])
    carried = 0j
    for first in range(0, len(y), _ROWS_AT_ONCE):
        rows = y[first : first + _ROWS_AT_ONCE]
        ends = zip((rows @ left.real).tolist(), (rows @ left.imag).tolist(), strict=True)
        states = []
        for end_real, end_imag in ends:
            states.append(carried)
            carried = still * carried + complex(end_real, end_imag)
        before = np.array(states)
        rows[:] = rows @ response
        rows += np.outer(before.real, shown.real)
        rows -= np.outer(before.imag, shown.imag)
    return np.asarray(y.ravel()[: len(x)])


def envelope_of(y: Float, rate_hz: int) -> Envelope:
    """Return the envelope of a sound from :func:`above_rumble`.

    Parameters
    ----------
    y : ndarray of shape (n,)
        Samples, full scale 1.0.
    rate_hz : int
        Sample rate in hertz.

    Examples
    --------
    >>> tone = 0.1 * np.sin(2 * np.pi * 1000 * np.arange(4800) / 48000)
    >>> found = envelope_of(tone, 48000)
    >>> len(found.plain_db), float(found.plain_db.max().round(2))
    (100, -23.01)
    """
    block = max(1, round(BLOCK_S * rate_hz))
    count = len(y) // block
    plain, sharp = _blocks_db(y[: count * block], block), np.empty(count)
    # In pieces, because the difference of the whole would be another copy of hours of sound.
    for first in range(0, count, _BLOCKS_AT_ONCE):
        last = min(first + _BLOCKS_AT_ONCE, count)
        piece = y[first * block : last * block]
        sharp[first:last] = _blocks_db(np.diff(piece, prepend=y[first * block - 1] if first else piece[:1]), block)
    return Envelope(block, plain, sharp, floor_db(plain), floor_db(sharp))


def _blocks_db(y: Float, block: int) -> Float:
    shaped = y.reshape(-1, block)
    power = np.einsum("ij,ij->i", shaped, shaped) / block
    return np.asarray(10 * np.log10(np.maximum(power, _FAINTEST)))


def thinned(y: Float, factor: int) -> Float:
    """Return the means of successive groups of ``factor`` samples; an incomplete last group is dropped.

    Examples
    --------
    >>> thinned(np.array([1.0, 3.0, 5.0, 7.0, 9.0]), 2)
    array([2., 6.])
    """
    if factor == 1:
        return y
    # A product is several times faster than a mean over a short axis.
    return np.asarray(y[: len(y) // factor * factor].reshape(-1, factor) @ np.full(factor, 1 / factor))


def floor_db(level_db: Float) -> float:
    """Return the floor of levels in 1 ms blocks: the mean power of the quietest tenth of 20 ms windows, in decibels.

    The floor is -120 dB or more.
    """
    power = 10 ** (level_db / 10)
    width = min(20, len(power))
    if not width:
        return 10 * float(np.log10(_SILENT_FLOOR))
    means = np.convolve(power, np.ones(width) / width, mode="valid")[:: max(width // 2, 1)]
    calm = np.sort(means)[: max(1, len(means) // 10)]
    return float(10 * np.log10(max(calm.mean(), _SILENT_FLOOR)))
