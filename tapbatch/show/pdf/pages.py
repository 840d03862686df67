"""The last pages of a report: the tables, how the numbers were got, and the cautions.

Conventions: tables show what the CSV files hold, said with the digits that the uncertainty deserves; the note leads.
"""

from __future__ import annotations

import math
import string
from collections.abc import Callable, Sequence
from typing import Literal

from tapbatch.compare.steps import FEWEST_STEPS
from tapbatch.model.history import Drift, History, Landing, Stage, StageMode
from tapbatch.show.draw.lettering import listed, text_width_mm, wrapped
from tapbatch.show.draw.sheet import BODY, INK, LEAD, PALE, SMALL, SOFT, WARN, Sheet
from tapbatch.show.say import words
from tapbatch.show.say.cautions import cautions_text
from tapbatch.show.view.drifts import drifts_into

ROW_MM = 4.6
LEAST_ROWS = 6
CAUTION_MM = 3.4
LEAST_MEASURE_MM = 177.0
BESIDES = "besides the wood"

# A column: its heading, where it stands in mm from the left of the text area, how it is set there, and its room.
Column = tuple[str, float, Literal["left", "right"], float]
Row = tuple[str, ...]

MODE_COLUMNS: tuple[Column, ...] = (
    ("note", 0.0, "left", 23.0),
    ("how sure", 37.0, "right", 14.0),
    ("mode", 40.0, "left", 26.0),
    ("Hz", 79.0, "right", 13.0),
    ("T60 (s)", 106.0, "right", 26.0),
    ("Q", 114.0, "right", 8.0),
    ("level (dB)", 128.0, "right", 13.5),
    ("taps", 135.5, "right", 7.0),
    ("noticed", 138.0, "left", 40.0),
)

LANDING_COLUMNS: tuple[Column, ...] = (
    ("landing", 0.0, "left", 30.0),
    ("mode", 31.0, "left", 20.0),
    ("to go", 72.0, "right", 20.0),
    ("there?", 75.0, "left", 18.0),
    ("one more step (c)", 128.0, "right", 36.0),
    ("steps", 141.0, "right", 12.0),
    ("past it (%)", 160.0, "right", 16.0),
)

FIRST_COLUMNS: tuple[Column, ...] = (
    ("verdict", 0.0, "left", 31.0),
    ("mode", 32.0, "left", 26.0),
    ("cents", 92.0, "right", 36.0),
    ("since", 95.0, "left", 27.0),
    (BESIDES, 124.0, "left", 54.0),
)

PLAYED_COLUMNS: tuple[Column, ...] = (
    ("voiced", 0.0, "left", 27.0),
    ("mode", 28.0, "left", 30.0),
    ("played", 60.0, "left", 30.0),
    ("Hz", 110.0, "right", 18.0),
)

DRIFT_COLUMNS: tuple[Column, ...] = (
    ("verdict", 0.0, "left", 31.0),
    ("mode", 32.0, "left", 26.0),
    ("cents", 92.0, "right", 36.0),
    ("T60 (%)", 120.0, "right", 27.0),
    (BESIDES, 124.0, "left", 54.0),
)


def mode_table(stage: Stage) -> list[Row]:
    """Return the modes of a stage as they are said in print, from low to high."""
    return [_mode_cells(mode) for mode in sorted(stage.modes, key=lambda m: m.freq_hz)]


def _mode_cells(mode: StageMode) -> Row:
    return (
        words.note_text(mode),
        words.sure_text(mode),
        f"{mode.mode}, leads" if mode.lead else mode.mode,
        words.hz_text(mode),
        words.t60_text(mode),
        f"{mode.q:.0f}" if math.isfinite(mode.q) else "",
        f"{mode.level_db:+z.1f}" if mode.level_db > 0 else f"{mode.level_db:z.1f}",
        str(mode.taps),
        listed(mode.flags, MODE_COLUMNS[-1][3], SMALL),
    )


def played_table(stage: Stage) -> list[Row]:
    """Return the modes of a stage at the two concert pitches, where it is played at another than it is voiced."""
    if stage.playing_pitch_hz is None:
        return []
    played = [(m, words.playing_text(m, stage)) for m in sorted(stage.modes, key=lambda m: m.freq_hz)]
    return [(words.note_text(m), m.mode, text.partition(" at ")[0], words.hz_text(m)) for m, text in played if text]


def drift_table(history: History, stage: Stage) -> list[Row]:
    """Return what moved on the way to a stage as it is said in print."""
    return [_drift_cells(drift) for drift in drifts_into(history, stage).values()]


def first_table(history: History, stage: Stage) -> list[Row]:
    """Return what moved since each mode was first heard, where that is longer ago than the stage before."""
    shown = {s.stage: s.stage_shown for s in history.of_part(stage.part)}
    return [
        _first_cells(drift, shown.get(drift.first_stage, drift.first_stage))
        for drift in drifts_into(history, stage).values()
        if drift.first_verdict and drift.first_stage != drift.from_stage
    ]


def _first_cells(drift: Drift, since: str) -> Row:
    cents = words.change_text(drift.first_change_cents, drift.first_cents_low, drift.first_cents_high, 1)
    verdict = words.VERDICTS[drift.first_verdict] if drift.first_verdict else ""
    return verdict, drift.mode, cents, since, cautions_text(drift.first_cautions)


def _drift_cells(drift: Drift) -> Row:
    cents = words.change_text(drift.freq_change_cents, drift.cents_low, drift.cents_high, 1)
    rings = words.change_text(drift.t60_change_pct, drift.t60_low_pct, drift.t60_high_pct, 0)
    verdict = words.VERDICTS[drift.verdict]
    if drift.verdict == "unclear" and drift.more_taps is not None:
        verdict += f" (+{drift.more_taps} taps)"
    return verdict, drift.mode, cents, rings, cautions_text(drift.cautions)


def landing_table(history: History, part: str) -> list[Row]:
    """Return where the modes of a part could come to rest as it is said in print."""
    return [_landing_cells(landing) for landing in history.landings if landing.part == part]


def _landing_cells(landing: Landing) -> Row:
    kind = "target" if landing.landing == "target" else landing.landing
    return (
        f"{landing.landing_note}, {kind}",
        landing.mode,
        f"{landing.cents_to_go:+z.1f} c",
        f"{landing.on_target}, {landing.taps_within}/{landing.taps}",
        words.change_text(landing.step_cents, landing.step_low_cents, landing.step_high_cents, 1)
        or f"{landing.steps_seen} of {FEWEST_STEPS} steps seen",
        "" if landing.steps_to_go is None else f"{landing.steps_to_go:.1f}",
        "" if landing.overshoot is None else f"{100 * landing.overshoot:.0f}",
    )


def table_height_mm(rows: int) -> float:
    """Return the height of a table of so many rows with its headings."""
    return 13.0 + rows * ROW_MM


def cautions_once(columns: Sequence[Column], rows: Sequence[Row]) -> tuple[list[str], list[Row]]:
    """Return the cautions that are too long for their column, to be said once, and the rows that point to them.

    Where one caution holds for every row, nothing needs to point to it; several are told apart by letters.

    Examples
    --------
    >>> narrow = (("verdict", 0.0, "left", 20.0), ("besides the wood", 20.0, "left", 12.0))
    >>> cautions_once(narrow, [("up", "14 days passed"), ("down", "14 days passed")])
    (['Besides the wood: 14 days passed'], [('up', ''), ('down', '')])
    >>> cautions_once(narrow, [("up", "14 days passed"), ("down", "2 days"), ("up", "strings -14 cents")])
    (['a: 14 days passed', 'b: strings -14 cents'], [('up', 'a'), ('down', '2 days'), ('up', 'b')])
    """
    place = next((n for n, column in enumerate(columns) if column[0] == BESIDES), None)
    if place is None:
        return [], list(rows)
    told = [row[place] for row in rows]
    long = list(dict.fromkeys(t for t in told if text_width_mm(t, SMALL) > columns[place][3]))
    if len(long) == 1:
        marks = {long[0]: "" if set(told) == set(long) else "see above"}
        lines = [f"Besides the wood: {long[0]}"]
    else:
        marks = dict(zip(long, string.ascii_lowercase, strict=False))
        lines = [f"{mark}: {text}" for text, mark in marks.items()]
    return lines, [(*row[:place], marks.get(row[place], row[place]), *row[place + 1 :]) for row in rows]


def draw_table(sheet: Sheet, y: float, title: str, columns: Sequence[Column], rows: Sequence[Row]) -> float:
    """Draw a table below its title; a column that is empty in all rows has no heading. Return its last baseline."""
    sheet.headings.append(title)
    sheet.rule(sheet.left_mm, y, sheet.right_mm, y, INK, 0.8)
    sheet.say(sheet.left_mm, y + 4.8, title, BODY, bold=True, within_mm=sheet.measure_mm)
    cautions, rows = cautions_once(columns, rows)
    for line in (line for text in cautions for line in wrapped(text, sheet.measure_mm, SMALL)):
        y += CAUTION_MM
        sheet.say(sheet.left_mm, y + 4.6, line, SMALL, colour=WARN)
    for n, (heading, x, ha, _) in enumerate(columns):
        if any(row[n] for row in rows):
            sheet.say(sheet.left_mm + x, y + 9.2, heading, SMALL, colour=SOFT, ha=ha)
    y += 11.0
    sheet.rule(sheet.left_mm, y, sheet.right_mm, y, PALE, 0.4)
    for cells in rows:
        y += ROW_MM
        for n, ((heading, x, ha, room), cell) in enumerate(zip(columns, cells, strict=True)):
            colour = WARN if heading in ("noticed", BESIDES) else INK
            sheet.say(sheet.left_mm + x, y, cell, SMALL, bold=n == 0, colour=colour, ha=ha, within_mm=room)
    return y


def _two_pitches(stage: Stage) -> str:
    played = stage.playing_pitch_hz or stage.concert_pitch_hz
    return f"{stage.part}: the same at A4 = {stage.concert_pitch_hz:g} Hz, voiced, and at {played:g} Hz, played"


def draw_tables(open_sheet: Callable[[float, float], tuple[Sheet, float]], history: History) -> None:
    """Draw, part by part, the modes of the latest stage, what moved into it, and where it could come to rest.

    Parameters
    ----------
    open_sheet
        Gives the sheet and the place for something of a height, of which at least so much must go on one sheet.
    history
        What to draw.
    """
    for part in history.parts:
        stage = history.of_part(part)[-1]
        for title, columns, rows in (
            (f"{part}: modes at {stage.stage_shown}", MODE_COLUMNS, mode_table(stage)),
            (_two_pitches(stage), PLAYED_COLUMNS, played_table(stage)),
            (f"{part}: what moved on the way to {stage.stage_shown}", DRIFT_COLUMNS, drift_table(history, stage)),
            (f"{part}: what moved since each was first heard", FIRST_COLUMNS, first_table(history, stage)),
            (f"{part}: where it could come to rest", LANDING_COLUMNS, landing_table(history, part)),
        ):
            while rows:
                told = CAUTION_MM * sum(
                    len(wrapped(t, LEAST_MEASURE_MM, SMALL)) for t in cautions_once(columns, rows)[0]
                )
                least = table_height_mm(min(len(rows), LEAST_ROWS)) + told
                sheet, y = open_sheet(table_height_mm(len(rows)) + told, least)
                fit = int((sheet.bottom_mm - y - table_height_mm(0) - told) / ROW_MM)
                draw_table(sheet, y, title, columns, rows[:fit])
                rows = rows[fit:]


HOW: tuple[tuple[str, str], ...] = (
    (
        "Frequency and decay",
        "Each tap is measured from the moment the mallet has left until the next touch or the noise. All its "
        "modes are fitted at once as damped sines in the noise that was there before and between the taps, by"
        " maximum likelihood. How sure a single tap can be is bounded by the sound itself (Yao and Pandit, "
        "IEEE Transactions on Signal Processing 43, 1995); the fit says how near it came. T60 is the time in "
        "which a mode falls by 60 dB; Q is pi times frequency times T60 over ln 1000.",
    ),
    (
        "From taps to a stage",
        "Taps never repeat exactly. What they share is stated as a mean with random effects (Paule and Mandel, "
        "1982), its 95 % interval widened for few taps (Bell and McCaffrey, 2002; Tipton, 2015) and never narrower "
        "than the taps' own errors allow. Uncertainties are combined as the Guide to the Expression of "
        "Uncertainty in Measurement (JCGM 100:2008) lays down. An interval of 95 % misses one time in twenty.",
    ),
    (
        "Note and cents",
        "Notes are those of equal temperament at the concert pitch given. A cent is a hundredth of a "
        "semitone. How sure is half the width of the 95 % interval.",
    ),
    (
        "Moved or not",
        "Up and down: the interval of the change leaves out zero, and that holds among all modes of the stage (Holm, "
        "1979: 5 % for all together). Steady: the whole interval lies within the width that counts as steady. Cannot "
        "tell: neither; more taps would narrow it. What setting up anew moves is learned from what was recorded "
        "again. What differed besides "
        "the wood, strings, hold or concert pitch, is said beside the verdict, for it moves modes too.",
    ),
    (
        "How far still",
        "One more step is predicted from the steps of the same work on this instrument, three at least: their mean, "
        "or a power law of the opening's area where the notes give it. Its interval and the chance to pass a landing "
        "are for the next single step, with the errors that neighbouring steps share and the scatter of the steps.",
    ),
    (
        "The sound and its bands",
        "EDT, T20 and T30 are read from the backward-integrated decay between the limits of ISO 3382-1 and "
        "ISO 3382-2, with the noise taken off; T60 is a fit of decay and floor. A listener just notices a "
        "change of 5 % (ISO 3382-1).",
    ),
    (
        "What no interval covers",
        "Automatic gain in a phone, the room, a hand or a mallet that stays on, where the instrument is held,"
        " damp air and wood. Keep place, hold and mallet the same from stage to stage.",
    ),
)

CAUTIONS: tuple[str, ...] = (
    "Wood taken off cannot be put back. Take off less than the reading asks for, tap again, and leave "
    "unsure readings alone until they are sure.",
    "Blades are sharp and rotary tools throw and grab: follow the tool maker's instructions and local "
    "rules, clamp the work, guard eyes and ears.",
    "Wood dust harms lungs and can burn: extract it, wear a mask that fits, follow local rules.",
    "Strings break when tuned up: keep your face out of their line, turn slowly, do not go past the pitch"
    " they are made for.",
)


def draw_how(sheet: Sheet, y: float) -> float:
    """Draw how the numbers were got, and the cautions; return where they end."""
    label = 45.0
    for title, text in HOW:
        sheet.say(sheet.left_mm, y, title, BODY, bold=True, within_mm=label - 3.0)
        y = sheet.paragraph(sheet.left_mm + label, y, text, sheet.measure_mm - label, BODY) + 3.0
    y += 2.0
    sheet.rule(sheet.left_mm, y, sheet.right_mm, y, INK, 0.8)
    y += 6.0
    sheet.say(sheet.left_mm, y, "Before you cut", LEAD, bold=True)
    for text in CAUTIONS:
        y = sheet.paragraph(sheet.left_mm + label, y, text, sheet.measure_mm - label, BODY) + 1.5
    return y


def flags_seen(history: History) -> list[str]:
    """Return every flag that stands somewhere in the report, each once, sorted."""
    return sorted({f for s in history.stages for f in (*s.flags, *(f for m in s.modes for f in m.flags))})


def draw_flags(sheet: Sheet, y: float, history: History) -> float:
    """Explain the flags that were seen; return where that ends."""
    seen = flags_seen(history)
    if not seen:
        return y
    sheet.rule(sheet.left_mm, y, sheet.right_mm, y, INK, 0.8)
    y += 6.0
    sheet.say(sheet.left_mm, y, "What was noticed", LEAD, bold=True)
    for flag in seen:
        text = words.FLAGS.get(flag, "a flag without an explanation here")
        if y > sheet.bottom_mm - 6.0:
            return y
        y = sheet.paragraph(sheet.left_mm + 45.0, y, f"{flag}: {text}", sheet.measure_mm - 45.0, BODY) + 1.0
    return y
