"""The bench card: one turned page to prop up across the bench, with the note and the answers in large letters.

Conventions: capitals of the note stand over 30 mm high, those of the answers 6 mm or more, for a letter is read from
about two hundred times its height (common practice for signs). The answers are those of the reading slip, without
their intervals.
"""

from __future__ import annotations

from tapbatch.model.history import History, Stage, StageMode
from tapbatch.show.draw.chart import HEAD, Sheet
from tapbatch.show.draw.lettering import text_width_mm
from tapbatch.show.draw.marks import Role
from tapbatch.show.say import words
from tapbatch.show.view.answers import QUESTIONS, answers_of

HUGE, LARGE, ANSWER, ASIDE, LIMIT = 150.0, 56.0, 28.0, 15.0, 12.0
LABEL_MM = 44.0


def draw_bench_card(sheet: Sheet, history: History, stage: Stage, lead: StageMode, steady_cents: float) -> None:
    """Draw the page across the bench for the mode that leads at the latest stage."""
    left, right = sheet.left_mm, sheet.right_mm
    placed = f"{stage.part}: {stage.stage_shown}" if stage.part else stage.stage_shown
    sheet.say(left, 22.0, history.instrument_shown, HEAD, bold=True, within_mm=0.5 * sheet.measure_mm - 4.0)
    sheet.say(right, 22.0, placed, HEAD, ha="right", role="soft text", within_mm=0.5 * sheet.measure_mm - 4.0)
    sheet.rule(left, 27.0, right, 27.0, "heading")
    role: Role = "soft text" if words.is_unsure(lead, steady_cents) else "text"
    sheet.say(left - 3.0, 78.0, lead.note, HUGE, bold=True, role=role)
    x = left + text_width_mm(lead.note, HUGE, True) + 7.0
    cents = words.cents_text(lead)
    sheet.say(x, 57.0, cents, _fitting(cents, right - x, LARGE), bold=True, role=role)
    sheet.say(x, 75.0, f"{words.sure_text(lead)}, {lead.mode}", ANSWER, role="soft text", within_mm=right - x)
    # Of several answers to one question the first alone has room.
    y, room = 102.0, right - left - LABEL_MM
    for answer in answers_of(history, stage, lead, steady_cents):
        if answer.goes_on:
            continue
        sheet.say(left, y, QUESTIONS[answer.question], ASIDE, role="soft text")
        size = _fitting(answer.brief, room, ANSWER)
        sheet.say(left + LABEL_MM, y, answer.brief, size, bold=True, within_mm=room)
        limits = ", ".join(limit.name for limit in answer.limits)
        below = sheet.paragraph(left + LABEL_MM, y + 7.0, limits, room, LIMIT, role="caution", most=2)
        y = max(y + 21.5, below + 8.5)


def _fitting(text: str, width_mm: float, largest_pt: float) -> float:
    """Return the type size in which a line fills a width, no larger than given and no smaller than half of that."""
    wide = text_width_mm(text, 1.0, bold=True)
    return max(min(largest_pt, width_mm / wide), largest_pt / 2) if wide else largest_pt
