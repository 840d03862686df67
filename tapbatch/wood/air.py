r"""The air that moves along with a free panel.

Conventions: the panel is thin, flat and alone in the air (no baffle), and small against the wavelength, so the air
flows round its edges as an incompressible fluid. The panel's velocity :math:`w` makes a jump :math:`\mu` of the
velocity potential across it. In wavenumbers the two are tied by

.. math:: \hat w(k) = \tfrac12 |k| \hat\mu(k), \qquad \mu = 0 \text{ beside the panel},

and the kinetic energy of the air is :math:`\tfrac12 \rho \int \mu w\,dA` (Lamb, *Hydrodynamics*, articles 60 and 61).
The jump is expanded in ``sqrt(1 - x^2) U_m(x) sqrt(1 - y^2) U_n(y)``, which has the right fall to zero at the edges
and the transform ``pi (m + 1) J_{m+1}(k) / k`` (Galerkin's method). Nothing is fitted.

It breaks down where the bending wave is nearly as long as the sound wave in air (for 4 mm of spruce above about
1 kHz): there the air is heavier and carries energy off.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from tapbatch.wood.board import Floats

TERMS = 8
"""Terms of the jump in each direction and parity; with 12 the mass of the first ten modes changes by under 0.1 %."""

_FARTHEST = 220.0  # wavenumber (times half a side) up to which is summed; the rest is added in closed form
_PANEL = 1.3  # length of a panel of the quadrature; products of two Bessel functions have the period pi


def air_matrix(
    length_m: float, width_m: float, degree: int, parity: tuple[int, int], air_kg_m3: float, terms: int = TERMS
) -> Floats:
    """Return the mass matrix of the air for deflections in orthonormal Legendre polynomials.

    Parameters
    ----------
    length_m, width_m
        The sides, in metres.
    degree
        Highest degree of the polynomials.
    parity
        Whether the deflections are odd (1) or even (0) along the length and across the width.
    air_kg_m3
        Density of the air.
    terms
        Terms of the jump in each direction.

    Returns
    -------
    array
        Symmetric, in kilograms: the kinetic energy is ``v @ matrix @ v / 2`` where the deflection's velocity is
        ``sum v_ij p_i(x) p_j(y)``, and ``p`` are orthonormal on [-1, 1]. Rows are ordered by i, then j, each of the
        given parity.

    Examples
    --------
    A square panel that moves as one (all its deflection in ``p_0 p_0 = 1/2``), against .4547 rho a^3:

    >>> float(round(4 * air_matrix(1.0, 1.0, 0, (0, 0), 1.0)[0, 0], 3))
    0.455
    """
    along, across = _products(parity[0], terms), _products(parity[1], terms)
    nodes, weights = _nodes()
    k = np.hypot(2.0 * nodes[:, None] / length_m, 2.0 * nodes[None, :] / width_m) * weights[:, None] * weights
    whole = along.values @ k @ across.values.T
    # Beyond the farthest wavenumber in one direction the other hardly counts: |k| is that one alone.
    whole += np.outer(along.tail * 2.0 / length_m, across.values @ weights)
    whole += np.outer(along.values @ weights, across.tail * 2.0 / width_m)
    # Four quadrants; the measure of wavenumbers and of the panel leave (ab/4) / (8 pi^2).
    whole *= 4.0 * (length_m * width_m / 4.0) / (8.0 * np.pi**2)
    size = terms
    galerkin = whole.reshape(size, size, size, size).transpose(0, 2, 1, 3).reshape(size**2, size**2)
    overlap = np.kron(_overlaps(parity[0], terms, degree), _overlaps(parity[1], terms, degree))
    overlap *= length_m * width_m / 4.0
    mass = air_kg_m3 * overlap.T @ np.linalg.solve(galerkin, overlap)
    return np.asarray(0.5 * (mass + mass.T))


class _Products:
    """Products of the transforms of two terms: at the nodes, and the integral of ``k`` times them beyond."""

    def __init__(self, values: Floats, tail: Floats) -> None:
        self.values = values
        self.tail = tail


@lru_cache(maxsize=8)
def _products(parity: int, terms: int) -> _Products:
    from scipy.special import jv

    nodes, _ = _nodes()
    orders = 2 * np.arange(terms) + parity + 1
    signs = (-1.0) ** np.arange(terms)
    transforms = np.pi * (signs * orders)[:, None] * jv(orders[:, None], nodes) / nodes
    values = (transforms[:, None] * transforms[None]).reshape(terms**2, -1)
    # For large k the mean of J_p J_q is (+-1) / (pi k), with the sign of the phase between the two orders.
    phase = np.cos((orders[:, None] - orders[None]) * np.pi / 2.0)
    tail = np.pi**2 * np.outer(signs * orders, signs * orders) * phase / (np.pi * _FARTHEST)
    return _Products(values, tail.reshape(-1))


@lru_cache(maxsize=1)
def _nodes() -> tuple[Floats, Floats]:
    """Return nodes and weights from 0 to the farthest wavenumber, closer together near 0."""
    edges = np.concatenate([[0.0, 0.02, 0.08, 0.25, 0.6], np.arange(1.3, _FARTHEST + _PANEL / 2, _PANEL)])
    edges[-1] = _FARTHEST
    x, w = np.polynomial.legendre.leggauss(5)
    half = np.diff(edges)[:, None] / 2.0
    return (edges[:-1, None] + half * (x + 1.0)).ravel(), (half * w).ravel()


@lru_cache(maxsize=16)
def _overlaps(parity: int, terms: int, degree: int) -> Floats:
    """Return the integrals of each term times each Legendre polynomial of a parity; exact by Gauss's rule."""
    count = terms + degree + 4
    angle = np.pi * np.arange(1, count + 1) / (count + 1)
    x, weight = np.cos(angle), np.pi / (count + 1) * np.sin(angle) ** 2
    orders = 2 * np.arange(terms) + parity
    chebyshev = np.sin(np.outer(orders + 1, angle)) / np.sin(angle)
    kept = np.arange(parity, degree + 1, 2)
    legendre = np.polynomial.legendre.legvander(x, degree)[:, kept] * np.sqrt(kept + 0.5)
    return np.asarray((chebyshev * weight) @ legendre)
