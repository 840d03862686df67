"""A slide over openings whose places follow a rule, so that what is shown of it can be worked out by hand."""

from __future__ import annotations

import math

from tapbatch.model.history import Extent
from tapbatch.model.opening import Size
from tapbatch.model.what_if import Effect, Slide, SlideLine

ACROSS = (40.0, 41.0, 42.0, 43.0, 44.0)
A_MM = 20.0
"""Cents by which the air rises for each millimetre; the interval is as wide either way."""


def up(freq_hz: float, cents: float) -> float:
    return freq_hz * 2.0 ** (cents / 1200.0)


def slide_of_air(known: int = len(ACROSS)) -> Slide:
    """Return a slide with the air at A3 less 40 cents, of which ``known`` places are known, and a steady top."""
    air, top = up(220.0, -40.0), 330.0
    places = [
        tuple(up(air, A_MM * n + side * 5.0 * (n + 1)) for side in (-1, 0, 1)) if n < known else None
        for n in range(len(ACROSS))
    ]
    effect = Effect(what="opening", extent=Extent(80.0, 55.0, 105.0), seen=4)
    return Slide(
        part="body",
        stage="07-voicing-step-1",
        stage_shown="07-voicing step 1",
        concert_pitch_hz=440.0,
        spelling="sharp",
        openings=tuple(Size(a, 0.0, math.pi / 4.0 * a**2) for a in ACROSS),
        lines=(
            SlideLine(
                mode="air",
                worked_on=True,
                freq_hz=air,
                places_hz=tuple(places),  # type: ignore[arg-type]
                stages=((38.0, up(air, -40.0)), (39.0, up(air, -20.0)), (40.0, air)),
                aims=(("A3", 220.0),),
                effect=effect,
            ),
            SlideLine(
                mode="top",
                worked_on=False,
                freq_hz=top,
                places_hz=((up(top, -3), top, up(top, 3)),) * len(ACROSS),
                stages=((40.0, top),),
                aims=(),
                effect=effect,
            ),
        ),
    )
