"""The decay of one tap at each stage, with its fit and the floor that it falls into.

Conventions: time in seconds from the touch of the mallet; level in decibels below the highest of the trace. The thin
grey line is the sound, the thick one the fitted modes, the broken one the noise floor. All have the same scales, in
time as long as it takes the longest of them to meet its floor, and a little more; in level down to -70 dB, and as
much further as the quietest floor needs to be seen with its name below it, down to -110 dB.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tapbatch.model.history import Stage
from tapbatch.model.reading import DecayTrace
from tapbatch.show.draw.chart import BODY, SMALL, TINY, Chart, Look, Panel
from tapbatch.show.draw.marks import Role
from tapbatch.show.draw.over_stages import round_values
from tapbatch.show.say.words import flag_text
from tapbatch.show.view.stages import Lined, most_tapped, with_own_lines

LOWEST_DB = -70.0
LOWEST_OF_ALL_DB = -110.0
BELOW_FLOOR_DB = 14.0
MOST_POINTS = 240
# Up to so many decays, in so many columns, each so many millimetres high: few are drawn large, many share a sheet.
LAYOUTS: tuple[tuple[float, int, float], ...] = ((2, 2, 78.0), (9, 3, 56.0), (20, 4, 47.0), (math.inf, 5, 39.0))
SHOWN_PAST_FLOOR = 1.7


class DecayPage(NamedTuple):
    """The decays of some stages on one sheet of paper: the height of the chart, and what draws it when asked."""

    height_mm: float
    drawn: Callable[[], Chart]


def decay_pages(stages: Sequence[Stage], look: Look, lined: Lined = with_own_lines) -> list[DecayPage]:
    """Share the decays of all stages out to as many sheets of paper as are needed; none where none is known."""
    if not any(trace_of(lined(stage)) for stage in stages):
        return []
    columns, step = next((columns, step) for most, columns, step in LAYOUTS if len(stages) <= most)
    a_sheet = columns * max(int((look.room_mm + 6.0) // step), 1)

    def page(shown: Sequence[Stage]) -> DecayPage:
        height_mm = _height_mm(len(shown), look, columns, step)
        return DecayPage(height_mm, lambda: decays_chart([*map(lined, shown)], look, columns=columns, step_mm=step))

    return [page(stages[n : n + a_sheet]) for n in range(0, len(stages), a_sheet)]


def decays_chart(stages: Sequence[Stage], look: Look, *, columns: int = 1, step_mm: float = 45.0) -> Chart:
    """Draw the decays of some stages, of any parts, in so many columns and with rows so far apart."""
    chart = Chart(look)
    gutter = 9.0 if columns <= 3 else 6.0
    width = (look.width_mm - gutter * (columns - 1)) / columns
    traces = [t for t in map(trace_of, stages) if t]
    longest = max((_needed_s(t) for t in traces if t.time_s), default=1.0)
    lowest = min(map(lowest_db, traces), default=LOWEST_DB)
    scale = 6.0 * look.spacing**2
    parts = {stage.part for stage in stages}
    for n, stage in enumerate(stages):
        x, y = (n % columns) * (width + gutter), (n // columns) * step_mm
        heading = f"{stage.part}, {stage.stage_shown}" if len(parts) > 1 else stage.stage_shown
        if len(stages) > 1 or look.is_wide:
            chart.say(x, y + 3.0, heading, BODY if columns <= 3 else SMALL, bold=True, within_mm=width)
        panel = Panel(
            x + scale, y + 5.0, width - scale, step_mm - 12.5, x_high=max(longest, 1e-3), y_low=lowest, y_high=0.0
        )
        _draw_scales(chart, panel, n % columns == 0, n + columns >= len(stages))
        _draw_decay(chart, panel, stage, explained=n == 0)
    chart.height_mm = _height_mm(len(stages), look, columns, step_mm)
    taps = [f"tap {t.tap} of {s.stage_shown}" for s in stages if (t := trace_of(s))]
    chart.description = f"level, fit and noise floor of {', '.join(taps)}"
    return chart


def trace_of(stage: Stage) -> DecayTrace | None:
    """Return the trace that stands for a stage: that of its tap recording with the most taps used."""
    return most_tapped(stage, lambda reading: reading.trace)


def lowest_db(trace: DecayTrace) -> float:
    """Return how far down a trace is worth showing: its floor and the room for its name, in steps of ten."""
    level = np.asarray(trace.level_db)
    if not np.isfinite(level).any():
        return LOWEST_DB
    below = trace.floor_db - float(np.nanmax(level)) - BELOW_FLOOR_DB
    return max(min(10.0 * math.floor(below / 10.0), LOWEST_DB), LOWEST_OF_ALL_DB)


def pieces(time_s: NDArray[np.float64], level_db: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """Return a line with gaps (NaN) as its unbroken pieces, each of shape (n, 2), n at least 2.

    Examples
    --------
    >>> [p.tolist() for p in pieces(np.arange(4.0), np.array([np.nan, -1.0, -2.0, np.nan]))]
    [[[1.0, -1.0], [2.0, -2.0]]]
    """
    known = np.isfinite(level_db)
    cuts = np.flatnonzero(np.diff(known)) + 1
    runs = np.split(np.column_stack((time_s, level_db)), cuts)
    return [run for run in runs if len(run) > 1 and np.isfinite(run[0, 1])]


def _draw_decay(chart: Chart, panel: Panel, stage: Stage, *, explained: bool) -> None:
    trace = trace_of(stage)
    if trace is None or not np.isfinite(trace.level_db).any():
        x, y = panel.left_mm + panel.width_mm / 2, panel.top_mm + panel.height_mm / 2
        chart.say(x, y, "no tap was measured", SMALL, role="soft text", ha="center")
        return
    stride = -(-len(trace.time_s) // MOST_POINTS)
    time = np.asarray(trace.time_s)[::stride]
    level = np.asarray(trace.level_db)
    top_db = float(np.nanmax(level))
    level, fit = level[::stride] - top_db, np.asarray(trace.fit_db)[::stride] - top_db
    shown = (time >= 0) & (time <= panel.x_high)
    level, fit = (np.where(shown, v, np.nan) for v in (level, fit))
    # What has sunk below the panel would lie along its lower edge; there it ends instead.
    fit = np.where(fit >= panel.y_low, fit, np.nan)
    floor = float(panel.y_mm(trace.floor_db - top_db))
    if floor <= panel.bottom_mm:
        chart.lines([[(panel.left_mm, floor), (panel.right_mm, floor)]], "floor", f"floor {stage.stage_shown}")
    chart.lines([panel.placed(p) for p in pieces(time, level)], "sound", f"decay {stage.stage_shown}")
    chart.lines([panel.placed(p) for p in pieces(time, fit)], "fit", f"fit {stage.stage_shown}")
    flags = dict.fromkeys(f for m in stage.modes if m.lead for f in m.flags if f == "not-exponential")
    beside = f"tap {trace.tap}" + "".join(f", {flag_text(flag)}" for flag in flags)
    right, y = panel.right_mm - 0.5, panel.top_mm + 2.6
    role: Role = "caution" if flags else "soft text"
    chart.say(right, y, beside, TINY, ha="right", role=role, within_mm=panel.width_mm - 4.0)
    if explained:
        _explain(chart, panel, time, fit, floor)


def _explain(chart: Chart, panel: Panel, time: NDArray[np.float64], fit: NDArray[np.float64], floor: float) -> None:
    """Name the lines where they are: the fit half way down, the sound above its floor and the floor below it."""
    if floor <= panel.bottom_mm:
        below = min(floor + 6.0, panel.bottom_mm - 1.0)
        chart.say(panel.right_mm - 0.5, floor - 4.6, "sound", SMALL, ha="right", role="soft text")
        chart.say(panel.right_mm - 0.5, below, "floor", SMALL, ha="right", role="soft text")
    heights = panel.y_mm(fit)
    lower = np.flatnonzero(np.isfinite(fit) & (heights > (panel.top_mm + floor) / 2))
    if lower.size:
        x = float(panel.x_mm(time[lower[0]])) + 3.0
        if x + chart.text_mm("fit", SMALL, True) < panel.right_mm:
            chart.say(x, float(heights[lower[0]]), "fit", SMALL, bold=True, role="fit")


def _needed_s(trace: DecayTrace) -> float:
    """Return how much of a trace is worth showing: until its fit meets the floor, and as much again or nearly so."""
    time, fit = np.asarray(trace.time_s), np.asarray(trace.fit_db)
    above = np.flatnonzero(np.isfinite(fit) & (fit > trace.floor_db + 1.0))
    met_s = float(time[above[-1]]) * SHOWN_PAST_FLOOR if above.size else math.inf
    return min(met_s, float(time[-1])) if met_s > 0 else float(time[-1])


def _draw_scales(chart: Chart, panel: Panel, leftmost: bool, lowest: bool) -> None:
    levels = range(0, math.floor(panel.y_low), -20)
    heights = panel.y_mm(list(levels)).tolist()
    chart.rules([[(panel.left_mm, y), (panel.right_mm, y)] for y in heights], "guide")
    for level, y in zip(levels if leftmost else (), heights, strict=False):
        chart.say(panel.left_mm - 0.8, y, str(level or "0 dB"), TINY, ha="right", va="center", role="soft text")
    chart.rule(panel.left_mm, panel.bottom_mm, panel.right_mm, panel.bottom_mm)
    for time_s in round_values(panel.x_high, 3):
        x = float(panel.x_mm(time_s))
        chart.rule(x, panel.bottom_mm, x, panel.bottom_mm + 0.8)
        if lowest:
            text = f"{time_s:g}{'' if time_s else ' s'}"
            at = min(x, panel.right_mm - chart.text_mm(text, TINY) / 2)
            chart.say(at, panel.bottom_mm + 3.2 * chart.look.spacing, text, TINY, ha="center", role="soft text")


def _height_mm(count: int, look: Look, columns: int, step_mm: float) -> float:
    return step_mm * math.ceil(count / columns) - 12.5 + 5.0 + 4.0 * look.spacing
