"""What is believed of a board before it is tapped, and how well its sizes and modes are known.

Conventions: standard deviations of natural logarithms, except Poisson's ratio. The ratios are about the
means and the scatter over the woods of table 5-1 of the *Wood Handbook* (USDA Forest Products Laboratory,
FPL-GTR-282, from memory); a fit keeps them as unknowns, so what they leave open is in every interval.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Prior:
    """A normal prior: mean and standard deviation."""

    mean: float
    sd: float


SPECIFIC_MODULUS = Prior(math.log(0.0235), 0.35)
"""ln of E_L over density, GPa m3/kg: c from 4100 to 5800 m/s within one standard deviation."""

ACROSS = Prior(math.log(0.10), 0.45)
"""ln of E_R / E_L; the scatter over woods is .33, and boards off the quarter are softer across."""

TWIST = Prior(math.log(0.083), 0.32)
"""ln of G_LR / E_L; the scatter over woods is .37, and .33 without northern white cedar."""

POISSON = Prior(0.367, 0.06)
"""nu_LR."""

THICK_ALONG = Prior(math.log(0.85), 0.25)
"""ln of G_LT / G_LR."""

THICK_ACROSS = Prior(math.log(0.11), 0.57)
"""ln of G_RT / E_R, rolling shear."""

MODEL_SD = 0.0075
"""Scatter of ln f about the model of an even board with straight grain; the residuals of a fit may raise it."""

MODEL_DOF = 6.0
"""How many residuals that belief is worth."""

LOSS_SD = 0.12
"""Scatter of a loss factor about the three of the wood, from mode to mode."""

LOSSES = (0.008, 0.02, 0.017)
"""Loss factors along, across and in twist that are usual: of spruce .0051, .0216, .0164 (J. Woodhouse, Acta Acustica
90 (2004) 928-944, from memory), and most other woods lose more along the grain."""

LOSSES_SD = 0.7
"""How far a board may be from them, as a part of them."""


def length_sd(length_mm: float) -> float:
    """Return the error of ln length or width: 0.5 mm of a tape, and corners that are not quite square."""
    return math.hypot(0.5 / length_mm, 0.001)


def mass_sd(mass_g: float) -> float:
    """Return the error of ln mass: 0.5 g, and 0.2 % of kitchen scales."""
    return math.hypot(0.5 / mass_g, 0.002)


CALIPER_MM = 0.02
"""Error of a caliper that all its readings share."""

ONE_READING_MM = 0.06
"""How far a single thickness is from the mean thickness of a board planed by hand."""


def thickness_sd(readings_mm: tuple[float, ...]) -> float:
    """Return the error of ln mean thickness.

    Examples
    --------
    >>> round(thickness_sd((4.1,)), 3), round(thickness_sd((4.0, 4.1, 4.2, 4.1, 4.1)), 3)
    (0.015, 0.009)
    """
    return math.hypot(spread_mm(readings_mm), CALIPER_MM) * len(readings_mm) / sum(readings_mm)


def spread_mm(readings_mm: tuple[float, ...]) -> float:
    """Return the error of a mean thickness without that of the caliper: how far places differ, over their number.

    Examples
    --------
    >>> round(spread_mm((4.1,)), 3), round(spread_mm((4.0, 4.1, 4.2, 4.1, 4.1)), 3)
    (0.06, 0.031)
    """
    count = len(readings_mm)
    if count == 1:
        return ONE_READING_MM
    # A few readings that happen to agree do not prove an even board: half of the belief stays.
    mean = sum(readings_mm) / count
    return math.sqrt((sum((t - mean) ** 2 for t in readings_mm) + ONE_READING_MM**2) / count / count)
