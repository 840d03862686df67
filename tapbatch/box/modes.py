"""The resonances of a box in which the top, the back and the air of the opening move one another.

Conventions: frequencies in hertz. ``top_hz`` is the top with nothing to push, ``air_hz`` the air alone in a rigid
box, ``covered_hz`` what the top reads with the opening shut, when it has to squeeze the air: ``covered^2 = top^2 +
coupling^2``. The resonances that are heard, ``low_hz`` and ``high_hz``, follow from ::

    low high = top air,    low^2 + high^2 = covered^2 + air^2

(Christensen & Vistisen, J. Acoust. Soc. Am. 68, 1980, 758-766, without damping). The lower one never passes
``top_hz``, however large the opening, and the higher one never falls below ``covered_hz``.

With a back, or a second mode of the top, there are three, the roots of the eigenvalues of ``diag(top^2, back^2, 0) +
g g^T`` with ``g = (coupling of the top, coupling of the back, air)``.

When it is wrong: if the back or another mode of the top lies up to a third above ``covered_hz``, there are three
resonances, and two of them then read the air 3 to 10 per cent low.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def two_hz(top_hz: Floats, coupling_hz: Floats, air_hz: Floats) -> Floats:
    """Return both resonances, in hertz, the lower first along a last axis of length 2.

    Examples
    --------
    >>> two_hz(np.array(180.0), np.array(math.sqrt(200.0**2 - 180.0**2)), np.array(120.0)).round(1)
    array([103.3, 209.1])
    """
    half = 0.5 * (top_hz**2 + coupling_hz**2 + air_hz**2)
    high = np.sqrt(half + np.sqrt(np.maximum(half**2 - (top_hz * air_hz) ** 2, 0.0)))
    # The product of the two over the larger: the difference of their squares would lose digits.
    return np.stack([top_hz * air_hz / high, high], axis=-1)


def three_hz(
    top_hz: Floats, coupling_hz: Floats, back_hz: Floats, back_coupling_hz: Floats, air_hz: Floats
) -> Floats:
    """Return the three resonances of top, back and air, in hertz, in order along a last axis of length 3.

    Examples
    --------
    >>> three_hz(*(np.array(x) for x in (180.0, 87.2, 230.0, 0.0, 120.0))).round(1)
    array([103.3, 209.1, 230. ])
    """
    g = np.stack(np.broadcast_arrays(coupling_hz, back_coupling_hz, air_hz), axis=-1)
    squares = g[..., :, None] * g[..., None, :]
    squares[..., 0, 0] += top_hz**2
    squares[..., 1, 1] += back_hz**2
    return np.asarray(np.sqrt(np.maximum(np.linalg.eigvalsh(squares), 0.0)))


@dataclass(frozen=True, slots=True)
class Box:
    """A box with an opening: top, air and the top with the opening shut, each by itself, in hertz."""

    top_hz: float
    air_hz: float
    covered_hz: float

    @property
    def low_hz(self) -> float:
        """The lower resonance.

        Examples
        --------
        >>> round(Box(180.0, 120.0, 200.0).low_hz, 1), round(Box(180.0, 120.0, 200.0).high_hz, 1)
        (103.3, 209.1)
        """
        # The product of the two squares over the larger: their difference would lose digits.
        return self.top_hz * self.air_hz / self.high_hz

    @property
    def high_hz(self) -> float:
        """The higher resonance."""
        half = 0.5 * (self.covered_hz**2 + self.air_hz**2)
        return math.sqrt(half + math.sqrt(max(half**2 - (self.top_hz * self.air_hz) ** 2, 0.0)))

    @property
    def share_of_air(self) -> tuple[float, float]:
        """By which share the lower and the higher resonance follow the air: ``d ln f / d ln air``; they sum to 1.

        Examples
        --------
        >>> low, high = Box(180.0, 120.0, 200.0).share_of_air
        >>> round(low, 3), round(low + high, 9)
        (0.887, 1.0)
        """
        low, high = self.low_hz**2, self.high_hz**2
        of_high = self.air_hz**2 * (high - self.top_hz**2) / (high * (high - low))
        return 1.0 - of_high, of_high

    def air_for_low_hz(self, low_hz: float) -> float | None:
        """Return the air at which the lower resonance lies at a frequency; ``None`` where no opening gets there.

        Examples
        --------
        >>> box = Box(180.0, 120.0, 200.0)
        >>> round(box.air_for_low_hz(box.low_hz), 6), box.air_for_low_hz(180.0) is None
        (120.0, True)
        """
        if not 0.0 < low_hz < self.top_hz:
            return None
        return low_hz * math.sqrt((self.covered_hz**2 - low_hz**2) / (self.top_hz**2 - low_hz**2))


def box_of(low_hz: float, high_hz: float, covered_hz: float) -> Box | None:
    """Return the parts of a box from its two resonances and its covered tap; ``None`` if no box has these three.

    Examples
    --------
    >>> whole = Box(180.0, 120.0, 200.0)
    >>> found = box_of(whole.low_hz, whole.high_hz, 200.0)
    >>> round(found.top_hz, 6), round(found.air_hz, 6)
    (180.0, 120.0)
    >>> box_of(110.0, 190.0, 230.0) is None
    True
    """
    air = low_hz**2 + high_hz**2 - covered_hz**2
    if not (0.0 < low_hz < high_hz and covered_hz > 0.0 and air > 0.0):
        return None
    top_hz = low_hz * high_hz / math.sqrt(air)
    return Box(top_hz, math.sqrt(air), covered_hz) if top_hz <= covered_hz else None
