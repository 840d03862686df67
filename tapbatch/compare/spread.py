"""A prediction as a mixture of normal distributions: its quantiles, and the chance to exceed a value.

Conventions: means and quantiles are in the unit of the quantity, variances in its square; probabilities are 0 to 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_REACH = 60.0
"""Standard deviations beyond the outermost means within which a quantile is looked for."""

_CLOSE = 1e-9
"""How near a quantile is found, in standard deviations of the widest normal."""

_MOST_TURNS = 200
"""More than halving alone would take from end to end."""


@dataclass(frozen=True, slots=True)
class Spread:
    """A mixture of n normals: every array has shape (n,), and the ``weights`` sum to 1."""

    means: Floats
    variances: Floats
    weights: Floats

    @property
    def middle(self) -> float:
        """The median."""
        return self.quantile(0.5)

    def chance_above(self, value: float) -> float:
        """Return the probability, 0 to 1, that the predicted quantity lies above a value in its unit.

        Examples
        --------
        >>> Spread(np.array([2.0]), np.array([1.0]), np.array([1.0])).chance_above(2.0)
        0.5
        """
        below = (value - self.means) / np.sqrt(2.0 * self.variances)
        return float(self.weights @ [math.erfc(x) / 2.0 for x in below.tolist()])

    def quantile(self, share: float) -> float:
        """Return the quantile of the prediction, in its unit, at probability ``share``, 0 to 1 exclusive.

        Found by Newton's method between bounds, halved where it leaves them or is slow (Numerical Recipes, 9.4).
        A library for this would take as long to import as a tap takes to measure.

        Examples
        --------
        >>> round(Spread(np.array([2.0]), np.array([1.0]), np.array([1.0])).quantile(0.975), 3)
        3.96
        """
        widest = float(np.sqrt(self.variances.max()))
        low, high = float(self.means.min()) - _REACH * widest, float(self.means.max()) + _REACH * widest
        value, before, step = float(self.weights @ self.means), high - low, high - low
        for _ in range(_MOST_TURNS):
            over = self.chance_above(value) - (1.0 - share)
            low, high = (value, high) if over > 0.0 else (low, value)
            density = self._density(value)
            newton = over / density if density > 0.0 else math.inf
            # A step that is no shorter than half the one before the last may go round in circles.
            is_good = low <= value + newton <= high and abs(newton) <= abs(before) / 2.0
            tried = value + newton if is_good else (low + high) / 2.0
            before, step, value = step, tried - value, tried
            if abs(step) <= _CLOSE * widest:
                break
        return value

    def _density(self, value: float) -> float:
        exponents = -((value - self.means) ** 2) / (2.0 * self.variances)
        return float(self.weights @ (np.exp(exponents) / np.sqrt(2.0 * np.pi * self.variances)))
