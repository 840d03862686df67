"""The sustain of a part: how long the whole sound, its bands and its modes ring at each stage.

Conventions: as in :mod:`tapbatch.show.draw.charts`. T60 in seconds, from zero upwards, so that heights may be
compared.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from tapbatch.model.history import History, Stage, StageDecay
from tapbatch.model.pitch import Spelling, hz_to_note
from tapbatch.model.reading import Kind
from tapbatch.show.draw.charts import (
    HEADING_MM,
    Point,
    chart_modes,
    draw_heading,
    draw_points,
    draw_stage_axis,
    drifts_into,
    mode_at,
    nice_step,
    stage_axis_height_mm,
    stage_places,
)
from tapbatch.show.draw.sheet import BODY, HAIR, INK, MARK, MARK_PALE, PALE, SMALL, SOFT, Panel, Sheet
from tapbatch.show.say import words

Band = tuple[Kind, float | None, float | None]
Chart = tuple[str, list[Point]]
"""What rings, and its T60 in seconds at each stage that shows it."""

PANEL_STEP_MM = 31.0
TITLE_MM = 9.0
MOST_PANELS = 6
MOST_ROWS = 20
ROW_MM = 6.5
GUTTER_MM = 12.0


def sustain_height_mm(sheet: Sheet, stages: Sequence[Stage]) -> float:
    """Return the height that the sustain of one part takes."""
    if len(stages) == 1:
        return HEADING_MM + 10.0 + ROW_MM * (len(_sustain_bands(stages)) + len(chart_modes(stages, MOST_ROWS)))
    rows = max(len(_sustain_bands(stages)), len(chart_modes(stages, MOST_PANELS)), 1)
    return HEADING_MM + 5.0 + rows * _step_mm(sheet, stages) + _axis_mm(sheet, stages) - 6.0


def _axis_mm(sheet: Sheet, stages: Sequence[Stage]) -> float:
    return stage_axis_height_mm((sheet.measure_mm - GUTTER_MM) / 2 - 23.0, len(stages))


def _step_mm(sheet: Sheet, stages: Sequence[Stage]) -> float:
    """Return how far panels lie apart: less on a short sheet with many of them."""
    rows = max(len(_sustain_bands(stages)), len(chart_modes(stages, MOST_PANELS)), 1)
    room = sheet.room_mm - HEADING_MM - 5.0 - _axis_mm(sheet, stages) + 6.0
    return min(PANEL_STEP_MM, room / rows)


def draw_sustain(
    sheet: Sheet, top_mm: float, history: History, part: str, steady_cents: float, spelling: Spelling
) -> None:
    """Draw how long a part rings over its stages: the sound and its bands on the left, its modes on the right."""
    stages = history.of_part(part)
    draw_heading(sheet, top_mm, part, stages[0].stage_shown if len(stages) == 1 else "")
    if len(stages) == 1:
        _draw_one_stage(sheet, top_mm + HEADING_MM + 4.0, history, stages, steady_cents, spelling)
        return
    width = (sheet.measure_mm - GUTTER_MM) / 2
    y = top_mm + HEADING_MM + 3.0
    left = [_band_chart(history, stages, key, spelling) for key in _sustain_bands(stages)]
    right = [_mode_chart(history, stages, name, steady_cents) for name in chart_modes(stages, MOST_PANELS)]
    for column, (heading, charts) in enumerate((("the sound", left), ("mode by mode", right))):
        charts = [chart for chart in charts if chart[1]]
        x = sheet.left_mm + column * (width + GUTTER_MM)
        sheet.say(x, y, heading, SMALL, colour=SOFT)
        _draw_column(sheet, x, y + 5.0, width, stages, charts)


def _draw_one_stage(
    sheet: Sheet, y: float, history: History, stages: Sequence[Stage], steady_cents: float, spelling: Spelling
) -> None:
    """Draw what rings at an only stage row by row on one scale of seconds: there is no course over stages to show."""
    charts = sustain_charts(history, stages, steady_cents, spelling)
    rows = [(title, points[0]) for title, points in charts if points]
    left, right = sheet.left_mm + 58.0, sheet.right_mm - 16.0
    longest = max((point.value for _, point in rows), default=1.0) * 1.25
    foot = y + ROW_MM * len(rows) - 2.0

    def x_mm(seconds: float) -> float:
        return left + (right - left) * min(max(seconds / longest, 0.0), 1.0)

    step = nice_step(longest, 5)
    for n in range(math.floor(longest / step) + 1):
        sheet.rule(x_mm(step * n), y - 3.0, x_mm(step * n), foot, HAIR, 0.4)
        sheet.say(x_mm(step * n), foot + 3.5, f"{step * n:g}{'' if n else ' s'}", SMALL, ha="center", colour=SOFT)
    for n, (title, point) in enumerate(rows):
        row = y + ROW_MM * n
        colour = MARK_PALE if point.unsure else MARK
        sheet.say(sheet.left_mm, row, title, BODY, va="center", within_mm=55.0)
        if math.isfinite(point.low) and math.isfinite(point.high):
            sheet.lines([[(x_mm(point.low), row), (x_mm(point.high), row)]], colour, 1.4, name=f"intervals {title}")
        sheet.dots([(x_mm(point.value), row)], colour, hollow=point.unsure, name=f"T60 {title}")
        sheet.say(sheet.right_mm, row, f"{point.value:.2f} s", SMALL, bold=True, ha="right", va="center")


def sustain_charts(
    history: History, stages: Sequence[Stage], steady_cents: float, spelling: Spelling, most: int = MOST_ROWS
) -> list[Chart]:
    """Return name and readings of what rings over the stages: the sound, its bands, and at most so many modes."""
    charts = [_band_chart(history, stages, key, spelling) for key in _sustain_bands(stages)]
    return charts + [_mode_chart(history, stages, name, steady_cents) for name in chart_modes(stages, most)]


def _sustain_bands(stages: Sequence[Stage]) -> list[Band]:
    """Return kind and edges of the bands in which something was measured, the whole first, taps before strings."""
    keys = {
        (d.kind, d.band_low_hz, d.band_high_hz)
        for s in stages
        for d in s.decays
        if d.t60_s and math.isfinite(d.t60_s)
    }
    return sorted(keys, key=lambda k: (k[1] is not None, k[0] != "tap", k[1] or 0.0))[:MOST_PANELS]


def _band_chart(history: History, stages: Sequence[Stage], key: Band, spelling: Spelling) -> Chart:
    kind, low, high = key
    found = [next((d for d in s.decays if (d.kind, d.band_low_hz, d.band_high_hz) == key), None) for s in stages]
    # Strings, hold and weather differ for the whole sound wherever they differ for a mode of it.
    cautious = [any(d.cautions for d in drifts_into(history, s).values()) for s in stages]
    points = [
        _decay_point(n, d, n > 0 and found[n - 1] is not None, cautious[n])
        for n, d in enumerate(found)
        if d and d.t60_s
    ]
    pitch = stages[-1].concert_pitch_hz
    title = "whole sound"
    if low is not None and high is not None:
        notes = " to ".join(hz_to_note(f, pitch, spelling)[0] for f in (low, high))
        title = f"{low:.0f} to {high:.0f} Hz, {notes}"
    return f"{title}, strings plucked" if kind == "pluck" else title, points


def _decay_point(index: int, decay: StageDecay, joined: bool, cautious: bool) -> Point:
    return Point(
        index=index,
        value=decay.t60_s or math.nan,
        low=math.nan if decay.t60_low_s is None else decay.t60_low_s,
        high=math.nan if decay.t60_high_s is None else decay.t60_high_s,
        unsure=bool(decay.flags),
        joined=joined,
        cautious=cautious,
    )


def _mode_chart(history: History, stages: Sequence[Stage], name: str, steady_cents: float) -> Chart:
    points: list[Point] = []
    title = name
    for index, stage in enumerate(stages):
        mode = mode_at(stage, name)
        if mode is None or not math.isfinite(mode.t60_s):
            continue
        drift = drifts_into(history, stage).get(name)
        title = f"{name}, {words.note_text(mode)}"
        points.append(
            Point(
                index=index,
                value=mode.t60_s,
                low=mode.t60_low_s,
                high=mode.t60_high_s,
                unsure=words.how_sure(mode, steady_cents) == "unsure",
                joined=drift is not None,
                cautious=bool(drift and drift.cautions),
            )
        )
    return title, points


def _draw_column(
    sheet: Sheet, x: float, y: float, width: float, stages: Sequence[Stage], charts: Sequence[Chart]
) -> None:
    left, right = x + 9.0, x + width - 14.0
    places = stage_places(left, right, len(stages))
    step = _step_mm(sheet, stages)
    for title, points in charts:
        sheet.say(x, y, title, BODY, bold=True, within_mm=width)
        top = max((p.value for p in points), default=1.0)
        highs = [p.high for p in points if math.isfinite(p.high)]
        top = min(max([top, *highs]), 1.6 * top) * 1.08
        panel = Panel(
            left_mm=left,
            top_mm=y + 3.0,
            width_mm=right - left,
            height_mm=step - TITLE_MM,
            x_low=0.0,
            x_high=1.0,
            y_low=0.0,
            y_high=top,
        )
        _draw_seconds(sheet, panel)
        draw_points(sheet, panel, places, points, f"T60 {title}")
        if points:
            last = points[-1]
            # What was not heard at the latest stage is said where it was last heard, and not as if it were now.
            now = last.index == len(stages) - 1
            at = right + 1.5 if now else places[last.index] + 2.0
            colour = INK if now else SOFT
            height = float(panel.y_mm(last.value))
            sheet.say(at, height, f"{last.value:.2f} s", SMALL, bold=now, va="center", colour=colour)
        y += step
    if charts:
        draw_stage_axis(sheet, left, right, y - TITLE_MM + 3.0, stages)


def _draw_seconds(sheet: Sheet, panel: Panel) -> None:
    step = nice_step(panel.y_high, 3)
    count = math.floor(panel.y_high / step)
    heights = panel.y_mm([step * n for n in range(count + 1)])
    sheet.rules([[(panel.left_mm, y), (panel.right_mm, y)] for y in heights[1:]], HAIR, 0.4)
    sheet.rule(panel.left_mm, panel.bottom_mm, panel.right_mm, panel.bottom_mm, PALE, 0.5)
    for n, y in enumerate(heights):
        text = f"{step * n:g} s" if n == count else f"{step * n:g}"
        sheet.say(panel.left_mm - 1.0, float(y), text, SMALL, ha="right", va="center", colour=SOFT)
