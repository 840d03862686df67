"""What the physics of a box says of the next cut of its opening, beside what the cuts so far say.

Conventions: cents, upwards positive. Physics speaks if the mode is a resonance of a known box
(:mod:`tapbatch.compare.box_known`) and the latest step of the work changed the opening. How much the next cut opens
is not known to it either, so it is taken to be as for the cuts (:mod:`tapbatch.compare.step_areas`); after a single
cut, as much again, give or take 70 %.

Cuts and physics rest on the same readings, so their errors are not independent and neither makes the other surer.
The forecast is a mixture of both, each weighted by the inverse of its predictive variance: the sharper one counts
for more, and where they differ the interval holds both. Where they differ by more than chance allows
(:data:`APART`), at least one of them is surer than it has a right to be, and nothing tells which; both then count
alike, and ``basis`` says so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tapbatch.box.known import KnownBox
from tapbatch.compare.spread import Floats, Spread
from tapbatch.compare.step_areas import Following, openings_of
from tapbatch.compare.step_forecast import Forecast
from tapbatch.compare.step_series import Work, opening_mm2
from tapbatch.compare.steps import Outlook
from tapbatch.model.pitch import CENTS

APART = 2.5
"""How many standard errors of their difference cuts and physics may be apart."""

_ONE_CUT = 0.7
_POINTS = (-1.2247, 0.0, 1.2247)
_SHARES = (1.0 / 6.0, 2.0 / 3.0, 1.0 / 6.0)
"""Three points that have the mean, the variance and the kurtosis of a normal."""

_LEAST = 1e-6
_MOST_DOUBLINGS = 2.0
"""No cut opens more than the model looks at."""


@dataclass(frozen=True, slots=True, eq=False)
class Opened:
    """A resonance of a box that is opened further; ``heard_hz`` is its latest reading."""

    box: KnownBox
    resonance: int
    heard_hz: float

    def doublings(self, cents: float) -> float | None:
        """Return the doublings of the area that take the resonance so many cents up; ``None`` if none does."""
        needed = self.box.needed(self.resonance, self.heard_hz * 2.0 ** (cents / 1200.0)).area_mm2
        return None if needed is None else math.log2(needed / self.box.hole.area_mm2)


def with_box(found: Forecast, work: Work, opened: Opened) -> Forecast:
    """Return a forecast in which the physics of the box has its share.

    Parameters
    ----------
    found
        What the cuts of this instrument and of its family say; may have no outlook.
    work
        The steps so far; the next one starts at the last of its stages.
    opened
        The mode as a resonance of the box.
    """
    following = _following(found.outlook, work)
    if not following:
        return found
    # The area as noted, not that of the hole: of a slot it may be that of an ellipse, as are those of its steps.
    physics = _outlook(opened, following, len(work.steps), opening_mm2(work.stages[-1]))
    if found.outlook is None:
        return replace(found, outlook=physics, steps=physics.steps, model=physics.model, physics="alone")
    share, apart = _share(found.outlook, physics)
    outlook = replace(
        found.outlook,
        step=_mixed(found.outlook.step, physics.step, share),
        landing=_mixed(found.outlook.landing, physics.landing, share),
        typical=_mixed(found.outlook.typical, physics.typical, share),
        openings=physics.openings,
        area_mm2=physics.area_mm2,
        path=None,
        further=opened,
    )
    return replace(found, outlook=outlook, physics="apart" if apart else "with")


def _following(outlook: Outlook | None, work: Work) -> tuple[Following, ...]:
    """Return the assumptions about the next opening; empty if the latest step did not change the opening."""
    areas = [opening_mm2(stage) for stage in work.stages]
    noted = [(areas[a], areas[b]) for a, b in work.steps]
    latest = next((pair for pair in reversed(noted) if all(pair)), None)
    if not work.steps or latest is None or work.steps[-1][1] != len(work.stages) - 1 or noted[-1] != latest:
        return ()
    if latest[0] == latest[1]:
        return ()
    if outlook is not None and outlook.openings:
        return outlook.openings
    known = [step for step, pair in zip(work.steps, noted, strict=True) if all(pair) and pair[0] != pair[1]]
    if len(known) > 1:
        learned = openings_of(areas, known)
        return tuple(learned[1]) if learned else ()
    before, now = latest
    assert before is not None
    assert now is not None
    taken = now - before
    if now + taken <= 0:
        return ()
    value = math.log2((now + taken) / now)
    return (Following(value, np.full(1, (_ONE_CUT * value) ** 2), taken, 1.0),)


def _outlook(opened: Opened, following: Sequence[Following], steps: int, area_mm2: float | None) -> Outlook:
    """Return what physics alone says of the next cut."""
    hole = opened.box.hole
    parts: list[tuple[float, float]] = []
    for one in following:
        for variance in one.variances.tolist():
            spread, share = math.sqrt(variance), one.weight / len(one.variances)
            parts += [(one.value + z * spread, share * s) for z, s in zip(_POINTS, _SHARES, strict=True)]
    means = [one.value for one in following]
    doublings = np.clip([*means, *(value for value, _ in parts)], -_MOST_DOUBLINGS, _MOST_DOUBLINGS)
    areas = hole.area_mm2 * 2.0**doublings
    logs = opened.box.paths([hole, *(hole.of_area(area) for area in areas.tolist())])[:, :, opened.resonance]
    ahead = logs[:, 1 + len(means) :]
    steps_cents = CENTS * (ahead - logs[:, :1])
    landings = CENTS * (ahead - math.log(opened.heard_hz))
    typical = CENTS * (logs[:, 1 : 1 + len(means)] - logs[:, :1])
    shares = np.array([share for _, share in parts])
    return Outlook(
        step=_normals(steps_cents, shares),
        landing=_normals(landings, shares),
        typical=_normals(typical, np.array([one.weight for one in following])),
        steps=steps,
        model="box",
        area_mm2=area_mm2,
        openings=tuple(following),
        further=opened,
    )


def _normals(paths: Floats, shares: Floats) -> Spread:
    """Return a mixture with a normal for each column of paths."""
    return Spread(paths.mean(axis=0), np.maximum(paths.var(axis=0), _LEAST), shares / shares.sum())


def _moments(spread: Spread) -> tuple[float, float]:
    mean = float(spread.weights @ spread.means)
    return mean, float(spread.weights @ (spread.variances + (spread.means - mean) ** 2))


def _share(cuts: Outlook, physics: Outlook) -> tuple[float, bool]:
    """Return how much physics counts, 0 to 1, and whether the two are apart.

    They are compared by what a cut of the usual size does, because how large the next one is blurs both alike.
    """
    (one, of_cuts), (two, of_physics) = _moments(cuts.typical), _moments(physics.typical)
    if abs(one - two) > APART * math.sqrt(of_cuts + of_physics):
        return 0.5, True
    (_, of_cuts), (_, of_physics) = _moments(cuts.step), _moments(physics.step)
    return of_cuts / (of_cuts + of_physics), False


def _mixed(cuts: Spread, physics: Spread, share: float) -> Spread:
    return Spread(
        np.concatenate([cuts.means, physics.means]),
        np.concatenate([cuts.variances, physics.variances]),
        np.concatenate([(1.0 - share) * cuts.weights, share * physics.weights]),
    )
