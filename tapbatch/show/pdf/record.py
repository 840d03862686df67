"""The record: one page of an instrument for the drawer, drawn from what its notes, settings and readings say.

Conventions: what it says is decided in :mod:`tapbatch.show.view.record`; here each column has its place. It stays on
one page: if there are more rows than room, the latest stand there, and a line says how many are left out.
"""

from __future__ import annotations

from collections.abc import Sequence

from tapbatch.model.history import History
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.draw.chart import BODY, HEAD, HEAD_MM, SMALL, Sheet
from tapbatch.show.draw.lettering import wrapped
from tapbatch.show.pdf.blocks import TOP_MM, Column
from tapbatch.show.view.record import Record, Row, record_of

TITLE = "Record"
ROW_MM = 4.6
FACT_MM = 28.0
_TABLE_MM = 13.0

_WORK = (
    Column("stage", 0.0, "left", 32.0),
    Column("date", 33.0, "left", 17.0),
    Column("what was done", 51.0, "left", 43.0),
    Column("off (g)", 105.0, "right", 10.0),
    Column("where", 107.0, "left", 31.0),
    Column("mass (g)", 152.0, "right", 13.0),
    Column("thickness (mm)", 154.0, "left", 24.0),
)
_MODES = (
    Column("part", 0.0, "left", 18.0),
    Column("mode", 19.0, "left", 30.0),
    Column("note", 50.0, "left", 28.0),
    Column("how sure", 94.0, "right", 15.0),
    Column("Hz", 113.0, "right", 17.0),
    Column("T60 (s)", 145.0, "right", 30.0),
)
_SOUND = (
    Column("part", 0.0, "left", 18.0),
    Column("stage", 19.0, "left", 60.0),
    Column("EDT (s)", 94.0, "right", 15.0),
    Column("T20 (s)", 113.0, "right", 15.0),
    Column("T60 (s)", 145.0, "right", 15.0),
)


def draw_record(sheet: Sheet, history: History, settings: InstrumentSettings) -> None:
    """Draw the record on a sheet of its own."""
    record = record_of(history, settings)
    title = f"{TITLE} of {history.instrument_shown}"
    sheet.say(sheet.left_mm, HEAD_MM, title, HEAD, bold=True, within_mm=sheet.measure_mm)
    y = _facts(sheet, TOP_MM + 1.0, record)
    rest = (("At the end", _MODES, record.modes), ("How the whole sound rings", _SOUND, record.sound))
    below_mm = sum(_TABLE_MM + ROW_MM * len(rows) for _, _, rows in rest if rows)
    room = int((sheet.bottom_mm - y - below_mm - _TABLE_MM - ROW_MM) / ROW_MM)
    work = record.work[-room:] if 0 < room < len(record.work) else record.work
    left_out = len(record.work) - len(work)
    aside = f"the latest {len(work)} of {len(record.work)} stages; the others stand in notes.csv" if left_out else ""
    for heading, columns, rows, told in (("What was done", _WORK, work, aside), *((*each, "") for each in rest)):
        if rows:
            y = _table(sheet, y, heading, columns, rows, told)


def _facts(sheet: Sheet, y: float, record: Record) -> float:
    for name, text in record.facts:
        sheet.say(sheet.left_mm, y, name, BODY, role="soft text", within_mm=FACT_MM - 2.0)
        y = sheet.paragraph(sheet.left_mm + FACT_MM, y, text, sheet.measure_mm - FACT_MM, BODY, most=2) + 0.8
    return y + 2.0


def _table(sheet: Sheet, y: float, heading: str, columns: Sequence[Column], rows: Sequence[Row], aside: str) -> float:
    sheet.rule(sheet.left_mm, y, sheet.right_mm, y, "heading")
    sheet.say(sheet.left_mm, y + 4.8, heading, BODY, bold=True)
    sheet.say(sheet.right_mm, y + 4.8, aside, SMALL, role="soft text", ha="right")
    for n, column in enumerate(columns):
        if any(row[n] for row in rows):
            column.head(sheet, y + 9.2)
    y += 10.6
    for row in rows:
        y += ROW_MM
        for n, (column, cell) in enumerate(zip(columns, row, strict=True)):
            # What is too long for its column is shortened between words, never within one.
            lines = wrapped(cell, column.room_mm, SMALL)
            column.say(sheet, y, " …".join([*lines[:1], *([""] if len(lines) > 1 else [])]), bold=n == 0)
    return y + 5.0
