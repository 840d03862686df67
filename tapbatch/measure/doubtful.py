"""Tell by their modes which sounds that pass for taps are perhaps not: voices, claps and steps.

Comparing modes is quick and needs no samples. So it says which taps of a recording to ask about once more by their
sound (:mod:`tapbatch.measure.agreement`), and it decides on those whose section of a long recording holds too few
others.

Conventions: a tap is *sure* if the decay of one of its modes is known within a factor of 1.4, a standard error of
ln T60 below ``SURE_LOG_SE``. What is struck rings so. A voice glides and a clap has no lines, so that even their best
decay is known less well.

A tap that is not sure may still be one: a soft one, one in noise, or a drum whose lines beat. The other taps decide.
Another tap *confirms* it if that tap has, among its own modes within 20 dB of its strongest, the strongest mode of
this one, or two of its modes within 3 dB of that. A tap is kept if at least half of the others confirm it, or if
three in five have one and the same of its modes within 5 dB; in either case at least two of the others, or the only
other. A tap that is alone has nothing to be compared with and is kept; the flag ``few-taps`` and a wide interval warn
instead.

Where there are three others or more, a sure tap goes too if hardly any of them confirms it although they confirm one
another.

When it is wrong: syllables on one pitch confirm each other.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tapbatch.measure.geometric import Float
from tapbatch.model.reading import LN_1000, Mode, TapReading

SURE_LOG_SE = 0.35
"""The standard error of ln T60 below which the decay of a mode counts as known: a factor of 1.4."""

NEAR_CENTS = 25.0
"""How near two modes of different taps must be to be the same, in cents; twice that if their lines are as wide."""

_STRONG_DB = 20.0  # below the strongest mode of a tap, like the next two
_SHARED_DB = 5.0
_LEADING_DB = 3.0
_LEAST_LEADING = 2  # leading modes that stand for the strongest one
_LEAST_CONFIRMING = 2  # taps, if there are so many others
_CONFIRMED_SHARE = 0.5  # of the others
_SHARED_SHARE = 0.6  # of the others
_LEAST_TO_OUTVOTE = 3  # others
_OUTVOTED_SHARE = 0.25  # of the confirmed others


def doubtful(readings: Sequence[TapReading]) -> list[int]:
    """Return which of the used taps of a recording are probably none.

    Parameters
    ----------
    readings
        All taps of a recording, used or not.

    Returns
    -------
    list of int
        Indices into ``readings``, ascending.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from tapbatch.model.reading import Tap
    >>> tap = Tap(number=1, onset_s=0.0, peak_dbfs=-6.0, snr_db=40.0, used=True, reason="", free_from_s=0.0,
    ...           free_until_s=1.0)
    >>> mode = Mode(freq_hz=200.0, freq_se_hz=0.1, t60_s=0.4, t60_log_se=0.01, freq_t60_corr=0.0, amplitude=0.1,
    ...             phase_rad=0.0, energy_db=-20.0)
    >>> sure = TapReading(tap=tap, modes=(mode,))
    >>> soft = TapReading(tap=tap, modes=(replace(mode, freq_hz=200.5, t60_log_se=0.5),))
    >>> voice = TapReading(tap=tap, modes=(replace(mode, freq_hz=340.0, t60_log_se=0.5),))
    >>> doubtful([sure, soft, sure, voice])
    [3]
    >>> doubtful([voice])
    []
    """
    used = [at for at, reading in enumerate(readings) if reading.tap.used and reading.modes]
    if not used:
        return []
    strong = [_modes_within(readings[at], _STRONG_DB) for at in used]
    sure = np.array([any(mode.t60_log_se < SURE_LOG_SE for mode in modes) for modes in strong])
    confirming, sharing = _votes([readings[at] for at in used], strong)
    others = len(used) - 1
    least, majority = min(_LEAST_CONFIRMING, others), others * _CONFIRMED_SHARE
    unsupported = (confirming < max(least, majority)) & (sharing < max(least, others * _SHARED_SHARE))
    confirmed = confirming >= majority
    others_confirmed = confirmed.sum() - confirmed
    outvoted = (others >= _LEAST_TO_OUTVOTE) & (confirming < np.maximum(1.0, others_confirmed * _OUTVOTED_SHARE))
    return [used[row] for row in np.flatnonzero(np.where(sure, outvoted, unsupported))]


def _modes_within(reading: TapReading, below_db: float) -> list[Mode]:
    """Return the modes of a tap that are less than so many decibels below its strongest, the strongest first."""
    return sorted(reading.modes_within(below_db), key=lambda mode: -mode.energy_db)


def _votes(
    readings: Sequence[TapReading], strong: Sequence[Sequence[Mode]]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return how many other taps confirm each tap, and how many have that of its modes that most have, each (n,)."""
    freq_hz = np.array([mode.freq_hz for modes in strong for mode in modes])
    t60_s = np.array([mode.t60_s for modes in strong for mode in modes])
    starts = np.cumsum([0, *(len(modes) for modes in strong[:-1])])
    confirming, sharing = np.zeros(len(readings), dtype=np.intp), np.zeros(len(readings), dtype=np.intp)
    for row, reading in enumerate(readings):
        same = np.array([_same(mode, freq_hz, t60_s) for mode in _modes_within(reading, _SHARED_DB)])
        found = np.logical_or.reduceat(same, starts, axis=1)
        found[:, row] = False
        leading = found[: len(_modes_within(reading, _LEADING_DB))]
        confirming[row] = (leading[0] | (leading.sum(axis=0) >= _LEAST_LEADING)).sum()
        sharing[row] = found.sum(axis=1).max()
    return confirming, sharing


def _same(mode: Mode, freq_hz: Float, t60_s: Float) -> NDArray[np.bool_]:
    """Tell which modes are within ``NEAR_CENTS`` of one, or within twice that and half the width of the narrower."""
    apart_cents = 1200.0 * np.abs(np.log2(freq_hz / mode.freq_hz))
    half_width_hz = LN_1000 / (2.0 * np.pi * np.maximum(t60_s, mode.t60_s))
    wide = np.abs(freq_hz - mode.freq_hz) < half_width_hz
    return np.asarray(apart_cents < np.where(wide, 2.0 * NEAR_CENTS, NEAR_CENTS))
