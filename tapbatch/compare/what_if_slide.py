"""What a wider opening would do, for all openings up to where nobody can say: what a slider runs over.

Conventions: openings are diameters in millimetres of a round hole with the area noted. The first is as it is now; the
others are round values, a step apart that a maker can measure, at most :data:`MOST_SIZES` of them. Effects are those
of :mod:`tapbatch.compare.what_if`. They are worked out at a few openings, evenly in the logarithm of the area, and
interpolated between: they follow it smoothly.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from tapbatch.compare.spread import Floats
from tapbatch.compare.step_amount import Known
from tapbatch.compare.step_forecast import Elders
from tapbatch.compare.step_series import opening_mm2
from tapbatch.compare.step_taught import TaughtSteps
from tapbatch.compare.what_if import Seen, opening_effect, seen_of, targets_of_mode
from tapbatch.model.history import History, StageMode
from tapbatch.model.settings import InstrumentSettings
from tapbatch.model.what_if import Effect, Slide, SlideLine

MOST_SIZES = 41
_STEPS_MM = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
MOST_LINES = 6
_KNOTS = 5
_FARTHEST = 1.0
"""Doublings of the area beyond which nothing is drawn."""


def slide_of(history: History, settings: InstrumentSettings, taught: Sequence[TaughtSteps] = ()) -> Slide | None:
    """Return what a wider opening would do to the part that was recorded last.

    Parameters
    ----------
    history
        A history whose stages are compared, with what is worked on and its landings.
    settings
        Those of the instrument.
    taught
        What the other instruments of its family taught.

    Returns
    -------
    Slide or None
        ``None`` without an opening in the notes, under string tension, and where nobody can say of any mode that is
        worked on or has a target.

    Examples
    --------
    >>> slide_of(History(instrument="c", instrument_shown="C", stages=(), drifts=()), InstrumentSettings()) is None
    True
    """
    seen = seen_of(history, settings, Elders(tuple(taught), settings))
    if seen is None or settings.reference or seen.stage.state == "strung":
        return None
    area = opening_mm2(seen.stage)
    works_on = {w.mode for w in history.working_on(seen.stage.part, seen.stage.stage)}
    if not area:
        return None
    modes = sorted(seen.stage.modes, key=lambda m: (m.mode not in works_on, -m.level_db))
    lead = [m for m in modes if m.mode in works_on or targets_of_mode(history, m.mode)]
    steps = {m.mode: seen.steps.known(m.mode, "doubling") for m in (*lead, *_others(modes, lead))}
    farthest = min(max((_reach(steps[m.mode]) for m in lead), default=0.0), _FARTHEST)
    if farthest <= 0.0:
        return None
    sizes = sizes_mm(across_mm(area), across_mm(area * 2.0**farthest))
    lines = tuple(
        _line(seen, mode, steps[mode.mode], sizes, farthest, mode.mode in works_on)
        for mode in modes
        if mode.mode in steps
    )
    return Slide(
        part=seen.stage.part,
        stage=seen.stage.stage,
        stage_shown=seen.stage.stage_shown,
        concert_pitch_hz=seen.stage.concert_pitch_hz,
        spelling=settings.spelling,
        sizes_mm=sizes,
        lines=tuple(line for line in lines if any(line.places_hz[1:])),
    )


def across_mm(area_mm2: float) -> float:
    """Return the diameter of a circle of an area.

    Examples
    --------
    >>> round(across_mm(1256.64), 2)
    40.0
    """
    return 2.0 * math.sqrt(area_mm2 / math.pi)


def sizes_mm(now: float, last: float) -> tuple[float, ...]:
    """Return the openings from now up to the last: round values, a step apart that a maker can measure.

    Examples
    --------
    >>> sizes_mm(38.55, 41.0)
    (38.55, 38.6, 38.7, 38.8, 38.9, 39.0, 39.1, 39.2, 39.3, 39.4, 39.5, 39.6, 39.7, 39.8, 39.9, 40.0, 40.1, ...)
    """
    step = next((s for s in _STEPS_MM if (last - now) / s <= MOST_SIZES - 2), (last - now) / (MOST_SIZES - 2))
    first = math.floor(now / step + 1e-6) + 1
    later = [round(n * step, 6) for n in range(first, math.floor(last / step + 1e-6) + 1)]
    return (now, *later)


def _others(modes: Sequence[StageMode], lead: Sequence[StageMode]) -> list[StageMode]:
    """Return the strongest of the modes that do not lead, as many as there is room for."""
    return [m for m in modes if m not in lead][: max(MOST_LINES - len(lead), 0)]


def _reach(known: Known) -> float:
    """Return how many doublings of the area ahead something is known of a mode; 0 if nothing is."""
    told = known.effect(1e-6)
    return told.reach if told.step is not None else 0.0


def _line(
    seen: Seen, mode: StageMode, steps: Known, sizes: Sequence[float], farthest: float, works_on: bool
) -> SlideLine:
    knots = np.linspace(0.0, min(farthest, _reach(steps)), _KNOTS)
    places, effect = _at_knots(steps, mode, knots)
    ahead = 2.0 * np.log2(np.array(sizes) / sizes[0])
    known = np.array([np.interp(ahead, knots, column) for column in places.T]).T if len(places) else places
    inside = ahead <= knots[-1] + 1e-9
    hz = [
        _three(mode.freq_hz * 2.0 ** (known[n] / 1200.0)) if len(places) and inside[n] else None
        for n in range(len(sizes))
    ]
    stages = [(s, m) for s in seen.steps.stages for m in s.modes if m.mode == mode.mode]
    return SlideLine(
        mode=mode.mode,
        worked_on=works_on,
        freq_hz=mode.freq_hz,
        places_hz=tuple(hz),
        stages=tuple(
            (across_mm(area), m.freq_hz)
            for s, m in stages
            if s.state == seen.stage.state and (area := opening_mm2(s)) is not None and area > 0
        ),
        aims=tuple(
            (landing.landing_note, landing.landing_hz) for landing in targets_of_mode(seen.history, mode.mode)
        ),
        effect=effect,
    )


def _at_knots(steps: Known, mode: StageMode, knots: Floats) -> tuple[Floats, Effect]:
    """Return low, middle and high in cents at each knot, shape (knots, 3); none where nobody can say."""
    rows, effect = [], Effect(what="opening")
    for doublings in knots:
        extent, effect = opening_effect(steps, mode, max(float(doublings), 1e-6))
        if extent is None:
            return np.zeros((0, 3)), effect
        rows.append((extent.low, extent.cents, extent.high))
    return np.array(rows), effect


def _three(values: Floats) -> tuple[float, float, float]:
    low, middle, high = (float(v) for v in values)
    return low, middle, high
