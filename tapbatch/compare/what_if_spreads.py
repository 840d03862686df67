"""Spreads of what if: what warmth does, and how several effects go together.

Conventions: cents, and cents squared for variances; as in :mod:`tapbatch.compare.spread`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tapbatch.box.air import air_mode_cents, vapour_cents
from tapbatch.compare.spread import Floats, Spread
from tapbatch.compare.step_pooled import gathered
from tapbatch.compare.weighing import ROOM_PCT, warmth_cents
from tapbatch.model.history import Extent

WOOD_UNSURE = 0.3
"""Standard deviation of what warmth does to wood, as a share of it (an assumption: species differ)."""

_LEAST_VARIANCE = 1e-6


def warmth(from_c: float, to_c: float, shares: Floats, pct: float | None = None) -> Spread:
    """Return what warmth does to a mode, in cents.

    Parameters
    ----------
    from_c, to_c
        Temperatures in degrees Celsius.
    shares
        Values of the air's share in the mode, 0 to 1, all as likely.
    pct
        Relative humidity in per cent; half of what the air can hold if it is not known.

    Examples
    --------
    Air alone rises by 2.95 to 3.15 cents a kelvin, wood alone falls by 2.

    >>> [round(warmth(20.0, 21.0, np.array([share])).middle, 2) for share in (1.0, 0.0)]
    [3.05, -1.99]
    """
    damp = ROOM_PCT if pct is None else pct
    dry = air_mode_cents(from_c, to_c)
    moist = dry + vapour_cents(to_c, damp) - vapour_cents(from_c, damp)
    air, air_sd = (dry + moist) / 2.0, abs(moist - dry) / 2.0
    wood = warmth_cents(from_c, to_c, "plate")
    means = shares * air + (1.0 - shares) * wood
    variances = (shares * air_sd) ** 2 + ((1.0 - shares) * wood * WOOD_UNSURE) ** 2
    return Spread(means, np.maximum(variances, _LEAST_VARIANCE), np.full(len(means), 1.0 / len(means)))


def normal(mean: float, variance: float) -> Spread:
    """Return one normal distribution."""
    return Spread(np.array([mean]), np.array([max(variance, _LEAST_VARIANCE)]), np.ones(1))


def summed(spreads: Sequence[Spread]) -> Spread:
    """Return the spread of a sum of independent quantities.

    Examples
    --------
    >>> one = Spread(np.array([2.0]), np.array([3.0]), np.ones(1))
    >>> both = summed([one, one])
    >>> round(both.middle, 6), float(both.variances[0])
    (4.0, 6.0)
    """
    total = spreads[0]
    for other in spreads[1:]:
        total = gathered(
            np.add.outer(total.means, other.means).ravel(),
            np.add.outer(total.variances, other.variances).ravel(),
            np.multiply.outer(total.weights, other.weights).ravel(),
        )
    return total


def mixed(one: Spread, other: Spread) -> Spread:
    """Return what is one of two spreads, each as likely.

    Examples
    --------
    >>> low = Spread(np.array([0.0]), np.array([1.0]), np.ones(1))
    >>> mixed(low, Spread(np.array([10.0]), np.array([1.0]), np.ones(1))).chance_above(5.0)
    0.5
    """
    return Spread(
        np.concatenate([one.means, other.means]),
        np.concatenate([one.variances, other.variances]),
        np.concatenate([one.weights, other.weights]) / 2.0,
    )


def extent_of(spread: Spread) -> Extent:
    """Return the median of a spread and its 95 % interval."""
    return Extent(spread.middle, spread.quantile(0.025), spread.quantile(0.975))
