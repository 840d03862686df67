"""The moisture of wood, and what the figures of a board become at 12 %, at which those of books are given.

Conventions: moisture in per cent of the dry mass. A board is taken to be in balance with the air of the room where it
was tapped. Density follows from mass and swelling; E along, E across and G fall by a fixed part for each point of
moisture. What is not exactly known of this is in the intervals: how far a board is from its balance, and how much
wood differs. It holds from 5 to 20 %; beyond, there is no figure.

Sources: *Wood Handbook* (USDA Forest Products Laboratory, FPL-GTR-282), chapters 4 and 5, from memory: the model of
Hailwood and Horrobin; swelling, ``G_M = G_b / (1 - 0.265 a G_b)`` with ``a = (30 - M) / 30``; the moisture law,
``P = P12 (P12 / Pg)^((12 - M) / (Mp - 12))``; and the middle trends of E across and G.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from tapbatch.model.wood import Figure
from tapbatch.wood.fit import Z_95

STANDARD_PCT = 12.0
"""Moisture to which figures are corrected; air of 20 degrees Celsius and 65 % leads to it."""

HOLDS_PCT = (5.0, 20.0)
"""Moisture within which the corrections hold."""

ROOM_C = 20.0
"""Temperature of the room where none is noted; 10 degrees more or less change the moisture by 0.3 points."""

BALANCE_SD = 1.0
"""How far a board may be from the moisture reckoned, in points: a hygrometer, a board that has not followed the room
yet, and wood that comes from damp and keeps a point more than wood that comes from dry air (an assumption)."""

SWELLING_SD = 0.001
"""How much woods differ in the change of ln density, for each point of moisture (an assumption)."""


@dataclass(frozen=True, slots=True)
class Softening:
    """By how much the logarithm of a modulus falls for each point of moisture, and how much woods differ in that."""

    a_point: float
    sd: float


SOFTENING: dict[str, Softening] = {
    # All from memory. Sitka spruce: 8.5 GPa green, 10.8 GPa at 12 %, Mp 27 %. Other woods of the handbook lie from
    # .010 to .021.
    "e_along_gpa": Softening(math.log(10.8 / 8.5) / 15.0, 0.004),
    # Middle trends from 12 %: +20 % at 6 % and -23 % at 20 % across the grain; +20 % and -20 % in shear.
    "e_across_gpa": Softening(0.0315, 0.010),
    "g_gpa": Softening(0.029, 0.009),
}

CORRECTED: dict[str, tuple[str, float, float]] = {
    "density_kg_m3": ("", 0.0, 1.0),
    "e_along_gpa": ("e_along_gpa", 1.0, 0.0),
    "e_across_gpa": ("e_across_gpa", 1.0, 0.0),
    "g_gpa": ("g_gpa", 1.0, 0.0),
    "speed_along_m_s": ("e_along_gpa", 0.5, -0.5),
    "radiation_m4_kg_s": ("e_along_gpa", 0.5, -1.5),
}
"""The figures that are corrected: the modulus in each, its power, and that of density."""


def moisture_pct(celsius: float, pct: float) -> float:
    """Return the moisture of wood in balance with air, in per cent of its dry mass.

    Parameters
    ----------
    celsius, pct : float
        Temperature in degrees Celsius and relative humidity in per cent, from 0 to 100.

    Returns
    -------
    float
        By the model of Hailwood and Horrobin, equation 4-5 of the Wood Handbook (FPL-GTR-282), from memory.

    Examples
    --------
    >>> round(moisture_pct(20.0, 65.0), 1)
    12.0
    """
    t, h = celsius, pct / 100.0
    weight = 349.0 + 1.29 * t + 0.0135 * t**2
    k = 0.805 + 0.000736 * t - 0.00000273 * t**2
    k1 = 6.27 - 0.00938 * t - 0.000303 * t**2
    k2 = 1.91 + 0.0407 * t - 0.000293 * t**2
    kh = k * h
    bound = (k1 * kh + 2.0 * k1 * k2 * kh**2) / (1.0 + k1 * kh + k1 * k2 * kh**2)
    return 1800.0 / weight * (kh / (1.0 - kh) + bound)


def density_at(density_kg_m3: float, from_pct: float, to_pct: float) -> float:
    """Return the density of wood at another moisture, up to 30 %, where it stops swelling.

    Examples
    --------
    >>> round(density_at(440.3, 12.0, 8.0), 1)
    430.6
    """
    gravity = density_kg_m3 / (1000.0 + 10.0 * from_pct)
    green = gravity / (1.0 + 0.265 * (30.0 - from_pct) / 30.0 * gravity)
    return green / (1.0 - 0.265 * (30.0 - to_pct) / 30.0 * green) * (1000.0 + 10.0 * to_pct)


def at_standard(figures: Mapping[str, Figure], pct: float) -> dict[str, Figure]:
    """Return the figures of a board at 12 % moisture; none if the correction does not hold.

    Parameters
    ----------
    figures
        The figures as measured, by name; only those of :data:`CORRECTED` are used.
    pct
        The moisture of the board.

    Returns
    -------
    dict of Figure
        With wider intervals than those measured: they hold what is not known of the moisture and of the wood.

    Examples
    --------
    >>> measured = {"density_kg_m3": Figure(430.0, 422.0, 438.0), "e_along_gpa": Figure(11.0, 10.7, 11.3)}
    >>> told = at_standard(measured, 9.0)["e_along_gpa"]
    >>> round(told.value, 2), round(told.low, 2), round(told.high, 2)
    (10.49, 10.0, 11.0)
    """
    density = figures.get("density_kg_m3")
    if not HOLDS_PCT[0] <= pct <= HOLDS_PCT[1] or density is None:
        return {}
    return {name: _corrected(name, figures[name], density.value, pct) for name in CORRECTED if name in figures}


def _corrected(name: str, figure: Figure, density_kg_m3: float, pct: float) -> Figure:
    modulus, power, of_density = CORRECTED[name]
    softening = SOFTENING.get(modulus, Softening(0.0, 0.0))
    points = pct - STANDARD_PCT
    swelling = math.log(density_at(density_kg_m3, pct, STANDARD_PCT) / density_kg_m3)
    heavier = math.log(density_at(density_kg_m3, pct, pct + 1.0) / density_kg_m3)
    shift = power * softening.a_point * points + of_density * swelling
    sd = math.hypot(
        (power * softening.a_point - of_density * heavier) * BALANCE_SD,
        power * softening.sd * points,
        of_density * SWELLING_SD * points,
    )
    half = math.hypot(0.5 * math.log(figure.high / figure.low), Z_95 * sd)
    value = figure.value * math.exp(shift)
    return Figure(value, value * math.exp(-half), value * math.exp(half))
