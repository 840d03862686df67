"""What a shop has shown of its set-ups, kept for each pair of stages, so that any one of them can be left out.

Conventions: evidence is a logarithm of a likelihood over the grids of ``so`` and ``sc``
(:mod:`tapbatch.compare.moves.priors`), with the other one summed out under its prior; pieces are added. Two kinds
exist:

- ``anew``: two set-ups of one stage (``again``, ``resets``, another spot, a stage recorded twice). Nothing was cut.
  Three in a hundred are allowed to be outliers;
- ``stages``: two stages of one part. Some modes, or all, may have been cut, as in a judged pair.

Of ``so`` each piece counts in full: many modes tell of it. Of ``sc`` a piece is one draw, from a distribution that
is hardly known: ``n`` of kind ``anew`` count together as ``n/(n + 2)`` of their sum, so that one is not believed, and
all those of kind ``stages`` together as one at most. In earlier trials, ``again``
believed in full gave 6 to 7.6 % of false movers.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tapbatch.compare.moves.contrast import Contrast, TapSet, contrast
from tapbatch.compare.moves.mixture import alike_given_common, alike_grid, log_densities
from tapbatch.compare.moves.priors import Floats, Priors, common_grid, own_grid

OUTLIERS = 0.03
"""Share of set-ups, and of modes within them, that shift as if something had been cut."""

SLOW = 2.0
"""``n`` set-ups anew count as ``n/(n + SLOW)`` of the sum of what they tell of ``sc``."""

OF_STAGES = 1.0
"""``n`` pairs of stages count as ``1/(n + OF_STAGES)`` of the sum, so as one pair at most. What set-ups did and what
a cut of all modes did look the same there, and large shifts are taken for cuts. With half the weight each, eight
pairs of a bench that shifts by 3 cents narrowed the whole interval, and it held 89 %."""

Kind = Literal["anew", "stages"]


@dataclass(frozen=True, slots=True)
class Evidence:
    """What one pair of set-ups or stages tells: logarithms of likelihoods over the grids of ``so`` and ``sc``.

    ``source`` names where it comes from, such as ``(instrument, part, from stage, to stage)``.
    """

    source: tuple[str, ...]
    kind: Kind
    own: tuple[float, ...]
    common: tuple[float, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Belief:
    """The probabilities of the values of ``so`` (11,) and ``sc`` (12,), and the number of pieces of each kind."""

    own: Floats
    common: Floats
    anew: int
    stages: int


def evidence_of(found: Contrast, priors: Priors, kind: Kind, source: Sequence[str]) -> Evidence:
    """Return what a contrast tells of set-ups.

    Parameters
    ----------
    found : Contrast
        Between two set-ups of a stage, or between two stages.
    priors : Priors
        Of the quantity.
    kind : {"anew", "stages"}
        Which of these it is.
    source : sequence of str
        Where it comes from; used to leave it out.
    """
    shares, all_cut = (((OUTLIERS, 1.0),), OUTLIERS) if kind == "anew" else (priors.own_shares, priors.common_share)
    alike, steps = alike_grid(found, priors)
    q, q_prior = np.array(shares).T
    logs = log_densities(found, priors, alike, q)[0].sum(axis=3)
    together = np.tensordot(q_prior, np.exp(logs - logs.max()), axes=1)
    joint = (together * steps) @ alike_given_common(found, priors, alike, all_cut).T
    (_, own_prior), (_, common_prior) = own_grid(priors), common_grid(priors)
    own, common = np.log(joint @ common_prior + 1e-300), np.log(own_prior @ joint + 1e-300)
    return Evidence(tuple(source), kind, tuple((own - own.max()).tolist()), tuple((common - common.max()).tolist()))


def evidence_anew(sets: Sequence[TapSet], priors: Priors, source: Sequence[str]) -> tuple[Evidence, ...]:
    """Return what the set-ups of one stage tell: each is compared with the mean of those before it.

    These contrasts are independent of one another, and of the mean of the stage.

    Examples
    --------
    >>> from tapbatch.compare.moves.priors import FREQ
    >>> evidence_anew([TapSet(np.zeros((5, 3)), np.ones((5, 3)), np.zeros(5))], FREQ, ["cittern-07"])
    ()
    """
    setups = sorted({t.setup for t in sets})
    found = []
    for i, setup in enumerate(setups[1:], start=1):
        earlier = [t for t in sets if t.setup in setups[:i]]
        later = [t for t in sets if t.setup == setup]
        found.append(evidence_of(contrast(earlier, later, priors), priors, "anew", source))
    return tuple(found)


def believe(evidence: Iterable[Evidence], priors: Priors, leave_out: Sequence[str] | None = None) -> Belief:
    """Return what is believed of set-ups, with what one source tells left out.

    Parameters
    ----------
    evidence : iterable of Evidence
        Of the whole shop.
    priors : Priors
        Of the quantity.
    leave_out : sequence of str, optional
        The source of the pair that is judged.

    Examples
    --------
    >>> from tapbatch.compare.moves.priors import FREQ
    >>> believe([], FREQ).anew
    0
    """
    kept = [e for e in evidence if leave_out is None or e.source != tuple(leave_out)]
    (_, own_prior), (_, common_prior) = own_grid(priors), common_grid(priors)
    own, common = np.log(own_prior), np.log(common_prior)
    anew, stages = ([e for e in kept if e.kind == kind] for kind in ("anew", "stages"))
    for one in kept:
        own = own + np.array(one.own)
    for one in anew:
        common = common + len(anew) / (len(anew) + SLOW) * np.array(one.common)
    for one in stages:
        common = common + np.array(one.common) / (len(stages) + OF_STAGES)
    return Belief(_normal(own), _normal(common), len(anew), len(stages))


def _normal(logs: Floats) -> Floats:
    weights = np.exp(logs - logs.max())
    return np.asarray(weights / weights.sum())
