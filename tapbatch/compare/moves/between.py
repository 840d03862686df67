"""The roads from the taps of two stages to what moved between them: judged, or only by how much.

Conventions: those of :mod:`tapbatch.compare.moves.judge`. Frequencies come in cents with the priors
:data:`~tapbatch.compare.moves.priors.FREQ`, decay times in hundredths of their logarithm with
:data:`~tapbatch.compare.moves.priors.T60`; the two are judged apart.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tapbatch.compare.moves.ask import with_asks
from tapbatch.compare.moves.belief import Belief
from tapbatch.compare.moves.contrast import TapSet, contrast
from tapbatch.compare.moves.judge import Interval, Moves, judge_moves, whole_intervals
from tapbatch.compare.moves.mixture import sums_of
from tapbatch.compare.moves.priors import Bools, Priors
from tapbatch.compare.moves.reference_move import ReferenceMove, without


def moves_between(
    before: Sequence[TapSet],
    after: Sequence[TapSet],
    priors: Priors,
    belief: Belief,
    steady: float,
    alike: ReferenceMove | None = None,
    is_air: Bools | None = None,
) -> Moves:
    """Return what the modes of a part did between two stages, and what would decide what is open.

    Parameters
    ----------
    before, after : sequence of TapSet, at least one each
        The taps of each stage, with the modes that both have in the same order, at least one.
    priors : Priors
        Of the quantity.
    belief : Belief
        What is believed of set-ups (:func:`tapbatch.compare.moves.belief.believe`).
    steady : float
        Within which a mode counts as steady, in the unit of the priors.
    alike : ReferenceMove, optional
        What a reference moved between the same days; it is taken off (:mod:`tapbatch.compare.moves.reference_move`).
    is_air : array of bool, shape (modes,), optional
        Modes of the air, which no reference tells about; default none.

    Examples
    --------
    >>> from tapbatch.compare.moves.belief import believe
    >>> from tapbatch.compare.moves.priors import FREQ
    >>> noise = np.random.default_rng(2).normal(0.0, 0.7, (2, 5, 6))
    >>> before, after = (TapSet(n, np.full((5, 6), 0.01), np.zeros(5)) for n in (noise[0], noise[1] - 6.0))
    >>> moves = moves_between([before], [after], FREQ, believe([], FREQ), 3.0)
    >>> {m.verdict for m in moves.modes}, {m.moved for m in moves.modes}
    ({'unclear'}, {'all'})
    >>> moves.modes[0].more_taps, moves.modes[0].more_setups
    (None, 5)
    """
    found = contrast(before, after, priors)
    if alike is not None:
        air = np.zeros(found.change.size, dtype=bool) if is_air is None else is_air
        found = without(found, alike, air, priors, belief)
    sums = sums_of(found, priors, belief.own, belief.common)
    return with_asks(judge_moves(sums, steady), sums, belief.anew, steady)


def whole_moves(before: Sequence[TapSet], after: Sequence[TapSet], priors: Priors, belief: Belief) -> list[Interval]:
    """Return the whole move of each mode between two stages, where nobody asks which of them moved.

    The parameters are those of :func:`moves_between`, and so is the result; it takes a fraction of the time.

    Examples
    --------
    >>> from tapbatch.compare.moves.belief import believe
    >>> from tapbatch.compare.moves.priors import T60
    >>> before, after = (TapSet(np.full((5, 1), v), np.ones((5, 1)), np.zeros(5)) for v in (0.0, 60.0))
    >>> [(round(one.value, 1), one.excludes_zero) for one in whole_moves([before], [after], T60, believe([], T60))]
    [(60.0, True)]
    """
    return whole_intervals(sums_of(contrast(before, after, priors), priors, belief.own, belief.common))
