"""The open strings of the latest stage at which they were plucked: how far off each is, how long it rings, its pull.

Conventions: cents from the note at the stage's concert pitch, flat to the left; the pale band is what the settings
allow. A dot is a string, its bar the 95 % interval; two dots joined are the strings of a course. A narrow chart
has the column of cents only; the table has them all.
"""

from __future__ import annotations

import math

from tapbatch.compare.tension import total_tension_n
from tapbatch.model.history import OpenString, Stage
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.draw.chart import BODY, SMALL, Chart, Look, Panel
from tapbatch.show.draw.marks import Role, Said
from tapbatch.show.draw.over_stages import draw_about_zero
from tapbatch.show.say import figures

MOST_ROWS = 32
ROW_MM = 5.4
DANGER = "Strings break when tuned up: keep your face out of their line, and turn slowly."
_OFF = "cents off"
# Columns of figures, in mm from the right edge of a wide chart.
_COLUMNS = ((_OFF, 64.0), ("pair", 51.0), ("T60", 36.0), ("stiffness B", 18.0), ("pull", 2.0))


def strings_chart(stage: Stage, settings: InstrumentSettings, look: Look) -> Chart:
    """Draw the open strings of a stage, string by string."""
    chart = Chart(look)
    rows = stage.strings[:MOST_ROWS]
    columns = dict(_COLUMNS) if look.is_wide else {_OFF: 0.0}
    left, right = (30.0, look.width_mm - 83.0) if look.is_wide else (16.0, look.width_mm - 16.0)
    ends = [abs(s.cents_off) + (s.pair_cents or 0.0) / 2 for s in rows]
    reach = min(max([2.0 * settings.strings_off_cents, *ends]), 100.0) * 1.1
    panel = Panel(left, 6.0, right - left, ROW_MM * len(rows) + 1.0, x_low=-reach, x_high=reach)
    draw_about_zero(chart, panel, settings.strings_off_cents, "c", "in tune")
    cells = [_cells(string) for string in rows]
    for n, (string, told) in enumerate(zip(rows, cells, strict=True)):
        y = panel.top_mm + ROW_MM * (n + 0.6)
        _draw_string(chart, panel, y, string, settings)
        for column, x in columns.items():
            wrong = column == _OFF and abs(string.cents_off) > settings.strings_off_cents
            role: Role = "caution" if wrong else "text"
            chart.say(look.width_mm - x, y, told[column], SMALL, ha="right", va="center", bold=wrong, role=role)
    for name, x in columns.items() if look.is_wide else ():
        if any(told[name] for told in cells):
            chart.say(look.width_mm - x, panel.top_mm - 1.2, name, SMALL, ha="right", role="soft text")
    chart.height_mm = panel.bottom_mm + 1.0
    chart.description = "; ".join(f"{s.string} {s.expected_note} {t[_OFF]}" for s, t in zip(rows, cells, strict=True))
    return chart


def _cells(string: OpenString) -> dict[str, str]:
    """Return the cells of a string, by column."""
    return {
        _OFF: f"{figures.signed(f'{string.cents_off:z.1f}')} c",
        "pair": "" if string.pair_cents is None else f"{string.pair_cents:.1f} c",
        "T60": figures.seconds_text(string.t60_s, None, None) + (" s" if string.t60_s else ""),
        "stiffness B": "" if string.inharmonicity is None else f"{string.inharmonicity:.6f}",
        "pull": "" if string.tension_n is None else f"{string.tension_n:.1f} N",
    }


def _draw_string(chart: Chart, panel: Panel, y: float, string: OpenString, settings: InstrumentSettings) -> None:
    chart.say(0.0, y, f"{string.string}", BODY, va="center", role="soft text")
    chart.say(6.0, y, string.expected_note, BODY, bold=True, va="center")
    if chart.look.is_wide and any(s.double for s in settings.strings[string.string - 1 : string.string]):
        chart.say(17.0, y, "double", SMALL, va="center", role="soft text")
    half = (string.pair_cents or 0.0) / 2
    is_course = string.pair_cents is not None
    places = [string.cents_off - half, string.cents_off + half] if is_course else [string.cents_off]
    at = [(float(x), y) for x in panel.x_mm(places)]
    if is_course:
        chart.lines([at], "link", f"course {string.string}")
    name = "pair" if is_course else "string"
    chart.dots(at, "reading", 0.8 if is_course else 1.1, f"{name} {string.string}")
    if 0 < string.freq_low_hz <= string.freq_high_hz < math.inf:
        low, high = (1200.0 * math.log2(f / string.freq_hz) for f in (string.freq_low_hz, string.freq_high_hz))
        bars = [panel.x_mm([place + low, place + high]) for place in places]
        chart.lines([[(float(a), y), (float(b), y)] for a, b in bars], "reading", f"interval {string.string}")


def strings_notes(stage: Stage, settings: InstrumentSettings) -> list[Said]:
    """Return what is said below: what is far off, what the strings pull together, and the usual caution.

    Each comes with the role in which it is set.
    """
    lines: list[Said] = []
    if stage.strings_off_cents is not None:
        text = (
            f"The worst string is {stage.strings_off_cents:+.1f} cents off, more than the "
            f"{settings.strings_off_cents:g} that count as in tune. It may have moved the taps of this stage."
        )
        lines.append((text, "caution"))
    voiced = total_tension_n(settings, stage.concert_pitch_hz)
    if voiced is not None:
        text = f"All strings in tune pull {voiced:.0f} N together at A4 = {stage.concert_pitch_hz:g} Hz"
        playing_hz = settings.playing_pitch_hz
        played = total_tension_n(settings, playing_hz) if playing_hz else None
        if playing_hz and played is not None and playing_hz != stage.concert_pitch_hz:
            text += f", where it is voiced, and {played:.0f} N at {playing_hz:g} Hz, where it is played"
        lines.append((f"{text}. A double course counts twice; pull in the table is that of one string.", "text"))
    if len(stage.strings) > MOST_ROWS:
        lines.append((f"{len(stage.strings) - MOST_ROWS} more in strings.csv.", "soft text"))
    lines.append((DANGER, "soft text"))
    return lines
