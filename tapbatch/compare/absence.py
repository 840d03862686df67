"""Judge whether a mode that was heard at one stage and not at the next is gone, or only too weak to be heard.

Conventions: energies in decibels, as in ``Mode.energy_db``; means are those of the power over taps. Only the points
count at which both stages were tapped, because a mode has other levels elsewhere.

The energy expected at the later stage is that of the earlier one, plus the change that the modes heard at both share
(the median of theirs): the blow, the distance, the gain. How far single modes are from that change is the scatter of
taps and points; it is pooled with a prior of 5 dB that counts as much as four modes. Against it stands the energy
that would have been heard with 95 %, or the skirt of a stronger mode, if that is higher. A mode is ``gone`` only if
the energy expected exceeds that by twice the scatter, or by more if several modes are missing: they are one family,
in which a false ``gone`` is no likelier than of a single mode (Bonferroni). Otherwise it is ``unheard``: it may be
there. So it is if nothing can be said: no point in common, or readings older than the background.

Where samples are kept, all taps are asked together (:mod:`tapbatch.measure.asked`); if they say that something is
there, the mode is not gone. Where none are, the limit is that of the list of modes
(:mod:`tapbatch.measure.background`), some 10 dB higher, and 6 dB are added: the limit holds for a mode far from
others, and one beside another is missed more easily.

When it is wrong: work that weakens one mode by more than twice the scatter and leaves it there.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from statistics import median

import numpy as np
from numpy.typing import NDArray

from tapbatch.measure.asked import Answer, ask
from tapbatch.measure.background import heard_db
from tapbatch.measure.kept_taps import KeptTaps
from tapbatch.measure.prune import FAINTEST, skirt
from tapbatch.model.history import Heard, Stage
from tapbatch.model.reading import LN_1000, Mode, Recording

SCATTER_DB = 5.0
"""How much the level of a mode changes from stage to stage relative to the others, before anything is known."""

PRIOR_COUNTS = 4
TIMES_SCATTER = 2.0
"""For a mode that is the only one missing: exceeded by chance once in 44 (normal distribution)."""

LISTED_MARGIN_DB = 6.0
"""Added to the energy at which a mode is listed, where no tap can be asked."""

_RATE_HZ = 48000.0  # any would do: poles need one


KeptOf = Callable[[Recording], KeptTaps | None]
"""Gives what is kept of the taps of a recording."""


def absence_judge(before: Stage, after: Stage, kept_of: KeptOf | None = None) -> Callable[[str], bool]:
    """Return a function that tells whether a mode of the earlier stage, not heard at the later, is surely gone.

    Parameters
    ----------
    before, after : Stage
        With ``mode_names`` filled.
    kept_of : KeptOf, optional
        Default: nothing is kept.
    """
    points = _points(before) & _points(after)
    was, now = _energies(before, points), _energies(after, points)
    changes = sorted(now[name] - was[name] for name in was.keys() & now.keys())
    modes = {m.mode: m for m in before.modes}
    margin_db = times_scatter(len(was.keys() - now.keys())) * _scatter_db(changes) if changes else 0.0

    def is_gone(name: str) -> bool:
        if name not in was or not changes:
            return False
        expected_db = was[name] + median(changes) - margin_db
        freq_hz, t60_s = modes[name].freq_hz * _moved(before, after), modes[name].t60_s
        if t60_s is None:
            # A line whose decay is not known cannot be asked for.
            return False
        at_points = [h for h in after.tapped if h.recording.point in points]
        hidden_db = median(_hidden_db(t.modes, freq_hz, t60_s) for h in at_points for t in h.reading.used_taps)
        if expected_db <= hidden_db:
            return False
        answer = None if kept_of is None else _asked(at_points, kept_of, freq_hz, t60_s)
        if answer is not None:
            return not answer.is_heard and expected_db > answer.limit_db
        listed_db = _listed_db(at_points, freq_hz, t60_s)
        return listed_db is not None and expected_db > listed_db

    return is_gone


def times_scatter(missing: int) -> float:
    """Return by how many times the scatter a mode must exceed the limit, where so many modes are missing.

    Examples
    --------
    >>> [round(times_scatter(missing), 2) for missing in (0, 1, 3, 10)]
    [2.0, 2.0, 2.43, 2.84]
    """
    from scipy.special import ndtr, ndtri

    return -float(ndtri(ndtr(-TIMES_SCATTER) / max(missing, 1)))


def _points(stage: Stage) -> set[str]:
    return {h.recording.point for h in stage.tapped}


def _scatter_db(changes: Sequence[float]) -> float:
    """Return how far modes are from their common change, in dB.

    Examples
    --------
    >>> _scatter_db([1.0]), round(_scatter_db([-10.0, 0.0, 10.0]), 2)
    (5.0, 7.07)
    """
    middle = median(changes)
    squares = sum((change - middle) ** 2 for change in changes)
    return math.sqrt((PRIOR_COUNTS * SCATTER_DB**2 + squares) / (PRIOR_COUNTS + len(changes) - 1))


def _energies(stage: Stage, points: set[str]) -> Mapping[str, float]:
    """Return the energy of each mode, averaged over the taps at some points; a tap that lacks it counts as 0."""
    total: dict[str, float] = {}
    taps = 0
    for heard in stage.tapped:
        if heard.recording.point not in points:
            continue
        for tap, names in zip(heard.reading.used_taps, heard.mode_names, strict=True):
            taps += 1
            for mode, name in zip(tap.modes, names, strict=True):
                if name:
                    total[name] = total.get(name, 0.0) + 10.0 ** (mode.energy_db / 10.0)
    return {name: 10.0 * math.log10(power / taps) for name, power in total.items()}


def _moved(before: Stage, after: Stage) -> float:
    """Return the ratio of frequencies, later over earlier, that most modes share; 1 if there is none."""
    earlier = {m.mode: m.freq_hz for m in before.modes}
    return median([m.freq_hz / earlier[m.mode] for m in after.modes if m.mode in earlier] or [1.0])


def _asked(heard: Sequence[Heard], kept_of: KeptOf, freq_hz: float, t60_s: float) -> Answer | None:
    kept = [kept_of(h.recording) for h in heard]
    return ask([taps for taps in kept if taps is not None], freq_hz, t60_s)


def _listed_db(heard: Sequence[Heard], freq_hz: float, t60_s: float) -> float | None:
    """Return the energy with which half of the taps would have listed a mode; ``None`` if it is not known."""
    found = []
    for each in heard:
        taps, background = each.reading.used_taps, each.reading.background
        least = None if background is None else heard_db(background, freq_hz, len(taps))
        if least is None:
            return None
        found += [least - _held_db(tap.tap.free_until_s - tap.tap.free_from_s, t60_s) for tap in taps]
    return median(found) + LISTED_MARGIN_DB


def _held_db(free_s: float, t60_s: float) -> float:
    """Return the part of the energy of a decay that falls in its first ``free_s``, in dB, at most 0.

    Examples
    --------
    >>> round(_held_db(0.05, 0.5), 2), round(_held_db(1.0, 0.5), 2)
    (-1.26, -0.0)
    """
    return 10.0 * math.log10(-math.expm1(-2.0 * LN_1000 * max(free_s, 1e-3) / t60_s))


def hidden_db(
    freqs_hz: Sequence[float], t60s_s: Sequence[float], energies_db: Sequence[float], freq_hz: float, t60_s: float
) -> float:
    """Return the energy up to which a line is hidden by the modes of a tap or of a stage.

    They are those within a width, the skirts of the others, and the limit of faintness below the loudest.

    Examples
    --------
    >>> beside, far = (hidden_db([200.0], [0.4], [0.0], f, 0.4) for f in (202.0, 900.0))
    >>> round(beside), round(far)
    (0, -60)
    """
    powers = 10.0 ** (np.array(energies_db, dtype=np.float64) / 10.0)
    under = float(skirt(_poles([freq_hz], [t60_s]), _poles(freqs_hz, t60s_s), powers, _RATE_HZ)[0])
    width_hz = LN_1000 / (math.pi * t60_s)
    beside = [p for f, p in zip(freqs_hz, powers, strict=True) if abs(f - freq_hz) < width_hz]
    return 10.0 * math.log10(max(under, *beside, FAINTEST * float(powers.max())))


def _hidden_db(modes: Sequence[Mode], freq_hz: float, t60_s: float) -> float:
    rows = [(m.freq_hz, m.t60_s, m.energy_db) for m in modes]
    freqs, t60s, energies = zip(*rows, strict=True)
    return hidden_db(freqs, t60s, energies, freq_hz, t60_s)


def _poles(freq_hz: Sequence[float], t60_s: Sequence[float]) -> NDArray[np.complex128]:
    return np.exp((-LN_1000 / np.array(t60_s) + 2j * np.pi * np.array(freq_hz)) / _RATE_HZ)
