"""What the charts over stages share: which modes are worth a chart, where stages stand, and how a reading is drawn.

Conventions: stages stand side by side in their order, evenly. A dot is a reading, an upright bar its 95 % interval;
what is unsure is pale and hollow. A line joins stages that follow one another; it is broken where something besides
the wood differed between them, and missing where the mode was not heard at one of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tapbatch.model.history import Stage
from tapbatch.show.draw.lettering import MM_PER_PT, fitted, wrapped
from tapbatch.show.draw.sheet import HAIR, INK, LEAD, MARK, MARK_PALE, SMALL, SOFT, Panel, Sheet
from tapbatch.show.view.drifts import drifts_into as drifts_into
from tapbatch.show.view.drifts import drifts_of_mode as drifts_of_mode
from tapbatch.show.view.modes import chart_modes as chart_modes
from tapbatch.show.view.modes import mode_at as mode_at

NARROW_MM = 15.0
HEADING_MM = 9.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One reading in a chart over stages: the place of its stage from 0, its value, its interval, and whether unsure.

    ``joined`` tells that it follows from the point before; ``cautious`` that something besides the wood differed.
    """

    index: int
    value: float
    low: float
    high: float
    unsure: bool = False
    joined: bool = False
    cautious: bool = False


def stage_places(left_mm: float, right_mm: float, count: int) -> list[float]:
    """Return where so many stages stand between two edges, in mm, each in the middle of its share.

    Examples
    --------
    >>> stage_places(0.0, 30.0, 3)
    [5.0, 15.0, 25.0]
    """
    share = (right_mm - left_mm) / max(count, 1)
    return [left_mm + share * (n + 0.5) for n in range(count)]


def stage_axis_height_mm(width_mm: float, count: int) -> float:
    """Return the room that the names of so many stages take below a chart of a width."""
    return 12.0 if width_mm / max(count, 1) >= NARROW_MM else 32.0


def draw_stage_axis(sheet: Sheet, left_mm: float, right_mm: float, top_mm: float, stages: Sequence[Stage]) -> None:
    """Name the stages below a chart: side by side where there is room, upright where there is not."""
    places = stage_places(left_mm, right_mm, len(stages))
    share = (right_mm - left_mm) / max(len(stages), 1)
    names = [wrapped(stage.stage_shown, share - 2.0, SMALL, most=2) for stage in stages]
    every = math.ceil(SMALL * MM_PER_PT / share)
    below = top_mm + 3.9 + 3.0 * max((len(lines) for lines in names), default=0)
    before = ""
    for n, (x, stage) in enumerate(zip(places, stages, strict=True)):
        state = stage.state if stage.state != before else ""
        before = stage.state
        colour = INK if n == len(stages) - 1 else SOFT
        if share >= NARROW_MM:
            for row, line in enumerate(names[n]):
                sheet.say(x, top_mm + 3.5 + row * 3.0, line, SMALL, ha="center", colour=colour)
            sheet.say(x, below, state, SMALL, ha="center", colour=SOFT, within_mm=share - 2.0)
        elif (len(stages) - 1 - n) % every == 0:
            name = fitted(f"{stage.stage_shown}, {state}" if state else stage.stage_shown, 30.0, SMALL)
            sheet.say(x + 0.8, top_mm + 1.5, name, SMALL, ha="right", rotation=90, colour=colour)


def draw_points(sheet: Sheet, panel: Panel, places: Sequence[float], points: Sequence[Point], what: str) -> None:
    """Draw the readings of one quantity over the stages, with their intervals."""
    at = {p.index: (places[p.index], float(panel.y_mm(p.value))) for p in points}
    links = {False: [], True: []}  # type: dict[bool, list[list[tuple[float, float]]]]
    for point in points:
        if point.joined and point.index - 1 in at:
            links[point.cautious].append([at[point.index - 1], at[point.index]])
    sheet.lines(links[False], MARK_PALE, 0.9)
    sheet.lines(links[True], MARK_PALE, 0.9, dashed=True)
    for unsure in (True, False):
        chosen = [p for p in points if p.unsure is unsure]
        colour = MARK_PALE if unsure else MARK
        bars = [_bar(panel, places[p.index], p) for p in chosen if math.isfinite(p.low) and math.isfinite(p.high)]
        sheet.lines(bars, colour, 1.4, name=f"intervals {what}")
        name = f"unsure {what}" if unsure else f"readings {what}"
        sheet.dots([at[p.index] for p in chosen], colour, 0.95, hollow=unsure, name=name)


def draw_guides(sheet: Sheet, places: Sequence[float], top_mm: float, bottom_mm: float) -> None:
    """Draw a hairline down each stage, so that the eye finds its name."""
    if len(places) <= 20:
        sheet.rules([[(x, top_mm), (x, bottom_mm)] for x in places], HAIR, 0.4)


def draw_heading(sheet: Sheet, top_mm: float, part: str, aside: str) -> None:
    """Head the charts of a part with its name, over a line across the sheet."""
    sheet.headings.append(part or "body")
    sheet.rule(sheet.left_mm, top_mm, sheet.right_mm, top_mm, INK, 0.8)
    sheet.say(sheet.left_mm, top_mm + 5.0, part or "body", LEAD, bold=True, within_mm=sheet.measure_mm - 50.0)
    sheet.say(sheet.right_mm, top_mm + 5.0, aside, SMALL, colour=SOFT, ha="right", within_mm=46.0)


def nice_step(span: float, most: int) -> float:
    """Return a step of 1, 2 or 5 times a power of ten that divides a span into at most so many.

    Examples
    --------
    >>> nice_step(0.52, 3), nice_step(1.9, 4)
    (0.2, 0.5)
    """
    power = 10.0 ** math.floor(math.log10(span / most))
    return next(round(k * power, 9) for k in (1, 2, 5, 10) if span / (k * power) <= most)


def _bar(panel: Panel, x_mm: float, point: Point) -> list[tuple[float, float]]:
    low, high = panel.y_mm([point.low, point.high])
    return [(x_mm, float(low)), (x_mm, float(high))]
