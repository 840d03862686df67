"""Simulated days of voicing: a mode moved by steps of one work, read with errors, whose next step is known.

Random numbers come from the generator that is passed in. The regimes are chosen as wide as a bench is: steps of 4 to
20 cents either way that differ by 5 to 50 %, or an opening that grows by 30 to 70 square millimetres a step on a mode
that goes 60 to 300 cents a doubling either way; five taps a stage, scattering by 0.2 to 2 cents.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tapbatch.compare.steps import At, Outlook, learn_steps


@dataclass(frozen=True)
class Day:
    """What was read, what is predicted, and what the next step then did, in cents from the latest reading."""

    outlook: Outlook
    landed: float
    step: float
    reading: float


GROWTH = {"level": (1.0, 1.0), "shrinking": (0.6, 0.98), "growing": (1.02, 1.3)}
"""By how much each step exceeds the one before, from and to."""


def voicing_day(
    rng: np.random.Generator, area: bool, steps: int | None = None, trend: str = "", scatter: float | None = None
) -> Day:
    """Return a day of ``steps`` steps (3 to 8 where left out) and the one that follows.

    With a ``trend`` of :data:`GROWTH`, each step is so many times the one before, and varies by ``scatter`` of itself
    (5 to 50 % where left out).
    """
    n = int(rng.integers(3, 9)) if steps is None else steps
    variance = rng.uniform(0.2, 2.0) ** 2 / 5.0
    way = float(rng.choice([-1.0, 1.0]))
    areas: list[float] | list[None]
    if area:
        grown = 400.0 + np.cumsum([0.0, *rng.uniform(30.0, 70.0) * np.exp(rng.normal(0.0, 0.2, n + 1))])
        areas = [float(a) for a in grown]
        moves = way * rng.uniform(60.0, 300.0) * np.diff(np.log2(grown)) + rng.normal(
            0.0, rng.uniform(0.2, 4.0), n + 1
        )
    else:
        areas = [None] * (n + 2)
        mean = rng.uniform(4.0, 20.0)
        share = rng.uniform(0.05, 0.5) if scatter is None else scatter
        sizes = rng.uniform(*GROWTH[trend or "level"]) ** (np.arange(n + 1) - (n - 1) / 2.0)
        moves = way * mean * sizes * rng.normal(1.0, share, n + 1)
    true = np.cumsum([0.0, *moves])
    read = true + rng.normal(0.0, np.sqrt(variance), n + 2)
    stages = [At(float(read[i]), float(variance), areas[i]) for i in range(n + 1)]
    outlook = learn_steps(stages, [(i, i + 1) for i in range(n)])
    assert outlook is not None
    return Day(outlook, float(true[n + 1] - read[n]), float(moves[n]), float(read[n]))


def passed(day: Day, cents_to_go: float, tolerance: float) -> bool:
    """Tell whether the next step carried the mode past a landing, as ``Outlook.overshoot`` means it."""
    return is_past(day.landed, cents_to_go, tolerance)


def is_past(landed: float, cents_to_go: float, tolerance: float) -> bool:
    """Tell the same of where the mode landed, in cents from the latest reading."""
    off = landed - cents_to_go
    if abs(cents_to_go) <= tolerance:
        return abs(off) > tolerance
    return off > tolerance if cents_to_go > 0 else off < -tolerance
