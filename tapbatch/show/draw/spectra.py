"""The spectra of a part, stage above stage, with the fitted modes named in the margin (the mode flags).

Conventions: frequency runs by octaves, with the Cs of the scale marked at the concert pitch of the latest stage, and
small above them a few round frequencies in hertz; each row is one stage, oldest on top, its level in decibels below
its strongest line down to :data:`FLOOR_DB`. The noise is the thin grey line. A dot sits on the spectrum where a mode
was fitted, hollow and pale where it is unsure; a thin line follows a mode from row to row, down to its flag.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tapbatch.model.history import History, Stage
from tapbatch.model.pitch import Spelling, hz_to_note
from tapbatch.model.reading import Spectrum
from tapbatch.show.draw.charts import HEADING_MM, chart_modes, draw_heading, mode_at
from tapbatch.show.draw.lettering import fitted, text_width_mm, wrapped
from tapbatch.show.draw.sheet import HAIR, INK, MARK, MARK_PALE, PALE, SMALL, SOFT, TINY, Panel, Sheet
from tapbatch.show.say import words

FLOOR_DB = -60.0
NAMES_MM = 34.0
FLAGS_MM = 34.0
AXIS_MM = 9.0
HERTZ_MM = 6.2
COLUMNS = 320
TALLEST_ROW_MM, LOWEST_ROW_MM = 30.0, 4.0


def spectra_height_mm(stages: Sequence[Stage], room_mm: float) -> float:
    """Return the height that the spectra of one part take, at most the room of a page."""
    return HEADING_MM + AXIS_MM + FLAGS_MM + len(stages) * _row_mm(stages, room_mm)


def draw_spectra(
    sheet: Sheet, top_mm: float, history: History, part: str, steady_cents: float, spelling: Spelling, room_mm: float
) -> None:
    """Draw the spectrum of each stage of a part, one above the other, on one sheet."""
    stages = history.of_part(part)
    draw_heading(sheet, top_mm, part, "")
    row = _row_mm(stages, room_mm)
    low_hz, high_hz = spectrum_edges(stages)
    y = top_mm + HEADING_MM + AXIS_MM
    panels = [
        Panel(
            left_mm=sheet.left_mm + NAMES_MM,
            top_mm=y + n * row + 0.08 * row,
            width_mm=sheet.measure_mm - NAMES_MM - 8.0,
            height_mm=0.92 * row,
            x_low=low_hz,
            x_high=high_hz,
            y_low=FLOOR_DB,
            y_high=0.0,
            log_x=True,
        )
        for n in range(len(stages))
    ]
    for level_db, text in ((0.0, "0 dB"), (FLOOR_DB, f"{FLOOR_DB:.0f}")):
        y_mm = float(panels[0].y_mm(level_db))
        sheet.say(sheet.right_mm, y_mm, text, SMALL, ha="right", va="center", colour=SOFT)
    _draw_octaves(sheet, panels, stages[-1].concert_pitch_hz, spelling)
    _draw_hertz(sheet, panels[0])
    _draw_trails(sheet, panels, stages)
    for panel, stage in zip(panels, stages, strict=True):
        _draw_row(sheet, panel, stage, steady_cents, last=stage is stages[-1])
    _draw_flags(sheet, panels[-1], stages[-1], steady_cents)


def spectrum_of(stage: Stage) -> Spectrum | None:
    """Return the spectrum that stands for a stage: that of its tap recording with the most taps used."""
    heard = [h.reading for h in stage.heard if h.recording.kind == "tap" and h.reading.spectrum]
    return max(heard, key=lambda r: len(r.used_taps)).spectrum if heard else None


def thinned(spectrum: Spectrum, low_hz: float, high_hz: float, columns: int = COLUMNS) -> list[NDArray[np.float64]]:
    """Return frequency, level and noise of a spectrum, no finer than so many columns, no peak lost.

    Frequencies fall into columns of equal parts of an octave; each keeps its highest level, where that stands.
    """
    freq = np.asarray(spectrum.freq_hz)
    level, noise = np.asarray(spectrum.level_db), np.asarray(spectrum.noise_db)
    inside = (freq >= low_hz) & (freq <= high_hz) & np.isfinite(level)
    freq, level, noise = freq[inside], level[inside], noise[inside]
    if not freq.size:
        return [freq, level, noise]
    column = np.floor(np.log(freq / low_hz) / math.log(high_hz / low_hz) * columns).astype(int)
    order = np.lexsort((-level, column))
    first = order[np.concatenate(([True], np.diff(column[order]) > 0))]
    return [freq[first], level[first], noise[first]]


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
    # Flags that would touch form a block, centred on what they point at; blocks that meet become one.
    blocks: list[list[float]] = []
    for place in wanted:
        blocks.append([place])
        while len(blocks) > 1 and _start(blocks[-2], gap, low, high) + gap * len(blocks[-2]) > _start(
            blocks[-1], gap, low, high
        ):
            last = blocks.pop()
            blocks[-1] += last
    return [round(_start(b, gap, low, high) + gap * n, 6) for b in blocks for n in range(len(b))]


def _start(block: Sequence[float], gap: float, low: float, high: float) -> float:
    width = gap * (len(block) - 1)
    return min(max(sum(block) / len(block) - width / 2, low), high - width)


def _row_mm(stages: Sequence[Stage], room_mm: float) -> float:
    room = room_mm - HEADING_MM - AXIS_MM - FLAGS_MM
    return min(max(room / max(len(stages), 1), LOWEST_ROW_MM), TALLEST_ROW_MM)


def spectrum_edges(stages: Sequence[Stage]) -> tuple[float, float]:
    """Return the lowest and the highest frequency, in hertz, that the spectra of some stages show."""
    spectra = [s for s in map(spectrum_of, stages) if s and s.freq_hz]
    freqs = [m.freq_hz for s in stages for m in s.modes]
    low = min([*(max(s.freq_hz[0], 1.0) for s in spectra), *freqs], default=50.0)
    high = max([*(s.freq_hz[-1] for s in spectra), *freqs], default=1500.0)
    return low, max(high, 1.2 * low)


def _draw_octaves(sheet: Sheet, panels: Sequence[Panel], pitch_hz: float, spelling: Spelling) -> None:
    first, last = panels[0], panels[-1]
    numbers = range(
        math.ceil(12 * math.log2(first.x_low / pitch_hz)), math.floor(12 * math.log2(first.x_high / pitch_hz)) + 1
    )
    fine = first.width_mm / max(len(numbers), 1) * 4 > 8.0
    segments = []
    for n in numbers:
        name = hz_to_note(pitch_hz * 2.0 ** (n / 12), pitch_hz, spelling)[0]
        if n % 12 != 3 and not (fine and n % 4 == 3):
            continue
        x = float(first.x_mm(pitch_hz * 2.0 ** (n / 12)))
        segments.append([(x, first.top_mm - 1.0), (x, last.bottom_mm)])
        sheet.say(x, first.top_mm - 2.2, name, SMALL, ha="center", colour=INK if n % 12 == 3 else SOFT)
    sheet.rules(segments, HAIR, 0.4)


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
        marks = [digit * 10.0**decade for decade in decades for digit in digits]
        marks = [mark for mark in marks if low_hz <= mark <= high_hz]
        if len(marks) > 1:
            break
    return marks


def _draw_hertz(sheet: Sheet, panel: Panel) -> None:
    """Write round frequencies above the notes, for who looks for a number and not for a note."""
    y = panel.top_mm - HERTZ_MM
    for n, mark in enumerate(hertz_marks(panel.x_low, panel.x_high)):
        x = float(panel.x_mm(mark))
        sheet.rule(x, y + 0.5, x, y + 1.3, PALE, 0.4)
        sheet.say(x, y, f"{mark:.0f}" if n else f"{mark:.0f} Hz", TINY, ha="center", colour=SOFT)


def _draw_trails(sheet: Sheet, panels: Sequence[Panel], stages: Sequence[Stage]) -> None:
    segments = []
    for name in chart_modes(stages):
        for n in range(1, len(stages)):
            before, after = mode_at(stages[n - 1], name), mode_at(stages[n], name)
            if before and after:
                x0, x1 = panels[n].x_mm([before.freq_hz, after.freq_hz])
                segments.append([(x0, panels[n - 1].bottom_mm), (x1, panels[n].bottom_mm)])
    sheet.lines(segments, MARK_PALE, 0.6)


def _draw_row(sheet: Sheet, panel: Panel, stage: Stage, steady_cents: float, *, last: bool) -> None:
    row = panel.height_mm
    lines = wrapped(stage.stage_shown, NAMES_MM - 3.0, SMALL, last, most=2 if row > 7 else 1)
    tail = [stage.state] if row > 11 and stage.state else []
    for n, line in enumerate(reversed([*lines, *tail])):
        colour = SOFT if tail and n == 0 else INK
        sheet.say(
            sheet.left_mm, panel.bottom_mm - 0.3 - n * 3.0, line, SMALL, bold=last and colour == INK, colour=colour
        )
    sheet.rule(panel.left_mm, panel.bottom_mm, panel.right_mm, panel.bottom_mm, PALE, 0.4)
    spectrum = spectrum_of(stage)
    if spectrum is None:
        sheet.say(panel.left_mm + 2.0, panel.bottom_mm - 1.2, "no spectrum: no tap was measured", SMALL, colour=SOFT)
        return
    freq, level, noise = thinned(spectrum, panel.x_low, panel.x_high)
    if not freq.size:
        return
    x, y = panel.x_mm(freq), panel.y_mm(level)
    outline = np.concatenate(([[x[0], panel.bottom_mm]], np.column_stack((x, y)), [[x[-1], panel.bottom_mm]]))
    sheet.area(outline, "#efefef")
    sheet.lines([np.column_stack((x, panel.y_mm(noise)))[::4]], PALE, 0.4)
    sheet.lines([np.column_stack((x, y))], INK, 0.5, name=f"spectrum {stage.stage_shown}")
    for unsure in (False, True):
        freqs = [m.freq_hz for m in stage.modes if (words.how_sure(m, steady_cents) == "unsure") is unsure]
        heights = np.interp(freqs, freq, level) if freqs else np.zeros(0)
        places = list(zip(panel.x_mm(freqs).tolist(), panel.y_mm(heights).tolist(), strict=True))
        radius = min(0.8, row / 8)
        sheet.dots(places, MARK_PALE if unsure else MARK, radius, hollow=unsure, name=f"modes {stage.stage_shown}")


def _draw_flags(sheet: Sheet, panel: Panel, stage: Stage, steady_cents: float) -> None:
    modes = sorted(stage.modes, key=lambda m: m.freq_hz)
    at = panel.x_mm([m.freq_hz for m in modes]).tolist()
    places = spread(at, 3.1, panel.left_mm, panel.right_mm)
    foot = panel.bottom_mm + 6.0
    sheet.rules(
        [[(a, panel.bottom_mm), (a, panel.bottom_mm + 1.5), (p, foot)] for a, p in zip(at, places, strict=True)],
        MARK_PALE,
        0.5,
    )
    for mode, place in zip(modes, places, strict=True):
        unsure = words.how_sure(mode, steady_cents) == "unsure"
        note = f"{words.note_text(mode)}, "
        room = FLAGS_MM - 9.0
        name = fitted(mode.mode, room - text_width_mm(note, SMALL, mode.lead), SMALL, mode.lead)
        colour = SOFT if unsure else INK
        sheet.say(place + 0.9, foot + 0.7, note + name, SMALL, bold=mode.lead, ha="right", rotation=90, colour=colour)
    sheet.say(sheet.left_mm, panel.bottom_mm + 9.0, "modes now", SMALL, colour=SOFT)
    sheet.say(sheet.left_mm, panel.bottom_mm + 12.0, "(bold: leads)", TINY, colour=SOFT)
