"""Find clipping in a channel, measure its clarity, and choose the best of several channels.

Conventions: full scale is 1.0. The *step* is the quantiser step, 2**-15 for 16 bits. It is estimated from the
samples, because a file may hold coarser sound than its format allows. The *clarity* of a channel is the level of its
third loudest 10 ms frame relative to the 10th percentile of all frames, in decibels.

A stretch is *clipped* if three or more consecutive samples are equal to the highest (or lowest) value of all, or if
two are, repeatedly and at full scale, and the signal falls away from there more steeply than from the round peak of a
wave. A parabola that stays within ``e`` of its peak for ``n`` samples has fallen by at most ``9 e`` after
``max(1, n // 2)`` further samples, so a fall of more than ``10 e`` is an edge. This distinguishes a clipped tap from
a low note whose peaks are flat only because of coarse quantisation.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# Larger samples in a float file (over 120 dB above full scale) are damage, not sound.
LARGEST_SAMPLE = 1e6
DEAD_DBFS = -80.0

_EDGE = 10.0
# Lossy codecs make a flat top ripple by a few per cent.
_LOSSY_RIPPLE = 0.03
_LEAST_TOP = 0.03
_LEAST_TOP_DBFS = 20 * math.log10(_LEAST_TOP) - 0.001
_AT_ONCE = 1 << 16


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Channel:
    """The properties of one channel: a mask of its clipped samples (``None`` if none), its peak and its clarity."""

    clipped: NDArray[np.bool_] | None
    peak_dbfs: float
    clarity_db: float


def dbfs(samples: NDArray[np.float64]) -> float:
    """Return the peak level relative to full scale in decibels, ``-inf`` for silence.

    Examples
    --------
    >>> dbfs(np.array([0.0, -0.1]))
    -20.0
    """
    peak = max(float(np.max(samples, initial=0.0)), -float(np.min(samples, initial=0.0)))
    return 20.0 * math.log10(peak) if peak else -math.inf


def make_finite(samples: NDArray[np.float64]) -> tuple[NDArray[np.float64], list[int]]:
    """Return the samples with 0 in place of those that are not finite or beyond 1e6, and how many a channel.

    Parameters
    ----------
    samples : ndarray of shape (n, channels)
        Samples, full scale 1.0.

    Examples
    --------
    >>> make_finite(np.array([[0.5, np.nan], [np.inf, 0.25]]))
    (array([[0.5 , 0.  ],
           [0.  , 0.25]]), [1, 1])
    """
    good = np.abs(samples) <= LARGEST_SAMPLE  # false for NaN
    if good.all():
        return samples, [0] * samples.shape[1]
    return np.where(good, samples, 0.0), [int(n) for n in np.count_nonzero(~good, axis=0)]


def clipped_mask(samples: NDArray[np.float64], *, lossy: bool) -> NDArray[np.bool_] | None:
    """Return a mask of the clipped samples, or ``None`` if nothing clipped.

    Parameters
    ----------
    samples : ndarray of shape (n,)
        One channel, full scale 1.0, finite.
    lossy : bool
        Whether the sound went through a lossy codec, which makes flat tops ripple.

    Returns
    -------
    ndarray of bool of shape (n,), or None

    Examples
    --------
    >>> tone = 1.2 * np.sin(2 * np.pi * 500 / 48000 * np.arange(480))
    >>> int(np.count_nonzero(clipped_mask(np.clip(tone, -1, 1), lossy=False)))
    170
    >>> clipped_mask(tone / 1.2, lossy=False) is None
    True
    """
    if dbfs(samples) < _LEAST_TOP_DBFS:
        return None
    mask = np.zeros(len(samples), dtype=np.bool_)
    step = 0.0 if lossy else _step(samples)
    for upright in (samples, -samples):
        top = float(np.max(upright, initial=0.0))
        if lossy and top >= 1.0 - _LOSSY_RIPPLE:
            _mark_flat_tops(mask, upright, min(top, 1.0), _LOSSY_RIPPLE, shortest=4)
        elif not lossy and top >= max(_LEAST_TOP, 2 * _EDGE * step):
            full_scale = top >= 1.0 - 1.5 * step
            _mark_flat_tops(mask, upright, top, 1.5 * step, shortest=2 if full_scale else 3)
    if not mask.any():
        return None
    return mask | (np.abs(samples) >= 1.0 - _LOSSY_RIPPLE) if lossy else mask


def _step(samples: NDArray[np.float64]) -> float:
    """Return the largest power of two, 2**-7 to 2**-23, of which all samples are multiples; 2**-23 if none is."""
    bits = 7
    for first in range(0, len(samples), _AT_ONCE):
        piece = samples[first : first + _AT_ONCE]
        while bits < 23 and not np.array_equal(piece * 2.0**bits, np.rint(piece * 2.0**bits)):
            bits += 1
    return float(2.0**-bits)


def _mark_flat_tops(
    mask: NDArray[np.bool_], upright: NDArray[np.float64], top: float, tolerance: float, shortest: int
) -> None:
    near = np.concatenate(([False], upright >= top - tolerance, [False]))
    edges = np.flatnonzero(near[1:] != near[:-1])
    starts, ends = edges[::2], edges[1::2]
    lengths = ends - starts
    reach = np.maximum(lengths // 2, 1)
    before = upright[np.maximum(starts - reach, 0)]
    after = upright[np.minimum(ends - 1 + reach, len(upright) - 1)]
    steep = top - np.minimum(before, after) > _EDGE * tolerance
    flat = steep & (lengths >= shortest)
    # Two neighbours on either side of one round peak can be equal by chance, but not repeatedly.
    if np.count_nonzero(flat) < 2:
        flat &= lengths >= 3
    for start, end in zip(starts[flat], ends[flat], strict=True):
        mask[start:end] = True


def channel_of(samples: NDArray[np.float64], sample_rate_hz: int, *, lossy: bool) -> Channel:
    """Return the properties of one channel.

    Parameters
    ----------
    samples : ndarray of shape (n,)
        Finite samples, full scale 1.0.
    sample_rate_hz : int
        Sample rate in hertz.
    lossy : bool
        Whether the sound went through a lossy codec.
    """
    return Channel(
        clipped=clipped_mask(samples, lossy=lossy),
        peak_dbfs=dbfs(samples),
        clarity_db=_clarity_db(samples, sample_rate_hz),
    )


def better_channel(channels: Sequence[Channel]) -> int:
    """Return the index of the channel to use.

    A channel that is not dead comes before a dead one, then an unclipped before a clipped one, then the clearest. Of
    channels within 0.5 dB of the clearest the first is used.

    Examples
    --------
    >>> dead, alive = (channel_of(np.array([v, -v]), 48000, lossy=False) for v in (0.0, 0.1))
    >>> better_channel([dead, alive])
    1
    """
    ranks = [(c.peak_dbfs > DEAD_DBFS, c.clipped is None) for c in channels]
    candidates = [i for i, rank in enumerate(ranks) if rank == max(ranks)]
    clearest_db = max(channels[i].clarity_db for i in candidates)
    return next(i for i in candidates if channels[i].clarity_db >= clearest_db - 0.5)


def _clarity_db(samples: NDArray[np.float64], sample_rate_hz: int) -> float:
    frame = max(sample_rate_hz // 100, 1)
    frames = samples[: len(samples) // frame * frame].reshape(-1, frame)
    power = np.einsum("ij,ij->i", frames, frames) / frame
    # Digital silence at either end is not a noise floor, and one loud frame may be a click.
    power = np.sort(power[power > 0])
    if len(power) < 3:
        return 0.0
    return 10.0 * math.log10(power[-3] / power[len(power) // 10])
