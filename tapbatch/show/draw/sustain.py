"""The sustain of a part: how long the whole sound, its bands and its modes ring.

Conventions: as in :mod:`tapbatch.show.draw.over_stages`. T60 in seconds, from zero upwards, so that heights and
lengths may be compared. The course over all stages has a panel for each thing that rings; one or two stages have a
row for each, on one scale.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from tapbatch.model.history import History, Stage
from tapbatch.model.pitch import Spelling, hz_to_note
from tapbatch.model.reading import Kind
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.draw import over_stages
from tapbatch.show.draw.chart import BODY, SMALL, Chart, Look, Panel
from tapbatch.show.draw.marks import Role
from tapbatch.show.draw.over_stages import Point
from tapbatch.show.say import words
from tapbatch.show.view.besides import is_cautious
from tapbatch.show.view.stages import chart_modes, drifts_by_stage
from tapbatch.show.view.working import name_shown

Band = tuple[Kind, float | None, float | None]
PANEL_STEP_MM = 31.0
TITLE_MM = 9.0
MOST_PANELS = 6
MOST_ROWS = 20
ROW_MM = 6.5
GUTTER_MM = 12.0
_SCALE_MM, _SECONDS_MM = 9.0, 14.0


class Rings(NamedTuple):
    """What rings, in full and for a narrow chart, and its T60 in seconds at each stage that shows it."""

    name: str
    short: str
    points: Sequence[Point]


def sustain_chart(
    history: History, stages: Sequence[Stage], settings: InstrumentSettings, look: Look
) -> Chart | None:
    """Draw how long a part rings over its stages: the sound and its bands on the left, its modes on the right.

    ``None`` where nothing was read at two stages.
    """
    width = (look.width_mm - GUTTER_MM) / 2
    every = {
        "the sound": _bands(history, stages, settings),
        "mode by mode": _modes(history, stages, settings, MOST_PANELS),
    }
    # A lone dot shows no change; its figure is in the tables.
    sides = {heading: [each for each in rings if len(each.points) > 1] for heading, rings in every.items()}
    if not any(sides.values()):
        return None
    chart = Chart(look)
    axis_mm = over_stages.stage_axis_height_mm(stages, width - _SCALE_MM - _SECONDS_MM, look)
    rows = max(1, *map(len, sides.values()))
    step = min(PANEL_STEP_MM, (look.room_mm - axis_mm - 2.0) / rows)
    for column, (heading, rings) in enumerate(sides.items()):
        x = column * (width + GUTTER_MM)
        chart.say(x, 3.0, heading, SMALL, role="soft text")
        _draw_column(chart, x, 8.0, width, step, stages, rings)
    chart.height_mm = 2.0 + rows * step + axis_mm
    chart.description = _told([each for rings in sides.values() for each in rings], stages)
    return chart


def rings_chart(
    history: History, stages: Sequence[Stage], settings: InstrumentSettings, look: Look, *, most: int = MOST_ROWS
) -> Chart | None:
    """Draw what rings at a stage, or at two, row by row on one scale of seconds; ``None`` for less than two dots."""
    rings = [*_bands(history, stages, settings), *_modes(history, stages, settings, most)]
    if sum(len(each.points) for each in rings) < 2:
        return None
    chart = Chart(look)
    names = [each.name if look.is_wide else each.short for each in rings]
    label = min(
        max(0.33 * look.width_mm, 3.0 + max(chart.text_mm(name, BODY) for name in names)), 0.45 * look.width_mm
    )
    longest = max(p.value for each in rings for p in each.points)
    panel = Panel(label, 0.0, look.width_mm - label - 14.0, ROW_MM * len(rings) + 1.0, x_high=longest * 1.25)
    for t60_s in over_stages.round_values(panel.x_high, 5 if look.is_wide else 3):
        x = float(panel.x_mm(t60_s))
        chart.rule(x, 1.0, x, panel.bottom_mm, "guide")
        chart.say(x, panel.bottom_mm + 3.5, f"{t60_s:g}{'' if t60_s else ' s'}", SMALL, ha="center", role="soft text")
    for n, (name, each) in enumerate(zip(names, rings, strict=True)):
        _draw_row(chart, panel, ROW_MM * (n + 0.5) + 1.0, name, each.points, len(stages) - 1)
    chart.height_mm = panel.bottom_mm + 5.0
    chart.description = _told(rings, stages)
    return chart


def _draw_row(chart: Chart, panel: Panel, y: float, name: str, points: Sequence[Point], latest: int) -> None:
    at = {p.index: p for p in points}
    before, now = at.get(0) if latest else None, at.get(latest)
    chart.say(0.0, y, name, BODY, va="center", within_mm=panel.left_mm - 2.0)
    places = [(float(panel.x_mm(p.value)), y) for p in (before, now) if p]
    if before and now:
        chart.lines([places], "link")
    if before:
        chart.dots(places[:1], "earlier reading", name=f"before {name}")
    if now:
        role = over_stages.reading_role(now.unsure)
        over_stages.draw_reading(chart, panel, y, now.value, (now.low, now.high), role, f"T60 {name}")
    text = f"{now.value:.2f} s" if now else "gone"
    said_role: Role = "text" if now else "soft text"
    chart.say(chart.width_mm, y, text, SMALL, bold=now is not None, ha="right", va="center", role=said_role)


def _told(rings: Sequence[Rings], stages: Sequence[Stage]) -> str:
    """Say how long everything rings at the latest stage, and at the one before."""
    last = len(stages) - 1
    told = []
    for name, _, points in rings:
        seconds = {p.index: f"{p.value:.2f} s" for p in points}
        now = seconds.get(last, "no longer heard")
        told.append(f"{name} {seconds[last - 1]}, then {now}" if last and last - 1 in seconds else f"{name} {now}")
    return "; ".join(told)


def _bands(history: History, stages: Sequence[Stage], settings: InstrumentSettings) -> list[Rings]:
    # Strings, hold and weather differ for the whole sound wherever they differ for a mode of it.
    told = drifts_by_stage(history)
    cautious = [any(is_cautious(drift) for drift in told[stage.part, stage.stage].values()) for stage in stages]
    # The whole sound first, taps before plucked strings.
    heard = (d for s in stages for d in s.decays if d.t60_s and math.isfinite(d.t60_s))
    keys = {(d.kind, d.band_low_hz, d.band_high_hz) for d in heard}
    bands = sorted(keys, key=lambda k: (k[1] is not None, k[0] != "tap", k[1] or 0.0))[:MOST_PANELS]
    return [_band_rings(stages, cautious, band, settings.spelling) for band in bands]


def _modes(history: History, stages: Sequence[Stage], settings: InstrumentSettings, most: int) -> list[Rings]:
    rings = []
    for name in chart_modes(stages, most=most):
        points = over_stages.mode_points(
            history, stages, name, settings.steady_cents, lambda m: (m.t60_s, m.t60_low_s, m.t60_high_s)
        )
        if points:
            title = f"{name_shown(stages[-1], name)}, {words.note_text(points[-1].mode)}"
            rings.append(Rings(title, title, points))
    return rings


def _band_rings(stages: Sequence[Stage], cautious: Sequence[bool], band: Band, spelling: Spelling) -> Rings:
    """Return the readings of a band, or of the whole sound."""
    kind, low, high = band
    decays = [next((d for d in s.decays if (d.kind, d.band_low_hz, d.band_high_hz) == band), None) for s in stages]
    # Where strings rang along, the whole sound and its bands are theirs.
    rang = [kind == "tap" and any("string" in m.flags for m in s.modes) for s in stages]
    points: list[Point] = []
    for index, decay in enumerate(decays):
        if decay and decay.t60_s:
            low_s, high_s = (math.nan if end is None else end for end in (decay.t60_low_s, decay.t60_high_s))
            joined = index > 0 and decays[index - 1] is not None
            points.append(
                Point(index, decay.t60_s, low_s, high_s, bool(decay.flags) or rang[index], joined, cautious[index])
            )
    plucked, first = (", strings plucked", "plucked, ") if kind == "pluck" else ("", "")
    if low is None or high is None:
        return Rings("whole sound" + plucked, f"{first}whole sound", points)
    notes = " to ".join(hz_to_note(f, stages[-1].concert_pitch_hz, spelling)[0] for f in (low, high))
    hertz = f"{low:.0f} to {high:.0f} Hz"
    # Of a band the hertz alone have room in a narrow chart; its notes are in the report.
    return Rings(f"{hertz}, {notes}{plucked}", f"{first}{hertz}", points)


def _draw_column(
    chart: Chart, x: float, y: float, width: float, step: float, stages: Sequence[Stage], rings: Sequence[Rings]
) -> None:
    left, right = x + _SCALE_MM, x + width - _SECONDS_MM
    places = over_stages.stage_places(left, right, len(stages))
    for title, _, points in rings:
        chart.say(x, y, title, BODY, bold=True, within_mm=width)
        top = max(p.value for p in points)
        highs = [p.high for p in points if math.isfinite(p.high)]
        top = min(max([top, *highs]), 1.6 * top) * 1.08
        panel = Panel(left, y + 3.0, right - left, step - TITLE_MM, y_low=0.0, y_high=top)
        _draw_seconds(chart, panel)
        over_stages.draw_points(chart, panel, places, points, f"T60 {title}")
        last = points[-1]
        # What was not heard at the latest stage is said where it was last heard, and not as if it were now.
        now = last.index == len(stages) - 1
        at = right + 1.5 if now else places[last.index] + 2.0
        height = float(panel.y_mm(last.value))
        role: Role = "text" if now else "soft text"
        chart.say(at, height, f"{last.value:.2f} s", SMALL, bold=now, va="center", role=role)
        y += step
    if rings:
        over_stages.draw_stage_axis(chart, left, right, y - TITLE_MM + 3.0, stages)


def _draw_seconds(chart: Chart, panel: Panel) -> None:
    values = over_stages.round_values(panel.y_high, 3)
    heights = panel.y_mm(values)
    chart.rules([[(panel.left_mm, y), (panel.right_mm, y)] for y in heights[1:]], "guide")
    chart.rule(panel.left_mm, panel.bottom_mm, panel.right_mm, panel.bottom_mm)
    for t60_s, y in zip(values, heights, strict=True):
        text = f"{t60_s:g} s" if t60_s == values[-1] else f"{t60_s:g}"
        chart.say(panel.left_mm - 1.0, float(y), text, SMALL, ha="right", va="center", role="soft text")
