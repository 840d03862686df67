"""The decay of one tap at each stage, with its fit and the floor that it falls into.

Conventions: time in seconds from the touch of the mallet; level in decibels below the highest of the trace. The thin
grey line is the sound, the thick one the fitted modes, the broken one the noise floor. All have the same scales, in
time as long as it takes the longest of them to meet its floor, and a little more; in level down to -70 dB, and as
much further as the quietest floor needs to be seen with its name below it, down to -110 dB.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tapbatch.model.history import Stage
from tapbatch.model.reading import DecayTrace
from tapbatch.show.draw.charts import nice_step
from tapbatch.show.draw.lettering import text_width_mm
from tapbatch.show.draw.sheet import BODY, HAIR, MARK, PALE, SMALL, SOFT, TINY, WARN, Panel, Sheet

LOWEST_DB = -70.0
LOWEST_OF_ALL_DB = -110.0
BELOW_FLOOR_DB = 14.0
MOST_POINTS = 240
SOUND = "#8c8c8c"
# Up to so many decays, in so many columns, each so many millimetres high: few are drawn large, many share a sheet.
LAYOUTS: tuple[tuple[float, int, float], ...] = ((2, 2, 78.0), (9, 3, 56.0), (20, 4, 47.0), (math.inf, 5, 39.0))
SHOWN_PAST_FLOOR = 1.7


def decays_a_sheet(count: int, room_mm: float) -> int:
    """Return how many decays one sheet holds, when there are so many in all."""
    return _columns(count) * max(int((room_mm + 6.0) // _step_mm(count)), 1)


def draw_decays(sheet: Sheet, top_mm: float, stages: Sequence[Stage], count: int) -> None:
    """Draw the decays of some stages on one sheet, in the size that fits when there are ``count`` in all."""
    columns = _columns(count)
    gutter = 9.0 if columns <= 3 else 6.0
    width = (sheet.measure_mm - gutter * (columns - 1)) / columns
    longest = max((_needed_s(t) for t in map(trace_of, stages) if t and t.time_s), default=1.0)
    lowest = min((lowest_db(t) for t in map(trace_of, stages) if t), default=LOWEST_DB)
    parts = {stage.part for stage in stages}
    for n, stage in enumerate(stages):
        x = sheet.left_mm + (n % columns) * (width + gutter)
        y = top_mm + (n // columns) * _step_mm(count)
        heading = f"{stage.part}, {stage.stage_shown}" if len(parts) > 1 else stage.stage_shown
        sheet.say(x, y + 3.0, heading, BODY if columns <= 3 else SMALL, bold=True, within_mm=width)
        panel = Panel(
            left_mm=x + 6.0,
            top_mm=y + 5.0,
            width_mm=width - 6.0,
            height_mm=_step_mm(count) - 12.5,
            x_low=0.0,
            x_high=max(longest, 1e-3),
            y_low=lowest,
            y_high=0.0,
        )
        outer = n % columns == 0, n + columns >= len(stages)
        _draw_scales(sheet, panel, *outer)
        _draw_decay(sheet, panel, stage, explained=n == 0)


def trace_of(stage: Stage) -> DecayTrace | None:
    """Return the trace that stands for a stage: that of its tap recording with the most taps used."""
    heard = [h.reading for h in stage.heard if h.recording.kind == "tap" and h.reading.trace]
    return max(heard, key=lambda r: len(r.used_taps)).trace if heard else None


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


def _draw_decay(sheet: Sheet, panel: Panel, stage: Stage, *, explained: bool) -> None:
    trace = trace_of(stage)
    if trace is None or not np.isfinite(trace.level_db).any():
        middle = panel.top_mm + panel.height_mm / 2
        x = panel.left_mm + panel.width_mm / 2
        sheet.say(x, middle, "no tap was measured", SMALL, colour=SOFT, ha="center")
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
        sheet.lines([[(panel.left_mm, floor), (panel.right_mm, floor)]], SOFT, 0.5, dashed=True)
    sheet.lines([_placed(panel, p) for p in pieces(time, level)], SOUND, 0.5, name=f"decay {stage.stage_shown}")
    sheet.lines([_placed(panel, p) for p in pieces(time, fit)], MARK, 1.1, name=f"fit {stage.stage_shown}")
    flags = dict.fromkeys(f for m in stage.modes if m.lead for f in m.flags if f == "not-exponential")
    beside = f"tap {trace.tap}" + "".join(f", {flag}" for flag in flags)
    right, y = panel.right_mm - 0.5, panel.top_mm + 2.6
    sheet.say(right, y, beside, TINY, ha="right", colour=WARN if flags else SOFT, within_mm=panel.width_mm - 4.0)
    if explained:
        _explain(sheet, panel, time, fit, floor)


def _explain(sheet: Sheet, panel: Panel, time: NDArray[np.float64], fit: NDArray[np.float64], floor: float) -> None:
    """Name the lines where they are: the fit half way down, the sound above its floor and the floor below it."""
    if floor <= panel.bottom_mm:
        below = min(floor + 6.0, panel.bottom_mm - 1.0)
        sheet.say(panel.right_mm - 0.5, floor - 4.6, "sound", SMALL, ha="right", colour=SOFT)
        sheet.say(panel.right_mm - 0.5, below, "floor", SMALL, ha="right", colour=SOFT)
    heights = panel.y_mm(fit)
    lower = np.flatnonzero(np.isfinite(fit) & (heights > (panel.top_mm + floor) / 2))
    if lower.size:
        x = float(panel.x_mm(time[lower[0]])) + 3.0
        if x + text_width_mm("fit", SMALL, True) < panel.right_mm:
            sheet.say(x, float(heights[lower[0]]), "fit", SMALL, bold=True, colour=MARK)


def _needed_s(trace: DecayTrace) -> float:
    """Return how much of a trace is worth showing: until its fit meets the floor, and as much again or nearly so."""
    time, fit = np.asarray(trace.time_s), np.asarray(trace.fit_db)
    above = np.flatnonzero(np.isfinite(fit) & (fit > trace.floor_db + 1.0))
    met_s = float(time[above[-1]]) * SHOWN_PAST_FLOOR if above.size else math.inf
    return min(met_s, float(time[-1])) if met_s > 0 else float(time[-1])


def _draw_scales(sheet: Sheet, panel: Panel, leftmost: bool, lowest: bool) -> None:
    levels = range(0, math.floor(panel.y_low), -20)
    heights = panel.y_mm(list(levels))
    sheet.rules([[(panel.left_mm, y), (panel.right_mm, y)] for y in heights], HAIR, 0.4)
    for level, y in zip(levels if leftmost else (), heights, strict=False):
        said = f"{level}" if level else "0 dB"
        sheet.say(panel.left_mm - 0.8, float(y), said, TINY, ha="right", va="center", colour=SOFT)
    sheet.rule(panel.left_mm, panel.bottom_mm, panel.right_mm, panel.bottom_mm, PALE, 0.5)
    step = nice_step(panel.x_high, 3)
    for n in range(int(panel.x_high / step) + 1):
        x = float(panel.x_mm(step * n))
        sheet.rule(x, panel.bottom_mm, x, panel.bottom_mm + 0.8, PALE, 0.5)
        unit = " s" if n == 0 else ""
        if lowest:
            sheet.say(x, panel.bottom_mm + 3.2, f"{step * n:g}{unit}", TINY, ha="center", colour=SOFT)


def _placed(panel: Panel, line: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.column_stack((panel.x_mm(line[:, 0]), panel.y_mm(line[:, 1])))


def _columns(count: int) -> int:
    return next(columns for most, columns, _ in LAYOUTS if count <= most)


def _step_mm(count: int) -> float:
    return next(step for most, _, step in LAYOUTS if count <= most)
