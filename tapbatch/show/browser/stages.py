"""The page's drawings over stages: the drift of a mode on a staff of notes, and what rings before and after.

Conventions: as in :mod:`tapbatch.show.draw.charts` and :mod:`tapbatch.show.browser.drawing`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from tapbatch.model.history import Drift, History, Stage
from tapbatch.model.pitch import Spelling, hz_to_note
from tapbatch.show.browser.drawing import NAMES_HEIGHT, WIDTH, bar, cut, dot, drawing, line, name_stages, say
from tapbatch.show.browser.markup import Markup, joined, tag
from tapbatch.show.draw.charts import Point, chart_modes, drifts_of_mode, mode_at, nice_step, stage_places
from tapbatch.show.draw.drift import drift_points, staff_panel
from tapbatch.show.draw.sheet import Panel
from tapbatch.show.draw.sustain import sustain_charts
from tapbatch.show.say import words

STAFF_LEFT, STAFF_RIGHT = 34.0, 240.0
STAFF_HEIGHT = 104.0
ROW_HEIGHT = 24.0
NAME_ROOM = 112.0
MOST_ROWS = 8


def drift_figures(history: History, part: str, steady_cents: float, spelling: Spelling) -> list[Markup]:
    """Return a figure a mode of a part: where it lay at each stage, on a staff whose lines are notes."""
    stages = history.of_part(part)
    if len(stages) < 2:
        return []
    return [drift_figure(history, stages, name, steady_cents, spelling) for name in chart_modes(stages)]


def drift_figure(
    history: History, stages: Sequence[Stage], name: str, steady_cents: float, spelling: Spelling
) -> Markup:
    """Return a figure of where a mode lay at some stages of a part, two at least, or nothing where at none."""
    points = drift_points(history, stages, name, steady_cents)
    if not points or len(stages) < 2:
        return Markup()
    panel = staff_panel(STAFF_LEFT, STAFF_RIGHT, 8.0, STAFF_HEIGHT, points)
    places = stage_places(STAFF_LEFT, STAFF_RIGHT, len(stages))
    told = {p.index: (places[p.index], float(panel.y_mm(p.value))) for p in points}
    links, signs, moved = [], [], drifts_of_mode(history, stages, name)
    for point in points:
        before = told.get(point.index - 1)
        if before is None or not point.joined:
            continue
        here = told[point.index]
        links.append(line(*before, *here, "link cautious" if point.cautious else "link"))
        signs.append(_sign(moved[point.index], before, here))
    guides = [line(x, panel.top_mm, x, panel.bottom_mm, "guide") for x in places] if len(places) <= 20 else []
    pieces = [
        *guides,
        _staff(panel, stages[-1].concert_pitch_hz, spelling),
        *links,
        *(bar(told[p.index][0], p, [float(y) for y in panel.y_mm([p.low, p.high])]) for p in points),
        *(dot(*told[p.index], "dot unsure" if p.unsure else "dot") for p in points),
        *(signs if places[1] - places[0] >= 26.0 else []),
        _latest(panel, stages, points, name),
        name_stages(STAFF_LEFT, STAFF_RIGHT, panel.bottom_mm, stages),
    ]
    newest = mode_at(stages[-1], name)
    aside = "no longer heard" if newest is None else "leads" if newest.lead else ""
    caption = tag("figcaption", tag("b", name), f" {aside}" if aside else "")
    svg = drawing(f"Drift of {name}", _drift_words(moved, stages, name), panel.bottom_mm + NAMES_HEIGHT, pieces)
    return tag("figure", caption, svg)


def _staff(panel: Panel, pitch_hz: float, spelling: Spelling) -> Markup:
    numbers = range(math.ceil(panel.y_low / 100), math.floor(panel.y_high / 100) + 1)
    every = max(math.ceil(13.0 * len(numbers) / panel.height_mm), 1)
    pieces = []
    for n in numbers:
        y = float(panel.y_mm(100.0 * n))
        pieces.append(line(panel.left_mm, y, panel.right_mm, y, "staff"))
        if n % every == 0:
            note = hz_to_note(pitch_hz * 2.0 ** (n / 12), pitch_hz, spelling)[0]
            pieces.append(say(panel.left_mm - 4.0, y + 4.0, note, "end"))
    return joined(pieces)


def _sign(drift: Drift | None, before: tuple[float, float], here: tuple[float, float]) -> Markup:
    """Return what is said of a change beside its line: the cents, ``=`` where it held, ``?`` where none can tell."""
    if drift is None or drift.freq_change_cents is None:
        return Markup()
    text = f"{drift.freq_change_cents:+z.0f}" if drift.verdict in ("up", "down") else ""
    text = {"steady": "=", "unclear": "?"}.get(drift.verdict, text)
    x, y = (before[0] + here[0]) / 2, (before[1] + here[1]) / 2
    # Above its line, and to the side to which the line falls away from the words.
    x += 9.0 * max(min((here[1] - before[1]) / 12.0, 1.0), -1.0)
    return say(x, max(y - 5.0, 10.0), text, "mid warn" if drift.cautions else "mid soft")


def _latest(panel: Panel, stages: Sequence[Stage], points: Sequence[Point], name: str) -> Markup:
    mode = mode_at(stages[points[-1].index], name)
    if mode is None:
        return Markup()
    y = min(max(float(panel.y_mm(points[-1].value)), panel.top_mm + 6.0), panel.bottom_mm - 10.0)
    left = panel.right_mm + 6.0
    return joined(
        [say(left, y + 1.0, words.note_text(mode), "b"), say(left, y + 14.0, words.sure_text(mode), "soft")]
    )


def _drift_words(moved: Sequence[Drift | None], stages: Sequence[Stage], name: str) -> str:
    told = []
    for stage, drift in zip(stages, moved, strict=True):
        mode = mode_at(stage, name)
        if mode is not None:
            how = f", {words.moved_cell(drift)}" if drift else ""
            told.append(f"{stage.stage_shown} {words.note_text(mode)} {words.sure_text(mode)}{how}")
    return "; ".join(told)


# --------------------------------------------------------------- sustain


def sustain_figure(history: History, part: str, steady_cents: float, spelling: Spelling) -> list[Markup]:
    """Return a figure of what rings in a part at its last two stages, row by row on one scale of seconds."""
    stages = history.of_part(part)[-2:]
    charts = [c for c in sustain_charts(history, stages, steady_cents, spelling, MOST_ROWS) if c[1]]
    if not charts:
        return []
    # Of a band the hertz alone have room; its notes are in the report.
    charts = [(name.split(", ")[0] if " Hz, " in name else name, points) for name, points in charts]
    ends = [p.value for _, points in charts for p in points]
    longest = 1.15 * max(ends)
    right = WIDTH - 52.0
    foot = 18.0 + ROW_HEIGHT * len(charts)

    def x_of(seconds: float) -> float:
        return NAME_ROOM + (right - NAME_ROOM) * min(max(seconds / longest, 0.0), 1.0)

    step = nice_step(longest, 3)
    pieces = []
    for n in range(math.floor(longest / step) + 1):
        x = x_of(step * n)
        pieces.append(line(x, 10.0, x, foot, "guide"))
        pieces.append(say(x, foot + 14.0, f"{step * n:g}{'' if n else ' s'}", "mid soft"))
    for row, (name, points) in enumerate(charts):
        pieces.append(_sustain_row(name, points, 24.0 + ROW_HEIGHT * row, x_of, len(stages) - 1))
    told = "; ".join(f"{name} {_seconds(points, len(stages) - 1)}" for name, points in charts)
    newest = stages[-1].stage_shown
    between = f"hollow: {stages[0].stage_shown}; full: {newest}" if len(stages) > 1 else newest
    caption = tag("figcaption", tag("b", "T60 in seconds"), f" {between}")
    return [tag("figure", caption, drawing("How long it rings", told, foot + 20.0, pieces))]


def _sustain_row(name: str, points: list[Point], y: float, x_of: Callable[[float], float], latest: int) -> Markup:
    at = {p.index: p for p in points}
    before, after = at.get(0) if latest else None, at.get(latest)
    pieces = [say(0.0, y + 4.0, cut(name, NAME_ROOM - 4.0))]
    if before and after:
        pieces.append(line(x_of(before.value), y, x_of(after.value), y, "link"))
    if before:
        pieces.append(dot(x_of(before.value), y, "dot before"))
    if after:
        if math.isfinite(after.low) and math.isfinite(after.high):
            pieces.append(line(x_of(after.low), y, x_of(after.high), y, "bar pale" if after.unsure else "bar"))
        pieces.append(dot(x_of(after.value), y, "dot unsure" if after.unsure else "dot"))
    pieces.append(say(WIDTH, y + 4.0, f"{after.value:.2f} s" if after else "gone", "end b" if after else "end soft"))
    return joined(pieces)


def _seconds(points: Sequence[Point], latest: int) -> str:
    told = {p.index: f"{p.value:.2f} s" for p in points}
    after = told.get(latest, "no longer heard")
    return f"{told[0]}, then {after}" if latest and 0 in told else after
