"""The reading slip: the first page, which answers at the bench within ten seconds.

Which note, how far off, how sure; moved or not since the last stage; rings longer or not; can it be trusted. What
leads is the note. Everything that limits an answer stands beside that answer.
"""

from __future__ import annotations

from collections.abc import Sequence

from tapbatch.model.history import History, Stage
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.draw.chart import BODY, HEAD, LEAD, NAME, NOTE, SMALL, Look, Sheet
from tapbatch.show.draw.drift import LATEST, latest_staff
from tapbatch.show.draw.lettering import MM_PER_PT, listed, text_width_mm, wrapped
from tapbatch.show.draw.marks import Role, Said
from tapbatch.show.pdf.blocks import Column
from tapbatch.show.say import words
from tapbatch.show.say.cautions import learned_text
from tapbatch.show.say.notices import noticed_lines
from tapbatch.show.view.answers import (
    NOTHING_READ,
    QUESTIONS,
    WHAT_TO_DO,
    Answer,
    answers_of,
    fault_line,
    turned_down,
)
from tapbatch.show.view.besides import said_beside
from tapbatch.show.view.labelling import Offer, offer_of
from tapbatch.show.view.stages import ModeRow, first_row, latest_stage, mode_at, mode_rows, stage_facts, stage_placed
from tapbatch.show.view.working import Subject, beside_lines, not_heard_text, spoken_name, subject_of

LABEL_MM = 26.0
STAFF_MM = 50.0
MOST_ROWS = 9
MOST_PARTS = 5
MOST_CAUTIONS = 4
ANSWER = 11.5
ROW_MM = 6.0

ROW: tuple[Column, ...] = (
    Column("note", 0.0, "left", 29.0),
    Column("name", 30.0, "left", 38.0),
    Column("how sure", 83.0, "right", 14.0),
    Column("moved", 108.0, "right", 24.0),
    Column("rings (s)", 137.0, "right", 28.0),
    Column("Hz", 152.0, "right", 15.0),
    Column("noticed", 155.0, "left", 23.0),
)


def draw_slip(sheet: Sheet, history: History, settings: InstrumentSettings) -> None:
    """Draw the first page of an instrument's report."""
    stage, steady_cents = latest_stage(history), settings.steady_cents
    y = _draw_masthead(sheet, history, stage)
    if stage is None:
        y = sheet.paragraph(sheet.left_mm, y + 12.0, "Nothing was recorded yet.", sheet.measure_mm, HEAD, bold=True)
    else:
        y = _draw_fault(sheet, y, fault_line(history, stage, steady_cents))
        rows, subject = mode_rows(stage, steady_cents, history), subject_of(history, stage)
        first = first_row(history, stage, steady_cents)
        if subject:
            if first:
                _draw_first(sheet, y, first)
            else:
                _draw_unheard(sheet, y, stage, subject)
            staff = _draw_staff(sheet, y, history, stage, subject, settings)
            below = _draw_beside(sheet, y + 37.0, beside_lines(history, stage))
            offer = _draw_offer(sheet, staff + 4.0, offer_of(history, stage, settings))
            answers = _draw_answers(sheet, below, answers_of(history, stage, subject, steady_cents))
            y = max(answers, offer, y + 84.0)
        else:
            y = _draw_silence(sheet, y, stage)
        y = _draw_others(sheet, y + 4.0, [row for row in rows if first is None or row.mode is not first.mode])
        y = _draw_parts(sheet, y + 4.0, history, stage, steady_cents)
    _draw_notices(sheet, y + 4.0, history, stage)


def _draw_masthead(sheet: Sheet, history: History, stage: Stage | None) -> float:
    left, y = sheet.left_mm, 20.0
    sheet.say(left, y, "READING SLIP", SMALL, bold=True, role="soft text")
    fits = text_width_mm(history.instrument_shown, NAME, True) <= sheet.measure_mm
    size, most = (NAME, 1) if fits else (HEAD, 2)
    lines = wrapped(history.instrument_shown, sheet.measure_mm, size, True, most)
    y += 3.0
    for line in lines:
        y += size * MM_PER_PT * 1.25
        sheet.say(left, y, line, size, bold=True)
    y += 7.0
    if stage:
        told, room = f"{stage_placed(stage)}: {stage.stage_shown}", sheet.measure_mm - 52.0
        y = sheet.paragraph(left, y, told, room, LEAD, most=2) - LEAD * MM_PER_PT * 1.4
        sheet.say(sheet.right_mm, y, stage_facts(stage), LEAD, ha="right", role="soft text")
        if stage.note and stage.note.work:
            y += 5.0
            sheet.say(left, y, stage.note.work, BODY, role="soft text", within_mm=sheet.measure_mm)
    y += 4.0
    sheet.rule(left, y, sheet.right_mm, y, "heading")
    return y


def _draw_fault(sheet: Sheet, y: float, fault: str) -> float:
    """Draw the strongest fault in one line on top; return where that ends."""
    if not fault:
        return y
    size = next((s for s in (LEAD, BODY) if sheet.text_mm(fault, s, True) <= sheet.measure_mm), SMALL)
    sheet.say(sheet.left_mm, y + 5.5, fault, size, bold=True, role="caution", within_mm=sheet.measure_mm)
    return y + 5.5


def _draw_first(sheet: Sheet, y: float, row: ModeRow) -> None:
    """Draw the note of what is worked on."""
    left, mode = sheet.left_mm, row.mode
    baseline = y + 25.0
    role: Role = "soft text" if row.unsure else "text"
    sheet.say(left - 1.0, baseline, mode.note, NOTE, bold=True, role=role)
    x = left + text_width_mm(mode.note, NOTE, True) + 5.0
    room = sheet.right_mm - STAFF_MM - 9.0 - x
    cents, sure = (text(mode, "cents") for text in (words.cents_text, words.sure_text))
    sheet.say(x, baseline - 7.5, cents, NAME, bold=True, role=role)
    sheet.say(x, baseline, f"{sure}, {words.hz_text(mode)} Hz", LEAD)
    sheet.say(x, baseline - 16.0, row.name, LEAD, bold=True, within_mm=room)
    if row.played:
        sheet.say(x, baseline + 5.5, f"played: {row.played}", BODY, role="soft text", within_mm=room)


def _draw_unheard(sheet: Sheet, y: float, stage: Stage, subject: Subject) -> None:
    """Draw the name of a mode that is worked on where its note would be, and that it was not heard."""
    told, room = not_heard_text(stage), sheet.measure_mm - STAFF_MM - 9.0
    sheet.say(sheet.left_mm, y + 17.0, subject.name, NAME, bold=True, within_mm=room)
    sheet.say(sheet.left_mm, y + 26.0, told, HEAD, bold=True, role="caution", within_mm=room)


def _draw_staff(
    sheet: Sheet, y: float, history: History, stage: Stage, subject: Subject, settings: InstrumentSettings
) -> float:
    """Draw where a mode lay over the last stages, if it was heard at any of them; return where that ends."""
    if not any(mode_at(s, subject.name) for s in history.of_part(stage.part)[-LATEST:]):
        return y
    staff, told = latest_staff(history, stage, subject.name, settings, Look(width_mm=STAFF_MM))
    sheet.place(staff, sheet.right_mm - STAFF_MM, y + 6.0)
    sheet.say(sheet.right_mm, y + 4.0, told, SMALL, role="soft text", ha="right", within_mm=STAFF_MM)
    return y + 6.0 + staff.height_mm


def _draw_beside(sheet: Sheet, y: float, lines: Sequence[str]) -> float:
    """Draw the lines on other modes than the first; return where the answers begin."""
    for line in lines:
        sheet.say(sheet.left_mm, y, line, BODY, role="soft text", within_mm=sheet.measure_mm)
        y += 5.0
    return y + (3.5 if lines else 2.0)


def _draw_offer(sheet: Sheet, y: float, offer: Offer | None) -> float:
    """Draw how to label a mode, in the column beside the answers; return where that ends."""
    if offer is None:
        return y
    left = sheet.right_mm - STAFF_MM
    y = sheet.paragraph(left, y, offer.told, STAFF_MM, SMALL, role="soft text") + 1.0
    for line in offer.lines:
        sheet.say(left + 2.0, y, line, SMALL)
        y += 3.6
    return y


def _draw_answers(sheet: Sheet, y: float, answers: Sequence[Answer]) -> float:
    width, left = sheet.measure_mm - LABEL_MM - STAFF_MM - 9.0, sheet.left_mm + LABEL_MM
    for answer in answers:
        sheet.say(sheet.left_mm, y, "" if answer.goes_on else QUESTIONS[answer.question], LEAD, role="soft text")
        y = sheet.paragraph(left, y, answer.told, width, ANSWER, bold=True, most=2)
        y = sheet.paragraph(left, y - 0.6, answer.detail, width, BODY, most=2)
        limits = [limit.full for limit in answer.limits if limit.heavy]
        if len(limits) > MOST_CAUTIONS:
            rest = ", ".join([limit.name for limit in answer.limits if limit.heavy][MOST_CAUTIONS - 1 :])
            limits = [*limits[: MOST_CAUTIONS - 1], f"also {rest}: see the last page"]
        for limit in limits:
            y = sheet.paragraph(left, y, limit, width, BODY, role="caution", most=3)
        for limit in (each.full for each in answer.limits if not each.heavy):
            y = sheet.paragraph(left, y, limit, width, SMALL, role="soft text", most=2)
        y += 4.0
    return y


def _draw_silence(sheet: Sheet, y: float, stage: Stage) -> float:
    y = sheet.paragraph(sheet.left_mm, y + 14.0, f"{NOTHING_READ}.", sheet.measure_mm, HEAD, bold=True)
    y = sheet.paragraph(sheet.left_mm, y + 2.0, WHAT_TO_DO, sheet.measure_mm, LEAD)
    reasons = ", ".join(sorted(filter(None, turned_down(stage))))
    if reasons:
        y = sheet.paragraph(sheet.left_mm, y, f"Not used: {reasons}.", sheet.measure_mm, LEAD, most=3)
    return y + 6.0


def _draw_others(sheet: Sheet, y: float, others: Sequence[ModeRow]) -> float:
    if not others:
        return y
    aside = f", the {MOST_ROWS} strongest of {len(others)}" if len(others) > MOST_ROWS else ""
    shown = sorted(others[:MOST_ROWS], key=lambda row: row.mode.freq_hz)
    y = _draw_row_head(sheet, y, f"The other modes{aside}", shown)
    for row in shown:
        y = _draw_row(sheet, y, row, row.name)
    return y


def _draw_parts(sheet: Sheet, y: float, history: History, stage: Stage, steady_cents: float) -> float:
    last = [history.of_part(part)[-1] for part in history.parts if part != stage.part]
    if not last:
        return y
    rows = [(s, subject_of(history, s), first_row(history, s, steady_cents)) for s in last[:MOST_PARTS]]
    y = _draw_row_head(sheet, y, "The other parts, as last read", [row for *_, row in rows if row])
    for s, subject, row in rows:
        name = f"{s.part}, {s.stage_shown}"
        if row:
            label = spoken_name(s, row.mode.mode)
            y = _draw_row(sheet, y, row, label or name)
            if label:
                # A label and a place do not fit side by side.
                x = sheet.left_mm + ROW[1].x_mm
                sheet.say(x, y - 2.6, name, SMALL, role="soft text", within_mm=sheet.right_mm - x)
                y += 2.2
            continue
        told = f"{name}: {f'{subject.name} {not_heard_text(s)}' if subject else NOTHING_READ.lower()}"
        sheet.say(sheet.left_mm, y, told, BODY, role="soft text", within_mm=sheet.measure_mm)
        y += ROW_MM
    return y


def _draw_row_head(sheet: Sheet, y: float, title: str, rows: Sequence[ModeRow]) -> float:
    sheet.rule(sheet.left_mm, y, sheet.right_mm, y)
    sheet.say(sheet.left_mm, y + 4.8, title, BODY, bold=True)
    flagged = any(row.mode.flags for row in rows)
    for column in ROW[2:] if flagged else ROW[2:-1]:
        column.head(sheet, y + 4.8)
    return y + 11.0


def _draw_row(sheet: Sheet, y: float, row: ModeRow, name: str) -> float:
    mode, flags = row.mode, listed([*map(words.flag_text, row.mode.flags)], ROW[-1].room_mm, BODY)
    said = words.note_text(mode), name, words.sure_text(mode), row.moved, words.t60_text(mode), words.hz_text(mode)
    for column, cell in zip(ROW, (*said, flags), strict=True):
        size, bold = (LEAD, not row.unsure) if column.heading == "note" else (BODY, False)
        soft = row.unsure or column.heading == "name"
        role: Role = "caution" if column.heading == "noticed" else "soft text" if soft else "text"
        column.say(sheet, y, cell, size, bold=bold, role=role)
    return y + ROW_MM


def _draw_notices(sheet: Sheet, y: float, history: History, stage: Stage | None) -> None:
    """Set what was noticed about the recordings and the instrument, in the room that is left."""
    notices: list[Said] = [(text, "caution") for text in noticed_lines(history, stage)]
    # What was learned of the shop limits nothing in particular, and so it is not in the colour of limits.
    said = [*notices, *((text, "soft text") for text in learned_text(history, said_beside(history, stage)))]
    # Room for the heading and one line at least: a heading above "and 1 more" would say nothing.
    if not said or y > sheet.bottom_mm - 16.0:
        return
    sheet.rule(sheet.left_mm, y, sheet.right_mm, y)
    sheet.say(sheet.left_mm, y + 4.8, "Noticed", BODY, bold=True)
    y += 10.0
    for count, (text, role) in enumerate(said):
        if y > sheet.bottom_mm - 5.0:
            where = " in recordings.csv" if count < len(notices) else ""
            sheet.say(sheet.left_mm, y, f"and {len(said) - count} more{where}", BODY, role="soft text")
            return
        y = sheet.paragraph(sheet.left_mm, y, text, sheet.measure_mm, BODY, role=role, most=4) + 0.8
