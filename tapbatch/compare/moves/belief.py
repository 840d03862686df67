"""What a shop has shown of its set-ups, kept for each time that a stage was set up anew.

Conventions: a piece of evidence is the logarithm of a likelihood over the grids of ``so`` and ``sc``
(:mod:`tapbatch.compare.moves.priors`), with the other one summed out under its prior; pieces are added. Each comes
from two set-ups of one stage (``again``, ``resets``, another spot). Nothing was cut between them; three in a hundred
are allowed to be outliers. Two stages teach nothing: what set-ups did and what a cut of all modes did look the same
there.

Of ``so`` each piece counts in full: many modes tell of it. Of ``sc`` a piece is one draw, from a distribution that
is hardly known: ``n`` pieces count together as ``n/(n + 2)`` of their sum, so that one is not believed. In earlier
trials, ``again`` believed in full gave 6 to 7.6 % of false movers.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from tapbatch.compare.moves.contrast import Contrast, TapSet, contrast
from tapbatch.compare.moves.mixture import alike_given_common, alike_grid, log_densities
from tapbatch.compare.moves.priors import Floats, Priors, common_grid, own_grid

OUTLIERS = 0.03
"""Share of set-ups, and of modes within them, that shift as if something had been cut."""

SLOW = 2.0
"""``n`` set-ups anew count as ``n/(n + SLOW)`` of the sum of what they tell of ``sc``."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What one more set-up tells: logarithms of likelihoods over the grids of ``so`` (11,) and ``sc`` (12,).

    The largest of each is 0.
    """

    own: tuple[float, ...]
    common: tuple[float, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Belief:
    """The probabilities of the values of ``so`` (11,) and ``sc`` (12,), and the number of pieces behind them."""

    own: Floats
    common: Floats
    anew: int


def evidence_anew(sets: Sequence[TapSet], priors: Priors) -> tuple[Evidence, ...]:
    """Return what the set-ups of one stage tell: each is compared with the mean of those before it.

    These contrasts are independent of one another, and of the mean of the stage.

    Examples
    --------
    >>> from tapbatch.compare.moves.priors import FREQ
    >>> evidence_anew([TapSet(np.zeros((5, 3)), np.ones((5, 3)), np.zeros(5))], FREQ)
    ()
    """
    setups = sorted({t.setup for t in sets})
    found = []
    for i, setup in enumerate(setups[1:], start=1):
        earlier = [t for t in sets if t.setup in setups[:i]]
        later = [t for t in sets if t.setup == setup]
        found.append(_told(contrast(earlier, later, priors), priors))
    return tuple(found)


def _told(found: Contrast, priors: Priors) -> Evidence:
    """Return what the contrast between two set-ups of a stage tells."""
    alike, steps = alike_grid(found, priors)
    logs = log_densities(found, priors, alike, np.array([OUTLIERS]))[0][0].sum(axis=2)
    joint = (np.exp(logs - logs.max()) * steps) @ alike_given_common(found, priors, alike, OUTLIERS).T
    (_, own_prior), (_, common_prior) = own_grid(priors), common_grid(priors)
    own, common = np.log(joint @ common_prior + 1e-300), np.log(own_prior @ joint + 1e-300)
    return Evidence(tuple((own - own.max()).tolist()), tuple((common - common.max()).tolist()))


def believe(evidence: Iterable[Evidence], priors: Priors) -> Belief:
    """Return what is believed of set-ups.

    Parameters
    ----------
    evidence : iterable of Evidence
        Of the whole shop.
    priors : Priors
        Of the quantity.

    Examples
    --------
    >>> from tapbatch.compare.moves.priors import FREQ
    >>> believe([], FREQ).anew
    0
    """
    every = list(evidence)
    (_, own_prior), (_, common_prior) = own_grid(priors), common_grid(priors)
    own, common = np.log(own_prior), np.log(common_prior)
    if every:
        own = own + np.array([one.own for one in every]).sum(axis=0)
        common = common + len(every) / (len(every) + SLOW) * np.array([one.common for one in every]).sum(axis=0)
    return Belief(_normal(own), _normal(common), len(every))


def _normal(logs: Floats) -> Floats:
    weights = np.exp(logs - logs.max())
    return np.asarray(weights / weights.sum())
