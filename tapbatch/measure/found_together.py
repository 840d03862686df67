"""All taps decide on lines that none of them shows by itself, together with those that some show.

Conventions: those of :mod:`tapbatch.measure.all_taps`. The candidates come from :mod:`tapbatch.measure.common_lines`.

A candidate is judged by the sum of its Wald statistics in all taps, with its pole held and all else free, each
divided by the misfit around it and by what sounded there before the first tap (:mod:`tapbatch.measure.steady_lines`).
It is a mode if all of this holds:

- So large a sum has a probability below 1 in 1e9 in noise: 1 in 100,000, for each of some 10,000 places at which a
  pole may have been found. The pole was chosen to fit the noise, which adds two degrees of freedom.
- It does not rest on one tap, in which something else may have sounded: without the strongest, so large a sum still
  has a probability below 1 in 1,000.
- All taps together know its decay within a standard error of 0.35, as a single tap must.
- Its T60 is above 0.06 s, or it may be what is left of the contact, and below that of a mode of which the longest tap
  holds 0.7 T60, or it may sound all the time.

A pole that one tap has of its own is accepted as :mod:`tapbatch.measure.all_taps` says: by those that lack it. One
that two taps have or more may also be accepted in the way above, with their own statistics in the sum. What is
accepted without any search stays accepted.

Candidates that fail are removed a few at a time, those without a known decay first, and the others judged again:
with too many poles, none of them is known.

It does not find what shows in one tap alone, or where more than noise is left.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tapbatch.measure.all_taps import (
    BY_CHANCE,
    Shared,
    asked_against_misfit,
    asked_of,
    decided_and_which,
    pooled,
    with_modes,
)
from tapbatch.measure.candidates import SEARCH_T60_S
from tapbatch.measure.chance import chance_beyond
from tapbatch.measure.common_lines import Candidate, Together, is_beside, refined, searched
from tapbatch.measure.geometric import Float
from tapbatch.measure.misfit import against_misfit, left_around
from tapbatch.measure.prune import MOST_SD_LOG_T60, WINDOW_OF_T60, TapFit, mode_energy
from tapbatch.measure.steady_lines import against_steady
from tapbatch.model.reading import LN_1000

_ANYWHERE_BY_CHANCE = BY_CHANCE / 1e4
_OTHERS_BY_CHANCE = 1e-3
_APART_HZ = 40.0  # between candidates that are removed at once


def found_together(
    taps: Sequence[TapFit | None], quiet: Float, inside_hz: tuple[float, float], shift_hz: float = 0.0
) -> list[TapFit | None]:
    """Return the fits of one recording's taps, with the modes added that all taps together show.

    Parameters
    ----------
    taps
        Fits of one zone, in any order; ``None`` where there is none.
    quiet
        Whitened samples before the first tap; may be empty.
    inside_hz
        Lowest and highest frequency at which lines are searched, in hertz of the zone.
    shift_hz
        How much lower the frequencies of the zone are than in the recording, 0 by default.

    Returns
    -------
    list of TapFit or None
        As from :func:`tapbatch.measure.all_taps.decided`, which decides alone where there is nothing to search.

    Examples
    --------
    The second mode is too weak for any one of five taps:

    >>> from tapbatch.measure.all_taps import decided
    >>> from tapbatch.measure.prune import pruned
    >>> rng, n = np.random.default_rng(1), np.arange(3000)
    >>> poles, none = np.exp(np.array([-0.003 + 0.5j, -0.004 + 0.9j])), np.zeros(0, dtype=np.complex128)
    >>> def tap():
    ...     ring = (poles[None] ** n[:, None] @ np.array([30.0, 0.6])).real + rng.standard_normal(3000)
    ...     return pruned(ring, 0, 3000, 8000.0, none, poles)
    >>> taps = [tap() for _ in range(5)]
    >>> [found.fit.count for found in decided(taps)]
    [1, 1, 1, 1, 1]
    >>> [found.fit.count for found in found_together(taps, rng.standard_normal(3000), (50.0, 3000.0))]
    [2, 2, 2, 2, 2]
    """
    there = {at: tap for at, tap in enumerate(taps) if tap is not None}
    shared = pooled(taps, shift_hz)
    without, accepted = decided_and_which(taps, shared)
    lacking = [s for s in shared if s.lacking]
    candidates = [_candidate(s, accepted=a) for s, a in zip(lacking, accepted, strict=True)]
    found = searched(there, candidates, inside_hz) if len(there) > 1 else None
    if found is None:
        return without
    judged, strength = _judged(found, quiet)
    if all(c.accepted for c in judged.candidates):
        return without
    result = list(taps)
    for t, tap in judged.taps.items():
        if len(which := judged.of_tap(t)):
            result[t] = with_modes(tap, judged.poles_of(t), strength[t, which])
    return result


def _candidate(shared: Shared, *, accepted: bool) -> Candidate:
    """Return a pole that some taps have, with what they know of it.

    Of a single mode, the errors of ``log delta`` and of ``omega / delta`` are equal and uncorrelated.
    """
    delta = -np.log(np.abs(shared.pole))
    information = np.diag([1.0, 1.0 / delta**2]) / shared.variance
    return Candidate(shared.pole, shared.lacking, shared.owners, shared.pole, information, accepted)


def _judged(found: Together, quiet: Float) -> tuple[Together, Float]:
    """Remove candidates until all that are left are modes; return them with their statistics, (taps, candidates)."""
    while True:
        strength, own = _statistics(found, quiet)
        sure = np.array([c.accepted for c in found.candidates], dtype=bool)
        unknown = ~(found.log_t60_variance < MOST_SD_LOG_T60**2) & ~sure
        doubt = np.array(
            [_doubt(c, found, strength[:, i], own[:, i]) for i, c in enumerate(found.candidates)], dtype=np.float64
        )
        bad = unknown if unknown.any() else doubt > 0.0
        if not bad.any():
            return found, strength
        gone = _far_apart(found, np.where(bad, doubt + unknown, -1.0))
        kept = [i for i in range(len(found.candidates)) if i not in gone]
        found = Together(found.taps, tuple(found.candidates[i] for i in kept), found.log_t60_variance[kept])
        if kept:
            found = refined(found, 1)


def _far_apart(found: Together, badness: Float) -> list[int]:
    """Return the worst candidates, none near another; those with a negative badness stay."""
    freq_hz = np.array([np.angle(c.pole) for c in found.candidates]) * found.rate_hz / (2 * np.pi)
    chosen: list[int] = []
    for i in np.argsort(-badness, kind="stable"):
        if badness[i] >= 0.0 and all(abs(freq_hz[i] - freq_hz[j]) > _APART_HZ for j in chosen):
            chosen.append(int(i))
    return chosen


def _statistics(found: Together, quiet: Float) -> tuple[Float, Float]:
    """Return the statistics of the candidates in the taps that lack them, and in their owners, (taps, candidates)."""
    strength, own = np.zeros((2, max(found.taps) + 1, len(found.candidates)))
    for t, tap in found.taps.items():
        if len(which := found.of_tap(t)):
            poles = found.poles_of(t)
            trial, said = asked_of(tap, poles)
            strength[t, which] = said * asked_against_misfit(tap, trial, poles)
    for i, c in enumerate(found.candidates):
        for t in c.owners if len(c.owners) > 1 else ():
            own[t, i] = _of_owner(found.taps[t], c.pole)
    steady = against_steady(quiet, np.array([c.pole for c in found.candidates], dtype=np.complex128))
    return strength * steady, own * steady


def _of_owner(tap: TapFit, pole: complex) -> float:
    """Return the statistic of the mode of a tap that is nearest to a pole: its energy over the noise density."""
    k = int(np.argmin(np.abs(tap.fit.poles - pole)))
    return float(mode_energy(tap.fit)[k] * against_misfit(left_around(tap.residual, tap.fit.poles[[k]]))[0])


def _doubt(c: Candidate, found: Together, strength: Float, own: Float) -> float:
    """Return by how much a candidate fails, in powers of e; 0 if it is a mode."""
    if c.accepted:
        return 0.0
    said = strength[list(c.asked)]
    of_asked = _beyond(float(said.sum()), len(said), BY_CHANCE) if c.owners else np.inf
    if of_asked == 0.0 or len(c.owners) == 1:
        return of_asked
    if not _may_be_told(c, found) or any(is_beside(c.pole, found.taps[t].fit.poles, 0.5) for t in c.asked):
        return -float(np.log(_ANYWHERE_BY_CHANCE))
    every = np.concatenate([said, own[list(c.owners)]])
    anywhere = _beyond(float(every.sum()), len(every) + 1, _ANYWHERE_BY_CHANCE)
    others = _beyond(float(every.sum() - every.max()), len(every) - 1, _OTHERS_BY_CHANCE)
    return min(of_asked, max(anywhere, others))


def _beyond(total: float, pairs: int, by_chance: float) -> float:
    return max(float(np.log(max(chance_beyond(total, pairs), 1e-300) / by_chance)), 0.0)


def _may_be_told(c: Candidate, found: Together) -> bool:
    """Tell whether a line decays too slowly to be what is left of the contact, and too fast to sound all the time."""
    t60_s = LN_1000 / (-np.log(np.abs(c.pole)) * found.rate_hz)
    longest_s = max(tap.fit.length for tap in found.taps.values()) / found.rate_hz / WINDOW_OF_T60
    return bool(SEARCH_T60_S[0] < t60_s < longest_s)
