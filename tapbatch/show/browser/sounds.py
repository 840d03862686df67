"""The page's drawings of sound: the spectra of the last two stages with the modes named, and how a tap dies away.

Conventions: as in :mod:`tapbatch.show.draw.spectra` and :mod:`tapbatch.show.draw.decays`: level in decibels below the
strongest line; frequency by octaves, its scale the notes, with a few round frequencies above them. The names of the
modes stand in the margin below (the mode flags).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from tapbatch.model.history import Stage, StageMode
from tapbatch.model.pitch import Spelling, hz_to_note
from tapbatch.model.reading import DecayTrace, Spectrum
from tapbatch.show.browser.drawing import WIDTH, cut, dot, drawing, line, path, say
from tapbatch.show.browser.markup import Markup, joined, tag
from tapbatch.show.draw.charts import chart_modes, mode_at, nice_step
from tapbatch.show.draw.decays import lowest_db, trace_of
from tapbatch.show.draw.decays import pieces as unbroken
from tapbatch.show.draw.sheet import Panel
from tapbatch.show.draw.spectra import FLOOR_DB, hertz_marks, spectrum_edges, spectrum_of, thinned
from tapbatch.show.say import words

LEFT, RIGHT = 4.0, WIDTH - 4.0
ROW = 92.0
FLAGS = 92.0
SCALES = 44.0
FLAG_STEP = 13.0
COLUMNS = 156
MOST_POINTS = 160


def spectrum_figure(stages: Sequence[Stage], steady_cents: float, spelling: Spelling) -> list[Markup]:
    """Return a figure of the spectra of a part's last two stages, the latest below, or none where none is known."""
    shown = [(stage, spectrum) for stage in stages[-2:] if (spectrum := spectrum_of(stage)) is not None]
    if not shown:
        return []
    low, high = spectrum_edges([stage for stage, _ in shown])
    top, panels, pieces = SCALES, [], []
    for stage, spectrum in shown:
        panel = _panel(top, ROW - 18.0, (low, high), (FLOOR_DB, 0.0), log_x=True)
        pieces += [say(RIGHT, top - 3.0, cut(stage.stage_shown, RIGHT - LEFT), "end soft"), _curve(panel, spectrum)]
        panels.append(panel)
        top += ROW
    latest = shown[-1][0]
    names = [m for name in chart_modes([latest]) if (m := mode_at(latest, name)) and low <= m.freq_hz <= high]
    pieces.append(_flags(panels[-1], shown[-1][1], names, steady_cents))
    foot = panels[-1].bottom_mm
    pieces[:0] = [_octaves(panels[0], foot, latest.concert_pitch_hz, spelling), _hertz(panels[0])]
    told = "; ".join(f"{m.mode} {words.note_text(m)}, {m.level_db:.0f} dB" for m in names)
    caption = tag("figcaption", tag("b", "Spectrum"), " in notes and hertz; level to 60 dB below the strongest line")
    return [tag("figure", caption, drawing("Spectrum with its modes", told, foot + FLAGS, pieces))]


def _panel(top: float, height: float, x: tuple[float, float], y: tuple[float, float], log_x: bool = False) -> Panel:
    return Panel(
        left_mm=LEFT, top_mm=top, width_mm=RIGHT - LEFT, height_mm=height,
        x_low=x[0], x_high=x[1], y_low=y[0], y_high=y[1], log_x=log_x,
    )  # fmt: skip


def _curve(panel: Panel, spectrum: Spectrum) -> Markup:
    freq, level, noise = thinned(spectrum, panel.x_low, panel.x_high, COLUMNS)
    x, known = panel.x_mm(freq), np.isfinite(noise)
    return joined(
        [
            path(list(zip(x[known].tolist(), panel.y_mm(noise[known]).tolist(), strict=True)), "noise"),
            path(list(zip(x.tolist(), panel.y_mm(level).tolist(), strict=True)), "curve"),
            line(panel.left_mm, panel.bottom_mm, panel.right_mm, panel.bottom_mm, "staff"),
        ]
    )


def _octaves(panel: Panel, foot: float, pitch_hz: float, spelling: Spelling) -> Markup:
    """Draw an upright line at each C, named above it."""
    pieces = []
    for n in range(
        math.ceil(12 * math.log2(panel.x_low / pitch_hz)), int(12 * math.log2(panel.x_high / pitch_hz)) + 1
    ):
        if n % 12 == 3:
            freq = pitch_hz * 2.0 ** (n / 12)
            x = float(panel.x_mm(freq))
            pieces += [
                line(x, 28.0, x, foot, "guide"),
                say(x, 24.0, hz_to_note(freq, pitch_hz, spelling)[0], "mid"),
            ]
    return joined(pieces)


def _hertz(panel: Panel) -> Markup:
    """Write round frequencies at the very top, for who looks for a number and not for a note."""
    marks, pieces = hertz_marks(panel.x_low, panel.x_high), []
    for n, mark in enumerate(marks):
        x = float(panel.x_mm(mark))
        # Kept within the drawing; the stroke below says where it belongs.
        at = min(max(x, 18.0), WIDTH - 14.0)
        pieces += [say(at, 9.0, f"{mark:.0f}{'' if n else ' Hz'}", "mid soft"), line(x, 11.5, x, 14.5, "staff")]
    return joined(pieces)


def _flags(panel: Panel, spectrum: Spectrum, modes: Sequence[StageMode], steady_cents: float) -> Markup:
    """Draw a dot where each mode was fitted, and a thin line from it down to its name."""
    places = _apart([float(panel.x_mm(m.freq_hz)) for m in modes])
    pieces = []
    for mode, x_name in zip(modes, places, strict=True):
        unsure = words.how_sure(mode, steady_cents) == "unsure"
        x = float(panel.x_mm(mode.freq_hz))
        y = float(panel.y_mm(np.interp(mode.freq_hz, spectrum.freq_hz, spectrum.level_db)))
        bend = panel.bottom_mm + 12.0
        pieces += [
            path([(x, y), (x, panel.bottom_mm), (x_name, bend)], "thread"),
            dot(x, y, "dot unsure" if unsure else "dot", 2.8),
            say(x_name + 4.0, bend + 4.0, cut(f"{mode.mode} {mode.note}", FLAGS - 18.0),
                f"end{' b' if mode.lead else ''}{' soft' if unsure else ''}", upright=True),
        ]  # fmt: skip
    return joined(pieces)


def _apart(places: Sequence[float]) -> list[float]:
    """Move names that rise from left to right so far apart that each has room.

    Examples
    --------
    >>> _apart([10.0, 12.0, 40.0])
    [10.0, 23.0, 40.0]
    """
    moved: list[float] = []
    for x in places:
        moved.append(max(x, 6.0, moved[-1] + FLAG_STEP if moved else x))
    limit = RIGHT - 6.0
    for n in reversed(range(len(moved))):
        moved[n] = min(moved[n], limit)
        limit = moved[n] - FLAG_STEP
    return moved


# ----------------------------------------------------------------- decay


def decay_figure(stage: Stage) -> list[Markup]:
    """Return a figure of how the clearest tap of a stage dies away, with fit and floor; none where none is known."""
    trace = trace_of(stage)
    if trace is None or not any(map(math.isfinite, trace.level_db)):
        return []
    caption = tag("figcaption", tag("b", "Decay"), f" {stage.stage_shown}, tap {trace.tap}; level in dB")
    told = f"level, fit and noise floor of tap {trace.tap}"
    return [tag("figure", caption, drawing("Decay of the clearest tap", told, 148.0, _decay_pieces(trace)))]


def _decay_pieces(trace: DecayTrace) -> list[Markup]:
    stride = -(-len(trace.time_s) // MOST_POINTS)
    time = np.asarray(trace.time_s)[::stride]
    level = np.asarray(trace.level_db)
    top_db = float(np.nanmax(level))
    level, fit = level[::stride] - top_db, np.asarray(trace.fit_db)[::stride] - top_db
    level, fit = (np.where(time >= 0, v, np.nan) for v in (level, fit))
    lowest = lowest_db(trace)
    fit = np.where(fit >= lowest, fit, np.nan)
    last = max(float(time[-1]), 0.05)
    panel = Panel(
        left_mm=30.0, top_mm=10.0, width_mm=RIGHT - 30.0, height_mm=112.0,
        x_low=0.0, x_high=last, y_low=lowest, y_high=0.0,
    )  # fmt: skip
    made = []
    for db in range(0, math.floor(lowest), -20):
        y = float(panel.y_mm(db))
        made += [line(panel.left_mm, y, panel.right_mm, y, "guide"), say(26.0, y + 4.0, f"{db}", "end soft")]
    step = nice_step(last, 4)
    for n in range(int(last / step) + 1):
        x = float(panel.x_mm(step * n))
        made.append(say(x, panel.bottom_mm + 16.0, f"{step * n:g}{'' if n else ' s'}", "mid soft"))
    floor = float(panel.y_mm(trace.floor_db - top_db))
    if floor <= panel.bottom_mm:
        made += [
            line(panel.left_mm, floor, panel.right_mm, floor, "floor"),
            say(panel.right_mm, floor + 12.0, "floor", "end soft"),
        ]
    for values, class_ in ((fit, "fit"), (level, "curve")):
        for piece in unbroken(time, values):
            at = zip(panel.x_mm(piece[:, 0]).tolist(), panel.y_mm(piece[:, 1]).tolist(), strict=True)
            made.append(path(list(at), class_))
    return made
