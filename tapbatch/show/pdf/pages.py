"""The last pages of a report: the tables, how the numbers were got, and the cautions.

Conventions: what the tables say is decided in :mod:`tapbatch.show.view.tables`; here each column has its place.
"""

from __future__ import annotations

import string
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from tapbatch.compare.blank import BLANK
from tapbatch.model.history import History
from tapbatch.show.draw.boards import CAUTION as PLANING_CAUTION
from tapbatch.show.draw.chart import BODY, LEAD, SMALL, Sheet
from tapbatch.show.draw.lettering import listed, text_width_mm, wrapped
from tapbatch.show.draw.marks import Role
from tapbatch.show.pdf.blocks import Column
from tapbatch.show.say import words
from tapbatch.show.view.tables import BESIDES, Kind, part_tables

ROW_MM = 4.6
HEADINGS_MM = 13.0
LEAST_ROWS = 6
CAUTION_MM = 3.4
LABEL_MM = 45.0

Row = tuple[str, ...]

_CHANGE: tuple[Column, ...] = (
    Column("verdict", 0.0, "left", 41.0),
    Column("mode", 41.5, "left", 18.0),
    Column("cents", 92.5, "right", 32.5),
)
_BESIDES: Column = Column(BESIDES, 144.5, "left", 33.0)

COLUMNS: dict[Kind, tuple[Column, ...]] = {
    "modes": (
        Column("note", 0.0, "left", 23.0),
        Column("how sure", 37.0, "right", 14.0),
        Column("mode", 40.0, "left", 26.0),
        Column("Hz", 79.0, "right", 13.0),
        Column("T60 (s)", 106.0, "right", 26.0),
        Column("Q", 114.0, "right", 8.0),
        Column("level (dB)", 128.0, "right", 13.5),
        Column("taps", 135.5, "right", 7.0),
        Column("noticed", 138.0, "left", 40.0),
    ),
    "played": (
        Column("voiced", 0.0, "left", 27.0),
        Column("mode", 28.0, "left", 30.0),
        Column("played", 60.0, "left", 30.0),
        Column("Hz", 110.0, "right", 18.0),
    ),
    "drift": (*_CHANGE, Column("which", 94.0, "left", 22.5), Column("T60 (%)", 143.0, "right", 26.0), _BESIDES),
    "first": (*_CHANGE, Column("since", 94.0, "left", 45.0), _BESIDES),
    "landings": (
        Column("may settle at", 0.0, "left", 30.0),
        Column("mode", 31.0, "left", 20.0),
        Column("to go", 67.0, "right", 16.0),
        Column("there?", 70.0, "left", 27.0),
        Column("one more step (c)", 134.0, "right", 36.0),
        Column("steps", 155.0, "right", 20.0),
        Column("past it (%)", 172.0, "right", 16.0),
    ),
}


def cautions_once(columns: Sequence[Column], rows: Sequence[Row]) -> tuple[list[str], list[Row]]:
    """Return the cautions that are too long for their column, to be said once, and the rows that point to them.

    Where one caution holds for every row, nothing needs to point to it; several are told apart by letters.

    Examples
    --------
    >>> narrow = (Column("verdict", 0.0, "left", 20.0), Column("besides the wood", 20.0, "left", 12.0))
    >>> cautions_once(narrow, [("up", "14 days passed"), ("down", "14 days passed")])
    (['Besides the wood: 14 days passed'], [('up', ''), ('down', '')])
    >>> cautions_once(narrow, [("up", "14 days passed"), ("down", "2 days"), ("up", "strings -14 cents")])
    (['a: 14 days passed', 'b: strings -14 cents'], [('up', 'a'), ('down', '2 days'), ('up', 'b')])
    """
    place = next((n for n, column in enumerate(columns) if column.heading == BESIDES), None)
    if place is None:
        return [], list(rows)
    told = [row[place] for row in rows]
    long = list(dict.fromkeys(t for t in told if text_width_mm(t, SMALL) > columns[place].room_mm))
    if len(long) == 1:
        marks = {long[0]: "" if set(told) == set(long) else "see above"}
        lines = [f"Besides the wood: {long[0]}"]
    else:
        marks = dict(zip(long, string.ascii_lowercase, strict=False))
        lines = [f"{mark}: {text}" for text, mark in marks.items()]
    return lines, [(*row[:place], marks.get(row[place], row[place]), *row[place + 1 :]) for row in rows]


@dataclass(frozen=True, slots=True, kw_only=True)
class TableBlock:
    """A table, which goes on on another sheet where this one is full.

    ``once`` holds for all rows; ``light`` are cautions that can do little, and are not in the colour of limits.
    """

    heading: str
    columns: Sequence[Column]
    rows: Sequence[Row]
    title: str = "Tables"
    once: str = ""
    light: frozenset[str] = frozenset()

    def height_mm(self, sheet: Sheet) -> float:
        """Return the height of all its rows, with headings and cautions."""
        cautions = [*filter(None, [self.once]), *cautions_once(self.columns, self.rows)[0]]
        lines = sum(len(wrapped(text, sheet.measure_mm, SMALL)) for text in cautions)
        return HEADINGS_MM + ROW_MM * len(self.rows) + CAUTION_MM * lines

    def least_mm(self, sheet: Sheet) -> float:
        """Return the height with the fewest rows that may stand alone."""
        return self.height_mm(sheet) - ROW_MM * max(len(self.rows) - LEAST_ROWS, 0)

    def draw(self, sheet: Sheet, top_mm: float) -> TableBlock | None:
        """Draw as many rows as there is room for; return the rest. A column that is empty in them has no heading."""
        y, fit = top_mm, int((sheet.bottom_mm - top_mm - self.height_mm(sheet)) / ROW_MM + len(self.rows))
        sheet.headings.append(self.heading)
        sheet.rule(sheet.left_mm, y, sheet.right_mm, y, "heading")
        sheet.say(sheet.left_mm, y + 4.8, self.heading, BODY, bold=True, within_mm=sheet.measure_mm)
        cautions, rows = cautions_once(self.columns, self.rows[:fit])
        said = [(text, self._is_light(text)) for text in cautions]
        for text, light in [*([(self.once, True)] if self.once else []), *said]:
            for line in wrapped(text, sheet.measure_mm, SMALL):
                y += CAUTION_MM
                sheet.say(sheet.left_mm, y + 4.6, line, SMALL, role="soft text" if light else "caution")
        for n, column in enumerate(self.columns):
            if any(row[n] for row in rows):
                column.head(sheet, y + 9.2)
        y += 11.0
        sheet.rule(sheet.left_mm, y, sheet.right_mm, y)
        for row, whole in zip(rows, self.rows, strict=False):
            y += ROW_MM
            for column, cell, text in zip(self.columns, row, whole, strict=True):
                limits, light = column.heading in ("noticed", BESIDES), text in self.light
                role: Role = "soft text" if limits and light else "caution" if limits else "text"
                column.say(sheet, y, cell, bold=column is self.columns[0], role=role)
        return replace(self, rows=self.rows[fit:]) if fit < len(self.rows) else None

    def _is_light(self, said: str) -> bool:
        return any(said.endswith(text) for text in self.light)


def table_blocks(history: History, steady_cents: float) -> Iterator[TableBlock]:
    """Return, part by part, the modes of the latest stage, what moved into it, and where it could end up."""
    for part in history.parts:
        for table in part_tables(history, part, steady_cents, latest=True):
            columns, rows = COLUMNS[table.kind], []
            for row in table.rows:
                cells = [(row[column.heading], column.room_mm) for column in columns]
                rows.append(tuple(listed(c.items, room_mm, SMALL) if c.items else c.text for c, room_mm in cells))
            besides = [row[BESIDES] for row in table.rows if BESIDES in row]
            light = frozenset(c.text for c in besides if c.light and c.text)
            light -= {c.text for c in besides if not c.light}
            yield TableBlock(heading=table.title, columns=columns, rows=rows, once=table.once, light=light)


HOW_TITLE, CUT_TITLE = "How the numbers were found", "Before you cut"

HOW: dict[str, str] = {
    "Frequency and decay": "Each tap is measured from the moment the mallet has left until the next touch or the "
    "noise. All its modes are fitted at once as damped sines in the noise that was there before and between the "
    "taps, by maximum likelihood. How sure a single tap can be is bounded by the sound itself (Yao and Pandit, IEEE "
    "Transactions on Signal Processing 43, 1995); the fit says how near it came. T60 is the time in which a mode "
    "falls by 60 dB; Q is pi times frequency times T60 over ln 1000.",
    "From taps to a stage": "Taps never repeat exactly. What they share is stated as a mean with random effects "
    "(Paule and Mandel, 1982), its 95 % interval widened for few taps (Bell and McCaffrey, 2002; Tipton, 2015) and "
    "never narrower than the taps' own errors allow. Uncertainties are combined as the Guide to the Expression of "
    "Uncertainty in Measurement (JCGM 100:2008) lays down. An interval of 95 % misses one time in twenty.",
    "Note and cents": "Notes are those of equal temperament at the concert pitch given. A cent is a hundredth of a "
    "semitone. How sure is half the width of the 95 % interval.",
    "Moved or not": "A new set-up moves a reading too: all modes alike, and each a little on its own. Both are in "
    "every interval, assumed at first and learned from what was recorded again. Up and down: the interval leaves out "
    "zero, and that holds among all modes of the stage (Holm, 1979: 5 % for all together). Probably: it leaves out "
    "zero, no more. By itself: the rest moved otherwise, or not at all. Along with the others: all moved alike. "
    "Did not move: not by itself, and nothing shows that all moved. Cannot tell: none of these; more taps or set-ups "
    "may settle it. What all did alike is said once: a set-up, the weather, strings or the cut may do that. What "
    "differed besides the wood, strings, hold or concert pitch, is said beside the verdict, for it moves modes too.",
    "How far still": "One more step is predicted from the steps of the same work on this instrument, three at "
    "least, or with those of earlier instruments of its family. They may stay level, shrink or grow; where the notes "
    "give the opening's area, they follow a power law of it. The interval and the chance to overshoot are for the "
    "next single step, with the errors that neighbouring steps share and the scatter of the steps. A count of steps "
    "reaches no farther than twice the steps seen. On target, past it, under string tension or with a fault in the "
    "reading there is no forecast, and it says why.",
    "The sound and its bands": "EDT, T20 and T30 are read from the backward-integrated decay between the limits of "
    "ISO 3382-1 and ISO 3382-2, with the noise taken off; T60 is a fit of decay and floor. A listener just notices "
    "a change of 5 % (ISO 3382-1).",
    "What no interval covers": "Automatic gain in a phone, the room, a hand or a mallet that stays on, where the "
    "instrument is held, damp air and wood. Keep place, hold and mallet the same from stage to stage.",
}

_WOOD_CAUTIONS: tuple[str, ...] = (
    "Wood taken off cannot be put back. Take off less than the reading asks for, tap again, and leave unsure "
    "readings alone until they are sure.",
    "Blades and planes are sharp, and rotary tools throw and grab: follow the tool maker's instructions and local "
    "rules, clamp the work, guard eyes and ears.",
    "Wood dust harms lungs and can burn: extract it, wear a mask that fits, follow local rules.",
)

CAUTIONS: tuple[str, ...] = (
    *_WOOD_CAUTIONS,
    "Strings break when tuned up: keep your face out of their line, turn slowly, do not go past the pitch they are "
    "made for.",
)

BOARD_CAUTIONS: tuple[str, ...] = (
    *_WOOD_CAUTIONS,
    PLANING_CAUTION,
)
"""The cautions of a board by itself, on which there are no strings."""


def cautions_of(history: History) -> tuple[str, ...]:
    """Return the cautions of the work on an instrument, or on a board that is none yet."""
    return BOARD_CAUTIONS if history.parts and set(history.parts) == {BLANK} else CAUTIONS


def draw_how(sheet: Sheet, y: float, history: History) -> None:
    """Draw how the numbers were got, then what :func:`draw_before_you_cut` draws."""
    for title, text in HOW.items():
        sheet.say(sheet.left_mm, y, title, BODY, bold=True, within_mm=LABEL_MM - 3.0)
        y = sheet.paragraph(sheet.left_mm + LABEL_MM, y, text, sheet.measure_mm - LABEL_MM, BODY) + 3.0
    y += 2.0
    sheet.rule(sheet.left_mm, y, sheet.right_mm, y, "heading")
    y += 6.0
    sheet.say(sheet.left_mm, y, CUT_TITLE, LEAD, bold=True)
    draw_before_you_cut(sheet, y, history)


def draw_before_you_cut(sheet: Sheet, y: float, history: History) -> None:
    """Draw the cautions, and the flags that were seen as far as there is room."""
    for text in cautions_of(history):
        y = sheet.paragraph(sheet.left_mm + LABEL_MM, y, text, sheet.measure_mm - LABEL_MM, BODY) + 1.5
    y += 5.0
    seen = sorted({f for s in history.stages for f in (*s.flags, *(f for m in s.modes for f in m.flags))})
    if not seen:
        return
    sheet.rule(sheet.left_mm, y, sheet.right_mm, y, "heading")
    y += 6.0
    sheet.say(sheet.left_mm, y, "What was noticed", LEAD, bold=True)
    for flag in seen:
        if y > sheet.bottom_mm - 6.0:
            return
        text = words.FLAGS.get(flag, "a flag without an explanation here")
        y = (
            sheet.paragraph(
                sheet.left_mm + LABEL_MM, y, f"{words.flag_text(flag)}: {text}", sheet.measure_mm - LABEL_MM, BODY
            )
            + 1.0
        )
