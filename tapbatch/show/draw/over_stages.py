"""What the charts over stages share: where the stages stand, how they are named, and how a reading is drawn.

Conventions: stages stand side by side in their order, evenly. A dot is a reading, an upright bar its 95 % interval;
what is unsure is pale and hollow. A line joins stages that follow one another; it is broken where something besides
the wood differed between them that can do much to the mode, and missing where the mode was not heard at one of them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from tapbatch.model.history import Drift, History, Stage, StageMode
from tapbatch.model.pitch import Spelling, hz_to_note
from tapbatch.show.draw.chart import SMALL, Chart, Look, Panel
from tapbatch.show.draw.lettering import MM_PER_PT, text_width_mm
from tapbatch.show.draw.marks import Role
from tapbatch.show.say import words
from tapbatch.show.view.besides import is_cautious
from tapbatch.show.view.stages import drifts_by_stage, mode_at

NARROW_MM = 15.0
LONGEST_NAME_MM = 30.0


@dataclass(frozen=True, slots=True)
class Point:
    """One reading in a chart over stages: the place of its stage from 0, its value, its interval, and whether unsure.

    ``joined`` tells that it follows from the point before; ``cautious`` that something besides the wood
    differed that can do much.
    """

    index: int
    value: float
    low: float
    high: float
    unsure: bool
    joined: bool
    cautious: bool


@dataclass(frozen=True, slots=True)
class ModePoint(Point):
    """A reading of a mode, and how it moved there where that is known."""

    mode: StageMode
    drift: Drift | None


def mode_points(
    history: History,
    stages: Sequence[Stage],
    name: str,
    steady_cents: float,
    measured: Callable[[StageMode], Sequence[float | None]],
) -> list[ModePoint]:
    """Return the readings of a mode over some stages; ``measured`` gives a value of it and the ends of its interval.

    A stage at which the mode was not heard, or its value is not known, has no reading.
    """
    points, told = [], drifts_by_stage(history)
    for index, stage in enumerate(stages):
        mode, drift = mode_at(stage, name), told[stage.part, stage.stage].get(name)
        value, low, high = (math.nan if v is None else v for v in (measured(mode) if mode else (None,) * 3))
        if mode and math.isfinite(value):
            unsure, cautious = words.is_unsure(mode, steady_cents), is_cautious(drift)
            points.append(ModePoint(index, value, low, high, unsure, drift is not None, cautious, mode, drift))
    return points


def stage_places(left_mm: float, right_mm: float, count: int) -> list[float]:
    """Return where stages stand between two edges, in mm, each in the middle of an equal share.

    Examples
    --------
    >>> stage_places(0.0, 30.0, 3)
    [5.0, 15.0, 25.0]
    """
    share = (right_mm - left_mm) / max(count, 1)
    return [left_mm + share * (n + 0.5) for n in range(count)]


def stage_axis_height_mm(stages: Sequence[Stage], width_mm: float, look: Look) -> float:
    """Return the height that the names of some stages take below a chart of a width."""
    if width_mm / max(len(stages), 1) >= NARROW_MM * look.spacing:
        return 12.0 * look.spacing
    longest = max((_length_mm(name, look) for name in _upright_names(stages, look)), default=0.0)
    return min(longest, LONGEST_NAME_MM * look.spacing) + 3.0


def _upright_names(stages: Sequence[Stage], look: Look) -> list[str]:
    """Return the names of the stages, each with its state if that has changed and there is room."""
    names, before = [], ""
    for stage in stages:
        both = f"{stage.stage_shown}, {stage.state}"
        says = stage.state not in ("", before) and _length_mm(both, look) <= LONGEST_NAME_MM * look.spacing
        names.append(both if says else stage.stage_shown)
        before = stage.state
    return names


def _length_mm(name: str, look: Look) -> float:
    return text_width_mm(name, look.pt(SMALL), bold=True)


def draw_stage_axis(chart: Chart, left_mm: float, right_mm: float, top_mm: float, stages: Sequence[Stage]) -> None:
    """Name the stages below a chart: side by side where there is room, upright where there is not."""
    places = stage_places(left_mm, right_mm, len(stages))
    share = (right_mm - left_mm) / max(len(stages), 1)
    roles: list[Role] = ["text" if stage is stages[-1] else "soft text" for stage in stages]
    if share < NARROW_MM * chart.look.spacing:
        y, room = top_mm + 1.5, LONGEST_NAME_MM * chart.look.spacing
        every = math.ceil(chart.look.pt(SMALL) * MM_PER_PT / share)
        upright = list(zip(places, _upright_names(stages, chart.look), roles, strict=True))
        for x, text, role in upright[(len(stages) - 1) % every :: every]:
            bold = role == "text"
            chart.say(x + 0.8, y, text, SMALL, bold=bold, role=role, ha="right", upright=True, within_mm=room)
        return
    names = [chart.wrapped(stage.stage_shown, share - 2.0, SMALL, most=2) for stage in stages]
    line, before = 3.0 * chart.look.spacing, ""
    below = top_mm + 3.9 + line * max(map(len, names))
    for x, stage, name, role in zip(places, stages, names, roles, strict=True):
        for row, text in enumerate(name):
            chart.say(x, top_mm + 3.5 + row * line, text, SMALL, ha="center", role=role)
        if stage.state != before:
            chart.say(x, below, stage.state, SMALL, ha="center", role="soft text", within_mm=share - 2.0)
        before = stage.state


def draw_points(chart: Chart, panel: Panel, places: Sequence[float], points: Sequence[Point], what: str) -> None:
    """Draw the readings of one quantity over the stages, with their intervals."""
    at = {p.index: (places[p.index], float(panel.y_mm(p.value))) for p in points}
    links: dict[Role, bool] = {"link": False, "cautious link": True}
    for role, cautious in links.items():
        joined = [p.index for p in points if p.joined and p.cautious is cautious and p.index - 1 in at]
        chart.lines([[at[n - 1], at[n]] for n in joined], role)
    for unsure in (True, False):
        chosen = [p for p in points if p.unsure is unsure]
        role = reading_role(unsure)
        ends = [(places[p.index], panel.y_mm([p.low, p.high])) for p in chosen if math.isfinite(p.high - p.low)]
        chart.lines([[(x, low), (x, high)] for x, (low, high) in ends], role, f"intervals {what}")
        chart.dots([at[p.index] for p in chosen], role, name=f"{'unsure' if unsure else 'readings'} {what}")


def draw_reading(
    chart: Chart, panel: Panel, y_mm: float, value: float, ends: Sequence[float | None], role: Role, name: str, *,
    radius_mm: float = 0.95,
) -> None:  # fmt: skip
    """Draw a reading in a row of its own: a dot at its value, and a bar between the ends of its interval if known."""
    known = [end for end in ends if end is not None and math.isfinite(end)]
    if len(known) == 2:
        chart.lines([[(float(x), y_mm) for x in panel.x_mm(known)]], role, f"interval {name}")
    chart.dots([(float(panel.x_mm(value)), y_mm)], role, radius_mm, name)


def reading_role(unsure: bool) -> Role:
    """Return the role of a reading and its interval."""
    return "unsure reading" if unsure else "reading"


def draw_about_zero(chart: Chart, panel: Panel, held: float, unit: str, zero: str) -> None:
    """Draw a scale to either side of zero: round values above, and a pale band over what counts as no change."""
    low, high = panel.x_mm([-held, held])
    chart.box(float(low), panel.top_mm, float(high), panel.bottom_mm, "field")
    # Of two at most there may be none: between 40 and 50, fifties are too far and twenties are too many.
    scales = (round_values(panel.x_high, most) for most in (3 if chart.look.is_wide else 2, 3))
    above = next(values for values in scales if len(values) > 1)
    every = _every(chart, panel, above, unit, zero)
    for n, value in (*((n, -above[n]) for n in range(len(above) - 1, 0, -1)), *enumerate(above)):
        x = float(panel.x_mm(value))
        chart.lines([[(x, panel.top_mm), (x, panel.bottom_mm)]], "guide" if value else "scale")
        said = f"{value:+g} {unit}" if value else zero
        if n % every == 0:
            chart.say(x, panel.top_mm - 1.2, said, SMALL, ha="center", role="soft text")


def _every(chart: Chart, panel: Panel, above: Sequence[float], unit: str, zero: str) -> int:
    """Return which figures of a scale about zero have room: each, each second, and so on."""
    widest = max(chart.text_mm(f"{value:+g} {unit}", SMALL) for value in above)
    beside_zero = (widest + chart.text_mm(zero, SMALL)) / 2
    for every in range(1, len(above)):
        step_mm = float(panel.x_mm(above[every]) - panel.x_mm(0.0)) - 1.0
        if step_mm >= beside_zero and (2 * every >= len(above) or step_mm >= widest):
            return every
    return len(above)


def notes_between(low_cents: float, high_cents: float, pitch_hz: float, spelling: Spelling) -> dict[float, str]:
    """Return the notes of the scale between two edges, by their cents from A4.

    Examples
    --------
    >>> notes_between(-120.0, 30.0, 440.0, "sharp")
    {-100.0: 'G#4', 0.0: 'A4'}
    """
    steps = range(math.ceil(low_cents / 100), math.floor(high_cents / 100) + 1)
    return {100.0 * n: hz_to_note(pitch_hz * 2.0 ** (n / 12), pitch_hz, spelling)[0] for n in steps}


def tens_between(low_cents: float, high_cents: float, length_mm: float) -> list[float]:
    """Return the tens of cents between two edges, none where they lie too close together to be counted."""
    if length_mm / (high_cents - low_cents) * 10 < 0.9:
        return []
    return [10.0 * n for n in range(math.ceil(low_cents / 10), math.floor(high_cents / 10) + 1)]


def round_values(high: float, most: int) -> list[float]:
    """Return round values from zero up to ``high``, ``most`` above zero: the steps are 1, 2 or 5 by a power of ten.

    Examples
    --------
    >>> round_values(0.52, 3), round_values(1.9, 4)
    ([0.0, 0.2, 0.4], [0.0, 0.5, 1.0, 1.5])
    """
    power = 10.0 ** math.floor(math.log10(high / most))
    step = next(round(k * power, 9) for k in (1, 2, 5, 10) if high / (k * power) <= most)
    return [step * n for n in range(int(high / step) + 1)]
