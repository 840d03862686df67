"""What is said of the next step, by how the steps so far went, beside the limits that were set for it.

Conventions: days of voicing are those of ``tests/compare/steps_sim.py``, with three to seven steps seen. Steps
without an area vary by 20 % of themselves. *Off* is by how far the chance to overshoot that was said differs from how
often it came, in the bin of ten per cent where that is most, among bins of 400 or more.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from tests.benchmarks.moves_limits import Ledger, per_cent
from tests.compare.steps_sim import GROWTH, Day, passed, voicing_day

TOLERANCE = 3.0
FEWEST = 400
_AHEAD = 10


def next_steps(say: Callable[[str], None], limits: Ledger, days: int) -> None:
    """Print how often the next step lies where it was said to, and whether chances come true."""
    say("## Next steps, three to seven seen\n")
    say("| steps | holds, % | off, points |")
    say("| --- | --- | --- |")
    limits.group = "next steps"
    every: list[Day] = []
    kinds = {**{trend: trend for trend in GROWTH}, "by area": ""}
    for n, (name, trend) in enumerate(kinds.items()):
        limits.case = name
        found = [_day(np.random.default_rng([92, n, i]), trend) for i in range(days)]
        every += found
        held = limits.least("holds", _held(found), 0.91, days)
        say(f"| {name} | {held} | {100.0 * _off(found, n)[0]:.1f} |")
    limits.case = "together"
    together = _held(every)
    limits.least("holds together", together, 0.93, len(every))
    off, times = _off(every, len(kinds))
    limits.most("holds together", together, 0.98, len(every))
    limits.most("chance off", off, 0.08, times)
    say(f"| together | {per_cent(together)} | {100.0 * off:.1f} |\n")


def _day(rng: np.random.Generator, trend: str) -> Day:
    steps = int(rng.integers(3, 8))
    return voicing_day(rng, area=not trend, steps=steps, trend=trend, scatter=0.2 if trend else None)


def _held(days: Sequence[Day]) -> float:
    return float(np.mean([day.outlook.low <= day.step <= day.outlook.high for day in days]))


def _off(days: Sequence[Day], seed: int) -> tuple[float, int]:
    """Return by how much said and came differ at most, as shares, and the size of that bin; landings lie anywhere.

    They lie from half a step behind to two steps ahead, ten a day.
    """
    rng = np.random.default_rng([93, seed])
    judged = [(d, float(ahead) * d.outlook.step.middle) for d in days for ahead in rng.uniform(-0.5, 2.0, _AHEAD)]
    said = np.array([day.outlook.overshoot(to_go, TOLERANCE) for day, to_go in judged])
    came = np.array([float(passed(day, to_go, TOLERANCE)) for day, to_go in judged])
    bins = np.minimum((10 * said).astype(int), 9)
    found = [
        (abs(float(said[b == bins].mean() - came[b == bins].mean())), int((b == bins).sum()))
        for b in set(bins.tolist())
    ]
    return max((one for one in found if one[1] >= FEWEST), default=(float("nan"), 0))
