"""The spectra of a part, stage above stage, with the fitted modes named in the margin (the mode flags).

Conventions: frequency runs by octaves, with the Cs of the scale marked at the concert pitch of the latest stage, and
small above them a few round frequencies in hertz; each row is one stage, oldest on top, its level in decibels below
its strongest line down to :data:`FLOOR_DB`. The noise is the thin grey line. A dot sits on the spectrum where a mode
was fitted, hollow and pale where it is unsure; a thin line follows a mode from row to row, down to its flag. A wide
chart names the stages on the left, a narrow one above their rows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tapbatch.model.history import Stage
from tapbatch.model.pitch import Spelling
from tapbatch.model.reading import Spectrum
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.draw.chart import SMALL, TINY, Chart, Look, Panel
from tapbatch.show.draw.lettering import fitted
from tapbatch.show.draw.marks import Role
from tapbatch.show.draw.over_stages import notes_between, reading_role
from tapbatch.show.say import words
from tapbatch.show.view.stages import chart_modes, mode_at, most_tapped
from tapbatch.show.view.working import spoken_name

FLOOR_DB = -60.0
NAMES_MM = 34.0
SCALE_MM = 8.0
FLAGS_MM = 34.0
FLAG_GAP_MM = 3.1
AXIS_MM = 9.0
COLUMNS_A_MM = 2.35
TALLEST_ROW_MM, LOWEST_ROW_MM = 30.0, 4.0


def spectra_chart(
    stages: Sequence[Stage], settings: InstrumentSettings, look: Look, *, row_mm: float = TALLEST_ROW_MM
) -> Chart:
    """Draw the spectra of some stages, one above the other, in rows ``row_mm`` high where there is room."""
    chart = Chart(look)
    axis_mm, flags_mm = AXIS_MM * look.spacing, FLAGS_MM * look.spacing
    row = min(max((look.room_mm - axis_mm - flags_mm) / max(len(stages), 1), LOWEST_ROW_MM), row_mm)
    low_hz, high_hz = spectrum_edges(stages)
    left, right = (NAMES_MM, look.width_mm - SCALE_MM) if look.is_wide else (1.0, look.width_mm - 1.0)
    # Above a row of a narrow chart there is room for the name of its stage.
    above = 0.08 * row if look.is_wide else 4.0
    top = Panel(left, axis_mm + above, right - left, row - above, low_hz, high_hz, FLOOR_DB, 0.0, log_x=True)
    panels = [replace(top, top_mm=top.top_mm + n * row) for n in range(len(stages))]
    _draw_octaves(chart, panels, stages[-1].concert_pitch_hz, settings.spelling)
    _draw_hertz(chart, panels[0])
    _draw_trails(chart, panels, stages)
    for panel, stage in zip(panels, stages, strict=True):
        _draw_row(chart, panel, stage, settings.steady_cents)
        _name_row(chart, panel, row, stage, last=stage is stages[-1])
    _draw_flags(chart, panels[-1], stages[-1], settings.steady_cents)
    chart.height_mm = panels[-1].bottom_mm + flags_mm
    modes = sorted(stages[-1].modes, key=lambda m: m.freq_hz)
    chart.description = "; ".join(f"{m.mode} {words.note_text(m)}, {m.level_db:.0f} dB" for m in modes)
    return chart


def most_spectra(look: Look) -> int:
    """Return how many spectra there is room for one above the other.

    Examples
    --------
    >>> most_spectra(Look(width_mm=178.0, room_mm=223.0))
    45
    """
    return max(int((look.room_mm - (AXIS_MM + FLAGS_MM) * look.spacing) / LOWEST_ROW_MM), 1)


def spectrum_of(stage: Stage) -> Spectrum | None:
    """Return the spectrum that stands for a stage: that of its tap recording with the most taps used."""
    return most_tapped(stage, lambda reading: reading.spectrum)


def thinned(spectrum: Spectrum, low_hz: float, high_hz: float, columns: int) -> list[NDArray[np.float64]]:
    """Return frequency, level and noise of a spectrum, thinned to so many columns without losing a peak.

    Frequencies fall into columns of equal parts of an octave; each keeps its highest level, where that stands.
    """
    freq = np.asarray(spectrum.freq_hz)
    level, noise = np.asarray(spectrum.level_db), np.asarray(spectrum.noise_db)
    inside = (freq >= low_hz) & (freq <= high_hz) & np.isfinite(level)
    freq, level, noise = freq[inside], level[inside], noise[inside]
    column = np.floor(np.log(freq / low_hz) / math.log(high_hz / low_hz) * columns).astype(int)
    order = np.lexsort((-level, column))
    highest = order[np.unique(column[order], return_index=True)[1]]
    return [freq[highest], level[highest], noise[highest]]


def spread(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Return places near the wanted ones (ascending), at least a gap apart where room allows, between two edges.

    Examples
    --------
    >>> spread([1.0, 1.1, 9.0], 2.0, 0.0, 10.0)
    [0.05, 2.05, 9.0]
    >>> spread([9.0, 9.5], 2.0, 0.0, 10.0)
    [8.0, 10.0]
    """
    if not wanted:
        return []
    gap = min(gap, (high - low) / max(len(wanted) - 1, 1))

    def start(block: Sequence[float]) -> float:
        width = gap * (len(block) - 1)
        return min(max(sum(block) / len(block) - width / 2, low), high - width)

    # Flags that would touch form a block, centred on what they point at; blocks that meet become one. An isotonic
    # regression gives the same places, but importing SciPy's takes a third of a second, a quarter of a short run.
    blocks: list[list[float]] = []
    for place in wanted:
        blocks.append([place])
        while len(blocks) > 1 and start(blocks[-2]) + gap * len(blocks[-2]) > start(blocks[-1]):
            last = blocks.pop()
            blocks[-1] += last
    return [round(start(b) + gap * n, 6) for b in blocks for n in range(len(b))]


def spectrum_edges(stages: Sequence[Stage]) -> tuple[float, float]:
    """Return the lowest and the highest frequency, in hertz, that the spectra of some stages show."""
    spectra = [s for s in map(spectrum_of, stages) if s and s.freq_hz]
    freqs = [m.freq_hz for s in stages for m in s.modes]
    low = min([*(max(s.freq_hz[0], 1.0) for s in spectra), *freqs], default=50.0)
    high = max([*(s.freq_hz[-1] for s in spectra), *freqs], default=1500.0)
    return low, max(high, 1.2 * low)


def _draw_octaves(chart: Chart, panels: Sequence[Panel], pitch_hz: float, spelling: Spelling) -> None:
    """Draw an upright line at each C, named above it, and at the thirds between where there is room."""
    first, last = panels[0], panels[-1]
    low, high = (1200.0 * math.log2(edge_hz / pitch_hz) for edge_hz in (first.x_low, first.x_high))
    notes = notes_between(low, high, pitch_hz, spelling)
    fine = first.width_mm / max(len(notes), 1) * 4 > 8.0 * chart.look.spacing
    segments = []
    for cents, name in notes.items():
        if cents % (400 if fine else 1200) == 300:
            x = float(first.x_mm(pitch_hz * 2.0 ** (cents / 1200)))
            segments.append([(x, first.top_mm - 1.0), (x, last.bottom_mm)])
            role: Role = "text" if cents % 1200 == 300 else "soft text"
            chart.say(x, AXIS_MM * chart.look.spacing - 1.8, name, SMALL, ha="center", role=role)
    chart.rules(segments, "guide")


def hertz_marks(low_hz: float, high_hz: float) -> list[float]:
    """Return the round frequencies between two: ones, twos and fives of each power of ten, all where those are few.

    Examples
    --------
    >>> hertz_marks(50.0, 1500.0)
    [50.0, 100.0, 200.0, 500.0, 1000.0]
    >>> hertz_marks(310.0, 480.0), hertz_marks(103.0, 197.0)
    ([400.0], [])
    """
    decades = range(math.floor(math.log10(low_hz)), math.ceil(math.log10(high_hz)))
    for digits in ((1, 2, 5), range(1, 10)):
        marks = [n * 10.0**decade for decade in decades for n in digits if low_hz <= n * 10.0**decade <= high_hz]
        if len(marks) > 1:
            break
    return marks


def _draw_hertz(chart: Chart, panel: Panel) -> None:
    """Write round frequencies above the notes, for readers who look for a number rather than a note."""
    y = 3.0
    for n, mark in enumerate(hertz_marks(panel.x_low, panel.x_high)):
        x = float(panel.x_mm(mark))
        text = f"{mark:.0f}" if n else f"{mark:.0f} Hz"
        # Kept within the chart; the stroke below says where it belongs.
        half = chart.text_mm(text, TINY) / 2
        chart.rule(x, y + 0.5, x, y + 1.3)
        chart.say(min(max(x, half), chart.width_mm - half), y, text, TINY, ha="center", role="soft text")


def _draw_trails(chart: Chart, panels: Sequence[Panel], stages: Sequence[Stage]) -> None:
    segments = []
    for name in chart_modes(stages):
        for n in range(1, len(stages)):
            before, after = mode_at(stages[n - 1], name), mode_at(stages[n], name)
            if before and after:
                x0, x1 = panels[n].x_mm([before.freq_hz, after.freq_hz])
                segments.append([(x0, panels[n - 1].bottom_mm), (x1, panels[n].bottom_mm)])
    chart.lines(segments, "thread")


def _name_row(chart: Chart, panel: Panel, row_mm: float, stage: Stage, *, last: bool) -> None:
    if not chart.look.is_wide:
        chart.say(
            panel.right_mm, panel.top_mm - 0.8, stage.stage_shown, SMALL, ha="right", bold=last,
            role="text" if last else "soft text", within_mm=panel.width_mm,
        )  # fmt: skip
        return
    lines = chart.wrapped(stage.stage_shown, NAMES_MM - 3.0, SMALL, last, most=2 if row_mm > 7 else 1)
    if row_mm > 11 and stage.state:
        chart.say(0.0, panel.bottom_mm - 0.3, stage.state, SMALL, role="soft text")
    foot = panel.bottom_mm - (3.3 if row_mm > 11 and stage.state else 0.3)
    for n, line in enumerate(reversed(lines)):
        chart.say(0.0, foot - n * 3.0, line, SMALL, bold=last)
    if panel.top_mm < AXIS_MM + row_mm:
        for level_db, text in ((0.0, "0 dB"), (FLOOR_DB, f"{FLOOR_DB:.0f}")):
            y = float(panel.y_mm(level_db))
            chart.say(chart.width_mm, y, text, SMALL, ha="right", va="center", role="soft text")


def _draw_row(chart: Chart, panel: Panel, stage: Stage, steady_cents: float) -> None:
    chart.rule(panel.left_mm, panel.bottom_mm, panel.right_mm, panel.bottom_mm)
    spectrum = spectrum_of(stage)
    if spectrum is None:
        said = "no spectrum: no tap was measured"
        chart.say(panel.left_mm + 2.0, panel.bottom_mm - 1.2, said, SMALL, role="soft text")
        return
    columns = round(COLUMNS_A_MM * panel.width_mm)
    freq, level, noise = thinned(spectrum, panel.x_low, panel.x_high, columns)
    if not freq.size:
        return
    x, y = panel.x_mm(freq), panel.y_mm(level)
    outline = np.concatenate(([[x[0], panel.bottom_mm]], np.column_stack((x, y)), [[x[-1], panel.bottom_mm]]))
    chart.area(outline, "field")
    known = np.isfinite(noise)
    quiet = np.column_stack((x[known], panel.y_mm(noise[known])))[::4]
    chart.lines([quiet] if len(quiet) > 1 else [], "noise")
    chart.lines([np.column_stack((x, y))], "spectrum", f"spectrum {stage.stage_shown}")
    for unsure in (False, True):
        freqs = [m.freq_hz for m in stage.modes if words.is_unsure(m, steady_cents) is unsure]
        heights = np.interp(freqs, freq, level) if freqs else np.zeros(0)
        places = list(zip(panel.x_mm(freqs).tolist(), panel.y_mm(heights).tolist(), strict=True))
        chart.dots(places, reading_role(unsure), min(0.8, panel.height_mm / 8), f"modes {stage.stage_shown}")


def _draw_flags(chart: Chart, panel: Panel, stage: Stage, steady_cents: float) -> None:
    gap, down = FLAG_GAP_MM * chart.look.spacing, 5.0
    half = chart.look.spacing
    names = chart_modes([stage], most=int(panel.width_mm / gap))
    modes = sorted((m for m in stage.modes if m.mode in names), key=lambda m: m.freq_hz)
    at = panel.x_mm([m.freq_hz for m in modes]).tolist()
    places = spread(at, gap, panel.left_mm + half, panel.right_mm - half)
    foot = panel.bottom_mm + down
    threads = [[(a, panel.bottom_mm), (a, panel.bottom_mm + 1.5), (p, foot)] for a, p in zip(at, places, strict=True)]
    chart.rules(threads, "thread")
    for mode, place in zip(modes, places, strict=True):
        note = f"{words.note_text(mode)}, "
        room = (FLAGS_MM - down - 1.0) * chart.look.spacing
        room -= chart.text_mm(note, SMALL, mode.lead)
        name = fitted(spoken_name(stage, mode.mode) or mode.mode, room, chart.look.pt(SMALL), mode.lead)
        role: Role = "soft text" if words.is_unsure(mode, steady_cents) else "text"
        x = place + 0.9 * chart.look.spacing
        chart.say(x, foot + 0.7, note + name, SMALL, bold=mode.lead, ha="right", upright=True, role=role)
    if chart.look.is_wide:
        chart.say(0.0, panel.bottom_mm + 9.0, "modes now", SMALL, role="soft text")
        chart.say(0.0, panel.bottom_mm + 12.0, "(bold: strongest)", TINY, role="soft text")
