"""The page's drawing of the open strings: how far each lies from its note, course by course.

Conventions: as in :mod:`tapbatch.show.draw.strings`: flat to the left, the two strings of a course as two dots where
they were told apart; the pale field is what counts as in tune.
"""

from __future__ import annotations

from collections.abc import Sequence

from tapbatch.model.history import OpenString, Stage
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.browser.drawing import WIDTH, dot, drawing, line, say
from tapbatch.show.browser.markup import Markup, joined, number, tag
from tapbatch.show.draw.charts import nice_step
from tapbatch.show.draw.strings import MOST_ROWS
from tapbatch.show.say import words

LEFT, RIGHT = 58.0, WIDTH - 58.0
TOP, ROW_HEIGHT = 22.0, 20.0
DANGER = "Strings break when tuned up: keep your face out of their line, and turn slowly."


def strings_figure(stage: Stage, settings: InstrumentSettings) -> Markup:
    """Return a figure of the open strings that were heard at a stage."""
    rows = stage.strings[:MOST_ROWS]
    ends = [abs(s.cents_off) + (s.pair_cents or 0.0) / 2 for s in rows]
    reach = min(max([2.0 * settings.strings_off_cents, *ends]), 100.0) * 1.1
    foot = TOP + ROW_HEIGHT * len(rows)

    def x_of(cents: float) -> float:
        return LEFT + (RIGHT - LEFT) * (min(max(cents / reach, -1.0), 1.0) + 1.0) / 2.0

    low, high = x_of(-settings.strings_off_cents), x_of(settings.strings_off_cents)
    pieces = [tag("rect", x=low, y=TOP - 4.0, width=high - low, height=foot - TOP + 4.0, class_="field")]
    step = nice_step(reach, 2)
    for n in range(-int(reach / step), int(reach / step) + 1):
        x = x_of(step * n)
        pieces.append(line(x, TOP - 4.0, x, foot, "staff" if n == 0 else "guide"))
        pieces.append(say(x, TOP - 9.0, f"{step * n:+g} c" if n else "in tune", "mid soft"))
    for n, string in enumerate(rows):
        y = TOP + ROW_HEIGHT * (n + 0.5)
        off = abs(string.cents_off) > settings.strings_off_cents
        pieces += [
            say(0.0, y + 4.0, f"{string.string}", "soft"),
            say(20.0, y + 4.0, string.expected_note, "b"),
            _dots(string, y, x_of(string.cents_off), reach),
            say(WIDTH, y + 4.0, _off_text(string), "end b warn" if off else "end"),
        ]
    told = "; ".join(f"{s.string} {s.expected_note} {_off_text(s)}" for s in rows)
    caption = tag("figcaption", tag("b", "Open strings"), f" {stage.stage_shown}, cents from their notes")
    return tag("figure", caption, drawing("Open strings", told, foot + 6.0, pieces))


def _dots(string: OpenString, y: float, x: float, reach: float) -> Markup:
    half = (string.pair_cents or 0.0) / 2 * (RIGHT - LEFT) / (2.0 * reach)
    places: Sequence[float] = (x,) if string.pair_cents is None else (max(x - half, LEFT), min(x + half, RIGHT))
    between = line(places[0], y, places[-1], y, "link") if len(places) > 1 else ""
    return joined([between, *(dot(each, y, "dot", 3.2) for each in places)])


def _off_text(string: OpenString) -> str:
    return f"{words.signed(number(string.cents_off))} c"
