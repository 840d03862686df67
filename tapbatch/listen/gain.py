"""Automatic gain, noticed by a noise floor that breathes.

A phone that evens out loudness turns down at a tap and comes up again while it dies away: the floor behind the decay
rises until the next tap. That bends every decay alike, and no fit can see it. So the level of the first difference of
the sound (which favours the floor over what still rings) is followed in 100 ms steps from each transient to the next:
how far it has risen, when the next one comes, above the calmest it was in between. Steady noise rises by a few tenths
of a decibel in that sense, by chance.

When it is wrong: a machine that starts in every pause; gaps under half a second, of which nothing is said.
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from tapbatch.values import Sound, Tap

_STEP_S = 0.1
_SHORTEST_GAP_S = 0.5
_BEFORE_NEXT_S = 0.02
_RISE_DB = 2.5
_LONE_RISE_DB = 5.0


def gain_breathes(sound: Sound, taps: tuple[Tap, ...], quiet: list[tuple[int, int]]) -> bool:
    """Tell whether the noise floor comes up between taps as automatic gain makes it.

    Parameters
    ----------
    sound
        As decoded.
    taps
        All transients in it.
    quiet
        Stretches ``(first, last)`` in samples in which nothing rings; without any there is no floor to judge.

    Examples
    --------
    >>> gain_breathes(Sound(samples=np.zeros(8000), sample_rate_hz=8000), (), [])
    False
    """
    if not quiet or not taps:
        return False
    edges_s = [*(t.onset_s for t in taps), sound.duration_s]
    rises = [
        rise
        for start_s, end_s in itertools.pairwise(edges_s)
        if (rise := _rise_db(sound, start_s, end_s - _BEFORE_NEXT_S)) is not None
    ]
    if not rises:
        return False
    return float(np.median(rises)) > (_RISE_DB if len(rises) > 1 else _LONE_RISE_DB)


def _rise_db(sound: Sound, start_s: float, end_s: float) -> float | None:
    """Return how far the floor stands at the end of a gap above its calmest step, or ``None`` for a short gap."""
    if end_s - start_s < _SHORTEST_GAP_S:
        return None
    rate_hz = sound.sample_rate_hz
    step = int(_STEP_S * rate_hz)
    gap: NDArray[np.float64] = np.diff(sound.samples[int(start_s * rate_hz) : int(end_s * rate_hz)])
    count = len(gap) // step
    # Counted from the end, so that the last step ends where the next mallet comes.
    power = (gap[len(gap) - count * step :].reshape(count, step) ** 2).mean(axis=1)
    level_db = 10 * np.log10(np.maximum(power, 1e-20))
    return float(level_db[-1] - level_db.min())
