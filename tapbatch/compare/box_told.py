"""What the physics of a box tells: the opening that a landing needs, what other modes do then, and the box itself.

Conventions: as in :mod:`tapbatch.model.opening`. An opening that is needed is told from the near end: wood cannot
be put back, so the smallest opening that may do comes first, then the largest that may be needed.
"""

from __future__ import annotations

import numpy as np

from tapbatch.box.growth import Hole
from tapbatch.box.known import KnownBox
from tapbatch.box.model import Told
from tapbatch.compare.box_known import NoBox
from tapbatch.model.history import Stage
from tapbatch.model.opening import Beside, BoxTold, OpeningNeeded, Size, Within
from tapbatch.model.pitch import CENTS


def opening_needed(box: KnownBox, mode: str, hz: float) -> OpeningNeeded | None:
    """Return the opening that brings a mode to a frequency in hertz; ``None`` if the mode is none of the box."""
    if mode not in box.modes:
        return None
    hole, resonance = box.hole, box.modes.index(mode)
    needed = box.needed(resonance, hz)
    sizes = [
        None if area is None else hole.of_area(area) for area in (needed.low_mm2, needed.area_mm2, needed.high_mm2)
    ]
    stop, likely, most = (None if one is None else size_of_hole(one) for one in sizes)
    return OpeningNeeded(
        shape=hole.shape,
        count=hole.count,
        now=size_of_hole(hole),
        stop=stop,
        likely=likely,
        most=most,
        out_of_reach=needed.out_of_reach,
        reach=needed.reach,
        meanwhile=() if sizes[1] is None else _meanwhile(box, sizes[1], mode),
    )


def size_of_hole(hole: Hole) -> Size:
    """Return the size of one opening in millimetres, with the area of all alike; the width of a round one is 0."""
    return Size(hole.length_mm, 0.0 if hole.shape == "round" else hole.width_mm, hole.area_mm2)


def _meanwhile(box: KnownBox, hole: Hole, mode: str) -> tuple[Beside, ...]:
    """Return what the other modes do from the present opening to another."""
    now, then = np.moveaxis(box.paths([box.hole, hole]), 1, 0)
    low, middle, high = np.quantile(CENTS * (then - now), (0.025, 0.5, 0.975), axis=0)
    return tuple(
        Beside(name, float(middle[n]), float(low[n]), float(high[n]))
        for n, name in enumerate(box.modes)
        if name != mode
    )


def box_told(box: KnownBox | NoBox, latest: Stage) -> BoxTold | None:
    """Return what is known of the box of a part at its latest stage; ``None`` if no opening is in the settings."""
    if isinstance(box, NoBox):
        return None if box.why == "opening" else BoxTold(part=latest.part, stage=latest.stage, why_not=box.why)
    return BoxTold(
        part=latest.part,
        stage=latest.stage,
        air_hz=_within(box.model.air),
        top_hz=_within(box.model.top),
        covered_hz=_within(box.model.covered),
        stages=len(box.areas_mm2),
        covered=box.covered_taps,
        volume_l=box.volume_l,
    )


def _within(told: Told) -> Within:
    return Within(told.median, told.low, told.high)
