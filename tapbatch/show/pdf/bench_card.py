"""The bench card: one turned page to prop up across the bench, with the note and the answers in large letters.

Conventions: capitals of the note stand over 30 mm high, those of the answers 6 mm or more, for a letter is read from
about two hundred times its height (common practice for signs). Nothing is said here that the reading slip does not
say with its interval.
"""

from __future__ import annotations

from tapbatch.model.history import Drift, History, Stage, StageMode
from tapbatch.show.draw.lettering import text_width_mm
from tapbatch.show.draw.sheet import HEAD, INK, SOFT, WARN, Sheet
from tapbatch.show.say import words
from tapbatch.show.say.cautions import cautions_text
from tapbatch.show.say.landings import chance_text, landing_name, to_go_text
from tapbatch.show.view.drifts import drifts_into
from tapbatch.show.view.landings import chosen_landings, is_risky

HUGE, LARGE, ANSWER, ASIDE, LIMIT = 150.0, 56.0, 28.0, 15.0, 12.0
LABEL_MM = 44.0

# Label, answer, and what limits the answer.
Answer = tuple[str, str, str]


def draw_bench_card(sheet: Sheet, history: History, stage: Stage, lead: StageMode, steady_cents: float) -> None:
    """Draw the page across the bench for the mode that leads at the latest stage."""
    left, right = sheet.left_mm, sheet.right_mm
    placed = f"{stage.part}: {stage.stage_shown}" if stage.part else stage.stage_shown
    sheet.say(left, 22.0, history.instrument_shown, HEAD, bold=True, within_mm=0.5 * sheet.measure_mm - 4.0)
    sheet.say(right, 22.0, placed, HEAD, ha="right", colour=SOFT, within_mm=0.5 * sheet.measure_mm - 4.0)
    sheet.rule(left, 27.0, right, 27.0, INK, 1.2)
    unsure = words.how_sure(lead, steady_cents) == "unsure"
    colour = SOFT if unsure else INK
    sheet.say(left - 3.0, 78.0, lead.note, HUGE, bold=True, colour=colour)
    x = left + text_width_mm(lead.note, HUGE, True) + 7.0
    cents = words.cents_text(lead)
    sheet.say(x, 57.0, cents, _fitting(cents, right - x, LARGE), bold=True, colour=colour)
    beside = f"{words.sure_text(lead)}, {lead.mode}"
    sheet.say(x, 75.0, beside, ANSWER, colour=SOFT, within_mm=right - x)
    y = 102.0
    for label, answer, limit in card_answers(history, stage, lead, steady_cents):
        sheet.say(left, y, label, ASIDE, colour=SOFT)
        room = right - left - LABEL_MM
        sheet.say(left + LABEL_MM, y, answer, _fitting(answer, room, ANSWER), bold=True, within_mm=room)
        below = sheet.paragraph(left + LABEL_MM, y + 7.0, limit, room, LIMIT, colour=WARN, most=2)
        y = max(y + 21.5, below + 8.5)


def card_answers(history: History, stage: Stage, lead: StageMode, steady_cents: float) -> list[Answer]:
    """Return what the card answers: moved or not, how far, rings longer or not, and whether it can be trusted."""
    drift = drifts_into(history, stage).get(lead.mode)
    flags = ", ".join(dict.fromkeys((*lead.flags, *stage.flags)))
    return [
        ("Moved?", *_moved(drift)),
        *_how_far(history, stage, lead),
        ("Rings?", *_rings(lead, drift)),
        ("Trust it?", words.how_sure(lead, steady_cents), flags),
    ]


def _moved(drift: Drift | None) -> tuple[str, str]:
    if drift is None:
        return "nothing to compare with", ""
    differed = f"besides the wood: {cautions_text(drift.cautions)}" if drift.cautions else ""
    return words.moved_text(drift).split(" (")[0], differed


def _how_far(history: History, stage: Stage, lead: StageMode) -> list[Answer]:
    chosen = [c for c in chosen_landings(history, stage.part) if (c.stage, c.mode) == (stage.stage, lead.mode)]
    if not chosen:
        return []
    landing = min(chosen, key=lambda c: abs(c.cents_to_go))
    risky = is_risky(landing)
    text = f"{landing_name(landing)}: {to_go_text(landing).split(' (')[0]}"
    return [("How far?", text, f"{chance_text(landing)}: take off less" if risky else "")]


def _rings(lead: StageMode, drift: Drift | None) -> tuple[str, str]:
    change = words.rings_text(drift).split(" (")[0] if drift else ""
    if drift and change:
        return change, words.rings_limit(drift)
    now = words.t60_text(lead)
    return f"T60 {now.split(' (')[0]} s" if now else "not known", ""


def _fitting(text: str, width_mm: float, largest_pt: float) -> float:
    """Return the type size in which a line fills a width, no larger than given and no smaller than half of that."""
    wide = text_width_mm(text, 1.0, bold=True)
    return max(min(largest_pt, width_mm / wide), largest_pt / 2) if wide else largest_pt
