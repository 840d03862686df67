"""Predict what one more step of the same work would do to a mode, from the steps of that work already taken.

Conventions: positions and steps are in cents, upwards positive; variances are in cents squared; areas are in square
millimetres. A step leads from one stage to the next. The model of step ``i`` from stage ``a(i)`` to ``b(i)`` is::

    D_i = beta x_i + eta_i + e_b(i) - e_a(i),    e_s ~ N(0, v_s), v_s known

``x_i`` follows a trend that is integrated over (:mod:`tapbatch.compare.step_trend`, which also has ``eta_i``), or is
``log2`` of the ratio of the opening areas if three steps or more have one on both sides, and the latest stage has
one; steps without are then left out. The latter is a power law of area whose exponent
``beta / 1200`` is estimated, not assumed. (A thin hole of constant shape in a rigid box would give 300 cents a
doubling; coupling to the wood lowers that, and thinning the wood beside the hole may reverse its sign.) Two
successive changes share a stage, whose reading error raises one and lowers the other, so their correlation can reach
-1/2. Generalised least squares accounts for this: if the last reading happens to be high, the next is expected to
come down again.

The step-to-step scatter is poorly known from three or four steps. A single estimate of it is not trusted: the
prediction is averaged over all its values, weighted by the restricted likelihood and by a prior. With areas,
``eta_i ~ N(0, omega^2)`` and the prior is ``1/(omega + s)``, where ``s`` is the typical error of a change. For
accurately read steps this equals the textbook prediction interval of Student's t with n - 1 degrees of freedom
(Box & Tiao, Bayesian Inference in Statistical Analysis, 1973, 2.4). If the steps differ by no more than their reading
errors, the interval does not collapse to zero.

The size of the next opening is not known either: :mod:`tapbatch.compare.step_areas`.

The model fails if something other than the work moved the mode between stages; the numbers cannot show that.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np

from tapbatch.compare.spread import Floats, Spread
from tapbatch.compare.step_areas import Following, openings_of
from tapbatch.compare.step_trend import Path, trends_of

Model = Literal["plain", "area", "family", "box"]


class Further(Protocol):
    """What physics says of openings farther off than the next."""

    def doublings(self, cents: float) -> float | None:
        """Return the doublings of the area that take a mode so many cents up; ``None`` if none does."""


FEWEST_STEPS = 3
SURE = 0.95
LEAST_VARIANCE = 1e-6
"""No step counts as known better than this, in cents squared, so that no covariance is singular."""

LEAST_WEIGHT = 1.0 / 3.0
"""A step much smaller than a typical one scatters by at least this share of what a typical one does."""

_GRID = 120
_WIDEST = 60.0


@dataclass(frozen=True, slots=True)
class At:
    """The position of a mode at a stage, the variance of that reading, and the opening area if it was noted."""

    cents: float
    variance: float
    area_mm2: float | None = None


@dataclass(frozen=True, slots=True)
class Outlook:
    """The predicted effect of one more step, in cents.

    A trend that may be there makes large values more likely than small ones, so the middle of a prediction is its
    median.
    ``step`` predicts the step itself, and ``landing`` where it ends relative to the latest reading. ``typical`` is
    the mean step of the model with its standard error, without the step-to-step scatter. ``steps`` is how many were
    used. ``per_doubling`` is ``beta`` in cents a doubling of the area and ``area_mm2`` the latest area, both ``None``
    without areas. ``openings`` are the assumptions about the next opening; ``path`` is how steps go on without areas.
    ``known_ahead`` is how many further steps other instruments of the family have gone. ``further`` is the physics of
    the box, where it is known.
    """

    step: Spread
    landing: Spread
    typical: Spread
    steps: int
    model: Model
    area_mm2: float | None = None
    per_doubling: float | None = None
    openings: tuple[Following, ...] = ()
    path: Path | None = None
    known_ahead: int = 0
    further: Further | None = None

    @property
    def low(self) -> float:
        """Lower bound of the 95 % prediction interval of the step, in cents."""
        return self.step.quantile(0.025)

    @property
    def high(self) -> float:
        """Upper bound of the 95 % prediction interval of the step, in cents."""
        return self.step.quantile(0.975)

    def overshoot(self, cents_to_go: float, tolerance_cents: float) -> float:
        """Return the probability that the next step carries the mode past a landing.

        Parameters
        ----------
        cents_to_go : float
            From the latest reading to the landing, positive upwards.
        tolerance_cents : float
            Distance from the landing that still counts as on target, 0 or more.

        Returns
        -------
        float
            0 to 1: the probability that the step ends beyond the tolerance on the far side of the landing. If the
            mode is already within the tolerance: the probability that it ends outside, on either side.
        """
        above = self.landing.chance_above(cents_to_go + tolerance_cents)
        below = 1.0 - self.landing.chance_above(cents_to_go - tolerance_cents)
        if abs(cents_to_go) <= tolerance_cents:
            return above + below
        return above if cents_to_go > 0 else below

    def steps_to_go(self, cents_to_go: float) -> float | None:
        """Return how many such steps reach a landing; ``None`` if it is not 95 % sure that they lead towards it."""
        upwards = self.typical.chance_above(0.0)
        if (upwards if cents_to_go > 0 else 1.0 - upwards) < SURE:
            return None
        if self.path is not None:
            return self.path.steps_to(cents_to_go)
        assert self.area_mm2 is not None
        area = self.area_mm2
        if self.further is not None:
            known = self.further.doublings(cents_to_go)
            if known is None:
                return None
            doublings = known
        else:
            assert self.per_doubling is not None
            doublings = cents_to_go / self.per_doubling
        steps = sum(one.weight * one.steps_over(doublings, area) for one in self.openings)
        # An opening that is being closed can only be closed once.
        return steps if steps >= 0 else None


def learn_steps(stages: Sequence[At], steps: Sequence[tuple[int, int]]) -> Outlook | None:
    """Return the predicted effect of one more step after the last stage.

    Parameters
    ----------
    stages : sequence of At
        Positions of one mode, from any common reference; the next step starts at the last.
    steps : sequence of (int, int)
        The steps to learn from, each as (from, to), indices into ``stages``.

    Returns
    -------
    Outlook or None
        ``None`` if there are fewer than three steps.

    Examples
    --------
    >>> stages = [At(c, 0.04) for c in (0.0, 9.0, 21.0, 30.0)]
    >>> outlook = learn_steps(stages, [(0, 1), (1, 2), (2, 3)])
    >>> round(outlook.step.middle, 1), outlook.low < 0 < outlook.high
    (9.8, False)
    >>> learn_steps(stages, [(0, 1), (1, 2)]) is None
    True
    """
    if len(steps) < FEWEST_STEPS:
        return None
    noted = [(a, b) for a, b in steps if stages[a].area_mm2 is not None and stages[b].area_mm2 is not None]
    by_area = openings_of([stage.area_mm2 for stage in stages], noted) if len(noted) >= FEWEST_STEPS else None
    used = steps if by_area is None else noted
    changes = np.array([stages[b].cents - stages[a].cents for a, b in used])
    return _evenly(stages, used, changes) if by_area is None else _with_areas(stages, used, changes, *by_area)


def effect_alone(
    stages: Sequence[At], steps: Sequence[tuple[int, int]], amounts: Floats, ahead: float, *, grows: bool
) -> tuple[Spread, Spread]:
    """Return what a step of a known amount does, and where it ends relative to the latest reading, both in cents.

    Parameters
    ----------
    stages, steps : sequence
        As for :func:`learn_steps`; three steps at least.
    amounts : ndarray
        How much each step was, shape (n,), none zero.
    ahead : float
        How much the next one is, in the same unit.
    grows : bool
        Whether the scatter of a step grows with its amount, down to a third of what a typical one does; otherwise
        steps scatter alike, and only one larger than a typical one more.

    Examples
    --------
    >>> stages = [At(c, 0.04) for c in (0.0, 10.0, 19.0, 30.0)]
    >>> steps = [(0, 1), (1, 2), (2, 3)]
    >>> [round(effect_alone(stages, steps, np.ones(3), x, grows=True)[0].middle) for x in (0.5, 1.0, 2.0)]
    [5, 10, 20]
    """
    changes = np.array([stages[b].cents - stages[a].cents for a, b in steps])
    typical = float(np.sqrt(np.mean(amounts**2)))
    widths = np.maximum(np.abs(amounts) / typical, LEAST_WEIGHT) if grows else np.ones_like(amounts)
    width = max(abs(ahead) / typical, LEAST_WEIGHT if grows else 1.0)
    omega = _omegas(stages, steps, changes)
    x = np.broadcast_to(amounts, (len(omega), len(amounts)))
    fit = _fits(stages, steps, changes, x, omega[:, None] ** 2 * widths**2, np.zeros(len(omega)))
    own = omega**2 * width**2
    at_end = _placed(stages, fit) + (ahead - fit.gain_slope) ** 2 * fit.beta_variance
    return (
        _spread(ahead * fit.beta, (own + ahead**2 * fit.beta_variance)[None], fit.weights),
        _spread(ahead * fit.beta + fit.gain, (own + at_end)[None], fit.weights),
    )


def _evenly(stages: Sequence[At], steps: Sequence[tuple[int, int]], changes: Floats) -> Outlook:
    """Return the outlook without areas: steps go on level, shrinking or growing."""
    trends = trends_of(changes)
    fit = _fits(stages, steps, changes, trends.sizes, trends.scatters, trends.log_prior)
    placed, z = _placed(stages, fit), trends.following
    own, unsure = trends.scatter_following[None], (z**2 * fit.beta_variance)[None]
    at_end = (placed + (z - fit.gain_slope) ** 2 * fit.beta_variance)[None]
    return Outlook(
        step=_spread(z * fit.beta, own + unsure, fit.weights),
        landing=_spread(z * fit.beta + fit.gain, own + at_end, fit.weights),
        typical=_spread(z * fit.beta, unsure, fit.weights),
        steps=len(steps),
        model="plain",
        path=Path(z * fit.beta, trends.growths, fit.weights),
    )


def _with_areas(
    stages: Sequence[At], steps: Sequence[tuple[int, int]], changes: Floats, x: Floats, following: Sequence[Following]
) -> Outlook:
    """Return the outlook where all openings are noted."""
    omega = _omegas(stages, steps, changes)
    alike = np.ones((len(omega), 1))
    fit = _fits(stages, steps, changes, alike * x, omega[:, None] ** 2 * np.ones_like(x), np.zeros(len(omega)))
    placed = _placed(stages, fit)
    ahead, ends, typical = [], [], []
    for one in following:
        z, share = one.value, one.weight * fit.weights
        own = omega**2 + fit.beta**2 * one.variances[:, None]
        at_end = placed + (z - fit.gain_slope) ** 2 * fit.beta_variance
        ahead.append(_spread(z * fit.beta, own + z**2 * fit.beta_variance, share))
        ends.append(_spread(z * fit.beta + fit.gain, own + at_end, share))
        typical.append(_spread(z * fit.beta, z**2 * fit.beta_variance[None, :], share))
    return Outlook(
        step=_together(ahead),
        landing=_together(ends),
        typical=_together(typical),
        steps=len(steps),
        model="area",
        area_mm2=stages[-1].area_mm2,
        per_doubling=float(fit.weights @ fit.beta),
        openings=tuple(following),
    )


def _placed(stages: Sequence[At], fit: _Fits) -> Floats:
    # The changes tell the true position of the mode better than the latest reading alone.
    return np.asarray(np.maximum(stages[-1].variance - fit.gain_variance, 0.0))


def _spread(means: Floats, variances: Floats, weights: Floats) -> Spread:
    rows = len(variances)
    flat = np.maximum(variances, LEAST_VARIANCE).ravel()
    return Spread(np.tile(means, rows), flat, np.tile(weights, rows) / rows)


def _together(spreads: Sequence[Spread]) -> Spread:
    return Spread(*(np.concatenate([getattr(s, name) for s in spreads]) for name in Spread.__slots__))


# --------------------------------------------------------------- fitting


@dataclass(frozen=True, slots=True)
class _Fits:
    """The generalised least-squares fit at each point of a grid; every array has shape (g,).

    ``gain`` is the correction of the latest reading that the changes imply, ``gain_slope`` its derivative with
    respect to ``beta``, and ``gain_variance`` the resulting reduction of the variance of the position.
    """

    beta: Floats
    beta_variance: Floats
    gain: Floats
    gain_slope: Floats
    gain_variance: Floats
    weights: Floats


def _omegas(stages: Sequence[At], steps: Sequence[tuple[int, int]], changes: Floats) -> Floats:
    """Return the grid of ``omega``; its spacing is the prior ``1/(omega + s)``."""
    least = math.sqrt(max(float(np.median(np.diag(errors_of(stages, steps)))), LEAST_VARIANCE))
    widest = _WIDEST * max(least, float(np.sqrt(np.mean(changes**2))))
    return np.asarray(np.exp(np.linspace(math.log(least), math.log(least + widest), _GRID)) - least)


def _fits(
    stages: Sequence[At],
    steps: Sequence[tuple[int, int]],
    changes: Floats,
    x: Floats,
    scatters: Floats,
    log_prior: Floats,
) -> _Fits:
    """Fit ``beta`` at each point of a grid: ``x`` and ``scatters`` have shape (g, n), ``log_prior`` (g,)."""
    count, last = len(steps), len(stages) - 1
    # The covariance of (true position - reading) at the last stage with each change.
    common = np.array([stages[last].variance * ((a == last) - (b == last)) for a, b in steps], dtype=np.float64)
    total = errors_of(stages, steps) + (scatters + LEAST_VARIANCE)[:, :, None] * np.eye(count)
    columns = np.stack([np.broadcast_to(changes, x.shape), x, np.broadcast_to(common, x.shape)], axis=2)
    sides = np.linalg.solve(total, columns)
    information = np.einsum("gi,gi->g", sides[:, :, 1], x)
    beta = sides[:, :, 1] @ changes / information
    rest = changes - beta[:, None] * x
    misfit = np.einsum("gi,gi->g", rest, sides[:, :, 0] - beta[:, None] * sides[:, :, 1])
    likelihood = log_prior - 0.5 * (np.linalg.slogdet(total)[1] + np.log(information) + misfit)
    weights = np.exp(likelihood - likelihood.max())
    return _Fits(
        beta=beta,
        beta_variance=1.0 / information,
        gain=np.einsum("gi,gi->g", rest, sides[:, :, 2]),
        gain_slope=np.einsum("gi,gi->g", sides[:, :, 2], x),
        gain_variance=sides[:, :, 2] @ common,
        weights=weights / weights.sum(),
    )


def errors_of(stages: Sequence[At], steps: Sequence[tuple[int, int]]) -> Floats:
    """Return the covariance of the reading errors of changes: each has that of its end and minus that of its start.

    Examples
    --------
    >>> errors_of([At(0.0, 1.0), At(0.0, 2.0), At(0.0, 1.0)], [(0, 1), (1, 2)]).tolist()
    [[3.0, -2.0], [-2.0, 3.0]]
    """
    signs = np.zeros((len(steps), len(stages)))
    for row, (a, b) in enumerate(steps):
        signs[row, a] -= 1.0
        signs[row, b] += 1.0
    return np.asarray(signs @ np.diag([s.variance for s in stages]) @ signs.T)
