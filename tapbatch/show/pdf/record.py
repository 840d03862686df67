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
from tapbatch.show.view.record import MODE_COLUMNS, SOUND_COLUMNS, WORK_COLUMNS, Record, Row, record_of

TITLE = "Record"
ROW_MM = 4.6
FACT_MM = 28.0
_TABLE_MM = 13.0

_WORK = tuple(
    Column(name, x_mm, anchor, room_mm)
    for name, (x_mm, anchor, room_mm) in zip(
        WORK_COLUMNS,
        (
            (0.0, "left", 32.0),
            (33.0, "left", 17.0),
            (51.0, "left", 43.0),
            (105.0, "right", 10.0),
            (107.0, "left", 31.0),
            (152.0, "right", 13.0),
            (154.0, "left", 24.0),
        ),
        strict=True,
    )
)
_MODES = tuple(
    Column(name, x_mm, anchor, room_mm)
    for name, (x_mm, anchor, room_mm) in zip(
        MODE_COLUMNS,
        (
            (0.0, "left", 18.0),
            (19.0, "left", 30.0),
            (50.0, "left", 28.0),
            (94.0, "right", 15.0),
            (113.0, "right", 17.0),
            (145.0, "right", 30.0),
        ),
        strict=True,
    )
)
_SOUND = tuple(
    Column(name, x_mm, anchor, room_mm)
    for name, (x_mm, anchor, room_mm) in zip(
        SOUND_COLUMNS,
        (
            (0.0, "left", 18.0),
            (19.0, "left", 60.0),
            (94.0, "right", 15.0),
            (113.0, "right", 15.0),
            (132.0, "right", 15.0),
        ),
        strict=True,
    )
)


def draw_record(sheet: Sheet, history: History, settings: InstrumentSettings) -> None:
    """Draw the record on a sheet of its own."""
    record = record_of(history, settings)
    sheet.say(
        sheet.left_mm, HEAD_MM, f"{TITLE} of {history.instrument_shown}", HEAD, bold=True, within_mm=sheet.measure_mm
    )
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
            column.say(sheet, y, lines[0] if len(lines) < 2 else f"{lines[0]} …", bold=n == 0)
    return y + 5.0
