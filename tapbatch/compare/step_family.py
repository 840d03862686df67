"""Learn what a step of one work does from the earlier instruments of a family.

Conventions: cents, and cents squared for variances, as in :mod:`tapbatch.compare.steps`; amounts are in the unit of
the work: doublings of the opening area, grams, millimetres, or 1 a step. They are divided by their root mean square
over the family, so that slopes are in cents a typical step. Step ``k`` counts from 0 on each instrument. The change
at step ``k`` of instrument ``i`` is::

    D = s_i x e^(g_i (k - c)) + eta + (reading errors of both ends)
    s_i ~ N(beta, tau^2),   g_i ~ N(gamma, kappa^2),   eta ~ N(0, (omega w)^2)

``c`` is the middle of all steps of the family. ``w`` is ``|x| e^(gamma (k - c))``, at least a third; by area it is 1
and there is no trend, as for an instrument alone. None of ``gamma``, ``omega``, ``tau``, ``kappa`` is known: all are
integrated over on a grid. At each point of it ``beta`` is fitted by generalised least squares and the point weighted
by the restricted likelihood (REML; Patterson & Thompson, Biometrika 58, 1971, 545-554). ``g_i`` enters to first
order. The random slope makes the trust in other instruments partial: the best linear prediction for one instrument
(Robinson, Statistical Science 6, 1991, 15-32) leans on the family while its own steps are few.

Priors: flat for ``beta``; half-t with three degrees of freedom and half the root mean square slope as its scale for
``tau`` (Gelman, Bayesian Analysis 1, 2006, 515-534, recommends a half-t); ``1/(omega + s)`` for ``omega``, with ``s``
the typical error of a change; ``N(0, 0.3^2)`` for ``gamma`` as for an instrument alone; half-normal with scale 0.1
for ``kappa``.

When it is wrong: instruments that are alike in the family's name alone; a work done in another way than before.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from tapbatch.compare.spread import Floats
from tapbatch.compare.step_course import Course, Unit
from tapbatch.compare.step_trend import GROWTH_SD, GROWTHS, LEAST_SIZE, half_t
from tapbatch.compare.steps import LEAST_VARIANCE, LEAST_WEIGHT

Index = NDArray[np.intp]

FEWEST_INSTRUMENTS = 2
"""Two instruments at least tell how far instruments differ."""

FEWEST_STEPS_TOGETHER = 4
"""With fewer steps on all of them, how far steps differ cannot be told from how far instruments do."""

_TAU_DOF = 3.0
_TAU_SCALE = 0.5
_KAPPA_SCALE = 0.1
_KEPT_POINTS = 500
_KEPT_SHARE = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """The points at which the unknown is tried: axes with the logarithm of their prior and spacing.

    ``growths`` are values of ``gamma``; ``kappas``, ``taus`` and ``omegas`` those of the other three, the last two in
    cents a typical step.
    """

    growths: Floats
    kappas: Floats
    taus: Floats
    omegas: Floats
    log_growths: Floats
    log_kappas: Floats
    log_taus: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Grams:
    """What the steps of one instrument tell at each ``gamma`` and ``omega``; arrays have shape (growths, omegas).

    ``products[..., i, j]`` is the product of columns ``i`` and ``j`` weighted by the inverse of the covariance of the
    changes: 0 the changes, 1 ``x e^(gamma (k - c))``, 2 that times ``k - c``, 3 the covariance of each change with
    the error of the last reading. ``log_dets`` is the logarithm of the determinant of the covariance.
    """

    products: Floats
    log_dets: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """The points of a grid that matter: indices of its axes, ``beta``, its variance and the weights; shape (p,)."""

    growth: Index
    kappa: Index
    tau: Index
    omega: Index
    beta: Floats
    variance: Floats
    weights: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Family:
    """What the earlier instruments of a family tell of the steps of one work.

    ``scale`` is the typical amount, ``centre`` the middle step, ``size`` the root mean square slope in cents.
    ``amounts`` are those of all steps used, in units of ``scale`` (by area, the changes of area in mm2), and
    ``unevenness`` is the variance of those of one instrument over the square of their mean. ``instruments`` is how
    many taught, ``longest`` the most steps of one of them; ``opposed`` tells whether one surely rose and another
    surely fell.
    """

    unit: Unit
    grid: Grid
    points: Points
    scale: float
    centre: float
    size: float
    amounts: tuple[float, ...]
    unevenness: float
    instruments: int
    longest: int
    opposed: bool


@lru_cache(maxsize=32)
def learn_family(courses: tuple[Course, ...], unit: Unit, grid: Grid | None = None) -> Family | None:
    """Return what earlier instruments tell; ``None`` if they are too few, or have too few steps with an amount.

    Parameters
    ----------
    courses
        The steps of each earlier instrument.
    unit
        The unit of the amounts; steps without an amount are left out.
    grid
        The points to try; by default those of the priors above.

    Examples
    --------
    >>> def course(*changes):
    ...     cents = [sum(changes[:n]) for n in range(len(changes) + 1)]
    ...     return Course(tuple(At(c, 0.04) for c in cents), tuple((n, n + 1) for n in range(len(changes))))
    >>> from tapbatch.compare.steps import At
    >>> family = learn_family((course(14.0, 15.0, 17.0), course(11.0, 10.0, 12.0), course(14.0, 13.0)), "step")
    >>> family.instruments, family.longest, family.opposed, round(family.size)
    (3, 3, False, 13)
    >>> learn_family((course(14.0, 15.0, 17.0),), "step") is None
    True
    """
    used = [(c, kept) for c in courses if (kept := [n for n, x in enumerate(c.amounts(unit)) if x is not None])]
    steps = sum(len(kept) for _, kept in used)
    if len(used) < FEWEST_INSTRUMENTS or steps < FEWEST_STEPS_TOGETHER:
        return None
    amounts = [abs(x) for c, _ in used for x in c.amounts(unit) if x is not None]
    scale = float(np.sqrt(np.mean(np.square(amounts))))
    centre = float(np.mean([n for _, kept in used for n in kept]))
    size = math.sqrt(float(np.mean([_slope(c, kept, unit, scale) ** 2 for c, kept in used])))
    size = max(size, LEAST_SIZE)
    errors = float(np.median(np.concatenate([np.diag(c.errors)[kept] for c, kept in used])))
    grid = grid or _grid(size, math.sqrt(max(errors, LEAST_VARIANCE)), trend=unit != "doubling")
    grams = [grams_of(c, unit, scale, centre, grid) for c, _ in used]
    points = _points(grams, grid)
    taken = [_taken(c, kept, unit, scale) for c, kept in used]
    ups = [_chance_up(g, points) for g in grams]
    return Family(
        unit=unit,
        grid=grid,
        points=points,
        scale=scale,
        centre=centre,
        size=size,
        amounts=tuple(x for each in taken for x in each),
        unevenness=_unevenness(taken),
        instruments=len(used),
        longest=max(len(kept) for _, kept in used),
        opposed=max(ups) > 0.975 and min(ups) < 0.025,
    )


def grams_of(course: Course, unit: Unit, scale: float, centre: float, grid: Grid) -> Grams:
    """Return what the steps of one instrument tell; steps without an amount are left out."""
    noted = course.amounts(unit)
    kept = [n for n, x in enumerate(noted) if x is not None]
    x = np.array([noted[n] for n in kept], dtype=np.float64) / scale
    place = np.array(kept, dtype=np.float64) - centre
    sizes = np.exp(grid.growths[:, None] * place[None])
    shape = (len(grid.growths), len(grid.omegas))
    if not kept:
        return Grams(np.zeros((*shape, 4, 4)), np.zeros(shape))
    widths = np.ones_like(sizes) if unit == "doubling" else np.maximum(np.abs(x), LEAST_WEIGHT) * sizes
    scatter = grid.omegas[None, :, None] ** 2 * widths[:, None, :] ** 2 + LEAST_VARIANCE
    total = course.errors[np.ix_(kept, kept)] + scatter[..., None] * np.eye(len(kept))
    last = len(course.stages) - 1
    of_last = np.array([(a == last) - (b == last) for a, b in course.steps], dtype=np.float64)[kept]
    columns = [course.changes[kept], x * sizes, x * sizes * place, course.stages[last].variance * of_last]
    stacked = np.stack([np.broadcast_to(c, sizes.shape) for c in columns], axis=-1)[:, None]
    stacked = np.broadcast_to(stacked, (*shape, *stacked.shape[2:]))
    products = np.swapaxes(stacked, -1, -2) @ np.linalg.solve(total, stacked)
    return Grams(products, np.linalg.slogdet(total)[1])


def _slope(course: Course, kept: Sequence[int], unit: Unit, scale: float) -> float:
    x = np.array([course.amounts(unit)[n] for n in kept], dtype=np.float64) / scale
    return float(x @ course.changes[list(kept)] / (x @ x))


def _taken(course: Course, kept: Sequence[int], unit: Unit, scale: float) -> list[float]:
    if unit != "doubling":
        return [x / scale for n in kept if (x := course.amounts(unit)[n]) is not None]
    pairs = [(course.stages[a].area_mm2 or 0.0, course.stages[b].area_mm2 or 0.0) for a, b in course.steps]
    return [pairs[n][1] - pairs[n][0] for n in kept]


def _unevenness(taken: Sequence[Sequence[float]]) -> float:
    several = [np.array(each) for each in taken if len(each) > 1]
    squares = sum(float(np.sum((x / x.mean() - 1.0) ** 2)) for x in several if abs(x.mean()) > 0.0)
    return squares / max(sum(len(x) - 1 for x in several), 1)


def _grid(size: float, error: float, *, trend: bool) -> Grid:
    """Return the points that the priors call for; see the conventions of this module."""
    growths = GROWTHS if trend else np.zeros(1)
    kappas = np.array([0.0, 0.05, 0.1, 0.15, 0.25]) if trend else np.zeros(1)
    widths = np.array([0.025, 0.05, 0.05, 0.075, 0.1]) if trend else np.ones(1)
    taus = np.exp(np.linspace(math.log(0.03), math.log(5.0), 12))
    density = half_t(taus, _TAU_SCALE, _TAU_DOF)
    # The points of ``tau`` are evenly spaced in their logarithm, those of ``omega`` in that of ``omega + s``.
    omegas = np.exp(np.linspace(math.log(error), math.log(error + 2.0 * size), 12)) - error
    return Grid(
        growths=growths,
        kappas=kappas,
        taus=taus * size,
        omegas=omegas,
        log_growths=-0.5 * (growths / GROWTH_SD) ** 2,
        log_kappas=np.log(widths) - 0.5 * (kappas / _KAPPA_SCALE) ** 2,
        log_taus=np.log(density * taus),
    )


def _points(grams: Sequence[Grams], grid: Grid) -> Points:
    """Fit ``beta`` at every point of the grid, and return the points that matter."""
    shape = (len(grid.growths), len(grid.omegas), len(grid.kappas), len(grid.taus))
    log_det, dd, ud, uu = (np.zeros(shape) for _ in range(4))
    for of_one in grams:
        own = _with_random(of_one, grid)
        log_det, dd, ud, uu = (total + part for total, part in zip((log_det, dd, ud, uu), own, strict=True))
    beta = ud / uu
    log_weight = (
        -0.5 * (log_det + np.log(uu) + dd - ud * beta)
        + grid.log_growths[:, None, None, None]
        + grid.log_kappas[None, None, :, None]
        + grid.log_taus
    )
    weights = np.exp(log_weight - log_weight.max()).ravel()
    kept = np.flatnonzero(weights > _KEPT_SHARE)
    order = kept[np.argsort(-weights[kept], kind="stable")[:_KEPT_POINTS]]
    g, o, k, t = np.unravel_index(order, shape)
    return Points(
        growth=g,
        kappa=k,
        tau=t,
        omega=o,
        beta=beta.ravel()[order],
        variance=1.0 / uu.ravel()[order],
        weights=weights[order] / weights[order].sum(),
    )


def _with_random(grams: Grams, grid: Grid) -> tuple[Floats, Floats, Floats, Floats]:
    """Return log determinant and products with the random growth and slope of an instrument in its covariance.

    Each adds the outer product of a column, so both follow from the products (Sherman & Morrison, 1950).
    """
    p = grams.products[:, :, None, :3, :3]
    slope = grams.products[..., 0, 1] / grams.products[..., 1, 1]
    added = grid.kappas[None, None, :] ** 2 * slope[..., None] ** 2
    below = 1.0 + added * p[..., 2, 2]
    p = p - (added / below)[..., None, None] * p[..., :, 2, None] * p[..., None, 2, :]
    log_det = (grams.log_dets[..., None] + np.log(below))[..., None]
    p = p[..., None, :, :]
    under = 1.0 + grid.taus**2 * p[..., 1, 1]
    share = grid.taus**2 / under
    dd = p[..., 0, 0] - share * p[..., 0, 1] ** 2
    return log_det + np.log(under), dd, p[..., 0, 1] / under, p[..., 1, 1] / under


def _chance_up(grams: Grams, points: Points) -> float:
    """Return the chance that the steps of one instrument raise the mode, from these steps alone."""
    at = grams.products[points.growth, points.omega]
    scores = at[:, 0, 1] / np.sqrt(at[:, 1, 1])
    return float(points.weights @ [0.5 * math.erfc(-z / math.sqrt(2.0)) for z in scores.tolist()])
