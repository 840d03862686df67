"""Tell which sounds that pass for taps are none, by how much of each the modes of the others explain.

Conventions: the fits are those of one recording's taps, for each zone one of every transient, ``None`` where there is
none; samples are whitened. *Left* is the energy of a sound that given poles leave, with free amplitudes, over its
whole energy, both without noise and mains lines, in decibels: 0 where they explain nothing.

What is struck rings at its own poles, however hard, where and with what it is struck. So the poles of any other tap
explain most of it. A voice glides, its partials neither begin at once nor decay exponentially, and the next syllable
has other ones. A clap or a step is noise that dies away, and its poles are those of its noise. In the scenes by which
the limits were set, the others left less than -6 dB (lower median) of almost every tap that was cut short by a bounce
or tapped in a room, and sure taps left -3.8 dB or more of a syllable. Claps in one room explain one another
to -4.5 dB, because the tail of the room is the same.

A tap is *sure* if its own modes leave less than ``SURE_DB``; of voices, claps and steps they left -13 dB or more.
Where hardly any tap is sure, a drum is kept with less agreement: its pitch falls with the level and its lines beat,
but it rings on for longer than a clap or a step.

When it is wrong: syllables on one pitch explain one another, and so do blows on a resonant door.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tapbatch.measure.fit import fit_modes
from tapbatch.measure.geometric import Complex, Float, Samples
from tapbatch.measure.prune import TapFit, mode_energy
from tapbatch.model.reading import LN_1000

SURE_DB = -15.0
"""A tap of which its own modes leave less is a tap, whatever the others say: they explain 97 % of it."""

EXPLAINED_DB = -5.5
"""The median of the others must leave less: explain 72 %."""

BY_SURE_DB = -4.5
"""The same where two or more sure taps are asked: they left -3.8 dB or more of a syllable, and -5 dB of a tap over
which a lossy codec had begun its stream."""

BY_ONE_DB = -8.0
"""One sure tap suffices if it leaves less than this: it explains 84 %."""

# For drums: syllables leave -1 dB or more of one another, and claps and steps die away within 0.2 s.
_RINGING_EXPLAINED_DB = -2.0
_RINGING_SELF_DB = -5.0
_RINGING_T60_S = 0.2
_LONGEST_T60_S = 5.0  # nothing without sure taps rings longer: it is sung

_STRONG_DB = 40.0  # weaker modes than this, below the strongest, may be misfit; a soft tap may show the others alone
_LEAST_TO_OUTVOTE = 3
_MOST_VOTERS = 8  # more agree no better, and a recording may hold thousands of taps
_NONE = np.zeros(0, dtype=np.complex128)

Zones = Sequence[Sequence[TapFit | None]]


def self_left_db(zones: Zones, tap: int) -> float:
    """Return what the modes of a tap leave of its own sound; 0 if it has none.

    Parameters
    ----------
    zones
        Fits, for each zone one of every transient.
    tap
        Index of the transient.
    """
    found = [of_zone[tap] for of_zone in zones]
    return _level(np.array([(_whole(f), f.fit.chi2, f.fit.length) for f in found if f is not None]), certain=False)


def unexplained(zones: Zones, used: Sequence[int]) -> list[int]:
    """Return which taps are neither sure nor explained by the others.

    The others are the sure taps if there are two or more, else all. Of more than eight, eight are asked, spread over
    the recording. The lower median counts: half of the others may lack what the tap shows. A tap that is alone is
    kept, having nothing to be compared with.

    Parameters
    ----------
    zones
        Fits, for each zone one of every transient.
    used
        Indices of those that may be taps, ascending.

    Returns
    -------
    list of int
        Some of ``used``, ascending.

    Examples
    --------
    >>> unexplained([[None, None]], [1])
    []
    """
    if len(used) < 2:
        return []
    sure = _sure(zones, used)
    unsure = set(used).difference(sure)
    return [tap for tap in used if tap in unsure and not is_explained(zones, tap, used, sure)]


def _sure(zones: Zones, used: Sequence[int]) -> list[int]:
    """Return which taps are sure: their own modes leave less than ``SURE_DB``."""
    return [tap for tap in used if self_left_db(zones, tap) < SURE_DB]


def explained_after_all(zones: Zones, used: Sequence[int], suspects: Sequence[int]) -> list[int]:
    """Return which suspects two or more sure taps explain.

    Parameters
    ----------
    zones
        Fits, for each zone one of every transient.
    used, suspects
        Indices of the taps, and of those to ask.
    """
    sure = _sure(zones, used) if suspects else []
    return [tap for tap in suspects if len(sure) > 1 and is_explained(zones, tap, used, sure)]


def strange(zones: Zones, used: Sequence[int], suspects: Sequence[int]) -> list[int]:
    """Return which suspects three or more sure taps do not explain, though they may be sure themselves.

    A knock on something else that rings is one.

    Parameters
    ----------
    zones
        Fits, for each zone one of every transient.
    used, suspects
        Indices of the taps, and of those to ask.
    """
    sure = _sure(zones, used) if suspects else []
    others = {tap: len(sure) - (tap in sure) for tap in suspects}
    return [t for t in suspects if others[t] >= _LEAST_TO_OUTVOTE and not is_explained(zones, t, used, sure)]


def is_explained(zones: Zones, tap: int, used: Sequence[int], sure: Sequence[int]) -> bool:
    """Tell whether the modes of others explain a tap.

    Parameters
    ----------
    zones
        Fits, for each zone one of every transient.
    tap
        Index of the transient.
    used, sure
        Indices of those that may be taps, and of those that surely are; each may contain ``tap``, which has no vote.
    """
    surely = [other for other in sure if other != tap]
    asked = surely if len(surely) > 1 else [other for other in used if other != tap]
    if not asked:
        return True
    left_db = {other: left_by_db(zones, tap, other) for other in _spread(asked)}
    middle = sorted(left_db.values())[(len(left_db) - 1) // 2]
    least_db = BY_SURE_DB if len(surely) > 1 else EXPLAINED_DB
    if middle < least_db or any(left_db.get(other, 0.0) < BY_ONE_DB for other in surely):
        return True
    return len(surely) < 2 and middle < _RINGING_EXPLAINED_DB and _rings(zones, tap)


def _rings(zones: Zones, tap: int) -> bool:
    """Tell whether a sound is mostly a decay that lasts, as that of a drum: its pitch falls, and its lines beat."""
    found = [of_zone[tap] for of_zone in zones]
    log_t60 = np.concatenate([np.log(-LN_1000 / (np.log(np.abs(f.fit.poles)) * f.rate_hz)) for f in found if f])
    weights = np.concatenate([mode_energy(f.fit) for f in found if f])
    typical_s = float(np.exp(weights @ log_t60 / weights.sum()))
    return self_left_db(zones, tap) < _RINGING_SELF_DB and _RINGING_T60_S < typical_s < _LONGEST_T60_S


def left_by_db(zones: Zones, tap: int, other: int) -> float:
    """Return what the strong modes of another tap leave of a tap, in decibels.

    Parameters
    ----------
    zones
        Fits, for each zone one of every transient.
    tap, other
        Indices of the transients.
    """
    energies = []
    for of_zone in zones:
        found, asked = of_zone[tap], of_zone[other]
        if found is not None:
            energies.append(_left(found, _NONE if asked is None else _strong_poles(asked)))
    return _level(np.array(energies), certain=True)


def _spread(asked: Sequence[int]) -> NDArray[np.intp]:
    at = np.unique(np.linspace(0, len(asked) - 1, min(len(asked), _MOST_VOTERS)).astype(int))
    return np.asarray(np.array(asked)[at], dtype=np.intp)


def _strong_poles(found: TapFit) -> Complex:
    energy = mode_energy(found.fit)
    return np.asarray(found.fit.poles[energy > energy.max() * 10.0 ** (-_STRONG_DB / 10.0)])


def _whole(found: TapFit) -> float:
    """Return the energy of a tap's samples without mains lines."""
    hum = found.fit.hum_poles
    return fit_modes(Samples(found.samples), _NONE, hum, most_steps=0).chi2 if len(hum) else found.fit.energy


def _left(found: TapFit, poles: Complex) -> tuple[float, float, int]:
    """Return the energy of a tap's samples, what poles leave of it, and that of the noise."""
    whole = _whole(found)
    left = fit_modes(Samples(found.samples), poles, found.fit.hum_poles, most_steps=0).chi2 if len(poles) else whole
    return whole, left, found.fit.length


def _level(energies: Float, *, certain: bool) -> float:
    """Return the level of what is left, from rows of whole energy, energy left and noise, one for each zone.

    What lies within three standard deviations of the noise (chi-square) may be nothing but noise. It counts as left,
    or, where only what is ``certain`` counts, as explained.
    """
    if not len(energies):
        return 0.0
    whole, left, noise = energies.sum(axis=0)
    least = 3.0 * np.sqrt(2.0 * noise)
    over = max(left - noise - least, 0.0) if certain else max(left - noise, least)
    return float(10.0 * np.log10(np.clip(over / max(whole - noise, least), 1e-9, 1.0)))
