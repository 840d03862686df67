"""Tell which sounds that pass for taps are not: voices, claps and steps among the taps of a recording.

Conventions: a tap is *sure* if the decay of one of its modes is known within a factor of 1.4, a standard error of
ln T60 below ``SURE_LOG_SE``. What is struck rings so. A voice glides and a clap has no lines, so that even their best
decay is known less well.

A tap that is not sure may still be one: a soft one, one in noise, or a drum whose lines beat. It is kept if at least
half of the others, and two of them if there are two, have its strongest mode, or two of those within 3 dB of it,
among their own strong modes; or if three in five have one of those within 5 dB. Two modes are the same within
``NEAR_CENTS``, or twice that if their lines are as wide. A tap that is alone has nothing to be compared with and is
kept; the flag ``few-taps`` and a wide interval warn instead. Where there are three others or more, a sure tap goes
too if hardly any of them has its leading modes.

When it is wrong: syllables on one pitch vouch for each other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from tapbatch.measure.bound import covariance
from tapbatch.measure.prune import TapFit, mode_energy
from tapbatch.model.reading import LN_1000, Mode, TapReading

SURE_LOG_SE = 0.35
"""The standard error of ln T60 below which the decay of a mode counts as known."""

NEAR_CENTS = 25.0
"""How near a mode of another tap must be to the strongest mode of this one, in cents; twice that for wide lines."""

_STRONG_DB = 20.0
_LEADING_DB = 3.0
_LEAST_LEADS = 2
_SHARED_DB = 5.0
_SHARED = 0.6
_LEAST_OTHERS = 2
_LEAST_VOTERS = 3
_OUTVOTED = 0.25


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
    >>> from tapbatch.model.reading import Tap
    >>> def heard(freq_hz, t60_log_se):
    ...     tap = Tap(number=1, onset_s=0.0, peak_dbfs=-6.0, snr_db=40.0, used=True, reason="", free_from_s=0.0,
    ...               free_until_s=1.0)
    ...     mode = Mode(freq_hz=freq_hz, freq_se_hz=0.1, t60_s=0.4, t60_log_se=t60_log_se, freq_t60_corr=0.0,
    ...                 amplitude=0.1, phase_rad=0.0, energy_db=-20.0)
    ...     return TapReading(tap=tap, modes=(mode,))
    >>> struck, soft, spoken = heard(200.0, 0.01), heard(200.5, 0.5), heard(340.0, 0.5)
    >>> doubtful([struck, soft, struck, spoken])
    [3]
    >>> doubtful([spoken])
    []
    """
    used = [at for at, reading in enumerate(readings) if reading.tap.used and reading.modes]
    alike, most = _alike([readings[at] for at in used]), _most_shared([readings[at] for at in used])
    found = []
    for row, at in enumerate(used):
        others = [sum(votes) for other, votes in enumerate(alike) if other != row]
        if _is_sure(readings[at]):
            # Those that agree with one another outvote one whose strongest mode hardly any of them has.
            agreed = sum(votes >= len(others) / 2 for votes in others)
            if len(others) >= _LEAST_VOTERS and sum(alike[row]) < max(1.0, agreed * _OUTVOTED):
                found.append(at)
        elif sum(alike[row]) < _enough(len(others), 0.5) and most[row] < _enough(len(others), _SHARED):
            found.append(at)
    return found


def is_sure(found: TapFit) -> bool:
    """Tell whether a fit has a mode, within 20 dB of its strongest, whose decay is known well, by its noise alone."""
    pole_cov, _ = covariance(found.fit)
    energy = mode_energy(found.fit)
    strong = energy > energy.max() * 10.0 ** (-_STRONG_DB / 10.0)
    variance = np.abs(np.diagonal(pole_cov)[: found.fit.count]) * found.excess
    return bool((variance[strong] < SURE_LOG_SE**2).any())


def _is_sure(reading: TapReading) -> bool:
    return any(mode.t60_log_se < SURE_LOG_SE for mode in _strong(reading))


def _strong(reading: TapReading, below_db: float = _STRONG_DB) -> list[Mode]:
    loudest_db = max(mode.energy_db for mode in reading.modes)
    strong = [mode for mode in reading.modes if mode.energy_db > loudest_db - below_db]
    return sorted(strong, key=lambda mode: -mode.energy_db)


def _alike(readings: Sequence[TapReading]) -> list[list[bool]]:
    """Return for each tap which of the taps have its leading modes among their strong ones; never itself."""
    strong = [_strong(reading) for reading in readings]
    leading = [_strong(reading, _LEADING_DB) for reading in readings]
    return [[n != k and _has(modes, leads) for n, modes in enumerate(strong)] for k, leads in enumerate(leading)]


def _most_shared(readings: Sequence[TapReading]) -> list[int]:
    """Return for each tap in how many others the mode is that most of them have, of those within 5 dB of its lead."""
    strong = [_strong(reading) for reading in readings]
    return [
        max(
            sum(n != k and any(_is_near(mode, lead) for mode in modes) for n, modes in enumerate(strong))
            for lead in _strong(reading, _SHARED_DB)
        )
        for k, reading in enumerate(readings)
    ]


def _enough(others: int, share: float) -> int:
    return max(min(_LEAST_OTHERS, others), math.ceil(others * share))


def _has(modes: Sequence[Mode], leads: Sequence[Mode]) -> bool:
    """Tell whether the first of some leading modes is among others, or at least two of them are."""
    among = [any(_is_near(mode, lead) for mode in modes) for lead in leads]
    return among[0] or sum(among) >= _LEAST_LEADS


def _is_near(mode: Mode, lead: Mode) -> bool:
    """Tell whether two modes are one: within ``NEAR_CENTS``, or twice that if their lines are so wide."""
    apart_hz = abs(mode.freq_hz - lead.freq_hz)
    cents = 1200.0 * abs(math.log2(mode.freq_hz / lead.freq_hz))
    half_width_hz = LN_1000 / (2.0 * math.pi * max(mode.t60_s, lead.t60_s))
    return cents < NEAR_CENTS or (cents < 2.0 * NEAR_CENTS and apart_hz < half_width_hz)
