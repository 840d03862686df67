"""What a board is: its sizes, its mass, its wood, and one of its modes.

Conventions: length is along the grain, width across it. Sizes are in millimetres, mass in grams, moduli in
gigapascals, densities in kilograms per cubic metre, frequencies in hertz. A mode ``(m, n)`` has m nodal lines that
cross the length and n that cross the width: ``(2, 0)`` bends along the grain, ``(0, 2)`` across it, and ``(1, 1)``
twists.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Name = tuple[int, int]

AIR_KG_M3 = 1.204
"""Density of dry air at 20 degrees Celsius and 101.325 kPa (ISO 2533 gives 1.225 at 15 degrees)."""

SHARES = ("along", "coupling", "across", "twist", "shear_along", "shear_across")
"""The six parts of the elastic energy of a mode, in the order of :attr:`PlateMode.shares`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """The sizes and the mass of a board with parallel faces and square corners.

    Examples
    --------
    >>> round(Board(length_mm=550, width_mm=210, thickness_mm=4.1, mass_g=206).density_kg_m3)
    435
    """

    length_mm: float
    width_mm: float
    thickness_mm: float
    mass_g: float

    @property
    def density_kg_m3(self) -> float:
        """Mass over volume."""
        return 1e6 * self.mass_g / (self.length_mm * self.width_mm * self.thickness_mm)

    def planed_to(self, thickness_mm: float) -> Board:
        """Return the same board at another thickness: the mass goes with it."""
        return replace(self, thickness_mm=thickness_mm, mass_g=self.mass_g * thickness_mm / self.thickness_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wood:
    """The elastic constants of a board whose grain runs along its length and whose rings stand upright.

    ``g_gpa`` is the shear modulus in the plane of the board (it resists twisting), ``g_along_gpa`` and
    ``g_across_gpa`` those of the shear through the thickness, along and across the grain (the last is rolling shear).
    ``poisson`` is the contraction across the grain over the stretch along it (LR).
    """

    e_along_gpa: float
    e_across_gpa: float
    g_gpa: float
    poisson: float
    g_along_gpa: float
    g_across_gpa: float

    @property
    def mu(self) -> float:
        """``1 - nu_LR nu_RL``."""
        return 1.0 - self.poisson**2 * self.e_across_gpa / self.e_along_gpa

    def speed_along_m_s(self, density_kg_m3: float) -> float:
        """Return the speed of sound along the grain, ``sqrt(E/rho)``."""
        return math.sqrt(1e9 * self.e_along_gpa / density_kg_m3)

    def radiation_m4_kg_s(self, density_kg_m3: float) -> float:
        """Return what the wood radiates, speed over density (Schelleng's ratio)."""
        return self.speed_along_m_s(density_kg_m3) / density_kg_m3


def isotropic(e_gpa: float, poisson: float) -> Wood:
    """Return a material that is alike in all directions, such as metal or glass; for checks.

    Examples
    --------
    >>> round(isotropic(70.0, 0.25).g_gpa, 3)
    28.0
    """
    g_gpa = e_gpa / (2.0 * (1.0 + poisson))
    return Wood(
        e_along_gpa=e_gpa,
        e_across_gpa=e_gpa,
        g_gpa=g_gpa,
        poisson=poisson,
        g_along_gpa=g_gpa,
        g_across_gpa=g_gpa,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateMode:
    """A mode of a free board.

    Attributes
    ----------
    freq_hz
        Natural frequency, the air included if it was asked for.
    name
        ``(m, n)``, from the largest part of its shape.
    parity
        ``(m % 2, n % 2)``: whether it is odd along the length and across the width. This is exact.
    shares
        Parts of the elastic energy in the order of :data:`SHARES`; they sum to 1. Each is the relative change of
        ``freq_hz**2`` for a relative change of its stiffness.
    rotary_share
        Part of the kinetic energy that is in rotation of the cross-sections.
    air_share
        Part of the kinetic energy that is in the air.
    shape
        Deflection in orthonormal Legendre polynomials of length and width, shape (degree + 1, degree + 1).
    """

    freq_hz: float
    name: Name
    parity: Name
    shares: tuple[float, ...]
    rotary_share: float
    air_share: float
    shape: Floats

    def deflection(self, x: Floats, y: Floats) -> Floats:
        """Return the deflection on a grid; ``x`` and ``y`` run from -1 to 1 along the length and the width."""
        degree = self.shape.shape[0] - 1
        scale = np.sqrt(np.arange(degree + 1) + 0.5)
        left = np.polynomial.legendre.legvander(np.asarray(x, dtype=float), degree) * scale
        right = np.polynomial.legendre.legvander(np.asarray(y, dtype=float), degree) * scale
        return np.asarray(left @ self.shape @ right.T)
