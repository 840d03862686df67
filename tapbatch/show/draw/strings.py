"""The open strings of the latest stage at which they were plucked: how far off each is, how long it rings, its pull.

Conventions: cents from the note at the stage's concert pitch, flat to the left; the pale band is what the settings
allow. A dot is a string, its bar the 95 % interval; two small dots joined are the strings of a course.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from tapbatch.compare.tension import total_tension_n
from tapbatch.model.history import OpenString, Stage
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.draw.charts import HEADING_MM, draw_heading, nice_step
from tapbatch.show.draw.sheet import BODY, HAIR, INK, MARK, PALE, SMALL, SOFT, WARN, Panel, Sheet
from tapbatch.show.say import words
from tapbatch.show.view.stages import plucked_stage as plucked_stage

MOST_ROWS = 32
ROW_MM = 5.4
FOOT_MM = 30.0
_AXIS_MM = (30.0, 95.0)
_COLUMNS = (("cents off", 114.0), ("pair", 127.0), ("T60", 142.0), ("stiffness B", 160.0), ("pull", 176.0))


def open_strings_height_mm(stage: Stage) -> float:
    """Return the height that the strings of a stage take."""
    return HEADING_MM + 8.0 + ROW_MM * min(len(stage.strings), MOST_ROWS) + FOOT_MM


def draw_open_strings(sheet: Sheet, top_mm: float, stage: Stage, settings: InstrumentSettings) -> None:
    """Draw the open strings of a stage, string by string, and what they pull together."""
    rows = stage.strings[:MOST_ROWS]
    draw_heading(sheet, top_mm, "open strings", f"{stage.stage_shown}, A4 = {stage.concert_pitch_hz:g} Hz")
    left, head = sheet.left_mm, top_mm + HEADING_MM + 4.0
    scale = (sheet.right_mm - left) / 178.0
    panel = _axis(left, scale, head + 2.0, rows, settings)
    _draw_axis(sheet, panel, settings.strings_off_cents)
    empty = {
        "pair": all(s.pair_cents is None for s in rows),
        "stiffness B": all(s.inharmonicity is None for s in rows),
        "pull": all(s.tension_n is None for s in rows),
    }
    for name, x in _COLUMNS:
        if not empty.get(name):
            sheet.say(left + x * scale, head + 0.8, name, SMALL, ha="right", colour=SOFT)
    for n, string in enumerate(rows):
        _draw_string(sheet, panel, head + 2.0 + ROW_MM * (n + 0.6), scale, string, settings)
    y = panel.bottom_mm + 6.0
    for line, colour in _below(stage, settings):
        y = sheet.paragraph(left, y, line, sheet.measure_mm, BODY, colour=colour) + 0.6


def _axis(left: float, scale: float, top: float, rows: Sequence[OpenString], settings: InstrumentSettings) -> Panel:
    ends = [abs(s.cents_off) + (s.pair_cents or 0.0) / 2 for s in rows]
    reach = min(max([2.0 * settings.strings_off_cents, *ends]), 100.0) * 1.1
    return Panel(
        left_mm=left + _AXIS_MM[0] * scale,
        top_mm=top,
        width_mm=(_AXIS_MM[1] - _AXIS_MM[0]) * scale,
        height_mm=ROW_MM * len(rows) + 1.0,
        x_low=-reach,
        x_high=reach,
        y_low=0.0,
        y_high=1.0,
    )


def _draw_axis(sheet: Sheet, panel: Panel, allowed: float) -> None:
    low, high = panel.x_mm([-allowed, allowed])
    top, foot = panel.top_mm, panel.bottom_mm
    sheet.area([(low, top), (high, top), (high, foot), (low, foot)], "#f1f1f1")
    step = nice_step(panel.x_high, 3)
    for n in range(-int(panel.x_high / step), int(panel.x_high / step) + 1):
        x = float(panel.x_mm(step * n))
        sheet.lines([[(x, top), (x, foot)]], PALE if n == 0 else HAIR, 0.6 if n == 0 else 0.4)
        sheet.say(x, top - 1.2, f"{step * n:+g} c" if n else "in tune", SMALL, ha="center", colour=SOFT)


def _draw_string(
    sheet: Sheet, panel: Panel, y: float, scale: float, string: OpenString, settings: InstrumentSettings
) -> None:
    left = sheet.left_mm
    off = abs(string.cents_off) > settings.strings_off_cents
    sheet.say(left, y, f"{string.string}", BODY, va="center", colour=SOFT)
    sheet.say(left + 6.0 * scale, y, string.expected_note, BODY, bold=True, va="center")
    if any(s.double for s in settings.strings[string.string - 1 : string.string]):
        sheet.say(left + 17.0 * scale, y, "double", SMALL, va="center", colour=SOFT)
    places = [string.cents_off]
    if string.pair_cents is not None:
        places = [string.cents_off - string.pair_cents / 2, string.cents_off + string.pair_cents / 2]
        sides = panel.x_mm(places)
        sheet.lines([[(float(sides[0]), y), (float(sides[1]), y)]], MARK, 0.6, name=f"course {string.string}")
        sheet.dots([(float(x), y) for x in sides], MARK, 0.8, name=f"pair {string.string}")
    else:
        sheet.dots([(float(panel.x_mm(places[0])), y)], MARK, 1.1, name=f"string {string.string}")
    if 0 < string.freq_low_hz <= string.freq_high_hz < math.inf:
        low, high = (1200.0 * math.log2(f / string.freq_hz) for f in (string.freq_low_hz, string.freq_high_hz))
        bars = [panel.x_mm([place + low, place + high]) for place in places]
        sheet.lines([[(float(a), y), (float(b), y)] for a, b in bars], MARK, 1.6, name=f"interval {string.string}")
    cells = (
        f"{words.signed(f'{string.cents_off:z.1f}')} c",
        "" if string.pair_cents is None else f"{string.pair_cents:.1f} c",
        words.seconds_text(string.t60_s, None, None) + (" s" if string.t60_s else ""),
        "" if string.inharmonicity is None else f"{string.inharmonicity:.6f}",
        "" if string.tension_n is None else f"{string.tension_n:.1f} N",
    )
    for text, (name, x) in zip(cells, _COLUMNS, strict=True):
        wrong = off and name == "cents off"
        sheet.say(
            left + x * scale, y, text, SMALL, ha="right", va="center", bold=wrong, colour=WARN if wrong else INK
        )


def _below(stage: Stage, settings: InstrumentSettings) -> list[tuple[str, str]]:
    lines = []
    if stage.strings_off_cents is not None:
        lines.append(
            (
                f"The string furthest off lies {stage.strings_off_cents:+.1f} cents from its note, more than the "
                f"{settings.strings_off_cents:g} that count as in tune: what the taps of this stage say of the wood "
                "carries that caution.",
                WARN,
            )
        )
    voiced = total_tension_n(settings, stage.concert_pitch_hz)
    if voiced is not None:
        text = f"All strings in tune pull {voiced:.0f} N together at A4 = {stage.concert_pitch_hz:g} Hz"
        playing_hz = settings.playing_pitch_hz
        played = total_tension_n(settings, playing_hz) if playing_hz else None
        if playing_hz and played is not None and playing_hz != stage.concert_pitch_hz:
            text += f", where it is voiced, and {played:.0f} N at {playing_hz:g} Hz, where it is played"
        lines.append((f"{text}. A double course counts twice; pull in the table is that of one string.", INK))
    if len(stage.strings) > MOST_ROWS:
        lines.append((f"{len(stage.strings) - MOST_ROWS} more in strings.csv.", SOFT))
    lines.append(("Strings break when tuned up: keep your face out of their line, and turn slowly.", SOFT))
    return lines
