"""Predict what the next step does from a family's earlier instruments and from the steps of this one.

Conventions: those of :mod:`tapbatch.compare.step_family`. At each point of the family's grid this instrument's slope
has the prior ``N(beta, tau^2 + var beta)`` and its growth ``N(gamma, kappa^2)``; its own steps then weigh every
growth and move the slope, so the more of them there are, the less the family counts. The prediction is the mixture
over all points.

One instrument in a hundred is taken to be unlike its family: its slope then has a prior of twice the typical size
either way, and its growth and scatter are as open as those of an instrument alone. This hardly changes what is said
before the first cut, but two cuts that go another way are soon believed.

How much the next step will be is not known either. It is like the steps so far: of this instrument if three or more
have their amount noted, else of the family as well. How uneven they are is learned from both.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tapbatch.compare.spread import Floats, Spread
from tapbatch.compare.step_areas import Following
from tapbatch.compare.step_course import Course, Unit
from tapbatch.compare.step_family import Family, Index, grams_of, learn_family
from tapbatch.compare.step_trend import Path
from tapbatch.compare.steps import FEWEST_STEPS, LEAST_VARIANCE, LEAST_WEIGHT, Outlook

UNLIKE = 0.01
UNLIKE_SIZE = 2.0

_UNITS: tuple[Unit, ...] = ("doubling", "gram", "millimetre", "step")
_LEAST_KAPPA = 1e-3
_LEAST_SHARE = 1e-7
_LEAST_STEP = 1e-9
_TINY = 1e-300
_BINS = 50.0
_WIDTHS = 1000
_LENT = 4


def family_of(earlier: Sequence[Course], own: Course) -> Family | None:
    """Return what earlier instruments tell of the next step of this one; ``None`` if they are too few.

    The first of opening area, grams, millimetres and steps is taken that at least half of their steps have noted, and
    all of this instrument; by area, all but the one that opened it.
    """
    for unit in _UNITS:
        ours = own.amounts(unit)
        theirs = [x for course in earlier for x in course.amounts(unit)]
        if 2 * theirs.count(None) > len(theirs):
            continue
        # A closed box has no opening to be doubled.
        if None in (ours[1:] if unit == "doubling" else ours) or (unit == "doubling" and not own.stages[-1].area_mm2):
            continue
        family = learn_family(tuple(earlier), unit)
        if family is not None and (unit != "doubling" or _following(own, family) is not None):
            return family
    return None


def outlook_pooled(own: Course, family: Family) -> Outlook:
    """Return the predicted effect of the next step of an instrument, given its own steps and its family's.

    Parameters
    ----------
    own
        The steps of this instrument, possibly none; the next one starts from its last stage.
    family
        What the earlier instruments tell.

    Examples
    --------
    >>> from tapbatch.compare.steps import At
    >>> def course(*changes):
    ...     cents = [sum(changes[:n]) for n in range(len(changes) + 1)]
    ...     return Course(tuple(At(c, 0.04) for c in cents), tuple((n, n + 1) for n in range(len(changes))))
    >>> family = family_of([course(14.0, 15.0, 17.0), course(11.0, 10.0, 12.0), course(14.0, 13.0)], course())
    >>> first = outlook_pooled(course(), family)
    >>> round(first.step.middle), round(first.low), round(first.high)
    (13, 1, 24)
    """
    amount, unsure = _next_amount(own, family)
    every = _every(own, family, amount)
    own_step = every.own + every.slope**2 * every.size**2 * unsure
    middles = every.ahead * every.slope
    following = _following(own, family) if family.unit == "doubling" else None
    return Outlook(
        step=gathered(middles, own_step + every.ahead**2 * every.variance, every.weights),
        landing=gathered(
            middles + every.gain,
            own_step + every.placed + (every.ahead - every.gain_slope) ** 2 * every.variance,
            every.weights,
        ),
        typical=gathered(middles, every.ahead**2 * every.variance, every.weights),
        steps=len(own.steps),
        model="family",
        area_mm2=own.stages[-1].area_mm2,
        per_doubling=float(every.weights @ every.slope) / family.scale if following else None,
        openings=(following,) if following else (),
        path=None
        if following
        else Path(np.where(middles == 0.0, _LEAST_STEP, middles), every.growths, every.weights),
        known_ahead=max(family.longest - len(own.steps), 0),
    )


def effect_pooled(own: Course, family: Family, amount: float) -> tuple[Spread, Spread]:
    """Return what a step of a known amount does, and where it ends relative to the latest reading, both in cents.

    Parameters
    ----------
    own, family
        As for :func:`outlook_pooled`.
    amount
        How much the step is, in the unit of the family. By area, a step larger than a typical one scatters in
        proportion: nobody knows how its parts go together.

    Examples
    --------
    >>> from tapbatch.compare.step_course import Taken
    >>> from tapbatch.compare.steps import At
    >>> def course(*changes):
    ...     cents = [sum(changes[:n]) for n in range(len(changes) + 1)]
    ...     steps = tuple((n, n + 1) for n in range(len(changes)))
    ...     return Course(tuple(At(c, 0.04) for c in cents), steps, (Taken(grams=2.0),) * len(steps))
    >>> family = learn_family((course(14.0, 15.0, 13.0), course(15.0, 14.0), course(14.0, 13.0)), "gram")
    >>> [round(effect_pooled(course(), family, grams)[0].middle) for grams in (1.0, 2.0)]
    [7, 14]
    """
    ahead = amount / family.scale
    every = _every(own, family, ahead)
    middles = every.ahead * every.slope
    scatter = every.own * (max(1.0, abs(ahead)) ** 2 if family.unit == "doubling" else 1.0)
    at_end = scatter + every.placed + (every.ahead - every.gain_slope) ** 2 * every.variance
    return (
        gathered(middles, scatter + every.ahead**2 * every.variance, every.weights),
        gathered(middles + every.gain, at_end, every.weights),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Every:
    """What each pair of a point and a growth of this instrument says; arrays have shape (m,).

    ``slope`` and ``variance`` are of this instrument's slope, ``ahead`` what it is multiplied by at the next step,
    and ``size`` the trend's part of that. ``own`` is the variance of the next step itself, ``placed`` that of the
    position of the mode. ``gain`` and ``gain_slope`` are as in :mod:`tapbatch.compare.steps`.
    """

    slope: Floats
    variance: Floats
    ahead: Floats
    size: Floats
    own: Floats
    placed: Floats
    gain: Floats
    gain_slope: Floats
    growths: Floats
    weights: Floats


def _every(own: Course, family: Family, amount: float) -> _Every:
    grid = family.grid
    grams = grams_of(own, family.unit, family.scale, family.centre, grid)
    before = _priors(family)
    told = grams.products[before.growth, before.omega]
    dd, ud, uu, of_last = told[:, 0, 0], told[:, 0, 1], told[:, 1, 1], told[:, 3, :]
    below = 1.0 + before.variance * uu
    apart = ud - before.mean * uu
    misfit = dd - 2.0 * before.mean * ud + before.mean**2 * uu - before.variance * apart**2 / below
    logs = before.log_weights - 0.5 * (grams.log_dets[before.growth, before.omega] + np.log(below) + misfit)
    logs = logs - logs.max()
    kept = np.flatnonzero(logs > math.log(_LEAST_SHARE))
    weights = np.exp(logs[kept])
    slope = (before.mean + before.variance * apart / below)[kept]
    growths, of_last = grid.growths[before.growth[kept]], of_last[kept]
    size = np.exp(growths * (len(own.steps) - family.centre))
    width = np.ones_like(size) if family.unit == "doubling" else max(abs(amount), LEAST_WEIGHT) * size
    return _Every(
        slope=slope,
        variance=(before.variance / below)[kept],
        ahead=amount * size,
        size=size,
        own=grid.omegas[before.omega[kept]] ** 2 * width**2,
        placed=np.maximum(own.stages[-1].variance - of_last[:, 3], 0.0),
        gain=of_last[:, 0] - of_last[:, 1] * slope,
        gain_slope=of_last[:, 1],
        growths=growths,
        weights=weights / weights.sum(),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Priors:
    """What is believed of an instrument before its first step: mean and variance of its slope at each pair.

    A pair is a growth and a scatter: ``growth`` and ``omega`` are indices into the grid. Every array has shape (m,).
    """

    growth: Index
    omega: Index
    mean: Floats
    variance: Floats
    log_weights: Floats


def _priors(family: Family) -> _Priors:
    """Return the priors of an instrument like its family, then those of one unlike it."""
    grid, points = family.grid, family.points
    chances = _growths_of_one(family)
    p, like_growth = np.nonzero(chances > _LEAST_SHARE)
    like = np.log((1.0 - UNLIKE) * points.weights[p] * chances[p, like_growth])
    growth, omega = (each.ravel() for each in np.indices((len(grid.growths), len(grid.omegas))))
    trend = np.exp(grid.log_growths - grid.log_growths.max())
    unlike = np.log(UNLIKE * trend[growth] / trend.sum() / len(grid.omegas) + _TINY)
    return _Priors(
        growth=np.concatenate([like_growth, growth]),
        omega=np.concatenate([points.omega[p], omega]),
        mean=np.concatenate([points.beta[p], np.zeros(len(growth))]),
        variance=np.concatenate(
            [
                points.variance[p] + grid.taus[points.tau[p]] ** 2,
                np.full(len(growth), (UNLIKE_SIZE * family.size) ** 2),
            ]
        ),
        log_weights=np.concatenate([like, unlike]),
    )


def _growths_of_one(family: Family) -> Floats:
    """Return the chance of each growth of one instrument at each point, shape (points, growths)."""
    growths, kappas = family.grid.growths, family.grid.kappas[family.points.kappa]
    apart = growths[None, :] - growths[family.points.growth][:, None]
    alike = np.isclose(apart, 0.0).astype(np.float64)
    spread = np.exp(-0.5 * (apart / np.maximum(kappas, _LEAST_KAPPA)[:, None]) ** 2)
    chances = np.where(kappas[:, None] > 0.0, spread, alike)
    return np.asarray(chances / chances.sum(axis=1, keepdims=True))


# ------------------------------------------------------------ the next amount


def _next_amount(own: Course, family: Family) -> tuple[float, float]:
    """Return how much the next step is likely to be, and the variance of that, in units of the family's scale."""
    if family.unit == "step":
        return 1.0, 0.0
    if family.unit == "doubling":
        step, variance = _like(_areas_taken(own), family)
        area = own.stages[-1].area_mm2 or 1.0
        slope = 1.0 / (math.log(2.0) * (area + step))
        return math.log2((area + step) / area) / family.scale, slope**2 * variance / family.scale**2
    return _like([x / family.scale for x in own.amounts(family.unit) if x is not None], family)


def _like(ours: Sequence[float], family: Family) -> tuple[float, float]:
    if len(ours) < FEWEST_STEPS:
        values = np.array((*ours, *family.amounts))
        return float(values.mean()), float(values.var(ddof=1)) * (1.0 + 1.0 / len(values))
    values = np.array(ours)
    mean, free = float(values.mean()), len(values) - 1
    # Three amounts may be alike by chance: how uneven those of the others are counts as four more.
    squares = float(np.sum((values - mean) ** 2)) + _LENT * family.unevenness * mean**2
    return mean, squares / (free + _LENT) * (1.0 + 1.0 / len(values))


def _areas_taken(own: Course) -> list[float]:
    areas = [(own.stages[a].area_mm2, own.stages[b].area_mm2) for a, b in own.steps]
    return [b - a for a, b in areas if a and b and a != b]


def _following(own: Course, family: Family) -> Following | None:
    """Return the next opening, as for an instrument alone; ``None`` if it would be closed by it."""
    area = own.stages[-1].area_mm2 or 0.0
    step, _ = _like(_areas_taken(own), family)
    if area + step <= 0.0 or abs(step) < 1e-9:
        return None
    return Following(math.log2((area + step) / area), np.zeros(1), step, 1.0)


# ------------------------------------------------------------ mixtures


def gathered(means: Floats, variances: Floats, weights: Floats) -> Spread:
    """Return a mixture of thousands of normals as one of a few hundred, with those alike joined by their moments.

    Examples
    --------
    >>> len(gathered(np.zeros(1000), np.ones(1000), np.full(1000, 0.001)).means)
    1
    """
    variances = np.maximum(variances, LEAST_VARIANCE)
    middle = float(weights @ means)
    whole = math.sqrt(float(weights @ (variances + (means - middle) ** 2)))
    where = np.round((means - middle) / whole * _BINS).astype(np.int64)
    wide = np.round(4.0 * np.log(variances)).astype(np.int64)
    _, bins = np.unique(where * _WIDTHS + wide, return_inverse=True)
    share = np.bincount(bins, weights)
    kept = share > _LEAST_SHARE
    mean = np.bincount(bins, weights * means)[kept] / share[kept]
    square = np.bincount(bins, weights * (variances + means**2))[kept] / share[kept]
    return Spread(mean, np.maximum(square - mean**2, LEAST_VARIANCE), share[kept] / share[kept].sum())
