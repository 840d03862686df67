"""Openings as a maker measures them, several alike together, and how they grow.

Conventions: lengths in millimetres, areas in square millimetres. The area and the conductance are those of all alike
openings together; they are taken to be far from one another, which alters the whole by a few per cent and differences
hardly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Self

from tapbatch.box.openings import Opening
from tapbatch.model.opening import Shape


@dataclass(frozen=True, slots=True)
class Hole:
    """The openings of a box: ``count`` of one shape and size, each with an edge of ``edge_mm``.

    A round one has its diameter as its length. ``lengthens`` and ``widens`` are the shares in which the logarithms of
    length and width grow; they matter to ovals and slots only.
    """

    shape: Shape
    length_mm: float
    width_mm: float = 0.0
    edge_mm: float = 0.0
    count: int = 1
    lengthens: float = 0.5
    widens: float = 0.5

    @property
    def area_mm2(self) -> float:
        """The area of all together.

        Examples
        --------
        >>> Hole("slot", 70.0, 6.0, count=2).area_mm2
        840.0
        """
        return self.count * self._one.area_mm2

    @property
    def conductance_mm(self) -> float:
        """What all let through together.

        Raises
        ------
        ValueError
            If there is no length or no width.

        Examples
        --------
        >>> Hole("round", 80.0).conductance_mm
        80.0
        """
        return self.count * self._one.conductance_mm

    @property
    def _one(self) -> Opening:
        return Opening(self.shape, self.length_mm, self.width_mm, self.edge_mm)

    def of_area(self, area_mm2: float) -> Self:
        """Return the same opening grown, or made smaller, to an area.

        Examples
        --------
        >>> round(Hole("round", 80.0).of_area(5541.8).length_mm, 1)
        84.0
        >>> wider = Hole("slot", 70.0, 6.0, lengthens=0.0, widens=1.0).of_area(490.0)
        >>> round(wider.length_mm, 1), round(wider.width_mm, 1)
        (70.0, 7.0)
        """
        ratio = area_mm2 / self.area_mm2
        if self.shape == "round":
            return replace(self, length_mm=self.length_mm * math.sqrt(ratio))
        return replace(
            self, length_mm=self.length_mm * ratio**self.lengthens, width_mm=self.width_mm * ratio**self.widens
        )

    def growing_from(self, before: Self) -> Self:
        """Return the same opening, to grow on as it grew from an earlier one: longer, wider or both.

        Examples
        --------
        >>> now = Hole("slot", 70.0, 7.0).growing_from(Hole("slot", 70.0, 6.0))
        >>> now.lengthens, now.widens
        (0.0, 1.0)
        """
        if self.shape == "round" or before.shape != self.shape:
            return self
        longer = max(math.log(self.length_mm / before.length_mm), 0.0)
        wider = max(math.log(self.width_mm / before.width_mm), 0.0)
        if longer + wider < 1e-3:
            return self
        return replace(self, lengthens=longer / (longer + wider), widens=wider / (longer + wider))
