"""The wood store: the boards of a shop beside one another: E along, E across and damping, each against density.

Conventions: a dot is a board at its latest stage, its bars the 95 % intervals; a board that went into an instrument
is hollow. With E along, thin slanting lines join what radiates alike (c/rho), which falls to the right, and a pale
field is the published range of a species that the settings name, one standard deviation to either side.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from tapbatch.show.draw.chart import SMALL, Chart, Look, Panel
from tapbatch.show.draw.marks import Role
from tapbatch.show.view.store import StoredBoard
from tapbatch.wood.species import Published, published_of

_STEPS = 30
_WIDEST_NAME_MM, _CLEAR_MM = 30.0, 4.0
_Box = tuple[float, float, float, float]


class Plotted(NamedTuple):
    """A figure that is drawn against density: its column, how it is called, its unit, and the digits in words."""

    column: str
    name: str
    unit: str
    digits: int

    @property
    def axis(self) -> str:
        """What stands below the chart."""
        return f"density, kg/m3; upwards: {self.name}{f', {self.unit}' if self.unit else ''}"


ALONG = Plotted("e_along_gpa", "E along", "GPa", 1)
PLOTTED = (
    ALONG,
    Plotted("e_across_gpa", "E across", "GPa", 2),
    Plotted("loss_along", "loss factor along", "", 4),
    Plotted("loss_across", "loss factor across", "", 4),
)


def store_charts(boards: Sequence[StoredBoard], look: Look) -> Iterator[tuple[str, Chart]]:
    """Yield each chart of the store with its name, as far as a board has the figures."""
    for plotted in PLOTTED:
        chart = store_chart(boards, look, plotted)
        if chart is not None:
            yield f"{plotted.name[0].upper()}{plotted.name[1:]} against density", chart


def store_chart(boards: Sequence[StoredBoard], look: Look, plotted: Plotted = ALONG) -> Chart | None:
    """Draw a figure against density; nothing if no board has both."""
    column = plotted.column
    told = [b for b in boards if {"density_kg_m3", column} <= set(b.figures)]
    if not told:
        return None
    is_along = plotted == ALONG
    fields = {p.name: p for b in told if is_along and (p := published_of(b.species)) is not None}
    chart = Chart(look)
    x_low, x_high = _ends([(b.figures["density_kg_m3"].low, b.figures["density_kg_m3"].high) for b in told]
                          + [p.density_kg_m3 for p in fields.values()])  # fmt: skip
    y_low, y_high = _ends([(b.figures[column].low, b.figures[column].high) for b in told]
                          + [p.e_along_gpa for p in fields.values()])  # fmt: skip
    wide_mm = look.width_mm - 16.0
    # The board farthest to the right has its name beside it, too.
    names_mm = min(max(chart.text_mm(b.instrument, SMALL) for b in told), _WIDEST_NAME_MM)
    x_high = x_low + (x_high - x_low) / (1.0 - names_mm / wide_mm)
    panel = Panel(
        12.0, 4.0, wide_mm, 82.0 if look.is_wide else 70.0,
        x_low=x_low, x_high=x_high, y_low=y_low, y_high=y_high,
    )  # fmt: skip
    for published in fields.values():
        _draw_field(chart, panel, published)
    _scales(chart, panel, plotted.axis)
    if is_along:
        _radiation(chart, panel)
    for board in told:
        _draw_board(chart, panel, board, column)
    _names(chart, panel, told, column)
    chart.height_mm = panel.bottom_mm + 10.0 * look.spacing
    chart.description = "; ".join(
        f"{b.instrument}: {b.figures[column].value:.{plotted.digits}f}{plotted.unit and f' {plotted.unit}'} "
        f"at {b.figures['density_kg_m3'].value:.0f} kg/m3"
        for b in told
    )
    return chart


def _ends(ranges: Sequence[tuple[float, float]]) -> tuple[float, float]:
    low, high = min(r[0] for r in ranges), max(r[1] for r in ranges)
    room = 0.08 * (high - low)
    return max(low - room, 0.0), high + room


def _draw_field(chart: Chart, panel: Panel, published: Published) -> None:
    left, right = (float(x) for x in panel.x_mm(published.density_kg_m3))
    bottom, top = (float(y) for y in panel.y_mm(published.e_along_gpa))
    chart.box(left, top, right, bottom, "field")
    chart.say(left + 1.0, top + 3.5, published.name, SMALL, role="soft text", within_mm=max(right - left - 2.0, 1.0))


def _scales(chart: Chart, panel: Panel, axis: str) -> None:
    for x in _round_steps(panel.x_low, panel.x_high):
        at = float(panel.x_mm(x))
        chart.rule(at, panel.top_mm, at, panel.bottom_mm, "guide")
        chart.say(at, panel.bottom_mm + 4.0 * chart.look.spacing, f"{x:g}", SMALL, ha="center")
    for y in _round_steps(panel.y_low, panel.y_high):
        at = float(panel.y_mm(y))
        chart.rule(panel.left_mm, at, panel.right_mm, at, "guide")
        chart.say(panel.left_mm - 1.5, at, f"{y:g}", SMALL, ha="right", va="center")
    below = panel.bottom_mm + 8.0 * chart.look.spacing
    chart.say(panel.left_mm, below, axis, SMALL, role="soft text")


def _round_steps(low: float, high: float) -> list[float]:
    least = (high - low) / 6.0
    size = 10.0 ** math.floor(math.log10(least))
    step = next(size * s for s in (1.0, 2.0, 5.0, 10.0) if size * s >= least)
    return [round(n * step, 6) for n in range(math.ceil(low / step), math.ceil(high / step))]


def _radiation(chart: Chart, panel: Panel) -> None:
    """Draw where c/rho is the same: E goes with the cube of density."""
    densities = np.linspace(panel.x_low, panel.x_high, _STEPS)
    for ratio in range(2, 30, 2):
        e_gpa = ratio**2 * densities**3 / 1e9
        inside = (e_gpa > panel.y_low) & (e_gpa < panel.y_high)
        if inside.sum() > 1:
            line = panel.placed(np.column_stack((densities[inside], e_gpa[inside])))
            chart.lines([line], "thread", f"c/rho {ratio}")
            chart.say(float(line[-1, 0]), float(line[-1, 1]) - 0.6, f"{ratio}", SMALL, ha="right", role="soft text")


def _draw_board(chart: Chart, panel: Panel, board: StoredBoard, column: str) -> None:
    density, other = board.figures["density_kg_m3"], board.figures[column]
    x, y = float(panel.x_mm(density.value)), float(panel.y_mm(other.value))
    left, right = (float(v) for v in panel.x_mm([density.low, density.high]))
    bottom, top = (float(v) for v in panel.y_mm([other.low, other.high]))
    role: Role = "earlier reading" if board.into else "reading"
    chart.lines([[(left, y), (right, y)], [(x, bottom), (x, top)]], role, f"interval of {board.instrument}")
    chart.dots([(x, y)], role, name=board.instrument)


def _names(chart: Chart, panel: Panel, boards: Sequence[StoredBoard], column: str) -> None:
    """Set each name beside its dot; one without room is left out, as the table has it."""
    dots = [
        (float(panel.x_mm(b.figures["density_kg_m3"].value)), float(panel.y_mm(b.figures[column].value)))
        for b in boards
    ]
    high = 2.6 * chart.look.spacing
    taken: list[_Box] = []
    for dot, board in zip(dots, boards, strict=True):
        wide = min(chart.text_mm(board.instrument, SMALL), _WIDEST_NAME_MM)
        others = [other for other in dots if other != dot]
        box = next((b for b in _beside(dot, wide, high) if _is_free(b, panel, others, taken)), None)
        if box is not None:
            chart.say(box[0], box[3], board.instrument, SMALL, within_mm=_WIDEST_NAME_MM)
            taken.append(box)


def _beside(dot: tuple[float, float], wide: float, high: float) -> Iterator[_Box]:
    """Yield the places of a name beside a dot: left, top, right and bottom of each."""
    for left in (dot[0] + 1.6, dot[0] - 1.6 - wide):
        for base in (dot[1] - 1.2, dot[1] + 1.2 + high):
            yield left, base - high, left + wide, base


def _is_free(box: _Box, panel: Panel, others: Sequence[tuple[float, float]], taken: Sequence[_Box]) -> bool:
    left, top, right, base = box
    if left < panel.left_mm or right > panel.right_mm or top < panel.top_mm or any(_meet(box, t) for t in taken):
        return False
    # A name that is near to another dot would seem to be its own.
    return not any(left - _CLEAR_MM < x < right + _CLEAR_MM and top - 1.0 < y < base + 1.0 for x, y in others)


def _meet(box: _Box, other: _Box) -> bool:
    return box[0] < other[2] and other[0] < box[2] and box[1] < other[3] and other[1] < box[3]
