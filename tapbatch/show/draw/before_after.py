"""Sustain before and after: the last two stages of a part on one page, row by row, with the balance below.

Conventions: changes in percent of what was before, on one scale through all rows; the pale band is 5 % to either
side. A dot is the change, its bar the 95 % interval; hollow and pale where no verdict is given. What lies beyond the
scale is drawn at its edge.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from tapbatch.compare.before_after import SAME_PCT, BalanceChange, Comparison, SustainChange
from tapbatch.model.caution import NoVerdict
from tapbatch.model.history import Stage
from tapbatch.show.draw.charts import HEADING_MM, draw_heading, nice_step
from tapbatch.show.draw.lettering import wrapped
from tapbatch.show.draw.sheet import BODY, HAIR, INK, MARK, MARK_PALE, PALE, SMALL, SOFT, WARN, Panel, Sheet
from tapbatch.show.say import words
from tapbatch.show.say.cautions import caution_text, no_verdict_explained, no_verdict_text
from tapbatch.show.view.side_by_side import common_reason, rows_left_out, sustain_rows
from tapbatch.show.view.side_by_side import last_two as last_two

MOST_SCALE_PCT = 80.0
ROW_MM = 4.2
GROUP_MM = 5.5
FOOT_MM = 20.0
_GROUPS = {"whole": "the sound and its bands", "band": "", "mode": "mode by mode", "string": "string by string"}
_BEFORE_MM, _AFTER_MM, _BARS_MM, _VERDICT_MM = 58.0, 74.0, 80.0, 132.0


def before_after_height_mm(sheet: Sheet, comparison: Comparison) -> float:
    """Return the height that the page's block takes."""
    rows = sustain_rows(comparison)
    groups = {_group(row) for row in rows}
    notes = len(_cautions(sheet, comparison)) * 3.4
    balance = GROUP_MM + ROW_MM * len(comparison.balance) if comparison.balance else 0.0
    return HEADING_MM + 8.0 + notes + ROW_MM * len(rows) + GROUP_MM * len(groups) + balance + FOOT_MM


def draw_before_after(sheet: Sheet, top_mm: float, comparison: Comparison) -> None:
    """Draw what rings longer or shorter than at the stage before."""
    before, after = comparison.before, comparison.after
    draw_heading(sheet, top_mm, after.part, "")
    left = sheet.left_mm
    y = top_mm + HEADING_MM + 1.0
    sheet.say(left, y, f"{before.stage_shown}, then {after.stage_shown}", BODY, bold=True, within_mm=sheet.measure_mm)
    for line in _cautions(sheet, comparison):
        y += 3.4
        sheet.say(left, y, line, SMALL, colour=WARN)
    rows = sustain_rows(comparison)
    panel = _scale(sheet, rows, y + 5.0, _foot(rows, y + 5.0))
    sheet.say(left + _BEFORE_MM, y + 4.5, "before", SMALL, ha="right", colour=SOFT)
    sheet.say(left + _AFTER_MM, y + 4.5, "after", SMALL, ha="right", colour=SOFT)
    _draw_scale(sheet, panel)
    y += 5.0
    alike = common_reason(comparison)
    group = ""
    for row in rows:
        if _group(row) != group:
            group = _group(row)
            y += GROUP_MM
            sheet.say(left, y - 1.0, group, SMALL, colour=SOFT)
        y += ROW_MM
        _draw_row(sheet, panel, y - 1.6, row, alike, _name(row, after))
    if alike:
        sheet.say(left + _VERDICT_MM, panel.top_mm - 1.0, "no verdict, see above", SMALL, colour=WARN)
    y = _draw_balance(sheet, y + 3.0, comparison.balance)
    y += 5.0
    for text in (_left_out(comparison), words.FIVE_PER_CENT, words.NO_LOUDNESS):
        y = sheet.paragraph(left, y, text, sheet.measure_mm, SMALL, colour=SOFT)


def _left_out(comparison: Comparison) -> str:
    count = rows_left_out(comparison)
    return f"{count} more with tapbatch compare." if count else ""


def _group(row: SustainChange) -> str:
    said = _GROUPS[row.subject] or _GROUPS["whole"]
    return "strings plucked" if row.kind == "pluck" and row.subject != "string" else said


def _name(row: SustainChange, after: Stage) -> str:
    mode = next((m for m in after.modes if row.subject == "mode" and m.mode == row.name), None)
    return f"{row.name}, {words.note_text(mode)}" if mode else row.name


def _cautions(sheet: Sheet, comparison: Comparison) -> list[str]:
    alike = common_reason(comparison)
    said = [caution_text(c) for c in comparison.cautions]
    if alike is not None:
        others = [caution_text(c) for c in comparison.cautions if c != alike.caution]
        said = [f"no verdict on any: {no_verdict_explained(alike)}", *others]
    if not said:
        return []
    return wrapped(f"Differed besides the wood: {'; '.join(said)}", sheet.measure_mm, SMALL, most=4)


def _foot(rows: Sequence[SustainChange], top_mm: float) -> float:
    return top_mm + ROW_MM * len(rows) + GROUP_MM * len({_group(row) for row in rows})


def _scale(sheet: Sheet, rows: Sequence[SustainChange], top_mm: float, foot_mm: float) -> Panel:
    # One interval that says nothing must not crush all others: a fifth of them may reach beyond the scale.
    ends = sorted(
        max(abs(v) for v in (r.low_pct, r.high_pct) if v is not None) for r in rows if r.low_pct is not None
    )
    changes = [abs(r.change_pct) for r in rows if r.change_pct is not None]
    wide = ends[math.ceil(0.8 * len(ends)) - 1] if ends else 0.0
    reach = min(max(12.0, wide, 1.2 * max(changes, default=0.0)), MOST_SCALE_PCT) * 1.05
    left = sheet.left_mm + _BARS_MM
    return Panel(
        left_mm=left,
        top_mm=top_mm,
        width_mm=_VERDICT_MM - _BARS_MM - 4.0,
        height_mm=foot_mm - top_mm,
        x_low=-reach,
        x_high=reach,
        y_low=0.0,
        y_high=1.0,
    )


def _draw_scale(sheet: Sheet, panel: Panel) -> None:
    low, high = panel.x_mm([-SAME_PCT, SAME_PCT])
    top, foot = panel.top_mm, panel.bottom_mm
    sheet.area([(low, top), (high, top), (high, foot), (low, foot)], "#f1f1f1")
    step = nice_step(panel.x_high, 3)
    for n in range(-math.floor(panel.x_high / step), math.floor(panel.x_high / step) + 1):
        x = float(panel.x_mm(step * n))
        sheet.lines([[(x, top), (x, foot)]], PALE if n == 0 else HAIR, 0.6 if n == 0 else 0.4)
        text = f"{step * n:+g} %" if n else "0"
        sheet.say(x, top - 0.8, text, SMALL, ha="center", colour=SOFT)


def _draw_row(sheet: Sheet, panel: Panel, y: float, row: SustainChange, alike: NoVerdict | None, name: str) -> None:
    left = sheet.left_mm
    sure = bool(row.verdict)
    sheet.say(left, y, name, BODY, va="center", within_mm=_BEFORE_MM - 14.0)
    for x, seconds in ((_BEFORE_MM, row.before_s), (_AFTER_MM, row.after_s)):
        sheet.say(left + x, y, "" if seconds is None else f"{seconds:.3f} s", SMALL, ha="right", va="center")
    colour = MARK if sure else MARK_PALE
    if row.low_pct is not None and row.high_pct is not None:
        low, high = panel.x_mm([row.low_pct, row.high_pct])
        sheet.lines([[(float(low), y), (float(high), y)]], colour, 1.4, name=f"interval {row.name}")
    if row.change_pct is not None:
        at = float(panel.x_mm(row.change_pct))
        sheet.dots([(at, y)], colour, 0.9, hollow=not sure, name=f"change {row.name}")
    figures = words.change_text(row.change_pct, row.low_pct, row.high_pct, 0).split(" (")[0]
    if row.verdict:
        said = f"{row.verdict}, {figures} %"
        sheet.say(left + _VERDICT_MM, y, said, SMALL, bold=row.verdict in ("longer", "shorter"), va="center")
    else:
        said = f"{figures} %" if row.why == alike else f"{figures} %, no verdict: {no_verdict_text(row.why)}"
        sheet.say(
            left + _VERDICT_MM, y, said, SMALL, colour=SOFT, va="center", within_mm=sheet.measure_mm - _VERDICT_MM
        )


def _draw_balance(sheet: Sheet, y: float, balance: Sequence[BalanceChange]) -> float:
    if not balance:
        return y
    left = sheet.left_mm
    y += GROUP_MM - 2.0
    sheet.say(left, y, "balance: share in the energy of each tap", SMALL, colour=SOFT)
    for b in balance:
        y += ROW_MM
        sheet.say(left, y, f"{b.name}, {b.low_hz:.0f} to {b.high_hz:.0f} Hz", BODY, within_mm=_BEFORE_MM - 14.0)
        sheet.say(left + _BEFORE_MM, y, f"{b.before_db:.1f} dB", SMALL, ha="right")
        sheet.say(left + _AFTER_MM, y, f"{b.after_db:.1f} dB", SMALL, ha="right")
        text = words.change_text(b.change_db, b.low_db, b.high_db, 1).replace(" (", " dB (", 1)
        # A share that holds nearly all moves by hardly anything, however surely.
        sure = (b.low_db > 0 or b.high_db < 0) and abs(b.change_db) >= 1.0
        more = "more" if b.low_db > 0 else "less" if b.high_db < 0 else "cannot tell"
        sheet.say(left + _BARS_MM, y, f"{more}, {text}", SMALL, bold=sure, colour=INK if sure else SOFT)
    return y
