"""The openings of a box: what each lets through, and where the air alone rings.

Conventions: lengths in millimetres, areas in square millimetres, volumes in litres,
frequencies in hertz. The *conductance* of an opening is a length, in millimetres: what the air on both sides lets
through for a difference of pressure, so that a rigid box of volume ``V`` rings at ``(c / 2 pi) sqrt(C / V)``
(Rayleigh, The Theory of Sound, vol. 2, 1896, 303-306).

- An elliptical opening in a thin, wide wall has ``C = pi a / K(e)``, with ``a`` half its length, ``e`` its
  eccentricity and ``K`` the complete elliptic integral (Rayleigh, 306, exact); for a circle that is its diameter.
- A wall of thickness ``t`` is in series: ``1/C = 1/C_thin + t/area``.
- No formula gives a rectangle. A slot is taken as the ellipse of the same area and the same ratio of length to width,
  times a factor from 1.02 (square) to 0.96 (30 to 1) that was fitted to boundary elements; it is right to 1 %.

When it is wrong: a small or shallow box raises ``C`` at the inner end by 2 to 20 %, and walls that give way lower the
frequency by up to a semitone. So differences between two openings are told better than either alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from tapbatch.model.opening import Shape

_SLOT_OVER_ELLIPSE = (1.0212, -0.005, -0.0035)
"""The conductance of a slot over that of its ellipse, by powers of the logarithm of length over width.

For a square it is ``0.3668 pi sqrt(pi) / 2``, from its published capacitance.
"""


@dataclass(frozen=True, slots=True)
class Opening:
    """An opening. A round one has its diameter as its length; ``edge_mm`` is how thick the wall is at its edge."""

    shape: Shape
    length_mm: float
    width_mm: float = 0.0
    edge_mm: float = 0.0

    @property
    def area_mm2(self) -> float:
        """Its area.

        Examples
        --------
        >>> round(Opening("round", 80.0).area_mm2), Opening("slot", 70.0, 6.0).area_mm2
        (5027, 420.0)
        """
        width = self.length_mm if self.shape == "round" else self.width_mm
        return self.length_mm * width * (1.0 if self.shape == "slot" else math.pi / 4.0)

    @property
    def conductance_mm(self) -> float:
        """What it lets through, both ends and its edge together.

        Raises
        ------
        ValueError
            If it has no length or no width.

        Examples
        --------
        >>> [round(Opening("round", 80.0, edge_mm=t).conductance_mm, 2) for t in (0.0, 4.0)]
        [80.0, 75.21]
        """
        thin = self._thin_mm()
        return 1.0 / (1.0 / thin + self.edge_mm / self.area_mm2)

    def _thin_mm(self) -> float:
        width = self.length_mm if self.shape == "round" else self.width_mm
        if not (self.length_mm > 0 and width > 0 and self.edge_mm >= 0):
            msg = "an opening has a length and a width above zero, and an edge of zero or more"
            raise ValueError(msg)
        long, short = max(self.length_mm, width), min(self.length_mm, width)
        if self.shape != "slot":
            return _ellipse_mm(long, short)
        # The ellipse of equal area and ratio is longer by the root of 4/pi.
        alike = math.sqrt(4.0 / math.pi)
        ratio = math.log(long / short)
        factor = sum(each * ratio**n for n, each in enumerate(_SLOT_OVER_ELLIPSE))
        return factor * _ellipse_mm(alike * long, alike * short)


def _ellipse_mm(long_mm: float, short_mm: float) -> float:
    from scipy.special import ellipkm1

    return 0.5 * math.pi * long_mm / float(ellipkm1((short_mm / long_mm) ** 2))


def air_alone_hz(conductance_mm: float, volume_l: float, speed_m_s: float = 343.8) -> float:
    """Return where the air of a rigid box rings by itself.

    Examples
    --------
    >>> round(air_alone_hz(80.0, 12.0), 1)
    141.3
    """
    return speed_m_s / (2.0 * math.pi) * math.sqrt(conductance_mm * 1e-3 / (volume_l * 1e-3))
