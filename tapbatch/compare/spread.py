"""A prediction as a mixture of normal distributions: its quantiles, and the chance to exceed a value.

Conventions: means and quantiles are in the unit of the quantity, variances in its square; probabilities are 0 to 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_REACH = 60.0
"""Standard deviations beyond the outermost means within which a quantile is looked for."""

_CLOSE = 1e-9
"""How near a quantile is found, in standard deviations of the widest normal."""


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
        from scipy.special import ndtr

        return float(self.weights @ ndtr((self.means - value) / np.sqrt(self.variances)))

    def quantile(self, share: float) -> float:
        """Return the quantile of the prediction, in its unit, at probability ``share``, 0 to 1 exclusive.

        Found by Brent's method (Algorithms for Minimization without Derivatives, 1973, chapter 4).

        Examples
        --------
        >>> round(Spread(np.array([2.0]), np.array([1.0]), np.array([1.0])).quantile(0.975), 3)
        3.96
        """
        from scipy.optimize import brentq

        widest = float(np.sqrt(self.variances.max()))
        low, high = float(self.means.min()) - _REACH * widest, float(self.means.max()) + _REACH * widest
        above = 1.0 - share
        return float(brentq(lambda value: above - self.chance_above(value), low, high, xtol=_CLOSE * widest))
