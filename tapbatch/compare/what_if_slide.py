"""What a wider opening would do, for all openings up to where nobody can say: what a slider runs over.

Conventions: openings are told by their diameter in millimetres if they are round, by their area otherwise. The first
is as it is now; the others grow on as it grew so far, by round steps that a maker can measure, at most
:data:`MOST_SIZES` of them. Effects are those of :mod:`tapbatch.compare.what_if`. They are worked out at a few
openings, evenly in the logarithm of the area, and interpolated between: they follow it smoothly.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tapbatch.box.growth import Hole
from tapbatch.compare.spread import Floats
from tapbatch.compare.step_amount import Known
from tapbatch.compare.step_forecast import Elders
from tapbatch.compare.step_taught import TaughtSteps
from tapbatch.compare.what_if import Seen, half_now, opening_effect, seen_of, targets_of_mode
from tapbatch.compare.what_if_opening import opening_now, size_of
from tapbatch.model.history import History, StageMode
from tapbatch.model.opening import Size
from tapbatch.model.settings import InstrumentSettings
from tapbatch.model.what_if import Effect, Slide, SlideLine

MOST_SIZES = 41
MOST_LINES = 6
FARTHEST = 1.0
"""Doublings of the area beyond which nothing is drawn."""

_STEPS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0)
_KNOTS = 5
_LEAST = 1e-6


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
        ``None`` if the opening is not known, under string tension, and where nobody can say of any mode that is
        worked on or has a target.

    Examples
    --------
    >>> slide_of(History(instrument="c", instrument_shown="C", stages=(), drifts=()), InstrumentSettings()) is None
    True
    """
    seen = seen_of(history, settings, Elders(tuple(taught), settings))
    if seen is None or settings.reference or seen.stage.state == "strung":
        return None
    now = seen.box.hole if seen.box else opening_now(seen.steps.stages, settings)
    if now is None:
        return None
    works_on = {w.mode for w in history.working_on(seen.stage.part, seen.stage.stage)}
    modes = sorted(seen.stage.modes, key=lambda m: (m.mode not in works_on, -m.level_db))
    lead = [m for m in modes if m.mode in works_on or targets_of_mode(history, m.mode)]
    ahead = {m.mode: _ahead(seen, m) for m in (*lead, *_others(modes, lead))}
    farthest = max((ahead[m.mode].reach for m in lead), default=0.0)
    if farthest <= 0.0:
        return None
    openings = openings_ahead(now, farthest)
    lines = [_line(seen, m, ahead[m.mode], openings, m.mode in works_on) for m in modes if m.mode in ahead]
    if len(openings) == 1 or not any(line.is_drawn for line in lines):
        return None
    sizes = tuple(size for one in openings if (size := size_of(one)) is not None)
    return Slide(
        part=seen.stage.part,
        stage=seen.stage.stage,
        stage_shown=seen.stage.stage_shown,
        concert_pitch_hz=seen.stage.concert_pitch_hz,
        spelling=settings.spelling,
        openings=sizes,
        lines=tuple(lines),
        box=seen.box_told,
    )


def openings_ahead(now: Hole, doublings: float) -> list[Hole]:
    """Return openings from now up to so many doublings of the area; all but the first are round values.

    Examples
    --------
    >>> [round(one.length_mm, 2) for one in openings_ahead(Hole("round", 38.55), 0.02)]
    [38.55, 38.6, 38.7, 38.8]
    """
    last = now.of_area(now.area_mm2 * 2.0**doublings)
    if now.shape == "round":
        return [now, *(replace(now, length_mm=value) for value in round_values(now.length_mm, last.length_mm))]
    return [now, *(now.of_area(value) for value in round_values(now.area_mm2, last.area_mm2))]


def round_values(above: float, up_to: float) -> list[float]:
    """Return round values, a step apart that gives :data:`MOST_SIZES` at most.

    Examples
    --------
    >>> round_values(38.55, 39.05), round_values(420.0, 840.0)[:3]
    ([38.6, 38.7, 38.8, 38.9, 39.0], [440.0, 460.0, 480.0])
    """
    step = next((s for s in _STEPS if (up_to - above) / s <= MOST_SIZES - 2), (up_to - above) / (MOST_SIZES - 2))
    first = math.floor(above / step + 1e-6) + 1
    return [round(n * step, 6) for n in range(first, math.floor(up_to / step + 1e-6) + 1)]


def _others(modes: Sequence[StageMode], lead: Sequence[StageMode]) -> list[StageMode]:
    """Return the strongest of the modes that do not lead, as many as there is room for."""
    return [m for m in modes if m not in lead][: max(MOST_LINES - len(lead), 0)]


@dataclass(frozen=True, slots=True)
class _Ahead:
    """What is known of a mode: its steps by area, and how many doublings of the area ahead anything is."""

    steps: Known
    reach: float


def _ahead(seen: Seen, mode: StageMode) -> _Ahead:
    steps = seen.steps.known(mode.mode, "doubling")
    if seen.box is not None and mode.mode in seen.box.modes:
        return _Ahead(steps, FARTHEST)
    told = steps.effect(_LEAST)
    return _Ahead(steps, min(told.reach, FARTHEST) if told.step is not None else 0.0)


def _at_knots(seen: Seen, mode: StageMode, ahead: _Ahead, now: Hole, knots: Floats) -> tuple[Floats, Effect]:
    """Return low, middle and high in cents at some doublings of the area, shape (knots, 3); none if not known."""
    rows, effect = [], Effect(what="opening")
    for doublings in (max(float(knot), _LEAST) for knot in knots):
        then = now.of_area(now.area_mm2 * 2.0**doublings)
        effect = opening_effect(seen, ahead.steps, mode, then, doublings)
        if effect.extent is None:
            return np.zeros((0, 3)), effect
        rows.append((effect.extent.low, effect.extent.cents, effect.extent.high))
    return np.array(rows), effect


def _line(seen: Seen, mode: StageMode, ahead: _Ahead, openings: Sequence[Hole], works_on: bool) -> SlideLine:
    knots = np.linspace(0.0, ahead.reach, _KNOTS)
    places, effect = _at_knots(seen, mode, ahead, openings[0], knots)
    doublings = np.log2([one.area_mm2 / openings[0].area_mm2 for one in openings])
    hz: list[tuple[float, float, float] | None] = [None] * len(openings)
    if len(places):
        known = mode.freq_hz * 2.0 ** (
            np.array([np.interp(doublings, knots, column) for column in places.T]) / 1200.0
        )
        for n in np.flatnonzero(doublings <= ahead.reach + 1e-9):
            low, middle, high = (float(v) for v in known[:, n])
            hz[n] = (low, middle, high)
        # As it is now it rests where it was read.
        half = 2.0 ** (half_now(mode) / 1200.0)
        hz[0] = (mode.freq_hz / half, mode.freq_hz, mode.freq_hz * half)
    return SlideLine(
        mode=mode.mode,
        worked_on=works_on,
        freq_hz=mode.freq_hz,
        places_hz=tuple(hz),
        stages=tuple(_stages(seen, mode.mode, size_of(openings[0]))),
        aims=tuple((aim.landing_note, aim.landing_hz) for aim in targets_of_mode(seen.history, mode.mode)),
        effect=effect,
    )


def _stages(seen: Seen, mode: str, now: Size | None) -> list[tuple[float, float]]:
    """Return the openings so far, held as now, with the reading of a mode at each in hertz."""
    found, stages = [], seen.steps.stages
    for n, stage in enumerate(stages):
        heard = next((m for m in stage.modes if m.mode == mode), None)
        size = size_of(opening_now(stages[: n + 1], seen.settings))
        if heard and size and now and stage.state == seen.stage.state:
            found.append((size.area_mm2 if now.width_mm else size.length_mm, heard.freq_hz))
    return found
