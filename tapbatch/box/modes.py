"""The resonances of a box in which the top, the back and the air of the opening move one another.

Conventions: frequencies in hertz. ``top`` and ``back`` are where each would ring with nothing to push, ``air`` where
the air would in a rigid box. A coupling is what the air adds with the opening shut: a top by itself then reads
``sqrt(top^2 + coupling^2)``. The three resonances are the roots of the eigenvalues of ::

    diag(top^2, back^2, 0) + g g^T,    g = (coupling of the top, coupling of the back, air)

in order, without damping. For a back that does not push they are the two of Christensen & Vistisen (J. Acoust. Soc.
Am. 68, 1980, 758-766): ``low high = top air`` and ``low^2 + high^2 = top^2 + coupling^2 + air^2``. The lowest never
passes the lower of top and back, however large the opening, and the higher ones never fall below what they are with
the opening shut. The shares by which the three follow the air sum to 1.

When it is wrong: further modes of top, back and sides push too, so the box gives way by more than this.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_ALIKE = 1e-12
"""Two roots this near are taken to be so far apart, so that nothing is divided by zero."""


def resonances_and_shares(parameters: Floats, shift: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the logarithms of the resonances of boxes, and by which share they follow the top and the air.

    Parameters
    ----------
    parameters
        Shape (..., 5): the logarithms of the top in hertz, of its coupling over the top, of the air at the latest
        stage in hertz, and of the back and its coupling over the top.
    shift
        Shape (...): the logarithm of the air over that at the latest stage.

    Returns
    -------
    tuple
        ``ln f``, ``d ln f / d ln top`` and ``d ln f / d ln air``, each of shape (..., 3), in order. A top that drifts
        leaves coupling and back as they are, in hertz.

    Examples
    --------
    >>> box = np.log([180.0, 87.2 / 180.0, 120.0, 230.0 / 180.0, 1e-9])
    >>> found, by_top, by_air = resonances_and_shares(box, np.zeros(()))
    >>> np.exp(found).round(1), by_air.round(3)
    (array([103.3, 209.1, 230. ]), array([0.887, 0.113, 0.   ]))
    """
    top, coupling, air, back, back_coupling, more = np.broadcast_arrays(*np.moveaxis(parameters, -1, 0), shift)
    # Squares over that of the top, so that all are near one.
    p, q = np.exp(2.0 * coupling), np.exp(2.0 * back_coupling)
    b, h = np.exp(2.0 * back), np.exp(2.0 * (air + more - top))
    # The eigenvalues are the roots of x^3 - c2 x^2 + c1 x - c0.
    c2, c1, c0 = 1.0 + p + b + q + h, b + q + b * p + h * (1.0 + b), b * h
    x = _roots(c2, c1, c0)
    slope = 3.0 * x**2 - 2.0 * c2[..., None] * x + c1[..., None]
    slope = np.where(np.abs(slope) < _ALIKE, _ALIKE, slope) * x
    by_top = (x**2 - x * (b + q + h)[..., None] + c0[..., None]) / slope
    by_air = (x**2 * h[..., None] - x * (h * (1.0 + b))[..., None] + c0[..., None]) / slope
    return np.asarray(top[..., None] + 0.5 * np.log(x)), np.asarray(by_top), np.asarray(by_air)


def _roots(c2: Floats, c1: Floats, c0: Floats) -> Floats:
    """Return the three real roots, all above zero, in order along a last axis (Viete's cosines)."""
    middle = c2 / 3.0
    radius = np.sqrt(np.maximum(middle**2 - c1 / 3.0, 0.0))
    cubed = np.maximum(radius**3, _ALIKE)
    cosine = np.clip((middle**3 - 0.5 * middle * c1 + 0.5 * c0) / cubed, -1.0, 1.0)
    turn = np.arccos(cosine) / 3.0
    high = middle + 2.0 * radius * np.cos(turn)
    between = middle + 2.0 * radius * np.cos(turn - 2.0 * np.pi / 3.0)
    # From their product, because the difference of large numbers would lose the digits of a small one.
    return np.stack([c0 / (high * between), between, high], axis=-1)
