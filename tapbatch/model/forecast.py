"""What was forecast of a step and what came of it, as values, and how many of them held.

Conventions: changes are in cents, from the reading before the step to the reading after it; chances are 0 to 1.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

FEWEST_TOLD = 10
"""With fewer forecasts than this, how many held says nothing yet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastCame:
    """The forecast of one step for one mode, as it was before the step, and what came.

    ``stage`` is the stage that the step led to, as it is shown. ``step_low_cents`` and ``step_high_cents`` bound a
    95 % interval. ``overshoot`` is the chance that the step would carry the mode past the landing's tolerance, and
    ``came_over`` whether it did. ``basis`` says what the forecast rested on.
    """

    part: str
    mode: str
    stage: str
    work: str
    step_cents: float
    step_low_cents: float
    step_high_cents: float
    overshoot: float
    came_cents: float
    came_over: bool
    basis: str

    @property
    def came_within(self) -> bool:
        """Whether the reading changed by as much as was said, within the interval."""
        return self.step_low_cents <= self.came_cents <= self.step_high_cents


@dataclass(frozen=True, slots=True)
class Kept:
    """How many of some forecasts held: ``passed`` steps passed their landing, and ``said`` is how many should."""

    count: int
    within: int
    passed: int
    said: float

    @property
    def enough(self) -> bool:
        """Whether there are enough to tell."""
        return self.count >= FEWEST_TOLD


def kept_of(forecasts: Sequence[ForecastCame]) -> Kept:
    """Count how many forecasts held.

    Examples
    --------
    >>> kept_of([])
    Kept(count=0, within=0, passed=0, said=0.0)
    """
    return Kept(
        len(forecasts),
        sum(f.came_within for f in forecasts),
        sum(f.came_over for f in forecasts),
        float(sum(f.overshoot for f in forecasts)),
    )
