"""What a wider opening would do: the opening against the notes, with the stages so far and the targets.

Conventions: the opening runs to the right, in millimetres across or square millimetres, from the first stage to as
far as anything is known; cents run upwards, with a line for each note at the concert pitch of the stage. Dots are the
stages so far. The line goes on from the last of them to where a mode would come to rest, and the pale band is its
95 % interval. A target is a line across. Only modes that are worked on or have a target are drawn.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tapbatch.model.what_if import Slide, SlideLine
from tapbatch.show.draw.chart import SMALL, Chart, Look, Panel
from tapbatch.show.draw.over_stages import notes_between, round_values
from tapbatch.show.say.what_if import place_text, size_text

LEAST_CENTS = 150.0
_HEIGHT_MM, _WIDE_HEIGHT_MM = 58.0, 75.0
_LEFT_MM, _TOP_MM, _FOOT_MM = 11.0, 2.0, 9.0


@dataclass(frozen=True, slots=True)
class SlideDrawing:
    """A chart, and the panel through which openings and cents from A4 are seen on it."""

    chart: Chart
    panel: Panel


def slide_chart(slide: Slide, look: Look) -> SlideDrawing:
    """Draw what a wider opening would do."""
    chart = Chart(look)
    drawn = [line for line in slide.lines if line.is_drawn]
    cents = [c for line in drawn for c in _cents(slide, line)]
    spare = max(LEAST_CENTS - (max(cents) - min(cents)), 40.0) / 2.0
    sizes = [*slide.extents, *(size for line in drawn for size, _ in line.stages)]
    across = max(sizes) - min(sizes)
    left = _LEFT_MM * look.spacing
    panel = Panel(
        left,
        _TOP_MM,
        look.width_mm - left - 1.0,
        _WIDE_HEIGHT_MM if look.is_wide else _HEIGHT_MM,
        x_low=min(sizes) - 0.04 * across,
        x_high=max(sizes) + 0.04 * across,
        y_low=min(cents) - spare,
        y_high=max(cents) + spare,
    )
    _draw_scales(chart, panel, slide)
    for line in drawn:
        _draw_line(chart, panel, slide, line)
    chart.height_mm = panel.bottom_mm + _FOOT_MM * look.spacing
    chart.description = _described(slide, drawn)
    return SlideDrawing(chart, panel)


def cents_of(freq_hz: float, concert_pitch_hz: float) -> float:
    """Return the cents of a frequency from A4.

    Examples
    --------
    >>> cents_of(220.0, 440.0)
    -1200.0
    """
    return 1200.0 * math.log2(freq_hz / concert_pitch_hz)


def _cents(slide: Slide, line: SlideLine) -> list[float]:
    hz = [hz for _, hz in (*line.stages, *line.aims)]
    hz += [each for place in line.places_hz if place for each in place]
    return [cents_of(each, slide.concert_pitch_hz) for each in hz]


def _draw_scales(chart: Chart, panel: Panel, slide: Slide) -> None:
    notes = notes_between(panel.y_low, panel.y_high, slide.concert_pitch_hz, slide.spelling)
    every = max(math.ceil(4.5 * chart.look.spacing * len(notes) / panel.height_mm), 1)
    for cents, note in notes.items():
        y = float(panel.y_mm(cents))
        if cents % (100 * every) == 0:
            chart.rule(panel.left_mm, y, panel.right_mm, y)
            chart.say(0.0, y, note, SMALL, va="center", role="soft text", within_mm=panel.left_mm - 1.0)
    foot = panel.bottom_mm + 3.5 * chart.look.spacing
    for size in _ticks(panel, 10 if chart.look.is_wide else 5):
        x = float(panel.x_mm(size))
        chart.rule(x, panel.bottom_mm, x, panel.bottom_mm + 1.0)
        chart.say(x, foot, f"{size:g}", SMALL, ha="center", role="soft text")
    now = float(panel.x_mm(slide.extents[0]))
    chart.rule(now, panel.top_mm, now, panel.bottom_mm, "guide")
    middle = panel.left_mm + panel.width_mm / 2
    below = foot + 3.6 * chart.look.spacing
    chart.say(
        middle,
        below,
        "opening, mm across" if slide.is_round else "opening, mm2",
        SMALL,
        ha="center",
        role="soft text",
    )


def _ticks(panel: Panel, most: int) -> list[float]:
    step = round_values(panel.x_high - panel.x_low, most)[1]
    first = math.ceil(panel.x_low / step)
    return [round(n * step, 6) for n in range(first, math.floor(panel.x_high / step) + 1)]


def _draw_line(chart: Chart, panel: Panel, slide: Slide, line: SlideLine) -> None:
    pitch = slide.concert_pitch_hz
    for note, hz in line.aims:
        y = float(panel.y_mm(cents_of(hz, pitch)))
        chart.lines([[(panel.left_mm, y), (panel.right_mm, y)]], "next note", f"target {line.mode} {note}")
        chart.say(panel.right_mm, y - 1.0, f"target {note}", SMALL, ha="right")
    known = [(size, place) for size, place in zip(slide.extents, line.places_hz, strict=True) if place]
    x = panel.x_mm([size for size, _ in known])
    low, middle, high = (panel.y_mm([cents_of(place[n], pitch) for _, place in known]) for n in range(3))
    chart.area(np.column_stack((np.concatenate((x, x[::-1])), np.concatenate((low, high[::-1])))), "tolerance")
    chart.lines([np.column_stack((x, middle))], "link", f"would rest {line.mode}")
    stages = [(float(panel.x_mm(s)), float(panel.y_mm(cents_of(hz, pitch)))) for s, hz in line.stages]
    chart.dots(stages, "reading", name=f"stages {line.mode}")
    _name(chart, panel, line.mode, list(zip(x.tolist(), middle.tolist(), strict=True)))


def _name(chart: Chart, panel: Panel, mode: str, places: Sequence[tuple[float, float]]) -> None:
    """Name a mode where it is now, on the side from which it comes away."""
    (x, y), (_, last) = places[0], places[-1]
    down = 4.2 * chart.look.spacing if last <= y else -2.5
    chart.say(x + 1.5, y + down, mode, SMALL, bold=True, within_mm=panel.right_mm - x - 1.5)


def _described(slide: Slide, drawn: Sequence[SlideLine]) -> str:
    last = len(slide.extents) - 1
    told = []
    for line in drawn:
        farthest = max((n for n in range(last + 1) if line.places_hz[n]), default=0)
        told.append(f"at {size_text(slide, farthest)}, {place_text(slide, line, farthest)}")
    return "; ".join(told)
