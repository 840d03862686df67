"""A blank: the board to scale with the nodal lines of its modes, and what thickness will do.

Conventions: the grain runs from left to right. Boards are drawn in proportion, length to width. In the chart of
thickness the board gets thinner from left to right, as it does at the bench; frequencies are spaced by octaves, and
the pale bands are 95 % intervals.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from tapbatch.model.forecast import ForecastCame
from tapbatch.model.pitch import hz_to_note
from tapbatch.model.reading import Aim
from tapbatch.model.settings import InstrumentSettings
from tapbatch.model.wood import AIMED, Figure, WoodFigures
from tapbatch.show.draw.chart import BODY, SMALL, Chart, Look, Panel
from tapbatch.show.draw.marks import Anchor, Said
from tapbatch.show.say.wood import (
    FLAGS,
    came_text,
    figure_rows,
    mode_text,
    planed_text,
    record_text,
    said_text,
    stop_text,
)
from tapbatch.show.view.boards import ModeView, mode_views, thicknesses
from tapbatch.wood.thickness import AtThickness

_GAP_MM = 6.0
_LABEL_MM = 4.5
_ROW_MM = 4.6
_MOST_PLANINGS = 8
_FIGURE_MM = 5.0  # from the middle of one thickness to that of the next, at least
PLANED_MARKS = (
    "By how much a mode fell when the board was planed: as forecast from the taps before, with its 95 % interval, "
    "and as it came."
)
RECORD_MARKS = "Ring: hold it there between finger and thumb. Cross: tap it there. Grain from left to right."
CAUTION = (
    "Short and thin boards are no work for a jointer or a thicknesser: plane them by hand, on a backing board. The "
    "dust of some woods sensitises: wear a mask and extract it, also for samples."
)


def board_chart(wood: WoodFigures, look: Look) -> Chart | None:
    """Draw a board once for each of its first modes, with its nodal lines; nothing if none was named."""
    views = mode_views(wood)
    if not views or not wood.length_mm or not wood.width_mm:
        return None
    chart = Chart(look)
    columns = 3 if look.is_wide else 2
    width = (look.width_mm - _GAP_MM * (columns - 1)) / columns
    # A board that is wider than long is drawn smaller, so that the page holds it.
    scale = min(width / wood.length_mm, 45.0 / wood.width_mm)
    long, wide = wood.length_mm * scale, wood.width_mm * scale
    for n, view in enumerate(views):
        left, top = (n % columns) * (width + _GAP_MM), (n // columns) * (wide + _LABEL_MM * look.spacing + 5.0)
        _draw_board(chart, view, left, top + _LABEL_MM * look.spacing, long, wide)
    rows = math.ceil(len(views) / columns)
    chart.height_mm = rows * (wide + _LABEL_MM * look.spacing + 5.0)
    chart.description = "; ".join(f"{mode_text(v.mode)} at {v.mode.freq_hz:.1f} Hz" for v in views)
    return chart


def _draw_board(chart: Chart, view: ModeView, left: float, top: float, long: float, wide: float) -> None:
    label = f"{mode_text(view.mode)}  {view.mode.freq_hz:.1f} Hz"
    chart.say(left, top - 1.2, label, SMALL, within_mm=max(long, 30.0))
    corners = [(left, top), (left + long, top), (left + long, top + wide), (left, top + wide), (left, top)]
    chart.area(corners[:4], "field")
    chart.lines([corners], "link")
    middle, half = np.array([left + long / 2, top + wide / 2]), np.array([long / 2, wide / 2])
    chart.lines([middle + piece * half for piece in view.lines], "reading", f"nodal lines {mode_text(view.mode)}")


# Where fingers hold a board and where it is tapped, from -1 to 1 along the length and across the width.
_HELD = 1.0 - 2.0 * 0.224
_WAYS: dict[Aim, tuple[tuple[tuple[float, float], ...], tuple[float, float]]] = {
    "along": (((-_HELD, 0.0), (_HELD, 0.0)), (1.0, 0.0)),
    "across": (((0.0, -_HELD), (0.0, _HELD)), (0.0, 1.0)),
    "twist": (((0.0, 0.0),), (1.0, 1.0)),
}


def record_chart(wood: WoodFigures, look: Look) -> Chart | None:
    """Draw where to hold a board and where to tap it, to tell what is missing; nothing if nothing is.

    Rings are where fingers hold it, and the cross is where it is tapped.
    """
    if not wood.to_record or not wood.length_mm or not wood.width_mm:
        return None
    chart = Chart(look)
    gap = _GAP_MM + 4.0
    width = (look.width_mm - 2.0 * gap) / 3.0 - 2.0
    scale = min(width / wood.length_mm, 45.0 / wood.width_mm)
    half = np.array([wood.length_mm * scale / 2, wood.width_mm * scale / 2])
    top = _LABEL_MM * look.spacing
    for n, aim in enumerate(wood.to_record):
        middle = np.array([n * (width + gap), top]) + half
        chart.say(middle[0] - half[0], top - 1.2, aim, SMALL)
        corners = [middle + half * corner for corner in ((-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1))]
        chart.area(corners[:4], "field")
        chart.lines([corners], "link")
        holds, tap = _WAYS[aim]
        chart.dots([tuple((middle + half * hold).tolist()) for hold in holds], "earlier reading", name=f"hold {aim}")
        x, y = middle + half * tap
        cross = [[(x - 1.4, y - 1.4), (x + 1.4, y + 1.4)], [(x - 1.4, y + 1.4), (x + 1.4, y - 1.4)]]
        chart.lines(cross, "reading", f"tap {aim}")
    chart.height_mm = top + 2.0 * half[1] + 3.0
    chart.description = ". ".join(record_text(aim) for aim in wood.to_record)
    return chart


def figures_chart(wood: WoodFigures, look: Look) -> Chart:
    """Set the figures of a board, those first that depend least on the caliper."""
    chart = Chart(look)
    y = 3.5 * look.spacing
    for name, text in figure_rows(wood):
        chart.say(0.0, y, name, BODY, role="text" if text else "soft text", within_mm=0.55 * look.width_mm)
        told = text or "not told by these modes"
        chart.say(look.width_mm, y, told, BODY, ha="right", bold=bool(text), role="text" if text else "soft text")
        y += _ROW_MM * look.spacing
    chart.height_mm = y
    chart.description = "; ".join(f"{name}: {text}" for name, text in figure_rows(wood) if text)
    return chart


def figures_notes(wood: WoodFigures) -> list[Said]:
    """Return what is said below the figures: flags, and what to record to tell more."""
    notes: list[Said] = [(f"{stop_text(stop)}.", "text") for stop in wood.stops]
    notes += [(f"{flag}: {FLAGS[flag]}", "caution") for flag in wood.flags]
    notes += [(f"To tell more, record {record_text(aim)}.", "text") for aim in wood.to_record]
    return notes


def thickness_chart(wood: WoodFigures, settings: InstrumentSettings, look: Look) -> Chart | None:
    """Draw what the modes and the stiffness of a board become as it gets thinner; nothing if that is not known."""
    steps = thicknesses(wood)
    aims = [aim for aim in AIMED if steps and aim in steps[0].modes]
    if not steps or not aims:
        return None
    chart = Chart(look)
    low = min(step.modes[aim].low for step in steps for aim in aims)
    high = max(step.modes[aim].high for step in steps for aim in aims)
    left, height = (14.0, 70.0) if look.is_wide else (12.0, 52.0)
    panel = Panel(
        left, 4.0, look.width_mm - left - 16.0, height,
        x_low=-steps[0].thickness_mm, x_high=-steps[-1].thickness_mm, y_low=math.log(low), y_high=math.log(high),
    )  # fmt: skip
    _scales(chart, panel, steps, low, high, settings)
    x = [float(v) for v in panel.x_mm([-step.thickness_mm for step in steps])]
    for aim in aims:
        told = [step.modes[aim] for step in steps]
        upper, middle, lower = (_heights(panel, told, end) for end in ("high", "value", "low"))
        chart.area([*zip(x, upper, strict=True), *reversed(list(zip(x, lower, strict=True)))], "tolerance")
        chart.lines([list(zip(x, middle, strict=True))], "fit", f"{aim} by thickness")
        chart.dots([(x[0], middle[0])], "reading", name=f"{aim} today")
        chart.say(panel.right_mm + 1.5, middle[-1], aim, SMALL, va="center", within_mm=16.0)
    y = panel.bottom_mm + 12.0 * look.spacing
    chart.height_mm = _table(chart, steps, settings, y)
    last = steps[-1]
    chart.description = "; ".join(
        f"{aim}: {steps[0].modes[aim].value:.1f} Hz at {steps[0].thickness_mm:g} mm, "
        f"{last.modes[aim].value:.1f} Hz at {last.thickness_mm:g} mm"
        for aim in aims
    )
    return chart


def planed_chart(planings: Sequence[Sequence[ForecastCame]], look: Look) -> Chart | None:
    """Set what was forecast of each planing beside what came, the latest first; nothing without any."""
    if not planings:
        return None
    chart = Chart(look)
    y, row_mm = 3.5 * look.spacing, _ROW_MM * look.spacing
    columns: tuple[tuple[str, float, Anchor], ...] = (
        ("cents", 2.0, "left"), ("forecast", 0.6, "right"), ("came", 0.78, "right"), ("", 1.0, "right"),
    )  # fmt: skip
    places = [x if ha == "left" else x * look.width_mm for _, x, ha in columns]
    for (head, _, ha), x in zip(columns, places, strict=True):
        chart.say(x, y, head, SMALL, role="soft text", ha=ha)
    for rows in planings[: -_MOST_PLANINGS - 1 : -1]:
        y += row_mm
        chart.say(0.0, y, f"{rows[0].stage}: {rows[0].basis}", SMALL, bold=True, within_mm=look.width_mm)
        for row in rows:
            y += row_mm
            held = "as forecast" if row.came_within else "outside"
            for text, x, (_, _, ha) in zip(
                (row.mode, said_text(row), came_text(row), held), places, columns, strict=True
            ):
                outside = text == held and not row.came_within
                chart.say(x, y, text, SMALL, ha=ha, role="caution" if outside else "text")
    chart.height_mm = y + 2.0
    chart.description = ". ".join(planed_text(rows) for rows in planings)
    return chart


def _heights(panel: Panel, told: Sequence[Figure], end: str) -> list[float]:
    return [float(v) for v in panel.y_mm([math.log(getattr(figure, end)) for figure in told])]


def _scales(
    chart: Chart, panel: Panel, steps: Sequence[AtThickness], low: float, high: float, settings: InstrumentSettings
) -> None:
    free_from = -math.inf
    for step in steps:
        x = float(panel.x_mm(-step.thickness_mm))
        chart.rule(x, panel.top_mm, x, panel.bottom_mm, "guide")
        # Today's thickness may be near the first round one, whose figure then has no room.
        if x >= free_from:
            chart.say(
                x, panel.bottom_mm + 4.0 * chart.look.spacing, f"{round(step.thickness_mm, 2):g}", SMALL, ha="center"
            )
            free_from = x + _FIGURE_MM * chart.look.spacing
    below = panel.bottom_mm + 8.0 * chart.look.spacing
    chart.say(panel.left_mm, below, "thickness in mm, thinner to the right", SMALL, role="soft text")
    a4 = settings.concert_pitch_hz
    # A line each third of an octave, from the A of the pitch.
    first, last = (math.floor(3 * math.log2(f / a4)) for f in (low, high))
    for third in range(first + 1, last + 1):
        freq_hz = a4 * 2 ** (third / 3)
        y = float(panel.y_mm(math.log(freq_hz)))
        chart.rule(panel.left_mm, y, panel.right_mm, y, "guide")
        note = hz_to_note(freq_hz, a4, settings.spelling)[0]
        chart.say(panel.left_mm - 1.5, y, note, SMALL, ha="right", va="center", role="soft text")


# Columns of figures: where each stands, in mm from the left edge, and which end of it.
_COLUMNS: tuple[tuple[str, float, Anchor], ...] = (
    ("mm", 0.0, "left"),
    ("g", 20.0, "right"),
    ("along", 25.0, "left"),
    ("across", 60.0, "left"),
    ("twist", 95.0, "left"),
    ("stiffness along", 153.0, "right"),
    ("across, N m", 178.0, "right"),
)
# On a telephone the notes are in the chart only.
_NARROW: tuple[tuple[str, float, Anchor], ...] = (
    ("mm", 0.0, "left"),
    ("g", 20.0, "right"),
    ("stiffness along", 52.0, "right"),
    ("across, N m", 82.0, "right"),
)


def _table(chart: Chart, steps: Sequence[AtThickness], settings: InstrumentSettings, y: float) -> float:
    """Set the same as figures, row by row; return the height that all takes."""
    columns = _COLUMNS if chart.look.is_wide else _NARROW
    for head, x, ha in columns:
        chart.say(x, y, head, SMALL, role="soft text", ha=ha)
    for step in steps:
        y += _ROW_MM * chart.look.spacing
        cells: dict[str, str] = {aim: _note(step.modes.get(aim), settings) for aim in AIMED}
        cells |= {"mm": f"{round(step.thickness_mm, 2):g}", "g": f"{step.mass_g:.0f}"}
        cells["stiffness along"] = _stiff(step.stiffness_along_n_m)
        cells["across, N m"] = _stiff(step.stiffness_across_n_m)
        for head, x, ha in columns:
            chart.say(x, y, cells[head], SMALL, ha=ha, bold=head == "mm")
    return y + 2.0


def _note(figure: Figure | None, settings: InstrumentSettings) -> str:
    if figure is None:
        return ""
    note, cents = hz_to_note(figure.value, settings.concert_pitch_hz, settings.spelling)[:2]
    return f"{note} {cents:+z.0f} c, {figure.value:.1f} Hz"


def _stiff(figure: Figure | None) -> str:
    return "" if figure is None else f"{figure.value:.3g} ± {figure.half_pct:.0f} %"
