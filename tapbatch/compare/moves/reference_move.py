"""Take what air and phone did to everything off a difference, as a thing that was not cut shows it.

Conventions: values are in the unit of the priors, variances in its square. A reference is compared between the same
two days as the part that was worked on. Nothing was cut on it, so what all its modes moved alike is ``air + set-up``,
and what those of the part moved alike is ``air + set-up + cut``. Their difference is free of the air, whatever it
did: no prior for the air is needed. It has the set-ups of both in it, so their variances add: with ``sc`` for the
common shift of one set-up, ``sc^2 (1/R1 + 1/R2)`` of the part and the same of the reference, summed over ``sc``
together (:attr:`~tapbatch.compare.moves.contrast.Contrast.common_spread`).

What each mode moved on its own is not touched, so verdicts that rest on it stay. Air modes are the exception. They go
with the speed of sound, which rises with temperature while wood softens: the move of a bar says nothing of them.
Nothing is taken off theirs. Beside the others, they then seem to move by what was taken off those, so the error of
that is added to their own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tapbatch.compare.moves.belief import OUTLIERS, Belief
from tapbatch.compare.moves.contrast import Contrast
from tapbatch.compare.moves.mixture import alike_grid, log_densities
from tapbatch.compare.moves.priors import Bools, Priors, common_grid


@dataclass(frozen=True, slots=True)
class ReferenceMove:
    """What all modes of a reference moved alike: the value, its variance without set-ups, and their spread."""

    value: float
    variance: float
    spread: float

    def error(self, priors: Priors, belief: Belief) -> float:
        """Return the standard error of the value, set-ups in it."""
        sc, _ = common_grid(priors)
        return float(np.sqrt(self.variance + self.spread * (belief.common @ sc**2)))


def alike_of(contrast: Contrast, priors: Priors, belief: Belief) -> ReferenceMove:
    """Return what all modes moved alike between two sides of a thing that was not cut.

    It is the mean of the likelihood over the shift of each mode's own, in which three modes in a hundred may be
    outliers, such as one that was taken for another.

    Examples
    --------
    >>> from tapbatch.compare.moves.belief import believe
    >>> from tapbatch.compare.moves.contrast import TapSet, contrast
    >>> from tapbatch.compare.moves.priors import FREQ
    >>> noise = np.random.default_rng(3).normal(0.0, 0.3, (2, 5, 4))
    >>> noise[1] += 5.0
    >>> before, after = (TapSet(n, np.full((5, 4), 0.01), np.zeros(5)) for n in noise)
    >>> alike = alike_of(contrast([before], [after], FREQ), FREQ, believe([], FREQ))
    >>> abs(alike.value - 5.0) < 0.5, alike.spread
    (True, 2.0)
    """
    alike, steps = alike_grid(contrast, priors)
    logs = log_densities(contrast, priors, alike, np.array([OUTLIERS]))[0][0].sum(axis=2)
    weights = belief.own @ (np.exp(logs - logs.max()) * steps)
    weights /= weights.sum()
    value = float(weights @ alike)
    variance = float(weights @ (alike - value) ** 2) + contrast.common_variance
    return ReferenceMove(value, variance, contrast.spread)


def joined(found: Sequence[ReferenceMove], priors: Priors, belief: Belief) -> ReferenceMove:
    """Return the mean of what several references moved, each weighted by its error; at least one.

    Examples
    --------
    >>> from tapbatch.compare.moves.belief import believe
    >>> from tapbatch.compare.moves.priors import FREQ
    >>> joined([ReferenceMove(1.0, 0.5, 2.0), ReferenceMove(3.0, 0.5, 2.0)], FREQ, believe([], FREQ))
    ReferenceMove(value=2.0, variance=0.25, spread=1.0)
    """
    weights = np.array([one.error(priors, belief) ** -2.0 for one in found])
    weights /= weights.sum()
    return ReferenceMove(
        float(weights @ [one.value for one in found]),
        float(weights**2 @ [one.variance for one in found]),
        float(weights**2 @ [one.spread for one in found]),
    )


def without(contrast: Contrast, alike: ReferenceMove, is_air: Bools, priors: Priors, belief: Belief) -> Contrast:
    """Return a contrast with the move of a reference taken off its modes, those of the air excepted.

    Parameters
    ----------
    contrast : Contrast
        The differences of the modes of a part between two stages.
    alike : ReferenceMove
        What a reference moved between the same days.
    is_air : array of bool, shape (modes,)
        The modes of the air.
    priors, belief
        Of the quantity.

    Examples
    --------
    >>> from tapbatch.compare.moves.belief import believe
    >>> from tapbatch.compare.moves.contrast import TapSet, contrast
    >>> from tapbatch.compare.moves.priors import FREQ
    >>> sets = [TapSet(np.full((5, 2), v), np.full((5, 2), 0.01), np.zeros(5)) for v in (0.0, 6.0)]
    >>> off = without(contrast(sets[:1], sets[1:], FREQ), ReferenceMove(5.0, 0.1, 1.0), np.array([False, True]), FREQ,
    ...               believe([], FREQ))
    >>> off.change.tolist(), off.spread, off.common_spread
    ([1.0, 6.0], 2.0, 3.0)
    """
    error = alike.error(priors, belief) ** 2
    return replace(
        contrast,
        change=contrast.change - np.where(is_air, 0.0, alike.value),
        fixed=contrast.fixed + np.where(is_air, error, 0.0),
        fixed_common=contrast.fixed_common + alike.variance,
        beside=alike.spread,
    )
