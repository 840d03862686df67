"""What one more step of the same work would do to a mode, learned from the steps of that work already taken.

Conventions: positions and steps in cents, upwards positive, variances in cents squared, areas in square millimetres.
A step leads from one stage to the next. The model of the steps ``i`` from stage ``a(i)`` to stage ``b(i)``::

    D_i = beta x_i + eta_i + e_b(i) - e_a(i),    eta_i ~ N(0, omega^2),    e_s ~ N(0, v_s), v_s known

``x_i`` is 1, or ``log2`` of the ratio of the opening areas where every stage has one: a power law of area, whose
exponent ``beta / 1200`` is learned and not assumed (a thin hole of constant shape in a rigid box would have 300 cents
a doubling; coupled to the wood it has less, and thinning the wood beside the hole may turn its sign). Two successive
changes share a stage, whose reading error enters one upwards and the other downwards, so they are correlated by up to
-1/2: generalised least squares counts that, and so the reading that ended the last step, if it happened to be high,
is expected to come down again.

``omega``, how much a step differs from step to step, is hardly known from three or four steps. It is not estimated
and then believed: the prediction is averaged over all its values, weighted by the restricted likelihood and by the
prior ``1/(omega + s)``, ``s`` the typical error of a change. For steps that are well read this is the textbook
prediction interval of Student's t with n - 1 degrees of freedom (Box & Tiao, Bayesian Inference in Statistical
Analysis, 1973, 2.4); where the steps differ by no more than their readings do, it does not collapse to nothing.

How large the next opening will be is not known either. A builder may take off as much each time, or the same share
each time; both are held possible, the first rather, weighted by how evenly the openings so far grew by the one and by
the other. Taken for differences alone, openings that grow by equal shares passed their landing in 76 of 100 cases
where the chance was said to be 14 %, and one prediction interval in five missed; with both it is 36, and one in 17.

It breaks where steps grow or shrink as work goes on (without areas), and where other things than the work moved the
mode between the stages: nothing in the numbers tells.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Model = Literal["plain", "area"]

FEWEST_STEPS = 3
SURE = 0.95
_GRID = 120
_VARIANCES = 6
_WIDEST = 60.0
_LEAST_VARIANCE = 1e-6
_LEAST_RELATIVE = 0.01
_SHARES_BEFORE = 0.01


@dataclass(frozen=True, slots=True)
class At:
    """Where a mode lies at a stage, the variance of that reading, and the area of the opening where it was noted."""

    cents: float
    variance: float
    area_mm2: float | None = None


@dataclass(frozen=True, slots=True)
class Spread:
    """A prediction: normals of equal number of ``means`` and ``variances``, with ``weights`` that sum to 1."""

    means: Floats
    variances: Floats
    weights: Floats

    @property
    def mean(self) -> float:
        """The expected value."""
        return float(self.weights @ self.means)

    def chance_above(self, value: float) -> float:
        """Return the chance that what is predicted lies above a value.

        Examples
        --------
        >>> Spread(np.array([2.0]), np.array([1.0]), np.array([1.0])).chance_above(2.0)
        0.5
        """
        from scipy.special import ndtr

        return float(self.weights @ ndtr((self.means - value) / np.sqrt(self.variances)))

    def quantile(self, share: float) -> float:
        """Return the value below which what is predicted falls with a chance of ``share``, 0 to 1 exclusive.

        Examples
        --------
        >>> round(Spread(np.array([2.0]), np.array([1.0]), np.array([1.0])).quantile(0.975), 3)
        3.96
        """
        reach = 60.0 * float(np.sqrt(self.variances.max()))
        low, high = float(self.means.min()) - reach, float(self.means.max()) + reach
        for _ in range(80):
            middle = 0.5 * (low + high)
            if 1.0 - self.chance_above(middle) < share:
                low = middle
            else:
                high = middle
        return 0.5 * (low + high)


@dataclass(frozen=True, slots=True)
class Following:
    """The regressor of the next step, its variance (some values, all as likely), the step of area, and how likely.

    ``by_share`` tells whether the steps after it are as large in doublings, else they are in square millimetres.
    """

    value: float
    variances: Floats
    area_step_mm2: float | None
    weight: float
    by_share: bool = False

    def steps_over(self, doublings: float, area_mm2: float) -> float:
        """Return how many such steps change an area by so many doublings; below zero where they lead away.

        Examples
        --------
        >>> by_share = Following(0.5, np.zeros(1), 41.4, 1.0, by_share=True)
        >>> round(by_share.steps_over(1.0, 100.0), 1)
        2.0
        >>> round(Following(0.5, np.zeros(1), 41.4, 1.0).steps_over(1.0, 100.0), 1)
        2.4
        """
        if self.by_share or self.area_step_mm2 is None:
            return doublings / self.value
        return float(area_mm2 * (2.0 ** min(doublings, 10.0) - 1.0) / self.area_step_mm2)


@dataclass(frozen=True, slots=True)
class Outlook:
    """What one more step would do.

    ``step`` predicts the step itself, ``landing`` where it ends, relative to the latest reading; ``typical`` is the
    step of the model without its scatter (its error, not a prediction). ``per_doubling`` is ``beta`` in cents a
    doubling of the area, ``None`` without areas; ``area_mm2`` is the latest, ``openings`` how the next may follow.
    """

    step: Spread
    landing: Spread
    typical: Spread
    steps: int
    model: Model
    area_mm2: float | None = None
    per_doubling: float | None = None
    openings: tuple[Following, ...] = ()

    @property
    def low(self) -> float:
        """Lower bound of the 95 % prediction interval of the step."""
        return self.step.quantile(0.025)

    @property
    def high(self) -> float:
        """Upper bound of the 95 % prediction interval of the step."""
        return self.step.quantile(0.975)

    def overshoot(self, cents_to_go: float, tolerance_cents: float) -> float:
        """Return the chance that the next step carries the mode past a landing.

        Parameters
        ----------
        cents_to_go : float
            From the latest reading to the landing.
        tolerance_cents : float
            How far from the landing still counts as landed, 0 or more.

        Returns
        -------
        float
            0 to 1: that the step ends beyond the tolerance on the far side of the landing; from within the tolerance,
            that it ends outside it, on whichever side.
        """
        above = self.landing.chance_above(cents_to_go + tolerance_cents)
        below = 1.0 - self.landing.chance_above(cents_to_go - tolerance_cents)
        if abs(cents_to_go) <= tolerance_cents:
            return above + below
        return above if cents_to_go > 0 else below

    def steps_to_go(self, cents_to_go: float) -> float | None:
        """Return how many such steps lead to a landing; ``None`` where it is not sure (19 in 20) that they do."""
        upwards = self.typical.chance_above(0.0)
        if (upwards if cents_to_go > 0 else 1.0 - upwards) < SURE:
            return None
        if self.area_mm2 is None or self.per_doubling is None:
            return cents_to_go / self.typical.mean
        doublings, area = cents_to_go / self.per_doubling, self.area_mm2
        steps = sum(one.weight * one.steps_over(doublings, area) for one in self.openings)
        # An opening that is being closed can be closed but once.
        return steps if steps >= 0 else None


def learn_steps(stages: Sequence[At], steps: Sequence[tuple[int, int]]) -> Outlook | None:
    """Return what one more step would do after the last of the stages.

    Parameters
    ----------
    stages : sequence of At
        Positions of one mode, relative to anything; the last is where the next step begins.
    steps : sequence of (int, int)
        From and to, indices into ``stages``: the steps of the work to be learned, each its own change.

    Returns
    -------
    Outlook or None
        ``None`` with fewer than three steps.

    Examples
    --------
    >>> stages = [At(c, 0.04) for c in (0.0, 9.0, 21.0, 30.0)]
    >>> outlook = learn_steps(stages, [(0, 1), (1, 2), (2, 3)])
    >>> round(outlook.step.mean, 1), outlook.low < 0 < outlook.high
    (10.0, False)
    >>> learn_steps(stages, [(0, 1), (1, 2)]) is None
    True
    """
    if len(steps) < FEWEST_STEPS:
        return None
    x, following = _regressor(stages, steps)
    fit, last = _fits(stages, steps, x), stages[-1]
    # Where the mode truly is, given the changes: known better than the latest reading alone says.
    placed = np.maximum(last.variance - fit.gain_variance, 0.0)
    ahead, ends, typical = [], [], []
    for one in following:
        z, share = one.value, one.weight * fit.weights
        own = fit.omega**2 + fit.beta**2 * one.variances[:, None]
        at_end = placed + (z - fit.gain_slope) ** 2 * fit.beta_variance
        ahead.append(_spread(z * fit.beta, own + z**2 * fit.beta_variance, share))
        ends.append(_spread(z * fit.beta + fit.gain, own + at_end, share))
        typical.append(_spread(z * fit.beta, z**2 * fit.beta_variance[None, :], share))
    openings = tuple(one for one in following if one.area_step_mm2 is not None)
    return Outlook(
        step=_together(ahead),
        landing=_together(ends),
        typical=_together(typical),
        steps=len(steps),
        model="area" if openings else "plain",
        area_mm2=last.area_mm2 if openings else None,
        per_doubling=float(fit.weights @ fit.beta) if openings else None,
        openings=openings,
    )


def _spread(means: Floats, variances: Floats, weights: Floats) -> Spread:
    rows = len(variances)
    flat = np.maximum(variances, _LEAST_VARIANCE).ravel()
    return Spread(np.tile(means, rows), flat, np.tile(weights, rows) / rows)


def _together(spreads: Sequence[Spread]) -> Spread:
    return Spread(*(np.concatenate([getattr(s, name) for s in spreads]) for name in Spread.__slots__))


# ----------------------------------------------------------------- areas


def _regressor(stages: Sequence[At], steps: Sequence[tuple[int, int]]) -> tuple[Floats, list[Following]]:
    plain = np.ones(len(steps)), [Following(1.0, np.zeros(1), None, 1.0)]
    latest = stages[-1].area_mm2
    pairs = [(stages[a].area_mm2, stages[b].area_mm2) for a, b in steps]
    known = [(a, b) for a, b in pairs if a is not None and b is not None and a > 0 and b > 0 and a != b]
    if latest is None or latest <= 0 or len(known) < len(pairs):
        return plain
    taken = np.array([b - a for a, b in known])
    step = float(taken.mean())
    if abs(step) < 1e-9 or latest + step <= 0:
        return plain
    x = np.array([math.log2(b / a) for a, b in known])
    unsure = _unsure(len(taken) - 1) * (1.0 + 1.0 / len(taken))
    slope = 1.0 / (math.log(2.0) * (latest + step))
    alike = _chance_of_shares(taken, x, np.array([b for _, b in known]))
    as_much = Following(
        math.log2((latest + step) / latest), slope**2 * float(taken.var(ddof=1)) * unsure, step, 1.0 - alike
    )
    share = float(x.mean())
    as_share = Following(share, float(x.var(ddof=1)) * unsure, latest * (2.0**share - 1.0), alike, by_share=True)
    return x, [one for one in (as_much, as_share) if one.weight > 0]


def _chance_of_shares(taken: Floats, doublings: Floats, areas: Floats) -> float:
    """Return the chance that openings grow by equal shares rather than by equal differences.

    Before any is seen it is 1 %: with more, days of equal differences are warned of too often, with less, days of
    equal shares too seldom. Normal around a mean, either in units of that mean, its place flat and its scale unknown
    (``1/sigma``).
    """
    if not (np.all(taken > 0) or np.all(taken < 0)):
        return 0.0
    logs = []
    for steps in (taken, math.log(2.0) * doublings):
        mean = abs(float(steps.mean()))
        # No opening is measured to better than a hundredth of what is taken off.
        squares = len(steps) * (float((steps / mean).var()) + _LEAST_RELATIVE**2)
        logs.append(-0.5 * (len(steps) - 1) * math.log(squares) - len(steps) * math.log(mean))
    odds = logs[0] - (logs[1] - float(np.log(areas).sum()))
    return 1.0 / (1.0 + math.exp(min(odds, 700.0)) * (1.0 / _SHARES_BEFORE - 1.0))


def _unsure(dof: int) -> Floats:
    # A variance from few values may be far off: what it may truly be, relative to the estimate, at equal chances.
    from scipy.special import chdtri

    shares = (np.arange(_VARIANCES) + 0.5) / _VARIANCES
    return np.asarray(dof / chdtri(dof, shares))


# --------------------------------------------------------------- fitting


@dataclass(frozen=True, slots=True)
class _Fits:
    """The generalised least squares at each ``omega``, each array of shape (g,).

    ``gain`` is what the changes say of the error of the latest reading; ``gain_slope`` and ``gain_variance`` are what
    of it hangs on ``beta``, and by how much it narrows the place of the mode.
    """

    omega: Floats
    beta: Floats
    beta_variance: Floats
    gain: Floats
    gain_slope: Floats
    gain_variance: Floats
    weights: Floats


def _fits(stages: Sequence[At], steps: Sequence[tuple[int, int]], x: Floats) -> _Fits:
    changes = np.array([stages[b].cents - stages[a].cents for a, b in steps])
    errors = _errors(stages, steps)
    last = len(stages) - 1
    # The covariance of (true place - reading) at the last stage with each change.
    common = np.array([stages[last].variance * ((a == last) - (b == last)) for a, b in steps], dtype=np.float64)
    least = math.sqrt(max(float(np.median(np.diag(errors))), _LEAST_VARIANCE))
    widest = _WIDEST * max(least, float(np.sqrt(np.mean(changes**2))))
    omega = np.exp(np.linspace(math.log(least), math.log(least + widest), _GRID)) - least
    total = errors + omega[:, None, None] ** 2 * np.eye(len(steps)) + _LEAST_VARIANCE * np.eye(len(steps))
    sides = np.linalg.solve(total, np.broadcast_to(np.stack([changes, x, common], axis=1), (_GRID, len(steps), 3)))
    information = sides[:, :, 1] @ x
    beta = sides[:, :, 1] @ changes / information
    rest = changes - beta[:, None] * x
    misfit = np.einsum("gi,gi->g", rest, sides[:, :, 0] - beta[:, None] * sides[:, :, 1])
    likelihood = -0.5 * (np.linalg.slogdet(total)[1] + np.log(information) + misfit)
    weights = np.exp(likelihood - likelihood.max())
    return _Fits(
        omega=omega,
        beta=beta,
        beta_variance=1.0 / information,
        gain=np.einsum("gi,gi->g", rest, sides[:, :, 2]),
        gain_slope=sides[:, :, 2] @ x,
        gain_variance=sides[:, :, 2] @ common,
        weights=weights / weights.sum(),
    )


def _errors(stages: Sequence[At], steps: Sequence[tuple[int, int]]) -> Floats:
    # D_i holds + e of the stage it leads to and - e of the one it comes from.
    signs = np.zeros((len(steps), len(stages)))
    for row, (a, b) in enumerate(steps):
        signs[row, a] -= 1.0
        signs[row, b] += 1.0
    return np.asarray(signs @ np.diag([s.variance for s in stages]) @ signs.T)
