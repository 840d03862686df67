"""Sustain before and after: the last two stages of a part, row by row, with the balance below.

Conventions: changes in percent of what was before, on one scale through all rows; the pale band is 5 % to either
side. A dot is the change, its bar the 95 % interval; hollow and pale where no verdict is given. What lies beyond the
scale is drawn at its edge. A wide chart has the seconds before and after in columns, and the verdicts beside the
bars; a narrow one keeps the verdicts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from tapbatch.compare.before_after import SAME_PCT, BalanceChange, Comparison, SustainChange
from tapbatch.model.caution import NoVerdict
from tapbatch.model.history import Stage
from tapbatch.show.draw.chart import BODY, SMALL, Chart, Look, Panel
from tapbatch.show.draw.marks import Role, Said
from tapbatch.show.draw.over_stages import draw_about_zero, draw_reading, reading_role
from tapbatch.show.say import figures, moves, words
from tapbatch.show.say.cautions import caution_text, cautions_text, no_verdict_text
from tapbatch.show.view.besides import TOO_LITTLE, by_weight
from tapbatch.show.view.side_by_side import rows_known, same_reason, sustain_rows
from tapbatch.show.view.working import name_shown

MOST_SCALE_PCT = 80.0
ROW_MM = 4.2
GROUP_MM = 5.5
_GROUPS = {"whole": "the sound and its bands", "band": "", "mode": "mode by mode", "string": "string by string"}


class _Columns(NamedTuple):
    """Where the columns stand, in mm: the names end, before and after end, the bars and the verdicts begin."""

    names: float
    before: float
    after: float
    bars: float
    verdicts: float


_WIDE = _Columns(names=44.0, before=58.0, after=74.0, bars=80.0, verdicts=132.0)
_NARROW = _Columns(names=27.0, before=0.0, after=0.0, bars=28.0, verdicts=58.5)


def before_after_chart(comparison: Comparison, look: Look) -> Chart:
    """Draw what rings longer or shorter than at the stage before; something must have been measured at both."""
    chart = Chart(look)
    columns, named = (_WIDE, _name) if look.is_wide else (_NARROW, _short_name)
    before, after = comparison.before, comparison.after
    rows = sustain_rows(comparison)
    alike = same_reason(rows)
    y = 2.2
    if look.is_wide:
        chart.say(0.0, y, f"{before.stage_shown}, then {after.stage_shown}", BODY, bold=True, within_mm=look.width_mm)
    for line, role in _cautions(chart, comparison, alike):
        y += 3.4 * look.spacing
        chart.say(0.0, y, line, SMALL, role=role)
    y += 5.0
    groups_mm = GROUP_MM * len({_group(row) for row in rows})
    rows_mm, reach = sum(_row_mm(chart, row, alike) for row in rows) + groups_mm, _reach(rows)
    panel = Panel(columns.bars, y, columns.verdicts - columns.bars - 4.0, rows_mm, x_low=-reach, x_high=reach)
    if look.is_wide:
        for x, name in ((columns.before, "before"), (columns.after, "after")):
            chart.say(x, y - 0.5, name, SMALL, ha="right", role="soft text")
    draw_about_zero(chart, panel, SAME_PCT, "%", "0")
    if alike and look.is_wide:
        chart.say(columns.verdicts, y - 1.0, "no verdict, see above", SMALL, role="caution")
    group = ""
    for row in rows:
        if _group(row) != group:
            group = _group(row)
            y += GROUP_MM
            chart.say(0.0, y - 1.0, group, SMALL, role="soft text")
        _draw_row(chart, panel, columns, y + ROW_MM * look.spacing - 1.6, row, alike, named(row, after))
        y += _row_mm(chart, row, alike)
    chart.height_mm = _draw_balance(chart, columns, y + 3.0, comparison.balance) + 2.0
    chart.description = "; ".join(f"{_name(row, after)} {_verdict(row, alike)}" for row in rows)
    return chart


def before_after_notes(comparison: Comparison) -> list[Said]:
    """Return what is said below: what was left out, and what the verdicts rest on."""
    count = len(rows_known(comparison)) - len(sustain_rows(comparison))
    left_out = [f"{count} more with tapbatch compare."] if count else []
    return [(text, "soft text") for text in (*left_out, moves.FIVE_PER_CENT, moves.NO_LOUDNESS)]


def _group(row: SustainChange) -> str:
    plucked = row.kind == "pluck" and row.subject != "string"
    return "strings plucked" if plucked else _GROUPS[row.subject] or _GROUPS["whole"]


def _name(row: SustainChange, after: Stage) -> str:
    mode = next((m for m in after.modes if row.subject == "mode" and m.mode == row.name), None)
    return f"{name_shown(after, row.name)}, {words.note_text(mode)}" if mode else row.name


def _short_name(row: SustainChange, after: Stage) -> str:
    """Return the name of a row for a narrow chart: of a mode of a board, what it is, and no note."""
    shown = name_shown(after, row.name)
    return shown if row.subject == "mode" and shown != row.name else _name(row, after)


def _cautions(chart: Chart, comparison: Comparison, alike: NoVerdict | None) -> list[Said]:
    heavy, light = by_weight(comparison.cautions, comparison.drifts)
    said = [caution_text(c) for c in heavy if alike is None or c != alike.caution]
    if alike is not None:
        said.insert(0, f"no verdict on any: {no_verdict_text(alike, explained=True)}")
    much, little = f"Differed besides the wood: {'; '.join(said)}", f"{TOO_LITTLE}: {cautions_text(light)}"
    lines = chart.wrapped(much, chart.width_mm, SMALL, most=4) if said else []
    more = chart.wrapped(little, chart.width_mm, SMALL, most=4 - min(len(lines), 3)) if light else []
    return [*((line, "caution") for line in lines), *((line, "soft text") for line in more)]


def _reach(rows: Sequence[SustainChange]) -> float:
    # One interval that says nothing must not crush all others: a fifth of them may reach beyond the scale.
    ends = sorted(
        max(abs(v) for v in (r.low_pct, r.high_pct) if v is not None) for r in rows if r.low_pct is not None
    )
    changes = [abs(r.change_pct) for r in rows if r.change_pct is not None]
    wide = ends[math.ceil(0.8 * len(ends)) - 1] if ends else 0.0
    return min(max(12.0, wide, 1.2 * max(changes, default=0.0)), MOST_SCALE_PCT) * 1.05


def _row_mm(chart: Chart, row: SustainChange, alike: NoVerdict | None) -> float:
    """Return the height of a row; in a narrow chart the reason for no verdict has a line of its own."""
    lines = 0 if chart.look.is_wide else len(chart.wrapped(_reason(row, alike), chart.width_mm, SMALL))
    return (ROW_MM + 3.2 * lines) * chart.look.spacing


def _figures(row: SustainChange) -> str:
    return figures.change_text(row.change_pct, row.low_pct, row.high_pct, 0, "%", interval=False)


def _reason(row: SustainChange, alike: NoVerdict | None) -> str:
    return "" if row.verdict or row.why in (None, alike) else f"no verdict: {no_verdict_text(row.why)}"


def _verdict(row: SustainChange, alike: NoVerdict | None) -> str:
    word = moves.RINGS.get(row.verdict, row.verdict)
    said = (word, _figures(row)) if word else (_figures(row), _reason(row, alike))
    return ", ".join(text for text in said if text)


def _draw_row(
    chart: Chart, panel: Panel, columns: _Columns, y: float, row: SustainChange, alike: NoVerdict | None, name: str
) -> None:
    chart.say(0.0, y, name, BODY, va="center", within_mm=columns.names)
    for x, seconds in ((columns.before, row.before_s), (columns.after, row.after_s)):
        if x and seconds is not None:
            chart.say(x, y, f"{seconds:.3f} s", SMALL, ha="right", va="center")
    if row.change_pct is not None:
        ends, role = (row.low_pct, row.high_pct), reading_role(not row.verdict)
        draw_reading(chart, panel, y, row.change_pct, ends, role, f"change {row.name}", radius_mm=0.9)
    x = columns.verdicts
    text_role: Role = "text" if row.verdict else "soft text"
    said = _verdict(row, alike) if chart.look.is_wide or row.verdict else _figures(row)
    bold, room = row.verdict in ("longer", "shorter"), chart.width_mm - x
    if row.verdict and chart.text_mm(said, SMALL, bold) > room:
        said = moves.RINGS.get(row.verdict, row.verdict)
    chart.say(x, y, said, SMALL, bold=bold, va="center", role=text_role, within_mm=room)
    if not chart.look.is_wide:
        for line in chart.wrapped(_reason(row, alike), chart.width_mm, SMALL):
            y += 3.2 * chart.look.spacing
            chart.say(chart.width_mm, y, line, SMALL, ha="right", va="center", role="soft text")


def _draw_balance(chart: Chart, columns: _Columns, y: float, balance: Sequence[BalanceChange]) -> float:
    if not balance:
        return y
    y += GROUP_MM - 2.0
    chart.say(0.0, y, "balance: share in the energy of each tap", SMALL, role="soft text")
    for b in balance:
        y += ROW_MM * chart.look.spacing
        where = f"{b.name}, {b.low_hz:.0f} to {b.high_hz:.0f} Hz" if chart.look.is_wide else b.name
        chart.say(0.0, y, where, BODY, within_mm=columns.names)
        if chart.look.is_wide:
            chart.say(columns.before, y, f"{b.before_db:.1f} dB", SMALL, ha="right")
            chart.say(columns.after, y, f"{b.after_db:.1f} dB", SMALL, ha="right")
        text = figures.change_text(b.change_db, b.low_db, b.high_db, 1, "dB")
        # A share that holds nearly all moves by hardly anything, however surely.
        sure = (b.low_db > 0 or b.high_db < 0) and abs(b.change_db) >= 1.0
        more = "more" if b.low_db > 0 else "less" if b.high_db < 0 else "cannot tell"
        role: Role = "text" if sure else "soft text"
        chart.say(columns.bars, y, f"{more}, {text}", SMALL, bold=sure, role=role)
    return y
