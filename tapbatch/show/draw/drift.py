"""The drift of a part: where each of its modes lies over the stages, on a staff of notes.

Conventions: as in :mod:`tapbatch.show.draw.charts`. The staff has a line for each note of the scale at the concert
pitch of the part's latest stage, a hundred cents apart; a stage read at another concert pitch is drawn at its
frequency.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from tapbatch.model.history import History, Stage
from tapbatch.model.pitch import Spelling, hz_to_note
from tapbatch.show.draw.charts import (
    HEADING_MM,
    Point,
    chart_modes,
    draw_guides,
    draw_heading,
    draw_points,
    draw_stage_axis,
    drifts_into,
    mode_at,
    stage_axis_height_mm,
    stage_places,
)
from tapbatch.show.draw.lettering import fitted
from tapbatch.show.draw.sheet import BODY, LEAD, PALE, SMALL, SOFT, TINY, WARN, Panel, Sheet
from tapbatch.show.say import words
from tapbatch.show.say.cautions import cautions_text

STRIP_MM = 29.0
DIFFERED_MM = 3.5
MOST_DIFFERED = 6
GAP_MM = 3.0
STAFF_LEFT_MM = 38.0
STAFF_RIGHT_MM = 27.0
LEAST_SPAN_CENTS = 120.0
LATEST = 5
LATEST_MM = 52.0


# ----------------------------------------------------------------- drift


def drift_height_mm(sheet: Sheet, history: History, part: str, room_mm: float) -> float:
    """Return the height that the drift of one part takes, at most the room of a page."""
    stages = history.of_part(part)
    below = _axis_mm(sheet, stages) + DIFFERED_MM * len(differed(history, part))
    return HEADING_MM + below + len(chart_modes(stages)) * _strip_mm(stages, room_mm - below)


def differed(history: History, part: str) -> list[str]:
    """Return what differed besides the wood on the way to the latest stages of a part, each a line, oldest first.

    Examples
    --------
    >>> differed(History(instrument="na", instrument_shown="NA", stages=(), drifts=()), "body")
    []
    """
    lines = []
    for stage in history.of_part(part)[1:]:
        # Modes differ in what a condition does to them; the longest says what moved any of them.
        cautions = [cautions_text(d.cautions) for d in drifts_into(history, stage).values() if d.cautions]
        if cautions:
            lines.append(f"{stage.stage_shown}: {max(cautions, key=len)}")
    left_out = len(lines) - MOST_DIFFERED
    return lines if left_out <= 0 else [f"{left_out + 1} more in drift.csv", *lines[left_out + 1 :]]


def draw_drift(
    sheet: Sheet, top_mm: float, history: History, part: str, steady_cents: float, spelling: Spelling, room_mm: float
) -> None:
    """Draw where each mode of a part lies over its stages, a strip of the staff for each, on one sheet.

    Parameters
    ----------
    sheet, top_mm
        Where to draw.
    history, part
        What to draw; at most eight modes (see :func:`tapbatch.show.draw.charts.chart_modes`).
    steady_cents
        The width in cents within which a reading counts as sure.
    spelling
        Sharps or flats on the staff.
    room_mm
        The height of a whole page's content.
    """
    stages = history.of_part(part)
    names = chart_modes(stages)
    heard = len({m.mode for s in stages for m in s.modes})
    draw_heading(sheet, top_mm, part, f"{len(names)} of {heard} modes" if heard > len(names) else "")
    said = differed(history, part)
    strip = _strip_mm(stages, room_mm - _axis_mm(sheet, stages) - DIFFERED_MM * len(said))
    left, right = sheet.left_mm + STAFF_LEFT_MM, sheet.right_mm - STAFF_RIGHT_MM
    places = stage_places(left, right, len(stages))
    y = top_mm + HEADING_MM
    draw_guides(sheet, places, y, y + len(names) * strip - GAP_MM)
    for name in names:
        points = drift_points(history, stages, name, steady_cents)
        panel = staff_panel(left, right, y, strip - GAP_MM, points)
        _draw_staff(sheet, panel, stages[-1].concert_pitch_hz, spelling, name)
        _draw_changes(sheet, panel, places, history, stages, name, points)
        draw_points(sheet, panel, places, points, name)
        _name_strip(sheet, panel, stages, name)
        y += strip
    draw_stage_axis(sheet, left, right, y - GAP_MM, stages)
    y += _axis_mm(sheet, stages)
    for line in said:
        sheet.say(sheet.left_mm, y, line, SMALL, colour=WARN, within_mm=sheet.measure_mm)
        y += DIFFERED_MM


def drift_points(history: History, stages: Sequence[Stage], name: str, steady_cents: float) -> list[Point]:
    """Return where a mode lies at each stage that shows it, in cents from A4 at the latest concert pitch."""
    pitch = stages[-1].concert_pitch_hz
    points: list[Point] = []
    for index, stage in enumerate(stages):
        mode = mode_at(stage, name)
        if mode is None:
            continue
        drift = drifts_into(history, stage).get(name)
        low, high = (_cents(f, pitch) for f in (mode.freq_low_hz, mode.freq_high_hz))
        points.append(
            Point(
                index=index,
                value=_cents(mode.freq_hz, pitch),
                low=low,
                high=high,
                unsure=words.how_sure(mode, steady_cents) == "unsure",
                joined=drift is not None,
                cautious=bool(drift and drift.cautions),
            )
        )
    return points


def draw_latest_staff(
    sheet: Sheet,
    left_mm: float,
    top_mm: float,
    width_mm: float,
    history: History,
    stage: Stage,
    name: str,
    spelling: Spelling,
) -> None:
    """Draw where one mode lay over the last stages up to this one, at most five, for the reading slip."""
    stages = history.of_part(stage.part)
    stages = stages[max(len(stages) - LATEST, 0) :]
    points = drift_points(history, stages, name, steady_cents=math.inf)
    left, right = left_mm + 8.0, left_mm + width_mm
    panel = staff_panel(left, right, top_mm, LATEST_MM, points)
    places = stage_places(left, right, len(stages))
    told = f"{name}, the last {len(stages)} stages" if len(stages) > 1 else name
    told += "; ticks: 10 c" if _has_ticks(panel) else ""
    sheet.say(right, top_mm - 2.0, told, SMALL, colour=SOFT, ha="right", within_mm=width_mm)
    draw_guides(sheet, places, top_mm, panel.bottom_mm)
    _draw_staff(sheet, panel, stages[-1].concert_pitch_hz, spelling, f"latest {name}")
    draw_points(sheet, panel, places, points, f"latest {name}")
    for x, each in zip(places, stages, strict=True):
        name_of = fitted(each.stage_shown, 23.0, SMALL)
        newest = each is stages[-1]
        sheet.say(x + 0.8, panel.bottom_mm + 1.5, name_of, SMALL, ha="right", rotation=90, bold=newest)


def _cents(freq_hz: float, pitch_hz: float) -> float:
    return 1200.0 * math.log2(freq_hz / pitch_hz) if freq_hz > 0 and math.isfinite(freq_hz) else math.nan


def staff_panel(left: float, right: float, top: float, height: float, points: Sequence[Point]) -> Panel:
    """Return the window on the staff that shows some readings, one at least, in cents from A4."""
    # Intervals stretch the staff only so far; a wild one is cut at its edge, and the readings keep their scale.
    low, high = min(p.value for p in points), max(p.value for p in points)
    wings = [w for p in points for w in (p.value - p.low, p.high - p.value) if math.isfinite(w)]
    wing = min(max(wings, default=0.0), 60.0)
    nearest = 100.0 * round(points[-1].value / 100.0)
    low, high = min(low - wing - 15.0, nearest - 8.0), max(high + wing + 15.0, nearest + 8.0)
    spare = max(LEAST_SPAN_CENTS - (high - low), 0.0) / 2
    return Panel(
        left_mm=left,
        top_mm=top,
        width_mm=right - left,
        height_mm=height,
        x_low=0.0,
        x_high=1.0,
        y_low=low - spare,
        y_high=high + spare,
    )


def _draw_staff(sheet: Sheet, panel: Panel, pitch_hz: float, spelling: Spelling, name: str) -> None:
    lines = range(math.ceil(panel.y_low / 100), math.floor(panel.y_high / 100) + 1)
    every = max(math.ceil(2.6 * len(lines) / panel.height_mm), 1)
    edges = (panel.left_mm, panel.right_mm)
    heights = panel.y_mm([100.0 * n for n in lines])
    sheet.lines([[(edges[0], y), (edges[1], y)] for y in heights], PALE, 0.5, name=f"staff {name}")
    for n, y in zip(lines, heights, strict=True):
        if n % every == 0:
            note = hz_to_note(pitch_hz * 2.0 ** (n / 12), pitch_hz, spelling)[0]
            sheet.say(edges[0] - 1.5, float(y), note, SMALL, ha="right", va="center")
    if _has_ticks(panel):
        tens = range(math.ceil(panel.y_low / 10), math.floor(panel.y_high / 10) + 1)
        ticks = panel.y_mm([10.0 * n for n in tens])
        sheet.rules([[(edges[0], y), (edges[0] + 1.0, y)] for y in ticks], PALE, 0.4)


def _has_ticks(panel: Panel) -> bool:
    """Tell whether ten cents are far enough apart to be counted."""
    return panel.height_mm / (panel.y_high - panel.y_low) * 10 >= 0.9


def _draw_changes(
    sheet: Sheet,
    panel: Panel,
    places: Sequence[float],
    history: History,
    stages: Sequence[Stage],
    name: str,
    points: Sequence[Point],
) -> None:
    """Write each change that is shown beyond doubt beside its line, where there is room to."""
    if len(places) < 2 or places[1] - places[0] < 9.0:
        return
    at = {p.index: float(panel.y_mm(p.value)) for p in points}
    for index in range(1, len(stages)):
        drift = drifts_into(history, stages[index]).get(name)
        if drift is None or drift.freq_change_cents is None or not {index - 1, index} <= at.keys():
            continue
        text = f"{drift.freq_change_cents:+z.0f}" if drift.verdict in ("up", "down") else ""
        text = {"steady": "=", "unclear": "?"}.get(drift.verdict, text)
        x, y = (places[index - 1] + places[index]) / 2, (at[index - 1] + at[index]) / 2
        colour = WARN if drift.cautions else SOFT
        # Above its line, or below where a line of the staff would run through it.
        baseline = max((y - 1.2, y + 3.2), key=lambda b: min(_staff_gap_mm(panel, b - 1.0), 1.3))
        sheet.say(x, baseline, text, SMALL, ha="center", colour=colour)


def _staff_gap_mm(panel: Panel, y_mm: float) -> float:
    """Return how far a place on the sheet lies from the nearest line of the staff."""
    cents = panel.y_high - (y_mm - panel.top_mm) / panel.height_mm * (panel.y_high - panel.y_low)
    return abs(cents - 100.0 * round(cents / 100.0)) * panel.height_mm / (panel.y_high - panel.y_low)


def _name_strip(sheet: Sheet, panel: Panel, stages: Sequence[Stage], name: str) -> None:
    middle = panel.top_mm + panel.height_mm / 2
    sheet.say(sheet.left_mm, middle, name, LEAD, bold=True, within_mm=STAFF_LEFT_MM - 11.0)
    newest = next(s for s in reversed(stages) if mode_at(s, name))
    mode = mode_at(newest, name)
    if mode is None:
        return
    if newest is not stages[-1]:
        sheet.say(sheet.left_mm, middle + 4.0, "no longer heard", SMALL, colour=SOFT)
    elif mode.lead:
        sheet.say(sheet.left_mm, middle + 4.0, "leads", SMALL, colour=SOFT)
    pitch = stages[-1].concert_pitch_hz
    y = float(panel.y_mm(_cents(mode.freq_hz, pitch)))
    y = min(max(y, panel.top_mm + 2.5), panel.bottom_mm - 4.0)
    x = panel.right_mm + 2.0
    sheet.say(x, y + 0.8, words.note_text(mode), BODY, bold=True)
    sheet.say(x, y + 4.2, f"{words.sure_text(mode)}, {words.hz_text(mode)} Hz", TINY, colour=SOFT, within_mm=25.0)


def _axis_mm(sheet: Sheet, stages: Sequence[Stage]) -> float:
    return stage_axis_height_mm(sheet.measure_mm - STAFF_LEFT_MM - STAFF_RIGHT_MM, len(stages))


def _strip_mm(stages: Sequence[Stage], room_mm: float) -> float:
    strips = max(len(chart_modes(stages)), 1)
    return min(STRIP_MM + GAP_MM, (room_mm - HEADING_MM) / strips)
