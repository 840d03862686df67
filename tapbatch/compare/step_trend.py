"""How steps of one work may go on: evenly, shrinking or growing, each with its prior.

Conventions: step ``i`` of ``n`` counts from 0, its middle is ``(n - 1) / 2``, and changes are in cents. Steps follow
``beta e^(gamma (i - middle))``: each is ``e^gamma`` times the one before. A step differs from that by a share of its
own size, ``eta_i ~ N(0, (rel s e^(gamma (i - middle)))^2)``, where ``s`` is the root mean square of the steps seen,
each over its trend.

Neither ``gamma`` nor ``rel`` is known from a few steps, so both are integrated over. The prior of ``gamma`` is
``N(0, 0.3^2)``: no trend is the most likely, and two steps in three grow or shrink by less than a third. That of
``rel`` is a half-t with four degrees of freedom and scale 0.25: a maker's cuts usually agree to a quarter, and now
and then to no more than a half. Both were settled on simulated days of voicing with steps that stay level, shrink to
0.6 to 0.98 of the one before, or grow by 2 to 30 %, and judged on others. ``beta`` is flat at the middle step, where
it hardly depends on ``gamma``.

When it is wrong: a trend that turns, such as steps that first grow and then shrink.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tapbatch.compare.spread import Floats

GROWTH_SD = 0.3
GROWTHS = np.linspace(-0.75, 0.75, 31)
"""The values of ``gamma`` that are tried, two and a half standard deviations of its prior either way."""

LEAST_SIZE = 1e-3
"""No typical step counts as smaller than this, in cents, so that nothing is divided by zero."""

RELATIVE_SCALE = 0.25
RELATIVE_DOF = 4.0

_RELATIVES = np.exp(np.linspace(np.log(0.02), np.log(1.5), 10))


@dataclass(frozen=True, slots=True)
class Trends:
    """A grid of ``g`` ways in which ``n`` steps may follow one another.

    ``growths`` (g,) are values of ``gamma``; ``sizes`` (g, n) is the size of each step over that of the middle one,
    ``following`` (g,) that of the next. ``scatters`` (g, n) and ``scatter_following`` (g,) are the variances from
    step to step, in cents squared; ``log_prior`` (g,) is the logarithm of the prior, up to a constant.
    """

    growths: Floats
    sizes: Floats
    following: Floats
    scatters: Floats
    scatter_following: Floats
    log_prior: Floats


def trends_of(changes: Floats) -> Trends:
    """Return the grid of trends for the steps seen.

    Parameters
    ----------
    changes
        The steps in order, in cents, shape (n,), at least two.

    Examples
    --------
    >>> trends = trends_of(np.array([10.0, 10.0, 10.0]))
    >>> trends.sizes.shape, trends.following.shape
    ((310, 3), (310,))
    """
    count = len(changes)
    place = np.arange(count) - (count - 1) / 2.0
    growths, relatives = (grid.ravel() for grid in np.meshgrid(GROWTHS, _RELATIVES, indexing="ij"))
    sizes = np.exp(growths[:, None] * place[None])
    following = np.exp(growths * (count + 1) / 2.0)
    size = np.maximum(np.sqrt(np.mean((changes[None] / sizes) ** 2, axis=1)), LEAST_SIZE)
    own = (relatives * size) ** 2
    # The points of ``rel`` are evenly spaced in their logarithm, hence the factor ``rel``.
    density = half_t(relatives, RELATIVE_SCALE, RELATIVE_DOF)
    log_prior = np.log(density * relatives) - 0.5 * (growths / GROWTH_SD) ** 2
    return Trends(growths, sizes, following, own[:, None] * sizes**2, own * following**2, log_prior)


def half_t(values: Floats, scale: float, dof: float) -> Floats:
    """Return the density of a half-t prior at values of 0 or more, up to a constant factor.

    Parameters
    ----------
    values
        Of any shape, in the unit of ``scale``.
    scale, dof
        Scale and degrees of freedom, both above 0.

    Examples
    --------
    >>> half_t(np.array([0.0, 1.0]), 1.0, 1.0).tolist()
    [1.0, 0.5]
    """
    return np.asarray((1.0 + (values / scale) ** 2 / dof) ** (-(dof + 1.0) / 2.0))


@dataclass(frozen=True, slots=True)
class Path:
    """Where further steps lead: the next step in cents and ``gamma``, with weights, each of shape (g,)."""

    first: Floats
    growths: Floats
    weights: Floats

    def steps_to(self, cents_to_go: float) -> float | None:
        """Return how many further steps reach a place, as the weighted median; ``None`` if most never do.

        Examples
        --------
        >>> one = np.ones(1)
        >>> Path(10.0 * one, 0.0 * one, one).steps_to(25.0)
        2.5
        >>> halving = Path(10.0 * one, np.log(0.5) * one, one)
        >>> round(halving.steps_to(15.0), 6), halving.steps_to(21.0) is None
        (2.0, True)
        """
        ratio = cents_to_go / self.first
        level = np.abs(self.growths) < 1e-9
        growth = np.where(level, 1.0, self.growths)
        inside = 1.0 + ratio * np.expm1(growth)
        with np.errstate(invalid="ignore", divide="ignore"):
            steps = np.where(level, ratio, np.log(inside) / growth)
        steps = np.where((ratio > 0) & (level | (inside > 0)), steps, np.inf)
        order = np.argsort(steps, kind="stable")
        middle = order[np.searchsorted(np.cumsum(self.weights[order]), 0.5 * self.weights.sum())]
        return float(steps[middle]) if np.isfinite(steps[middle]) else None
