"""The family on one staff: where each instrument stood at the same stage, mode by mode.

Conventions: cents run to the right, on one scale for all modes, with a line for each note of the scale at the
concert pitch of the present stage. Each mode is a band of the staff, in which the note nearest to the present reading
lies in the middle; its notes are named above it. An instrument is a row of the band: a dot and its 95 % interval, set
up anew. The present instrument is full and bold, the others are hollow, and a thin line shows where it lies. A
reading that lies farther off than the staff goes is written at its edge. A wide chart has the readings in words
beside the rows.
"""

from __future__ import annotations

import math

from tapbatch.model.history import History
from tapbatch.model.kin import KinReading, KinRow, SideBySide
from tapbatch.model.pitch import cents_between, note_to_hz
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.draw.chart import BODY, SMALL, Chart, Look, Panel
from tapbatch.show.draw.lettering import fitted
from tapbatch.show.draw.marks import Role, Said
from tapbatch.show.draw.over_stages import draw_reading, notes_between, tens_between
from tapbatch.show.say import kin
from tapbatch.show.view.kin import family_beside

ROW_MM = 4.2
NOTES_MM = 5.0
GAP_MM = 3.5
MODE_MM = 20.0
NAME_MM = 27.0
SAID_MM = 51.0
STAGE_MM = 75.0
LEAST_CENTS = 60.0
MOST_CENTS = 350.0
NAMED_MM = 9.0


def family_chart(side: SideBySide, look: Look) -> Chart:
    """Draw the instruments of a family on one staff; rows that the height has no room for are left out."""
    chart = Chart(look)
    row_mm = ROW_MM * look.spacing
    # On a narrow chart the mode stands in the line of the notes.
    left = (MODE_MM + NAME_MM) if look.is_wide else NAME_MM
    right = look.width_mm - (SAID_MM if look.is_wide else 0.0)
    rows = side.rows[: _room(side, look)]
    reach = _reach_cents(side, rows)
    top = 0.0
    for row in rows:
        height_mm = row_mm * len(side.stages)
        panel = Panel(left, top + NOTES_MM, right - left, height_mm, x_low=-reach, x_high=reach)
        _draw_band(chart, panel, side, row, row_mm)
        top += _band_mm(side, row_mm)
    chart.height_mm = max(top - GAP_MM, 0.0)
    chart.description = "; ".join(_told(side, row) for row in rows)
    return chart


def family_within(history: History, part: str, settings: InstrumentSettings, look: Look) -> SideBySide | None:
    """Return the family beside the latest stage of a part, with the modes that matter most if room is short."""
    side = family_beside(history, part, settings)
    if side is None or len(side.rows) <= (room := _room(side, look)):
        return side
    return family_beside(history, part, settings, room)


def _room(side: SideBySide, look: Look) -> int:
    """Return how many bands there is room for, 1 or more."""
    if look.room_mm == math.inf:
        return len(side.rows)
    return max(int((look.room_mm + GAP_MM) / _band_mm(side, ROW_MM * look.spacing)), 1)


def family_notes(side: SideBySide) -> list[Said]:
    """Return what is said below the staff: which stage of each stands there, and which modes are paired by note."""
    stages = "; ".join(
        f"{fitted(s.instrument_shown, NAME_MM, SMALL)}: {fitted(kin.stage_text(s), STAGE_MM, SMALL)}"
        for s in side.stages
    )
    notes: list[Said] = [(f"{stages}.", "soft text")]
    near = kin.by_note_text(side)
    return [*notes, (near, "soft text")] if near else notes


def _band_mm(side: SideBySide, row_mm: float) -> float:
    return NOTES_MM + row_mm * len(side.stages) + GAP_MM


def _middle(side: SideBySide, row: KinRow) -> tuple[float, float]:
    """Return the note in the middle of a band: its frequency, and its cents from A4."""
    here = row.readings[side.present] or next(filter(None, row.readings))
    note = kin.note_and_cents(side, here.freq_hz)[0]
    middle_hz = note_to_hz(note, side.concert_pitch_hz, side.spelling)
    return middle_hz, 100.0 * round(cents_between(side.concert_pitch_hz, middle_hz) / 100.0)


def _reach_cents(side: SideBySide, rows: tuple[KinRow, ...]) -> float:
    """Return how far the staff goes to either side of its middle, so that readings and intervals have room."""
    far = [LEAST_CENTS]
    for row in rows:
        middle_hz, _ = _middle(side, row)
        far += [abs(cents_between(middle_hz, r.freq_hz)) + r.half_cents for r in row.readings if r is not None]
    # What lies farther off is written at the edge, and does not crush the others.
    return min(max(c for c in far if c <= MOST_CENTS) + 10.0, MOST_CENTS)


def _draw_band(chart: Chart, panel: Panel, side: SideBySide, row: KinRow, row_mm: float) -> None:
    middle_hz, of_a4 = _middle(side, row)
    _draw_notes(chart, panel, side, of_a4)
    name = kin.row_name(side, row.mode)
    chart.say(0.0, panel.top_mm - 1.4, name, BODY, bold=True, within_mm=panel.left_mm - 2.0)
    chart.rule(0.0, panel.bottom_mm, chart.width_mm, panel.bottom_mm, "guide")
    here = row.readings[side.present]
    if here is not None:
        x = float(panel.x_mm(cents_between(middle_hz, here.freq_hz)))
        chart.lines([[(x, panel.top_mm), (x, panel.bottom_mm)]], "thread")
    for n, (stage, reading) in enumerate(zip(side.stages, row.readings, strict=True)):
        y, is_here = panel.top_mm + (n + 0.5) * row_mm, n == side.present
        role: Role = "text" if is_here else "soft text"
        x_mm = panel.left_mm - NAME_MM
        within = NAME_MM - 2.0
        chart.say(x_mm, y, stage.instrument_shown, SMALL, bold=is_here, va="center", role=role, within_mm=within)
        note = kin.place_text(side, reading).partition(" ")[0]
        told = f"{name} {stage.instrument_shown}"
        _draw_one(chart, panel, y, middle_hz, reading, note, told, is_here=is_here)
        if chart.look.is_wide:
            _say_one(chart, y, side, reading, is_here=is_here)


def _draw_one(
    chart: Chart, panel: Panel, y: float, middle_hz: float, reading: KinReading | None, note: str, name: str, *,
    is_here: bool,
) -> None:  # fmt: skip
    if reading is None:
        return
    at = cents_between(middle_hz, reading.freq_hz)
    if abs(at) > panel.x_high:
        chart.say(
            float(panel.x_mm(at)), y, note, SMALL, va="center", ha="right" if at > 0 else "left", role="soft text"
        )
        return
    ends = (at - reading.half_cents, at + reading.half_cents)
    draw_reading(chart, panel, y, at, ends, "reading" if is_here else "earlier reading", name, radius_mm=1.0)


def _say_one(chart: Chart, y: float, side: SideBySide, reading: KinReading | None, *, is_here: bool) -> None:
    left = chart.width_mm - SAID_MM + 3.0
    chart.say(left, y, kin.place_text(side, reading), SMALL, bold=is_here, va="center", within_mm=28.0)
    apart = kin.apart_text(reading)
    chart.say(chart.width_mm, y, apart, SMALL, va="center", ha="right", role="soft text", within_mm=19.0)


def _draw_notes(chart: Chart, panel: Panel, side: SideBySide, of_a4: float) -> None:
    """Draw the lines of the notes of a band and name them above it; ``of_a4`` is its middle, in cents from A4."""
    notes = notes_between(of_a4 + panel.x_low, of_a4 + panel.x_high, side.concert_pitch_hz, side.spelling)
    at = {cents: float(panel.x_mm(cents - of_a4)) for cents in notes}
    chart.rules([[(x, panel.top_mm), (x, panel.bottom_mm)] for x in at.values()])
    every = max(math.ceil(NAMED_MM * len(notes) / panel.width_mm), 1)
    for cents, note in notes.items():
        if round((cents - of_a4) / 100.0) % every == 0:
            chart.say(at[cents], panel.top_mm - 1.4, note, SMALL, ha="center", role="soft text")
    tens = tens_between(panel.x_low, panel.x_high, panel.width_mm)
    chart.rules([[(x, panel.bottom_mm - 1.0), (x, panel.bottom_mm)] for x in panel.x_mm(tens)])


def _told(side: SideBySide, row: KinRow) -> str:
    heard = [
        f"{stage.instrument_shown} {kin.place_text(side, reading)}"
        for stage, reading in zip(side.stages, row.readings, strict=True)
        if reading is not None
    ]
    return f"{kin.row_name(side, row.mode)}: {', '.join(heard)}"
