"""How the taps of one hand scatter: with the level of the blow, all modes together, each alone, from tap to tap.

Conventions: a *cell* is the taps of one recording in one set-up, an array of shape (taps, modes), NaN where a tap
does not tell a mode. Everything is learned from what taps do within a cell, over all cells of both stages, so nothing
that a set-up or a cut does enters.

*Softening.* A mode falls as the power of the blow grows. Its slope is drawn towards that of all modes, and that
towards the prior, because five taps of much the same loudness tell little of it.

*Scatter.* The part ``c`` that all modes share in a tap is their weighted mean; the rest is each mode's own, and its
variance is drawn towards those of the others (:func:`tapbatch.compare.multiple_testing.moderated`).

*Wandering.* Taps that follow one another resemble one another: ``rho`` is their lag-1 correlation, over five values
with a prior and the restricted likelihood of all modes (Harville, JASA 72, 1977). The variance of a mean of ``n``
taps is then ``g/n`` times that of one, ``g = 1 + 2 sum (1 - i/n) rho^i``, and the variance within a cell is too small
by ``(n - g)/(n - 1)``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from tapbatch.compare.moves.priors import Floats, Priors
from tapbatch.compare.multiple_testing import moderated

RHO = (0.0, 0.2, 0.4, 0.6, 0.8)
RHO_PRIOR = (0.46, 0.16, 0.13, 0.13, 0.12)
"""About half of the hands tap independently. Five taps hardly tell 0.6 from 0.8, so strong wandering, which costs
most where it is missed, is not made unlikely beforehand; independent taps exclude it by themselves. In earlier
trials, a model without wandering gave 11 to 22 % of false movers."""

MOST_LAGGED = 30
"""Longer cells are taken as this long where ``rho`` is estimated: the matrices grow with the square."""

LEAST_SCATTER = 0.05
"""Of the variance within cells, the least part that is taken for the hand's rather than noise."""


@dataclass(frozen=True, slots=True)
class Cell:
    """The taps of one recording in one set-up: ``values`` and ``variances`` (taps, modes), ``powers`` (taps,)."""

    values: Floats
    variances: Floats
    powers: Floats


@dataclass(frozen=True, slots=True)
class Scatter:
    """What the cells of two stages tell of the hand.

    ``slopes`` and ``slope_variances`` (modes,) say how much each mode falls at the hardest blow; ``slope_common`` is
    the variance that all slopes share, ``slope_typical`` their common value. ``own`` (modes,) is the variance of one
    tap, noise left out, ``noise`` (modes,) that of its noise; ``dof`` (modes,) tells how well it is known. ``common``
    is the variance that all modes share in a tap. ``rho`` (5,) is the probability of each ``RHO``.
    """

    slopes: Floats
    slope_variances: Floats
    slope_common: float
    slope_typical: float
    own: Floats
    noise: Floats
    dof: Floats
    common: float
    rho: Floats


def learn_scatter(cells: Sequence[Cell], priors: Priors) -> Scatter:
    """Return what the taps within cells tell of the hand.

    Parameters
    ----------
    cells : sequence of Cell, at least one
        Of both stages, with the same modes.
    priors : Priors
        Of the quantity.
    """
    counts = np.array([np.isfinite(c.values).sum(axis=0) for c in cells])
    dof = np.maximum(counts - 1, 0).sum(axis=0).astype(np.float64)
    noise = np.nanmean(np.concatenate([c.variances for c in cells]), axis=0)
    if not dof.any():
        unknown = np.full(noise.shape, priors.untold_scatter**2)
        slopes = np.full(noise.shape, priors.soft_mean)
        own_slope = np.full(noise.shape, priors.soft_own**2)
        never = np.full(noise.shape, np.inf)
        return Scatter(
            slopes,
            own_slope,
            priors.soft_common**2,
            priors.soft_mean,
            unknown,
            noise,
            never,
            0.0,
            np.array(RHO_PRIOR),
        )
    slopes, slope_variances, slope_common, typical = _slopes(cells, dof, priors)
    rests = [_within(c.values + slopes * c.powers[:, None]) for c in cells]
    common, own, own_rests, shared = _split(rests, dof)
    leaning, leaning_dof = _drawn_together(own, dof, len(own))
    hand = np.maximum(leaning - noise, LEAST_SCATTER * leaning)
    rho = _wandering(own_rests, shared, leaning, common)
    return Scatter(slopes, slope_variances, slope_common, typical, hand, noise, leaning_dof, common, rho)


def _middle(values: Floats) -> float:
    # For a few values, sorting is several times as fast as numpy's median.
    ordered = np.sort(values)
    return float(0.5 * (ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]))


def _within(values: Floats) -> Floats:
    told = np.isfinite(values)
    means = np.where(told, values, 0.0).sum(axis=0) / np.maximum(told.sum(axis=0), 1)
    return np.asarray(values - means)


def _slopes(cells: Sequence[Cell], dof: Floats, priors: Priors) -> tuple[Floats, Floats, float, float]:
    """Return each mode's slope, its own variance, the variance that all slopes share, and the common slope."""
    told = np.concatenate([np.isfinite(c.values) for c in cells])
    y = np.nan_to_num(np.concatenate([_within(c.values) for c in cells]))
    x = np.concatenate([_within(np.where(np.isfinite(c.values), c.powers[:, None], np.nan)) for c in cells])
    x = np.nan_to_num(x)
    sxx = (x * x).sum(axis=0) + 1e-9
    fitted = -(x * y).sum(axis=0) / sxx
    rest = (y + fitted * x) * told
    variance = float((rest**2).sum() / max(dof.sum() - dof.size, 1.0)) + 1e-12
    both = (rest.sum(axis=1) ** 2 - (rest**2).sum(axis=1)).sum() / max(dof.sum() * (dof.size - 1), 1.0)
    shared = float(np.clip(both, 0.0, variance))
    # The common scatter of the taps moves all fitted slopes alike, and does not average over modes.
    own = priors.soft_own**2 + max(variance - shared, 0.05 * variance) / sxx
    weights = 1.0 / own
    spread = 1.0 / weights.sum() + shared / float(sxx.mean())
    typical_share = priors.soft_common**2 / (priors.soft_common**2 + spread)
    found = float((weights * fitted).sum() / weights.sum())
    typical = priors.soft_mean + typical_share * (found - priors.soft_mean)
    drawn = priors.soft_own**2 / own
    slopes = typical + drawn * (fitted - typical)
    left = (1.0 - typical_share) * priors.soft_common**2
    return slopes, priors.soft_own**2 * (1.0 - drawn), left, typical


def _split(rests: Sequence[Floats], dof: Floats) -> tuple[float, Floats, list[Floats], list[Floats]]:
    """Return the variance that all modes share in a tap, each mode's own, and both series of each cell."""
    squares = sum(np.nansum(r * r, axis=0) for r in rests)
    own = squares / np.maximum(dof, 1.0) + 1e-12
    if own.size < 2:
        return 0.0, own, list(rests), [np.zeros(len(r)) for r in rests]
    every = np.concatenate(rests)
    told = np.isfinite(every)
    filled = np.where(told, every, 0.0)
    counts = np.concatenate([np.tile(np.maximum(np.isfinite(r).sum(axis=0), 1), (len(r), 1)) for r in rests])
    left_of_mean = (counts - 1) / counts
    series = np.zeros(len(every))
    for _ in range(2):
        weights = 1.0 / np.maximum(own, 0.1 * _middle(own))
        shares = np.where(told, weights, 0.0)
        shares /= np.maximum(shares.sum(axis=1, keepdims=True), 1e-12)
        series = (shares * filled).sum(axis=1)
        kept = np.where(told, (1.0 - shares) * left_of_mean, 0.0).sum(axis=0)
        squares = (np.where(told, filled - series[:, None], 0.0) ** 2).sum(axis=0)
        own = squares / np.maximum(kept, 0.3) + 1e-12
    ends = np.cumsum([len(r) for r in rests])[:-1]
    own_rests = np.split(every - series[:, None], ends)
    shared = [s - s.mean() for s in np.split(series, ends)]
    freedom = sum(max(len(s) - 1, 0) for s in shared)
    of_means = 1.0 / (1.0 / own).sum()
    total = sum(float(s @ s) for s in shared) / max(freedom, 1)
    return max(total - of_means, 0.2 * total), own, own_rests, shared


def _drawn_together(own: Floats, dof: Floats, modes: int) -> tuple[Floats, Floats]:
    shared = 1.0 - 1.0 / modes if modes > 1 else 1.0
    known = np.where(dof > 0, np.maximum(dof * shared, 1.0), 0.5)
    typical = _middle(own[dof > 0])
    leaning, dofs = moderated(np.where(dof > 0, own, typical).tolist(), known.tolist())
    return np.array(leaning), np.array(dofs)


# ------------------------------------------------------------- wandering


def inflation(n: int) -> Floats:
    """Return, for each ``RHO``, how much larger the variance of the mean of ``n`` taps is than it seems, shape (5,).

    Examples
    --------
    >>> inflation(5).round(1)
    array([ 1. ,  1.5,  2.4,  4.4, 10.5])
    """
    if n < 2:
        return np.ones(len(RHO))
    g = np.array([_growth(n, rho) for rho in RHO])
    return np.asarray(g * (n - 1) / (n - g))


def _growth(n: int, rho: float) -> float:
    i = np.arange(1, n)
    return float(1.0 + 2.0 * ((1.0 - i / n) * rho**i).sum())


@lru_cache(maxsize=64)
def _restricted(n: int) -> tuple[Floats, Floats]:
    """Return the matrices of the restricted quadratic forms of AR(1) series, and minus their log determinants.

    The shapes are (5, n, n) and (5,), one for each ``RHO``.
    """
    lag = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    forms, logs = [], []
    for rho in RHO:
        inverse = np.linalg.inv(rho**lag)
        ones = inverse.sum(axis=1)
        total = float(ones.sum())
        forms.append(inverse - np.outer(ones, ones) / total)
        logs.append(-0.5 * (n - 1) * np.log(1.0 - rho * rho) - 0.5 * np.log(total))
    return np.array(forms), np.array(logs)


def _wandering(own_rests: Sequence[Floats], shared: Sequence[Floats], own: Floats, common: float) -> Floats:
    """Return the probability of each ``RHO``, from the own series of all modes and the common one."""
    scaled = [rest / np.sqrt(own) for rest in own_rests]
    modes = len(own)
    logs = np.log(np.array(RHO_PRIOR))
    groups: list[list[Floats]] = [scaled]
    if modes > 1 and common > 0:
        groups.append([s[:, None] for s in shared])
    for group, share in zip(groups, ((modes - 1) / modes if modes > 1 else 1.0, 1.0), strict=False):
        logs = logs + share * _rho_likelihood(group)
    weights = np.exp(logs - logs.max())
    return np.asarray(weights / weights.sum())


def _rho_likelihood(series: Sequence[Floats]) -> Floats:
    """Return the logarithm of the restricted likelihood of each ``RHO``, from columns (taps, modes) of some cells."""
    # By length: the sum of the outer products of the columns, and their number.
    columns: dict[int, Floats] = {}
    number: dict[int, int] = {}
    for block in series:
        told = np.isfinite(block)
        lengths = told.sum(axis=0)
        for n in set(lengths[lengths > 1].tolist()):
            here = lengths == n
            taken = block.T[here][told.T[here]].reshape(-1, n)[:, :MOST_LAGGED]
            length = taken.shape[1]
            columns[length] = columns.get(length, 0.0) + taken.T @ taken
            number[length] = number.get(length, 0) + len(taken)
    if not columns:
        return np.zeros(len(RHO))
    freedom, determinants, squares = 0, np.zeros(len(RHO)), np.zeros(len(RHO))
    for length, products in columns.items():
        forms, logs = _restricted(length)
        freedom += number[length] * (length - 1)
        squares += (forms * products).sum(axis=(1, 2))
        determinants += number[length] * logs
    return np.asarray(determinants - 0.5 * freedom * np.log(np.maximum(squares, 0.0) + 1e-30))
