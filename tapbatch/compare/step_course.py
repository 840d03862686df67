"""The steps of one work on one instrument: how far a mode went at each, and how much came off.

Conventions: cents, and cents squared for variances, as in :mod:`tapbatch.compare.steps`. The amount of a step is in
doublings of the opening area, grams, millimetres of thickness, or 1 a step where nothing was noted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tapbatch.compare.spread import Floats
from tapbatch.compare.steps import At, errors_of

Unit = Literal["doubling", "gram", "millimetre", "step"]


@dataclass(frozen=True, slots=True)
class Taken:
    """What came off at a step, in grams and in millimetres of thickness, if it was noted."""

    grams: float | None = None
    millimetres: float | None = None


@dataclass(frozen=True, slots=True)
class Course:
    """The steps of one work on one instrument, for one mode.

    ``steps`` gives each step as (from, to), indices into ``stages``; ``taken`` has one entry for each of them. The
    next step starts from the last stage.
    """

    stages: tuple[At, ...]
    steps: tuple[tuple[int, int], ...]
    taken: tuple[Taken, ...] = ()

    @property
    def changes(self) -> Floats:
        """The change at each step, in cents, shape (n,)."""
        return np.array([self.stages[b].cents - self.stages[a].cents for a, b in self.steps], dtype=np.float64)

    @property
    def errors(self) -> Floats:
        """The covariance of the reading errors of the changes, in cents squared, shape (n, n)."""
        return errors_of(self.stages, self.steps)

    def amounts(self, unit: Unit) -> tuple[float | None, ...]:
        """Return how much work each step was, in a unit; ``None`` where it was not noted, or nothing came off.

        Examples
        --------
        >>> opened = Course((At(0.0, 0.1, 400.0), At(9.0, 0.1, 800.0)), ((0, 1),))
        >>> opened.amounts("doubling"), opened.amounts("step"), opened.amounts("gram")
        ((1.0,), (1.0,), (None,))
        """
        if unit == "step":
            return (1.0,) * len(self.steps)
        if unit == "doubling":
            pairs = [(self.stages[a].area_mm2, self.stages[b].area_mm2) for a, b in self.steps]
            return tuple(math.log2(b / a) if a and b and min(a, b) > 0 and a != b else None for a, b in pairs)
        noted = self.taken or (Taken(),) * len(self.steps)
        return tuple((t.grams if unit == "gram" else t.millimetres) or None for t in noted)
