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

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

RESONANCES = 3

_STEP = 1e-4


def coupled_hz(
    top_hz: Floats, coupling_hz: Floats, back_hz: Floats, back_coupling_hz: Floats, air_hz: Floats
) -> Floats:
    """Return the three resonances in hertz, in order along a last axis.

    Examples
    --------
    >>> coupled_hz(*(np.array(x) for x in (180.0, 87.2, 230.0, 0.0, 120.0))).round(1)
    array([103.3, 209.1, 230. ])
    """
    g = np.stack(np.broadcast_arrays(coupling_hz, back_coupling_hz, air_hz), axis=-1)
    squares = g[..., :, None] * g[..., None, :]
    squares[..., 0, 0] += top_hz**2
    squares[..., 1, 1] += back_hz**2
    return np.asarray(np.sqrt(np.maximum(np.linalg.eigvalsh(squares), 1e-12)))


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
        ``ln f``, ``d ln f / d ln top`` and ``d ln f / d ln air``, each of shape (..., 3). A top that drifts leaves
        coupling and back as they are, in hertz.

    Examples
    --------
    >>> box = np.log([180.0, 87.2 / 180.0, 120.0, 230.0 / 180.0, 1e-9])
    >>> found, by_top, by_air = resonances_and_shares(box, np.zeros(()))
    >>> np.exp(found).round(1), by_air.round(3)
    (array([103.3, 209.1, 230. ]), array([0.887, 0.113, 0.   ]))
    """
    top_log, coupling, air_log, back, back_coupling, more = np.broadcast_arrays(
        *np.moveaxis(parameters, -1, 0), shift
    )
    others = np.exp(top_log + coupling), np.exp(top_log + back), np.exp(top_log + back_coupling)
    top, air = np.exp(top_log), np.exp(air_log + more)

    def logs(top: Floats, air: Floats) -> Floats:
        return np.asarray(np.log(coupled_hz(top, *others, air)))

    found = logs(top, air)
    by_top = (logs(top * math.exp(_STEP), air) - found) / _STEP
    by_air = (logs(top, air * math.exp(_STEP)) - found) / _STEP
    return found, np.asarray(by_top), np.asarray(by_air)
