"""Judge many modes at once: share their scatter estimates and decide which of them moved.

Conventions: the family is the modes of one part from one stage to another; variances are in any squared unit.

*Scatter.* Five taps give the variance of one mode only to within a factor of two. The modes struck by the same hand
at the same time give it better together. The model is Smyth's (Statistical Applications in Genetics and Molecular
Biology 3, 2004): the true variances of a family are ``s0^2 d0/chi^2(d0)``. All are equal where ``d0`` is infinite,
and unrelated where it is near zero. Eight modes do not determine ``d0``. A single value for it is sometimes too
confident and sometimes too cautious: with it, one stage in thirteen had a false mover among sixteen modes, and three
modes could not share their variances at all. So ``s0`` and ``d0`` are integrated over the values that the variances
allow (Gelman et al., Bayesian Data Analysis, 3rd ed., chapter 5). The prior of ``ln s0`` is flat. The prior of ``u``,
the standard deviation of the true ``ln`` variances, is exponential with mean 0.6: one mode usually scatters by less
than 1.4 times as much as the others, and seldom by three times as much. This prior is an assumption, and it matters
where modes or taps are few. It was chosen by simulation with families of 2 to 16 modes at 2, 3 and 5 taps a side, of
equal scatter or unequal by a factor of two, with the same scatter on both sides or not. These have a false mover at 1
to 6 of 100 stages. A wider prior misses more real moves; a narrower one gives more false movers.

*Verdicts.* With eight modes that stand still, each judged at 5 %, some mode is reported as moved at every third
stage. Holm's method (Scandinavian Journal of Statistics 6, 1979) keeps this rate at 5 % per stage: the most
significant move is judged as one of m, the next as one of m - 1, and so on, until one fails. It does not require the
modes to be independent.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise

FEWEST = 2
_ALIKE_DOF = 1e6
_UNLIKE = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0, 1.2, 1.5, 1.8, 2.2, 2.6, 3.0)
_USUALLY_UNLIKE = 0.6
_SPAN, _STEP = 6.0, 0.1


def moderated(variances: Sequence[float], dofs: Sequence[float]) -> tuple[list[float], list[float]]:
    """Return variances that are drawn towards one another, and their degrees of freedom.

    Parameters
    ----------
    variances : sequence of float, above 0
        One for each mode, for a single tap or any other unit that all modes share.
    dofs : sequence of float, as long
        The degrees of freedom of each variance. A variance known exactly (infinite) neither affects the others nor is
        affected by them.

    Returns
    -------
    variances, dofs : lists of float
        Those of the scaled inverse chi-square distribution whose precision has the posterior mean and variance of
        each. The degrees of freedom never exceed the sum over all modes. A single variance is returned unchanged.

    Examples
    --------
    >>> moderated([1.0, 4.0], [4.0, math.inf])
    ([1.0, 4.0], [4.0, inf])
    >>> variances, dofs = moderated([1.0, 1.2, 0.8, 4.0], [8.0] * 4)
    >>> [round(v, 1) for v in variances], [round(d) for d in dofs]
    ([1.2, 1.4, 1.1, 2.5], [10, 11, 9, 12])
    """
    known = [i for i, d in enumerate(dofs) if math.isfinite(d) and variances[i] > 0]
    leaning, leaning_dofs = list(variances), list(dofs)
    if len(known) < FEWEST:
        return leaning, leaning_dofs
    most = sum(dofs[i] for i in known)
    settled = _integrated([variances[i] for i in known], [dofs[i] for i in known])
    for i, (variance, dof) in zip(known, settled, strict=True):
        leaning[i], leaning_dofs[i] = variance, min(dof, most)
    return leaning, leaning_dofs


def _integrated(variances: Sequence[float], dofs: Sequence[float]) -> list[tuple[float, float]]:
    """Return each variance and its degrees of freedom, integrated over all values of ``d0`` and ``s0``."""
    import numpy as np
    from scipy.special import gammaln

    seen, dof = np.array(variances), np.array(dofs)
    prior_dof, unlikely = _prior_dofs()
    d0 = np.array(prior_dof)[:, None, None]
    s0 = float(np.median(seen)) * np.exp(np.arange(-_SPAN, _SPAN + _STEP / 2.0, _STEP))[None, :, None]
    # A variance divided by s0^2 is F distributed with d and d0 degrees of freedom. Terms that do not depend on d0 or
    # s0 are left out.
    half, scale = (dof + d0) / 2.0, d0 * s0
    total = scale + dof * seen
    logs = gammaln(half) - gammaln(d0 / 2.0) + d0 / 2.0 * np.log(scale) - half * np.log(total)
    logs = logs.sum(axis=2) - np.array(unlikely)[:, None]
    weights = np.exp(logs - logs.max())
    weights = (weights / weights.sum())[:, :, None]
    precision = 2.0 * half / total
    mean = (weights * precision).sum(axis=(0, 1))
    # The variance of a precision is its variance at known d0 and s0, plus the variance of its mean over both.
    spread = (weights * (precision**2 / half + (precision - mean) ** 2)).sum(axis=(0, 1))
    return [(float(1.0 / m), float(2.0 * m * m / v)) for m, v in zip(mean, spread, strict=True)]


@lru_cache(maxsize=1)
def _prior_dofs() -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return the possible values of ``d0``, and minus the logarithm of the prior probability of each."""
    edges = [0.0, *((a + b) / 2.0 for a, b in pairwise(_UNLIKE)), _UNLIKE[-1]]
    shares = [math.exp(-a / _USUALLY_UNLIKE) - math.exp(-b / _USUALLY_UNLIKE) for a, b in pairwise(edges)]
    dofs = tuple(2.0 * _inverse_trigamma(u * u) if u > 0 else _ALIKE_DOF for u in _UNLIKE)
    return dofs, tuple(-math.log(s) for s in shares)


def _inverse_trigamma(value: float) -> float:
    # Newton's method on 1/trigamma, which is convex and nearly straight (Smyth's appendix).
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


def holm(p_values: Sequence[float]) -> list[float]:
    """Return the p-values adjusted for their number; below 0.05 means moved, at 5 % for the whole family.

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
