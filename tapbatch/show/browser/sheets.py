"""The page's tables: modes, drift, targets and strings of an instrument, to be read, heard and sorted.

Conventions: a cell says what a person reads, with the digits that its uncertainty deserves; the number by which a
column sorts stands beside it as ``data-sort``. The full tables are the CSV files. A table that is wider than a
telephone scrolls within a region of its own, which the keyboard reaches.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from tapbatch.model.history import Drift, History, Landing, OpenString, Stage, StageMode
from tapbatch.show.browser.markup import Markup, tag
from tapbatch.show.say import words
from tapbatch.show.say.cautions import cautions_text
from tapbatch.show.say.landings import chance_text, landing_name, step_text, to_go_text

Cell = str | tuple[str, float | None]
"""What a cell says, and the number by which it sorts where that is not the text."""

SCROLLS = "it can be scrolled"


def sheet(name: str, columns: Sequence[str], rows: Iterable[Sequence[Cell]]) -> Markup:
    """Return a table with a name; nothing where it has no rows. The first cell of a row names the row."""
    body = [tag("tr", *(_cell(cell, n == 0) for n, cell in enumerate(row))) for row in rows]
    if not body:
        return Markup()
    head = tag("tr", *(tag("th", column, scope="col") for column in columns))
    table = tag("table", tag("caption", name), tag("thead", head), tag("tbody", *body))
    return tag("div", table, class_="scroll", tabindex=0, role="region", aria_label=f"{name}; {SCROLLS}")


def _cell(cell: Cell, first: bool) -> Markup:
    text, key = (cell, None) if isinstance(cell, str) else cell
    sorts = f"{key:.6g}" if key is not None and math.isfinite(key) else None
    return tag("th" if first else "td", text, scope="row" if first else None, data_sort=sorts)


def modes_sheet(stage: Stage, drifts: dict[str, Drift], steady_cents: float) -> Markup:
    """Return the modes of a stage, from low to high."""
    columns = ("Note", "Mode", "How sure", "Moved", "Rings, T60 in s", "Hz", "Noticed")
    modes = sorted(stage.modes, key=lambda m: m.freq_hz)
    rows = [_mode_row(mode, drifts.get(mode.mode), steady_cents) for mode in modes]
    return sheet(f"Modes of the {stage.part}, {stage.stage_shown}", columns, rows)


def _mode_row(mode: StageMode, drift: Drift | None, steady_cents: float) -> list[Cell]:
    leads = " (leads)" if mode.lead else ""
    return [
        (words.note_text(mode), mode.freq_hz),
        f"{mode.mode}{leads}",
        (f"{words.sure_text(mode)}, {words.how_sure(mode, steady_cents)}", words.half_cents(mode)),
        (words.moved_cell(drift), drift.freq_change_cents) if drift else "",
        (words.t60_text(mode), mode.t60_s),
        (words.hz_text(mode), mode.freq_hz),
        ", ".join(mode.flags),
    ]


def drift_sheet(history: History, part: str) -> Markup:
    """Return what moved in a part from each stage to the next, the latest first."""
    shown = {stage.stage: stage.stage_shown for stage in history.of_part(part)}
    columns = ("Stage", "Mode", "Moved", "Rings", "Caution")
    drifts = [d for d in history.drifts if d.part == part]
    order = {stage.stage_shown: n for n, stage in enumerate(history.of_part(part))}
    order |= {stage.stage: n for n, stage in enumerate(history.of_part(part))}
    rows: list[list[Cell]] = [
        [
            (
                f"{shown.get(d.from_stage, d.from_stage)} to {shown.get(d.to_stage, d.to_stage)}",
                order.get(d.to_stage),
            ),
            d.mode,
            (words.moved_text(d), d.freq_change_cents),
            (words.rings_text(d), d.t60_change_pct),
            cautions_text(d.cautions),
        ]
        for d in sorted(drifts, key=lambda d: -order.get(d.to_stage, 0))
    ]
    return sheet(f"What moved in the {part}", columns, rows)


def targets_sheet(landings: Sequence[Landing], part: str) -> Markup:
    """Return where the modes of a part could come to rest, and how far that is."""
    columns = ("Landing", "Mode", "To go", "Next step", "Chance to pass it")
    rows: list[list[Cell]] = [
        [
            (landing_name(c), c.landing_hz),
            c.mode,
            (to_go_text(c), c.cents_to_go),
            (step_text(c), c.step_cents),
            (chance_text(c), c.overshoot),
        ]
        for c in landings
        if c.part == part
    ]
    return sheet(f"How far to go, {part}", columns, rows)


def strings_sheet(stage: Stage) -> Markup:
    """Return the open strings that were heard at a stage."""
    columns = ("String", "Expected", "Off", "Pair", "Hz", "Rings, T60 in s")
    return sheet(f"Open strings, {stage.stage_shown}", columns, map(_string_row, stage.strings))


def _string_row(string: OpenString) -> list[Cell]:
    half_hz = (string.freq_high_hz - string.freq_low_hz) / 2
    hz, _ = words.value_and_half_width(string.freq_hz, half_hz, 2)
    pair = "" if string.pair_cents is None else f"{string.pair_cents:.1f} c apart"
    return [
        (str(string.string), float(string.string)),
        (string.expected_note, string.expected_hz),
        (f"{words.signed(f'{string.cents_off:z.1f}')} c", string.cents_off),
        (pair, string.pair_cents),
        (hz, string.freq_hz),
        (words.seconds_text(string.t60_s, string.t60_low_s, string.t60_high_s), string.t60_s),
    ]
