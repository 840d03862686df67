"""Detect a phone's automatic gain from a noise floor that rises after each tap.

Conventions: levels are in decibels. A phone that lowers its gain at a loud tap raises it again by some decibels a
second. The quiet sound rises with it, and every decay becomes longer; no fit of the decay can show that. A steady
noise floor does not depend on when the last tap was.

How: the level of the third difference of the sound is taken in pieces of 20 ms. The third difference is 70 dB less
sensitive at 1 kHz than at 24 kHz, so the floor appears soon after a tap, while the wood still rings. Between two taps
the floor emerges from the fading tap; with automatic gain it then rises until the next tap. The *rise* of a gap is
the level before the next tap relative to the lowest level in the gap. Only gaps after the louder half of the taps
count, because a light tap may not lower the gain. The median of their rises decides, so talk in one gap or a truck in
another does not matter. Where gaps are few, the limit is higher.

When it is wrong: gain that has recovered before the tap fades at these high frequencies leaves no trace in the floor.
A workshop that falls silent at every tap and grows louder after it would be taken for automatic gain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tapbatch.listen.envelope import Float
from tapbatch.model.reading import Sound, Tap

_PIECE_S = 0.02
_SMOOTH = 5
_SKIP_S = 0.04
_AROUND_S = (0.01, 0.06)
_LEAST_PIECES = 3 * _SMOOTH
# The median must exceed these, in decibels and in standard deviations of one piece. As the lowest level is picked
# from many, even a steady floor seems to rise by 0.2 to 0.6 dB at 48 kHz and by up to 1.2 dB at 8 kHz.
_LEAST_RISE = (1.0, 1.8)
_LEAST_RISE_OF_FEW = (1.5, 2.5)
_FEW = 3


@dataclass(frozen=True, slots=True)
class Floor:
    """The noise floor after the taps of a section.

    ``behind`` has ``(index of the tap, its peak in dBFS, rises in dB)`` for each used tap. A tap has no rise if the
    gap after it is too short; the first tap of a section may have two. ``scatter_db`` is the standard deviation of
    the floor from piece to piece.
    """

    behind: tuple[tuple[int, float, tuple[float, ...]], ...]
    scatter_db: float


SPOILS_DB = 2.0
"""A rise of the floor beyond which no decay can be trusted; codecs alone make it seem to rise by up to 1.3 dB."""


def floor_rise_db(floors: Sequence[Floor]) -> float:
    """Return by how much the floor of a recording rises after its taps, as automatic gain makes it do.

    Parameters
    ----------
    floors
        The floors of its sections, from :func:`floor_behind`.

    Returns
    -------
    float
        In decibels; 0 where it does not surely rise, and where no tap is followed by a gap of 0.35 s.

    Examples
    --------
    >>> from tapbatch.listen.taps import find_taps, quiet_stretches
    >>> from tapbatch.simulate.taps import SimMode, Strike, automatic_gain, recording, white_noise
    >>> struck = [Strike(onset_s=s, modes=(SimMode(200.0, 0.3, 0.8),)) for s in (0.5, 1.5, 2.5)]
    >>> noise = white_noise(28000, np.random.default_rng(1), rms=1e-3)
    >>> steady, _ = recording(struck, duration_s=3.5, sample_rate_hz=8000, noise=noise)
    >>> for samples in (steady, automatic_gain(steady, sample_rate_hz=8000)[0]):
    ...     sound = Sound(samples=samples, sample_rate_hz=8000)
    ...     taps = find_taps(sound)
    ...     floor_rise_db([floor_behind(sound, taps, quiet_stretches(sound, taps))]) > 0.0
    False
    True
    """
    behind = [one for floor in floors for one in floor.behind]
    if not behind:
        return 0.0
    loud_dbfs = float(np.median([peak_dbfs for _, peak_dbfs, _ in behind]))
    rises = [rise_db for _, peak_dbfs, of_tap in behind if peak_dbfs >= loud_dbfs for rise_db in of_tap]
    if not rises:
        return 0.0
    least_db, least_scatters = _LEAST_RISE_OF_FEW if len(rises) < _FEW else _LEAST_RISE
    scatter_db = float(np.median([floor.scatter_db for floor in floors if floor.behind]))
    rise_db = float(np.median(rises))
    return rise_db if rise_db > max(least_db, least_scatters * scatter_db) else 0.0


def floor_behind(sound: Sound, taps: tuple[Tap, ...], quiet: list[tuple[int, int]]) -> Floor:
    """Return the floor after the used taps of a section or of a whole recording.

    Parameters
    ----------
    sound
        The decoded sound.
    taps
        Every transient found in it; only used taps are assumed to be loud enough to lower the gain.
    quiet
        Stretches ``(first, last)`` in samples in which nothing rings; without any there is no floor to judge.

    Returns
    -------
    Floor
        Its ``behind`` is empty if no tap is used, or if nothing is quiet.
    """
    used = [(at, t) for at, t in enumerate(taps) if t.used]
    if not used or not quiet:
        return Floor((), 0.0)
    level_db = _level_of_pieces(sound, taps)
    before = _between(level_db, -_SKIP_S, used[0][1].onset_s)
    behind = []
    for (at, tap), until_s in zip(used, [*(t.onset_s for _, t in used[1:]), sound.duration_s], strict=True):
        gap = _between(level_db, tap.onset_s, until_s)
        rises = []
        if len(gap) >= _LEAST_PIECES:
            rises.append(float(np.median(gap[-2 * _SMOOTH :])) - _lowest(gap[:-_SMOOTH]))
            if at == used[0][0] and len(before) >= _SMOOTH:
                rises.append(float(np.median(before)) - _lowest(gap))
        behind.append((at, tap.peak_dbfs, tuple(rises)))
    return Floor(tuple(behind), _scatter_db(level_db))


def _level_of_pieces(sound: Sound, taps: tuple[Tap, ...]) -> Float:
    """Return the level of the third difference in pieces of 20 ms, in decibels; NaN around transients not used."""
    width = max(1, round(_PIECE_S * sound.sample_rate_hz))
    third = np.diff(sound.samples, n=3)
    pieces = third[: len(third) // width * width].reshape(-1, width)
    power = np.einsum("ij,ij->i", pieces, pieces) / width
    level_db = np.asarray(10 * np.log10(np.maximum(power, 1e-20)))
    for tap in taps:
        if not tap.used:
            first, last = ((tap.onset_s + shift_s) / _PIECE_S for shift_s in (-_AROUND_S[0], _AROUND_S[1]))
            level_db[max(0, int(first)) : max(0, int(last) + 1)] = np.nan
    return level_db


def _between(level_db: Float, after_s: float, before_s: float) -> Float:
    first, last = int((after_s + _SKIP_S) / _PIECE_S) + 1, int((before_s - _AROUND_S[0]) / _PIECE_S)
    gap = level_db[max(0, first) : max(0, last)]
    return gap[~np.isnan(gap)]


def _lowest(level_db: Float) -> float:
    """Return the lowest running median of five pieces, in decibels."""
    windows = np.lib.stride_tricks.sliding_window_view(level_db, _SMOOTH)
    return float(np.median(windows, axis=1).min())


def _scatter_db(level_db: Float) -> float:
    """Return the standard deviation from piece to piece, in decibels, without slow changes."""
    steps = np.abs(np.diff(level_db))
    return float(np.median(steps[~np.isnan(steps)])) / (0.6745 * float(np.sqrt(2.0)))
