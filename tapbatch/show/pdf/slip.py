"""The reading slip: the first page, which answers at the bench within ten seconds.

Which note, how far off, how sure; moved or not since the last stage; rings longer or not; can it be trusted. What
leads is the note. Everything that limits an answer stands beside that answer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

from tapbatch.model.history import Drift, History, Stage, StageMode
from tapbatch.model.pitch import Spelling
from tapbatch.show.draw.drift import draw_latest_staff
from tapbatch.show.draw.lettering import MM_PER_PT, listed, text_width_mm, wrapped
from tapbatch.show.draw.sheet import BODY, HEAD, INK, LEAD, NAME, NOTE, PALE, SMALL, SOFT, WARN, Sheet
from tapbatch.show.say import words
from tapbatch.show.say.cautions import cautions_text
from tapbatch.show.say.conditions import learned_text
from tapbatch.show.say.landings import (
    chance_text,
    landing_name,
    step_text,
    to_go_text,
    way_text,
)
from tapbatch.show.say.notices import noticed_lines
from tapbatch.show.view.drifts import drifts_into
from tapbatch.show.view.landings import chosen_landings, is_risky
from tapbatch.show.view.stages import latest_stage, leading, stage_before, stage_date

LABEL_MM = 22.0
STAFF_MM = 50.0
MOST_ROWS = 9
MOST_PARTS = 5
MOST_CAUTIONS = 4
MOST_LANDINGS = 3
ANSWER = 11.5
ROW_MM = 6.0

Answer = tuple[str, str, str, list[str]]
"""The question (empty where it goes on from the one before), its answer, the detail, and what limits it."""

# Column, where it stands in mm from the left of the text area, how it is set there, and the room that it has.
ROW: tuple[tuple[str, float, Literal["left", "right"], float], ...] = (
    ("note", 0.0, "left", 29.0),
    ("name", 30.0, "left", 38.0),
    ("how sure", 83.0, "right", 14.0),
    ("moved", 108.0, "right", 24.0),
    ("rings (s)", 137.0, "right", 28.0),
    ("Hz", 152.0, "right", 15.0),
    ("noticed", 155.0, "left", 23.0),
)


def draw_slip(sheet: Sheet, history: History, steady_cents: float, spelling: Spelling) -> None:
    """Draw the first page of an instrument's report."""
    stage = latest_stage(history)
    y = _draw_masthead(sheet, history, stage)
    if stage is None:
        y = sheet.paragraph(sheet.left_mm, y + 12.0, "Nothing was recorded yet.", sheet.measure_mm, HEAD, bold=True)
    else:
        lead = leading(stage)
        if lead:
            y = _draw_lead(sheet, y, history, stage, lead, steady_cents, spelling)
        else:
            y = _draw_silence(sheet, y, stage)
        y = _draw_others(sheet, y + 4.0, history, stage, lead, steady_cents)
        y = _draw_parts(sheet, y + 4.0, history, stage, steady_cents)
    _draw_notices(sheet, y + 4.0, history, stage)


# -------------------------------------------------------------- masthead


def _draw_masthead(sheet: Sheet, history: History, stage: Stage | None) -> float:
    left, y = sheet.left_mm, 20.0
    sheet.say(left, y, "READING SLIP", SMALL, bold=True, colour=SOFT)
    lines = wrapped(history.instrument_shown, sheet.measure_mm, NAME, True, most=1)
    size = NAME
    if text_width_mm(history.instrument_shown, NAME, True) > sheet.measure_mm:
        size = HEAD
        lines = wrapped(history.instrument_shown, sheet.measure_mm, HEAD, True, most=2)
    y += 3.0
    for line in lines:
        y += size * MM_PER_PT * 1.25
        sheet.say(left, y, line, size, bold=True)
    y += 7.0
    if stage:
        placed = ", ".join(word for word in (stage.part, stage.state) if word)
        room = sheet.measure_mm - 52.0
        y = sheet.paragraph(left, y, f"{placed}: {stage.stage_shown}", room, LEAD, most=2) - LEAD * MM_PER_PT * 1.4
        facts = (stage_date(stage), f"A4 = {stage.concert_pitch_hz:g} Hz")
        sheet.say(sheet.right_mm, y, ", ".join(f for f in facts if f), LEAD, ha="right", colour=SOFT)
        if stage.note and stage.note.work:
            y += 5.0
            sheet.say(left, y, stage.note.work, BODY, colour=SOFT, within_mm=sheet.measure_mm)
    y += 4.0
    sheet.rule(left, y, sheet.right_mm, y, INK, 1.2)
    return y


# ------------------------------------------------------------------ lead


def _draw_lead(
    sheet: Sheet,
    y: float,
    history: History,
    stage: Stage,
    lead: StageMode,
    steady_cents: float,
    spelling: Spelling,
) -> float:
    left = sheet.left_mm
    baseline = y + 25.0
    colour = SOFT if words.how_sure(lead, steady_cents) == "unsure" else INK
    sheet.say(left - 1.0, baseline, lead.note, NOTE, bold=True, colour=colour)
    x = left + text_width_mm(lead.note, NOTE, True) + 5.0
    sheet.say(x, baseline - 7.5, words.cents_text(lead).replace(" c", " cents"), NAME, bold=True, colour=colour)
    sheet.say(x, baseline, f"{words.sure_text(lead).replace(' c', ' cents')}, {words.hz_text(lead)} Hz", LEAD)
    played = words.playing_text(lead, stage)
    if played:
        room = sheet.right_mm - STAFF_MM - 9.0 - x
        sheet.say(x, baseline + 5.5, f"played: {played}", BODY, colour=SOFT, within_mm=room)
    draw_latest_staff(sheet, sheet.right_mm - STAFF_MM, y + 6.0, STAFF_MM, history, stage, lead.mode, spelling)
    return max(_draw_answers(sheet, baseline + 14.0, history, stage, lead, steady_cents), y + 84.0)


def _draw_answers(
    sheet: Sheet, y: float, history: History, stage: Stage, lead: StageMode, steady_cents: float
) -> float:
    width = sheet.measure_mm - LABEL_MM - STAFF_MM - 9.0
    for label, answer, detail, cautions in slip_answers(history, stage, lead, steady_cents):
        sheet.say(sheet.left_mm, y, label, LEAD, colour=SOFT)
        y = sheet.paragraph(sheet.left_mm + LABEL_MM, y, answer, width, ANSWER, bold=True, most=2)
        y = sheet.paragraph(sheet.left_mm + LABEL_MM, y - 0.6, detail, width, BODY, most=2)
        if len(cautions) > MOST_CAUTIONS:
            rest = ", ".join(caution.split(":")[0] for caution in cautions[MOST_CAUTIONS - 1 :])
            cautions = [*cautions[: MOST_CAUTIONS - 1], f"also {rest}: see the last page"]
        for caution in cautions:
            y = sheet.paragraph(sheet.left_mm + LABEL_MM, y, caution, width, BODY, colour=WARN, most=3)
        y += 4.0
    return y


def slip_answers(history: History, stage: Stage, lead: StageMode, steady_cents: float) -> list[Answer]:
    """Return what the slip answers of a stage's mode: moved, how far, how long it rings, and whether to trust it."""
    drift = drifts_into(history, stage).get(lead.mode)
    trust = words.how_sure(lead, steady_cents).capitalize()
    return [
        ("Moved?", *_moved(history, stage, drift)),
        *_how_far(history, stage, lead),
        ("Rings?", *_rings(lead, drift)),
        ("Trust it?", trust, _basis(lead, stage, steady_cents), words.doubts(lead, stage)),
    ]


def _moved(history: History, stage: Stage, drift: Drift | None) -> tuple[str, str, list[str]]:
    before = stage_before(history, stage)
    if before is None:
        return "First stage", "nothing to compare with yet", []
    if drift is None:
        return "Not compared", f"with {before.stage_shown}", []
    cautions = [f"differs besides the wood: {cautions_text(drift.cautions)}"] if drift.cautions else []
    shown = {s.stage: s.stage_shown for s in history.of_part(stage.part)}
    told = (
        f"since {shown.get(drift.from_stage, before.stage_shown)}",
        words.more_taps_text(drift),
        words.since_first_text(drift, shown.get(drift.first_stage, drift.first_stage)),
    )
    return _capital(words.moved_text(drift)), "; ".join(t for t in told if t), cautions


def _how_far(history: History, stage: Stage, lead: StageMode) -> list[tuple[str, str, str, list[str]]]:
    chosen = [landing for landing in chosen_landings(history, stage.part) if landing.stage == stage.stage]
    answers: list[tuple[str, str, str, list[str]]] = []
    for landing in sorted(chosen, key=lambda c: c.mode != lead.mode)[:MOST_LANDINGS]:
        name = landing_name(landing)
        whose = _capital(name) if landing.mode == lead.mode else f"{landing.mode} to {name}"
        chance = chance_text(landing)
        risky = is_risky(landing)
        detail = ", ".join(p for p in (step_text(landing), way_text(landing), "" if risky else chance) if p)
        answer = f"{whose}: {to_go_text(landing)}"
        answers.append(("" if answers else "How far?", answer, detail, [f"{chance}: take off less"] if risky else []))
    return answers


def _rings(lead: StageMode, drift: Drift | None) -> tuple[str, str, list[str]]:
    now = f"T60 {words.t60_text(lead)} s" if words.t60_text(lead) else "T60 not known"
    change = words.rings_text(drift) if drift else ""
    limit = words.rings_limit(drift) if drift and change else ""
    return (_capital(change), f"{now} now", [limit] if limit else []) if change else (now, "", [])


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _basis(lead: StageMode, stage: Stage, steady_cents: float) -> str:
    half = words.half_cents(lead)
    if math.isnan(half):
        why = "; how sure is not known"
    elif half > steady_cents:
        why = f"; {words.sure_text(lead)} is wider than the {steady_cents:g} c that count as steady"
    else:
        why = ""
    recordings = sum(h.recording.kind == "tap" for h in stage.heard)
    taps = f"{lead.taps} of {stage.taps_used} tap{'' if stage.taps_used == 1 else 's'}"
    return f"seen in {taps}{why}" if recordings < 2 else f"seen in {taps}, {recordings} recordings{why}"


def _draw_silence(sheet: Sheet, y: float, stage: Stage) -> float:
    y = sheet.paragraph(sheet.left_mm, y + 14.0, "No mode could be read.", sheet.measure_mm, HEAD, bold=True)
    reasons = sorted({t.tap.reason for h in stage.heard for t in h.reading.taps if not t.tap.used and t.tap.reason})
    text = "Tap louder or closer, with the strings damped, in a quieter room; the level should not reach the top."
    y = sheet.paragraph(sheet.left_mm, y + 2.0, text, sheet.measure_mm, LEAD)
    if reasons:
        y = sheet.paragraph(sheet.left_mm, y, f"Not used: {', '.join(reasons)}.", sheet.measure_mm, LEAD, most=3)
    return y + 6.0


# ----------------------------------------------------------- other modes


def _draw_others(
    sheet: Sheet, y: float, history: History, stage: Stage, lead: StageMode | None, steady_cents: float
) -> float:
    others = sorted((m for m in stage.modes if m is not lead), key=lambda m: -m.level_db)
    if not others:
        return y
    aside = f", the {MOST_ROWS} strongest of {len(others)}" if len(others) > MOST_ROWS else ""
    y = _draw_row_head(sheet, y, f"The other modes{aside}", others[:MOST_ROWS])
    drifts = drifts_into(history, stage)
    for mode in sorted(others[:MOST_ROWS], key=lambda m: m.freq_hz):
        y = _draw_row(sheet, y, mode, drifts.get(mode.mode), mode.mode, steady_cents)
    return y


def _draw_parts(sheet: Sheet, y: float, history: History, stage: Stage, steady_cents: float) -> float:
    rest = [history.of_part(part)[-1] for part in history.parts if part != stage.part]
    if not rest:
        return y
    y = _draw_row_head(sheet, y, "The other parts, as last read", [m for s in rest[:MOST_PARTS] if (m := s.lead)])
    for last in rest[:MOST_PARTS]:
        name = f"{last.part}, {last.stage_shown}"
        if last.lead is None:
            sheet.say(
                sheet.left_mm, y, f"{name}: no mode could be read", BODY, colour=SOFT, within_mm=sheet.measure_mm
            )
            y += ROW_MM
            continue
        y = _draw_row(sheet, y, last.lead, drifts_into(history, last).get(last.lead.mode), name, steady_cents)
    return y


def _draw_row_head(sheet: Sheet, y: float, title: str, modes: Sequence[StageMode]) -> float:
    sheet.rule(sheet.left_mm, y, sheet.right_mm, y, PALE, 0.6)
    sheet.say(sheet.left_mm, y + 4.8, title, BODY, bold=True)
    noticed = any(mode.flags for mode in modes)
    for column, x, ha, room in ROW[2:] if noticed else ROW[2:-1]:
        sheet.say(sheet.left_mm + x, y + 4.8, column, SMALL, colour=SOFT, ha=ha, within_mm=room)
    return y + 11.0


def _draw_row(sheet: Sheet, y: float, mode: StageMode, drift: Drift | None, name: str, steady_cents: float) -> float:
    unsure = words.how_sure(mode, steady_cents) == "unsure"
    cells = (
        words.note_text(mode),
        name,
        words.sure_text(mode),
        words.moved_cell(drift) if drift else "",
        words.t60_text(mode),
        words.hz_text(mode),
        listed(mode.flags, ROW[-1][3], BODY),
    )
    for (column, x, ha, room), cell in zip(ROW, cells, strict=True):
        size, bold = (LEAD, not unsure) if column == "note" else (BODY, False)
        colour = WARN if column == "noticed" else SOFT if unsure or column == "name" else INK
        sheet.say(sheet.left_mm + x, y, cell, size, bold=bold, colour=colour, ha=ha, within_mm=room)
    return y + ROW_MM


def _draw_notices(sheet: Sheet, y: float, history: History, stage: Stage | None) -> None:
    """Set what was noticed of recordings and instrument, in what room is left."""
    notices = noticed_lines(history, stage)
    # What was learned of the shop limits nothing in particular, and so it is not in the colour of limits.
    learned = learned_text(history)
    notices += learned
    if not notices or y > sheet.bottom_mm - 12.0:
        return
    sheet.rule(sheet.left_mm, y, sheet.right_mm, y, PALE, 0.6)
    sheet.say(sheet.left_mm, y + 4.8, "Noticed", BODY, bold=True)
    y += 10.0
    for count, notice in enumerate(notices):
        if y > sheet.bottom_mm - 5.0:
            where = " in recordings.csv" if count < len(notices) - len(learned) else ""
            sheet.say(sheet.left_mm, y, f"and {len(notices) - count} more{where}", BODY, colour=SOFT)
            return
        colour = SOFT if count >= len(notices) - len(learned) else WARN
        y = sheet.paragraph(sheet.left_mm, y, notice, sheet.measure_mm, BODY, colour=colour, most=2) + 0.8
