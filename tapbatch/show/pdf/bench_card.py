"""The bench card: one turned page to prop up across the bench, with the note and the answers in large letters.

Conventions: capitals of the note stand over 30 mm high, those of the answers 6 mm or more, for a letter is read from
about two hundred times its height (common practice for signs). The answers are those of the reading slip, without
their intervals. Below how far it is stands what the next cut would do.
"""

from __future__ import annotations

from tapbatch.model.history import History, Stage
from tapbatch.show.draw.chart import HEAD, Sheet
from tapbatch.show.draw.lettering import text_width_mm
from tapbatch.show.draw.marks import Role
from tapbatch.show.say import words
from tapbatch.show.view.answers import QUESTIONS, answers_of, fault_line, last_heard_text
from tapbatch.show.view.working import Subject, beside_lines, name_shown, not_heard_text

HUGE, LARGE, ANSWER, ASIDE, LIMIT = 150.0, 56.0, 28.0, 15.0, 12.0
TWO_LINES, TWO_LINES_MM = 20.0, 9.0
LABEL_MM, CLEAR_MM = 44.0, 8.0


def draw_bench_card(sheet: Sheet, history: History, stage: Stage, subject: Subject, steady_cents: float) -> None:
    """Draw the page across the bench for what is worked on at the latest stage."""
    left, right = sheet.left_mm, sheet.right_mm
    placed = f"{stage.part}: {stage.stage_shown}" if stage.part else stage.stage_shown
    sheet.say(left, 22.0, history.instrument_shown, HEAD, bold=True, within_mm=0.5 * sheet.measure_mm - 4.0)
    sheet.say(right, 22.0, placed, HEAD, ha="right", role="soft text", within_mm=0.5 * sheet.measure_mm - 4.0)
    sheet.rule(left, 27.0, right, 27.0, "heading")
    fault = fault_line(history, stage, steady_cents)
    size = _fitting(fault, right - left, ASIDE)
    sheet.say(left, 14.0, fault, size, bold=True, role="caution", within_mm=right - left)
    _draw_note(sheet, subject, history, stage, steady_cents)
    y = 88.0
    for line in beside_lines(history, stage):
        sheet.say(left, y, line, _fitting(line, right - left, ASIDE), role="soft text", within_mm=right - left)
        y += 6.0
    # Of several answers to one question the first alone has room.
    y, room = max(102.0, y + 8.0), right - left - LABEL_MM - CLEAR_MM
    for answer in answers_of(history, stage, subject, steady_cents):
        if answer.goes_on:
            continue
        sheet.say(left, y, QUESTIONS[answer.question], ASIDE, role="soft text")
        y = _draw_answer(sheet, left + LABEL_MM, y, answer.brief, room)
        limits = ", ".join(limit.name for limit in answer.limits if limit.heavy)
        next_cut = answer.brief_detail if answer.question == "far" and not limits else ""
        if next_cut:
            size = _fitting(next_cut, room, ASIDE, bold=False)
            sheet.say(left + LABEL_MM, y + 8.0, next_cut, size, role="soft text", within_mm=room)
            y += 4.0
        below = sheet.paragraph(left + LABEL_MM, y + 7.0, limits, room, LIMIT, role="caution", most=2)
        y = max(y + 21.5, below + 8.5)


def _draw_answer(sheet: Sheet, x: float, y: float, text: str, room: float) -> float:
    """Draw an answer in one line, or, broken behind its colon, in two smaller ones; return the last baseline."""
    whose, colon, told = text.partition(": ")
    if not colon or text_width_mm(text, TWO_LINES, bold=True) <= room:
        sheet.say(x, y, text, _fitting(text, room, ANSWER), bold=True, within_mm=room)
        return y
    # A long name of a board may be cut, but not where to stop.
    sheet.say(x, y, f"{whose}:", _fitting(f"{whose}:", room, TWO_LINES), bold=True, within_mm=room)
    sheet.say(x, y + TWO_LINES_MM, told, _fitting(told, room, TWO_LINES), bold=True, within_mm=room)
    return y + TWO_LINES_MM


def _draw_note(sheet: Sheet, subject: Subject, history: History, stage: Stage, steady_cents: float) -> None:
    """Draw the note in the largest letters, or the name of a mode that was not heard."""
    left, right, mode = sheet.left_mm, sheet.right_mm, subject.mode
    if mode is None:
        told = (subject.name, not_heard_text(stage))
        for text, y, largest in zip(told, (52.0, 72.0), (HUGE / 2, LARGE), strict=True):
            size = _fitting(text, right - left, largest)
            sheet.say(left, y, text, size, bold=True, within_mm=right - left)
        last = last_heard_text(history, stage, subject.name)
        sheet.say(left, 82.0, last, _fitting(last, right - left, ASIDE), role="soft text", within_mm=right - left)
        return
    role: Role = "soft text" if words.is_unsure(mode, steady_cents) else "text"
    sheet.say(left - 3.0, 78.0, mode.note, HUGE, bold=True, role=role)
    x = left + text_width_mm(mode.note, HUGE, True) + 7.0
    cents = words.cents_text(mode)
    sheet.say(x, 57.0, cents, _fitting(cents, right - x, LARGE), bold=True, role=role)
    sheet.say(x, 75.0, words.sure_text(mode), ANSWER, role="soft text", within_mm=right - x)
    name = name_shown(stage, mode.mode)
    sheet.say(x, 37.5, name, _fitting(name, right - x, ANSWER), bold=True, within_mm=right - x)


def _fitting(text: str, width_mm: float, largest_pt: float, *, bold: bool = True) -> float:
    """Return the type size in which a line fills a width, no larger than given and no smaller than half of that."""
    wide = text_width_mm(text, 1.0, bold=bold)
    # A hair less than the width, so that no rounding of it cuts the line.
    return max(min(largest_pt, 0.999 * width_mm / wide), largest_pt / 2) if wide else largest_pt
