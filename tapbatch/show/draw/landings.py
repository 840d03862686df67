"""The landings of a mode: where it is, what one more step would do, and how far each landing is.

Conventions: cents run to the right, with a line for each note of the scale at the concert pitch of the stage, a
hundred cents apart. One row is the reading, one the next step with its 95 % prediction interval, then one for each
landing: from the reading to it runs a thin line, and the pale block round a target is its tolerance. A wide chart has
its words beside the rows, a narrow one above them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from tapbatch.model.history import Landing, Stage
from tapbatch.model.pitch import Spelling
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.draw.chart import BODY, SMALL, TINY, Chart, Look, Panel
from tapbatch.show.draw.marks import Role
from tapbatch.show.draw.over_stages import draw_reading, notes_between, reading_role, tens_between
from tapbatch.show.say import figures, words
from tapbatch.show.say.landings import (
    chance_text,
    no_forecast_cell,
    no_forecast_text,
    note_shown,
    steps_seen_text,
    sure_text,
    to_go_text,
    way_text,
)
from tapbatch.show.say.openings import opening_cell
from tapbatch.show.view.landings import is_risky
from tapbatch.show.view.stages import mode_at

ROW_MM = 8.0
NOTES_MM = 6.0
LABEL_MM = 33.0
SAID_MM = 69.0
TICK_MM = 2.2
DOT_MM = 1.1
DETAIL_MM = 3.0
_LINE_MM = 3.8
WIDEST_STEP_CENTS = 150.0


class _Row(NamedTuple):
    """The words of a row; ``risky`` if its detail is a caution."""

    label: str
    said: str
    detail: str = ""
    risky: bool = False


def landings_chart(stage: Stage, landings: Sequence[Landing], settings: InstrumentSettings, look: Look) -> Chart:
    """Draw where one mode of a stage is and where it could end up; ``landings``, one at least, are its own."""
    chart = Chart(look)
    mode = mode_at(stage, landings[0].mode)
    if mode is None:
        return chart
    freqs_hz = [mode.freq_hz]
    if 0 < mode.freq_low_hz <= mode.freq_high_hz < math.inf:
        freqs_hz += [mode.freq_low_hz, mode.freq_high_hz]
    now, *sides = (1200.0 * math.log2(freq_hz / stage.concert_pitch_hz) for freq_hz in freqs_hz)
    note = f"{words.note_text(mode)}, {words.sure_text(mode)}"
    now_row = _Row(label="now", said=note, detail=f"{words.hz_text(mode)} Hz")
    # One more step is the same for all landings, but is not said of one that is reached.
    ahead = next((landing for landing in landings if _steps(landing)), landings[0])
    rows = [now_row, _step_row(ahead), *map(_landing_row, landings)]
    tops, heights = [NOTES_MM], []
    for row in rows:
        height, foot = _set_row(chart, tops[-1], row)
        heights.append(height)
        tops.append(foot)
    low, high = _edges(now, sides, landings, _steps(ahead))
    left, right = (LABEL_MM, look.width_mm - SAID_MM - 4.0) if look.is_wide else (0.0, look.width_mm)
    panel = Panel(left, NOTES_MM, right - left, foot - NOTES_MM, x_low=low, x_high=high)
    _draw_notes(chart, panel, stage.concert_pitch_hz, settings.spelling)
    chart.rules([[(0.0, y), (look.width_mm, y)] for y in tops[1:-1]], "guide")
    role = reading_role(words.is_unsure(mode, settings.steady_cents))
    draw_reading(chart, panel, heights[0], now, sides, role, f"now {mode.mode}", radius_mm=DOT_MM)
    if steps := _steps(ahead):
        low, middle, high = (now + step for step in steps)
        name = f"next {mode.mode}"
        draw_reading(chart, panel, heights[1], middle, (low, high), "expected reading", name, radius_mm=DOT_MM)
    at = float(panel.x_mm(now))
    chart.lines([[(at, heights[0] + 1.0), (at, panel.bottom_mm)]], "thread")
    for y, landing in zip(heights[2:], landings, strict=True):
        _draw_landing(chart, panel, y, now, landing)
    chart.height_mm = foot
    chart.description = "; ".join(f"{row.label}: {row.said}" for row in rows)
    return chart


def _step_row(landing: Landing) -> _Row:
    label = "after one more step"
    if _steps(landing) is None:
        return _Row(label=label, said="not known", detail=no_forecast_cell(landing) or steps_seen_text(landing))
    text = figures.change_text(landing.step_cents, landing.step_low_cents, landing.step_high_cents, 1, "c")
    return _Row(label=label, said=text, detail=landing.basis)


def _landing_row(landing: Landing) -> _Row:
    is_target = landing.landing == "target"
    label = f"{note_shown(landing)}, {'target' if is_target else 'next note'}"
    said = ", ".join(text for text in (to_go_text(landing), way_text(landing)) if text)
    if is_risky(landing) and landing.steps_to_go is not None:
        return _Row(label=label, said=said, detail=f"{chance_text(landing)}: take off less", risky=True)
    told = f"{landing.taps_within} of {landing.taps} taps within {landing.tolerance_cents:g} c"
    if landing.no_forecast in ("past", "away", "beyond", "strung", "fault", "both ways"):
        told = no_forecast_text(landing)
    told = sure_text(landing) or told
    if landing.steps_to_go is not None:
        told = chance_text(landing) or told
    if opening := opening_cell(landing):
        return _Row(label=label, said=said, detail=opening)
    return _Row(label=label, said=said, detail=told if is_target or landing.steps_to_go else "")


def _set_row(chart: Chart, top_mm: float, row: _Row) -> tuple[float, float]:
    """Set the words of a row; return the height at which to draw its marks, and where the row ends."""
    role: Role = "caution" if row.risky else "soft text"
    if chart.look.is_wide:
        y, x = top_mm + ROW_MM / 2, chart.width_mm - SAID_MM
        chart.say(0.0, y, row.label, BODY, va="center", within_mm=LABEL_MM - 3.0)
        size = TINY if chart.text_mm(row.detail, TINY) <= SAID_MM < chart.text_mm(row.detail, SMALL) else SMALL
        chart.say(x, y - (1.5 if row.detail else 0.0), row.said, BODY, bold=True, va="center", within_mm=SAID_MM)
        lines = chart.wrapped(row.detail, SAID_MM, size)
        for n, line in enumerate(lines):
            chart.say(x, y + 2.0 + n * DETAIL_MM, line, size, va="center", role=role)
        return y, top_mm + ROW_MM + max(len(lines) - 1, 0) * DETAIL_MM
    y = top_mm + 4.0
    chart.say(0.0, y, row.label, BODY)
    for line in chart.wrapped(row.said, chart.width_mm - chart.text_mm(row.label, BODY) - 3.0, BODY, bold=True):
        chart.say(chart.width_mm, y, line, BODY, bold=True, ha="right")
        y += _LINE_MM
    for line in chart.wrapped(row.detail, chart.width_mm, SMALL):
        chart.say(chart.width_mm, y, line, SMALL, ha="right", role=role)
        y += _LINE_MM
    return y + 0.5, y + 4.0


def _steps(landing: Landing) -> tuple[float, float, float] | None:
    """Return what one more step would do, with its interval, in cents; ``None`` where that is not known."""
    low, middle, high = landing.step_low_cents, landing.step_cents, landing.step_high_cents
    if low is None or middle is None or high is None or not all(map(math.isfinite, (low, middle, high))):
        return None
    return low, middle, high


def _edges(
    now: float, sides: Sequence[float], landings: Sequence[Landing], steps: tuple[float, float, float] | None
) -> tuple[float, float]:
    """Return the cents at the left and the right edge, from those of the mode and of its interval."""
    ends = [now, *(now + c.cents_to_go + side * c.tolerance_cents for c in landings for side in (-1, 1))]
    # A step that nobody can tell would crush all else: its interval is cut at the edge, and said in figures.
    known = [w for w in (*(steps or ()), *(side - now for side in sides)) if math.isfinite(w)]
    ends += [now + max(min(w, WIDEST_STEP_CENTS), -WIDEST_STEP_CENTS) for w in known]
    spare = max(120.0 - (max(ends) - min(ends)), 30.0) / 2
    return min(ends) - spare, max(ends) + spare


def _draw_notes(chart: Chart, panel: Panel, pitch_hz: float, spelling: Spelling) -> None:
    notes = notes_between(panel.x_low, panel.x_high, pitch_hz, spelling)
    every = max(math.ceil(9.0 * len(notes) / panel.width_mm), 1)
    chart.rules([[(x, panel.top_mm), (x, panel.bottom_mm)] for x in panel.x_mm(list(notes))])
    for cents, note in notes.items():
        if cents % (100 * every) == 0:
            chart.say(float(panel.x_mm(cents)), panel.top_mm - 1.6, note, SMALL, ha="center")
    tens = tens_between(panel.x_low, panel.x_high, panel.width_mm)
    chart.rules([[(x, panel.top_mm), (x, panel.top_mm + 1.0)] for x in panel.x_mm(tens)])


def _draw_landing(chart: Chart, panel: Panel, y: float, now: float, landing: Landing) -> None:
    aim = now + landing.cents_to_go
    at, here = float(panel.x_mm(aim)), float(panel.x_mm(now))
    is_target = landing.landing == "target"
    if is_target:
        low, high = panel.x_mm([aim - landing.tolerance_cents, aim + landing.tolerance_cents])
        chart.box(float(low), y - TICK_MM, float(high), y + TICK_MM, "tolerance")
    chart.lines([[(here, y), (at, y)]], "thread", f"to go {landing.mode} {landing.landing_note}")
    name = f"landing {landing.mode} {landing.landing_note}"
    chart.lines([[(at, y - TICK_MM), (at, y + TICK_MM)]], "target" if is_target else "next note", name)
