"""Many modes judged at once: whose scatter each may borrow, and which of them moved.

Conventions: the family is the modes of one part from one stage to another; variances in any squared unit.

*Scatter.* Five taps tell the variance of one mode to within a factor of two; the modes that the same hand struck at
the same time tell it together. How far they resemble one another is learned from their variances (Smyth, Statistical
Applications in Genetics and Molecular Biology 3, 2004): where they are alike each leans on all, where they are not
each stands alone. Fewer than four modes have too little to lean on. Two or three taps a side do not tell whether they
are alike: then a mode that seems to scatter more than the others keeps its own scatter.

*Verdicts.* With eight modes that stand still, each judged at 5 %, some mode is called moved at every third stage.
Holm (Scandinavian Journal of Statistics 6, 1979) keeps that at 5 % a stage: the surest move is judged as one of m,
the next as one of m - 1, and so on, until one fails. It needs no independence between modes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

FEWEST = 4
ENOUGH_DOF = 6.0


def moderated(variances: Sequence[float], dofs: Sequence[float]) -> tuple[list[float], list[float]]:
    """Return variances that lean on one another, and their degrees of freedom.

    Parameters
    ----------
    variances : sequence of float, above 0
        One for each mode, of one tap or of anything else that they share.
    dofs : sequence of float, as long
        The degrees of freedom with which each is known; a variance known exactly (infinite) neither leans nor is
        leant on.

    Returns
    -------
    variances, dofs : lists of float
        ``(d0 s0^2 + d s^2)/(d0 + d)`` and ``d0 + d``, the latter no more than all degrees of freedom together.

    Examples
    --------
    >>> moderated([1.0, 4.0], [4.0, 4.0])
    ([1.0, 4.0], [4.0, 4.0])
    >>> variances, dofs = moderated([1.0, 1.2, 0.8, 1.1], [8.0] * 4)
    >>> [round(v, 3) for v in variances], dofs
    ([1.025, 1.025, 1.025, 1.025], [32.0, 32.0, 32.0, 32.0])
    """
    known = [i for i, d in enumerate(dofs) if math.isfinite(d) and variances[i] > 0]
    if len(known) < FEWEST:
        return list(variances), list(dofs)
    prior, prior_dof = _prior([variances[i] for i in known], [dofs[i] for i in known])
    most = sum(dofs[i] for i in known)
    leaning, leaning_dofs = list(variances), list(dofs)
    for i in known:
        if math.isinf(prior_dof):
            leaning[i], leaning_dofs[i] = prior, most
        else:
            leaning[i] = (prior_dof * prior + dofs[i] * variances[i]) / (prior_dof + dofs[i])
            leaning_dofs[i] = min(prior_dof + dofs[i], most)
        if dofs[i] < ENOUGH_DOF:
            leaning[i] = max(leaning[i], variances[i])
    return leaning, leaning_dofs


def _prior(variances: Sequence[float], dofs: Sequence[float]) -> tuple[float, float]:
    import numpy as np
    from scipy.special import polygamma, psi

    half = np.array(dofs) / 2.0
    logs = np.log(variances) - psi(half) + np.log(half)
    centre = float(logs.mean())
    surplus = float(logs.var(ddof=1)) - float(polygamma(1, half).mean())
    if surplus <= 0:
        return sum(v * d for v, d in zip(variances, dofs, strict=True)) / sum(dofs), math.inf
    prior_dof = 2.0 * _inverse_trigamma(surplus)
    return math.exp(centre + float(psi(prior_dof / 2.0)) - math.log(prior_dof / 2.0)), prior_dof


def _inverse_trigamma(value: float) -> float:
    # Newton on 1/trigamma, which is convex and nearly straight: Smyth's appendix.
    from scipy.special import polygamma

    if value > 1e7:
        return 1.0 / math.sqrt(value)
    if value < 1e-6:
        return 1.0 / value
    y = 0.5 + 1.0 / value
    for _ in range(50):
        trigamma = float(polygamma(1, y))
        step = trigamma * (1.0 - trigamma / value) / float(polygamma(2, y))
        y += step
        if -step / y < 1e-8:
            break
    return y


def p_value(value: float, variance: float, dof: float) -> float:
    """Return how often chance alone gives a change as large, two-sided.

    Examples
    --------
    >>> round(p_value(2.776, 1.0, 4.0), 3), round(p_value(-1.96, 1.0, math.inf), 3)
    (0.05, 0.05)
    """
    from scipy.special import ndtr, stdtr

    ratio = -abs(value) / math.sqrt(variance) if variance > 0 else -math.inf
    return float(2.0 * (ndtr(ratio) if math.isinf(dof) else stdtr(dof, ratio)))


def holm(p_values: Sequence[float]) -> list[float]:
    """Return the p-values adjusted for their number: below 0.05 means moved, with 5 % for the whole family.

    Parameters
    ----------
    p_values : sequence of float
        One for each mode.

    Examples
    --------
    >>> [round(p, 3) for p in holm([0.01, 0.04, 0.03, 0.005])]
    [0.03, 0.06, 0.06, 0.02]
    """
    adjusted = [1.0] * len(p_values)
    most = 0.0
    for rank, i in enumerate(sorted(range(len(p_values)), key=lambda i: p_values[i])):
        most = max(most, min(1.0, (len(p_values) - rank) * p_values[i]))
        adjusted[i] = most
    return adjusted
