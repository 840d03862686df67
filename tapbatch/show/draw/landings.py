"""The landings of a mode, drawn: where it is, what one more step would do, and how far each landing is.

Conventions: cents run to the right, with a line for each note of the scale at the concert pitch of the stage, a
hundred cents apart. One row is the reading, one the next step with its 95 % prediction interval, then one for each
landing: from the reading to it runs a thin line, and the pale block round a target is its tolerance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from tapbatch.model.history import Landing, Stage, StageMode
from tapbatch.model.pitch import Spelling, hz_to_note
from tapbatch.show.draw.charts import HEADING_MM, draw_heading, mode_at
from tapbatch.show.draw.sheet import BODY, HAIR, INK, MARK, MARK_PALE, PALE, SMALL, SOFT, WARN, Panel, Sheet
from tapbatch.show.say import words
from tapbatch.show.say.landings import chance_text, step_text, to_go_text, way_text
from tapbatch.show.view.landings import is_risky
from tapbatch.show.view.landings import landing_blocks as landing_blocks

ROW_MM = 8.0
NOTES_MM = 6.0
LABEL_MM = 33.0
SAID_MM = 69.0
TICK_MM = 2.2
WIDEST_STEP_CENTS = 150.0


def landing_height_mm(landings: Sequence[Landing]) -> float:
    """Return the height that the landings of one mode take."""
    return HEADING_MM + NOTES_MM + ROW_MM * (2 + len(landings))


def draw_landings(
    sheet: Sheet, top_mm: float, stage: Stage, landings: Sequence[Landing], steady_cents: float, spelling: Spelling
) -> None:
    """Draw where one mode is and where it could come to rest."""
    mode = mode_at(stage, landings[0].mode)
    if mode is None:
        return
    draw_heading(sheet, top_mm, f"{stage.part or 'body'}: {mode.mode}", stage.stage_shown)
    panel = _panel(sheet, top_mm + HEADING_MM + NOTES_MM, stage, mode, landings)
    _draw_notes(sheet, panel, stage.concert_pitch_hz, spelling)
    now = _cents(mode.freq_hz, stage)
    at = float(panel.x_mm(now))
    unsure = words.how_sure(mode, steady_cents) == "unsure"
    _draw_now(sheet, panel, _row(panel, 0), stage, mode, unsure)
    _draw_step(sheet, panel, _row(panel, 1), now, landings[0])
    sheet.lines([[(at, _row(panel, 0) + 1.0), (at, panel.bottom_mm)]], MARK_PALE, 0.6)
    for n, landing in enumerate(landings):
        _draw_landing(sheet, panel, _row(panel, n + 2), now, landing)


def _row(panel: Panel, n: int) -> float:
    return panel.top_mm + ROW_MM * (n + 0.5)


def _cents(freq_hz: float, stage: Stage) -> float:
    return 1200.0 * math.log2(freq_hz / stage.concert_pitch_hz)


def _panel(sheet: Sheet, top: float, stage: Stage, mode: StageMode, landings: Sequence[Landing]) -> Panel:
    now = _cents(mode.freq_hz, stage)
    ends = [now, *(now + c.cents_to_go + side * c.tolerance_cents for c in landings for side in (-1, 1))]
    # A step that nobody can tell would crush all else: its interval is cut at the edge, and said in figures.
    for c in landings[:1]:
        steps = [v for v in (c.step_low_cents, c.step_cents, c.step_high_cents) if v is not None and math.isfinite(v)]
        ends += [now + max(min(v, WIDEST_STEP_CENTS), -WIDEST_STEP_CENTS) for v in steps]
    if 0 < mode.freq_low_hz <= mode.freq_high_hz < math.inf:
        wings = (_cents(mode.freq_low_hz, stage) - now, _cents(mode.freq_high_hz, stage) - now)
        ends += [now + max(min(w, WIDEST_STEP_CENTS), -WIDEST_STEP_CENTS) for w in wings]
    spare = max(120.0 - (max(ends) - min(ends)), 30.0) / 2
    return Panel(
        left_mm=sheet.left_mm + LABEL_MM,
        top_mm=top,
        width_mm=sheet.measure_mm - LABEL_MM - SAID_MM - 4.0,
        height_mm=ROW_MM * (2 + len(landings)),
        x_low=min(ends) - spare,
        x_high=max(ends) + spare,
        y_low=0.0,
        y_high=1.0,
    )


def _draw_notes(sheet: Sheet, panel: Panel, pitch_hz: float, spelling: Spelling) -> None:
    numbers = range(math.ceil(panel.x_low / 100), math.floor(panel.x_high / 100) + 1)
    every = max(math.ceil(9.0 * len(numbers) / panel.width_mm), 1)
    places = panel.x_mm([100.0 * n for n in numbers])
    sheet.rules([[(x, panel.top_mm), (x, panel.bottom_mm)] for x in places], PALE, 0.5)
    for n, x in zip(numbers, places, strict=True):
        if n % every == 0:
            note = hz_to_note(pitch_hz * 2.0 ** (n / 12), pitch_hz, spelling)[0]
            sheet.say(float(x), panel.top_mm - 1.6, note, SMALL, ha="center")
    if panel.width_mm / (panel.x_high - panel.x_low) * 10 >= 0.9:
        tens = range(math.ceil(panel.x_low / 10), math.floor(panel.x_high / 10) + 1)
        sheet.rules([[(x, panel.top_mm), (x, panel.top_mm + 1.0)] for x in panel.x_mm([10.0 * n for n in tens])])
    for n in range(1, round(panel.height_mm / ROW_MM)):
        y = panel.top_mm + n * ROW_MM
        sheet.rule(sheet.left_mm, y, sheet.right_mm, y, HAIR, 0.3)


def _say(sheet: Sheet, y: float, label: str, said: str, detail: str = "", colour: str = SOFT) -> None:
    sheet.say(sheet.left_mm, y, label, BODY, va="center", within_mm=LABEL_MM - 3.0)
    x = sheet.right_mm - SAID_MM
    sheet.say(x, y - (1.5 if detail else 0.0), said, BODY, bold=True, va="center", within_mm=SAID_MM)
    sheet.say(x, y + 2.0, detail, SMALL, va="center", colour=colour, within_mm=SAID_MM)


def _draw_now(sheet: Sheet, panel: Panel, y: float, stage: Stage, mode: StageMode, unsure: bool) -> None:
    colour = MARK_PALE if unsure else MARK
    low, high = mode.freq_low_hz, mode.freq_high_hz
    if 0 < low <= high < math.inf:
        sides = panel.x_mm([_cents(low, stage), _cents(high, stage)])
        sheet.lines([[(float(x), y) for x in sides]], colour, 1.4, name=f"interval now {mode.mode}")
    at = float(panel.x_mm(_cents(mode.freq_hz, stage)))
    sheet.dots([(at, y)], colour, 1.1, hollow=unsure, name=f"now {mode.mode}")
    _say(sheet, y, "now", f"{words.note_text(mode)}, {words.sure_text(mode)}", f"{words.hz_text(mode)} Hz")


def _draw_step(sheet: Sheet, panel: Panel, y: float, now: float, landing: Landing) -> None:
    steps = (landing.step_low_cents, landing.step_cents, landing.step_high_cents)
    if any(v is None or not math.isfinite(v) for v in steps):
        why = step_text(landing).removeprefix("one more step not known ").strip("()")
        _say(sheet, y, "after one more step", "not known", why)
        return
    low, middle, high = (float(panel.x_mm(now + v)) for v in steps if v is not None)
    sheet.lines([[(low, y), (high, y)]], MARK_PALE, 1.4, name=f"step {landing.mode}")
    sheet.dots([(middle, y)], MARK_PALE, 1.1, hollow=True, name=f"next {landing.mode}")
    text = words.change_text(landing.step_cents, landing.step_low_cents, landing.step_high_cents, 1)
    _say(sheet, y, "after one more step", text.replace(" (", " c (", 1), landing.basis)


def _draw_landing(sheet: Sheet, panel: Panel, y: float, now: float, landing: Landing) -> None:
    aim = now + landing.cents_to_go
    at, here = float(panel.x_mm(aim)), float(panel.x_mm(now))
    if landing.landing == "target":
        low, high = panel.x_mm([aim - landing.tolerance_cents, aim + landing.tolerance_cents])
        sides = (y - TICK_MM, y + TICK_MM)
        sheet.area([(low, sides[0]), (high, sides[0]), (high, sides[1]), (low, sides[1])], HAIR)
    sheet.lines([[(here, y), (at, y)]], MARK_PALE, 0.6, name=f"to go {landing.mode} {landing.landing_note}")
    name = f"landing {landing.mode} {landing.landing_note}"
    sheet.lines([[(at, y - TICK_MM), (at, y + TICK_MM)]], INK, 1.6 if landing.landing == "target" else 0.7, name=name)
    label = f"{landing.landing_note}, {'target' if landing.landing == 'target' else 'next note'}"
    way = way_text(landing)
    said = f"{to_go_text(landing)}, {way}" if way else to_go_text(landing)
    if is_risky(landing) and landing.steps_to_go is not None:
        _say(sheet, y, label, said, f"{chance_text(landing)}: take off less", WARN)
        return
    told = f"{landing.taps_within} of {landing.taps} taps within {landing.tolerance_cents:g} c"
    if landing.steps_to_go is not None:
        told = chance_text(landing) or told
    _say(sheet, y, label, said, told if landing.landing == "target" or landing.steps_to_go else "")
