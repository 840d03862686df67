"""Predict what one more step of the same work would do to a mode, from the steps of that work already taken.

Conventions: positions and steps are in cents, upwards positive; variances are in cents squared; areas are in square
millimetres. A step leads from one stage to the next. The model of step ``i`` from stage ``a(i)`` to ``b(i)`` is::

    D_i = beta x_i + eta_i + e_b(i) - e_a(i),    eta_i ~ N(0, omega^2),    e_s ~ N(0, v_s), v_s known

``x_i`` is 1, or ``log2`` of the ratio of the opening areas if every stage has one. The latter is a power law of area
whose exponent ``beta / 1200`` is estimated, not assumed. (A thin hole of constant shape in a rigid box would give 300
cents a doubling; coupling to the wood lowers that, and thinning the wood beside the hole may reverse its sign.) Two
successive changes share a stage, whose reading error raises one and lowers the other, so their correlation can reach
-1/2. Generalised least squares accounts for this: if the last reading happens to be high, the next is expected to
come down again.

``omega``, the step-to-step scatter, is poorly known from three or four steps. A single estimate of it is not trusted:
the prediction is averaged over all its values, weighted by the restricted likelihood and by the prior
``1/(omega + s)``, where ``s`` is the typical error of a change. For accurately read steps this equals the textbook
prediction interval of Student's t with n - 1 degrees of freedom (Box & Tiao, Bayesian Inference in Statistical
Analysis, 1973, 2.4). If the steps differ by no more than their reading errors, the interval does not collapse to
zero.

The size of the next opening is not known either. A builder may remove the same area each time, or the same share of
the area each time. Both are considered, the first as the more likely, weighted by how evenly the openings so far grew
in either sense. With equal areas alone, openings that grow by equal shares passed their landing in 76 of 100 cases
where the stated chance was 14 %, and one prediction interval in five missed; with both it is 36, and one in 17.

The model fails if steps grow or shrink as work goes on (without areas), or if something other than the work moved the
mode between stages; the numbers cannot show that.
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
    """The position of a mode at a stage, the variance of that reading, and the opening area if it was noted."""

    cents: float
    variance: float
    area_mm2: float | None = None


@dataclass(frozen=True, slots=True)
class Spread:
    """A prediction, as a mixture of n normals: every array has shape (n,), and the ``weights`` sum to 1."""

    means: Floats
    variances: Floats
    weights: Floats

    @property
    def mean(self) -> float:
        """The expected value, in cents."""
        return float(self.weights @ self.means)

    def chance_above(self, value: float) -> float:
        """Return the probability, 0 to 1, that the predicted quantity lies above a value in cents.

        Examples
        --------
        >>> Spread(np.array([2.0]), np.array([1.0]), np.array([1.0])).chance_above(2.0)
        0.5
        """
        from scipy.special import ndtr

        return float(self.weights @ ndtr((self.means - value) / np.sqrt(self.variances)))

    def quantile(self, share: float) -> float:
        """Return the quantile of the prediction, in cents, at probability ``share``, 0 to 1 exclusive.

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
    """One assumption about the next opening: its regressor, variance, area step and weight.

    ``value`` is the regressor of the next step and ``variances`` are equally likely values of its variance.
    ``area_step_mm2`` is the change of area and ``weight`` the probability of this assumption. ``by_share`` says that
    later steps are equal in doublings of the area; otherwise they are equal in square millimetres.
    """

    value: float
    variances: Floats
    area_step_mm2: float | None
    weight: float
    by_share: bool = False

    def steps_over(self, doublings: float, area_mm2: float) -> float:
        """Return how many such steps change ``area_mm2`` by ``doublings``; negative if they lead the other way.

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
    """The predicted effect of one more step, in cents.

    ``step`` predicts the step itself, and ``landing`` where it ends relative to the latest reading. ``typical`` is
    the mean step of the model with its standard error, without the step-to-step scatter. ``steps`` is how many were
    used. ``per_doubling`` is ``beta`` in cents a doubling of the area and ``area_mm2`` the latest area, both ``None``
    without areas. ``openings`` are the assumptions about the next opening.
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
        if self.area_mm2 is None or self.per_doubling is None:
            return cents_to_go / self.typical.mean
        doublings, area = cents_to_go / self.per_doubling, self.area_mm2
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
    >>> round(outlook.step.mean, 1), outlook.low < 0 < outlook.high
    (10.0, False)
    >>> learn_steps(stages, [(0, 1), (1, 2)]) is None
    True
    """
    if len(steps) < FEWEST_STEPS:
        return None
    x, following = _regressor(stages, steps)
    fit, last = _fits(stages, steps, x), stages[-1]
    # The changes tell the true position of the mode better than the latest reading alone.
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
    """Return the probability that openings grow by equal shares rather than by equal differences.

    The prior probability is 1 %: a larger one warns too often where differences are equal, a smaller one too seldom
    where shares are equal. In either case the growth is taken as normal around its mean, in units of that mean, with
    a flat prior for the mean and ``1/sigma`` for the scale.
    """
    if not (np.all(taken > 0) or np.all(taken < 0)):
        return 0.0
    logs = []
    for steps in (taken, math.log(2.0) * doublings):
        mean = abs(float(steps.mean()))
        # No opening is measured to better than 1 % of what is removed.
        squares = len(steps) * (float((steps / mean).var()) + _LEAST_RELATIVE**2)
        logs.append(-0.5 * (len(steps) - 1) * math.log(squares) - len(steps) * math.log(mean))
    odds = logs[0] - (logs[1] - float(np.log(areas).sum()))
    return 1.0 / (1.0 + math.exp(min(odds, 700.0)) * (1.0 / _SHARES_BEFORE - 1.0))


def _unsure(dof: int) -> Floats:
    # A variance estimated from few values is uncertain: equally likely true values, relative to the estimate.
    from scipy.special import chdtri

    shares = (np.arange(_VARIANCES) + 0.5) / _VARIANCES
    return np.asarray(dof / chdtri(dof, shares))


# --------------------------------------------------------------- fitting


@dataclass(frozen=True, slots=True)
class _Fits:
    """The generalised least-squares fit at each ``omega``; every array has shape (g,).

    ``gain`` is the correction of the latest reading that the changes imply, ``gain_slope`` its derivative with
    respect to ``beta``, and ``gain_variance`` the resulting reduction of the variance of the position.
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
    # The covariance of (true position - reading) at the last stage with each change.
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
    # D_i contains + e of the stage it ends at and - e of the stage it starts from.
    signs = np.zeros((len(steps), len(stages)))
    for row, (a, b) in enumerate(steps):
        signs[row, a] -= 1.0
        signs[row, b] += 1.0
    return np.asarray(signs @ np.diag([s.variance for s in stages]) @ signs.T)
