"""The page of the wood store: all boards beside one another, as a chart and as a table.

Conventions: as in :mod:`tapbatch.show.browser.page`, whose style it has; the page stands alone. No word says what is
good: a maker chooses.
"""

from __future__ import annotations

from collections.abc import Sequence

from tapbatch.model.wood import Figure
from tapbatch.show.browser.figures import figure
from tapbatch.show.browser.markup import Markup, joined, tag
from tapbatch.show.browser.page import standing_page
from tapbatch.show.browser.sheets import sheet
from tapbatch.show.draw.chart import SCREEN
from tapbatch.show.draw.store import StoredBoard, store_chart
from tapbatch.show.say.wood import apart_text, figure_text
from tapbatch.show.view.tables import Cell
from tapbatch.wood.moisture import CORRECTED
from tapbatch.wood.pairs import ALIKE_IN, Candidate, Pair, nearest_pairs

TITLE = "The wood store"
_COLUMNS = (
    ("c/rho", "radiation_m4_kg_s", ""),
    ("Density", "density_kg_m3", "kg/m3"),
    ("E along", "e_along_gpa", "GPa"),
    ("E across", "e_across_gpa", "GPa"),
    ("G", "g_gpa", "GPa"),
    ("Speed", "speed_along_m_s", "m/s"),
    ("Loss along", "loss_along", ""),
    ("Loss across", "loss_across", ""),
    ("Loss in twist", "loss_twist", ""),
    ("Stiffness along", "stiffness_along_n_m", "N m"),
    ("Stiffness across", "stiffness_across_n_m", "N m"),
)
EXPLAINED = (
    "A dot is a board at its latest stage, its bars the 95 % intervals; hollow: it went into an instrument. Thin "
    "lines: what radiates alike (c/rho, m4/(kg s)). Pale field: the published range of the species (Wood Handbook, "
    "FPL-GTR-282), one standard deviation. Stiffness per width goes with the cube of thickness: to choose between "
    "boards, look at density, c/rho, E and loss."
)
_HEADINGS = ("Board", "Stage", "Wood", "Went into", *(name for name, _, _ in _COLUMNS))
PAIRS, PAIRS_TABLE = "Boards that are alike", "Each board and the nearest to it"
PAIRS_EXPLAINED = (
    "Each board with the one nearest to it in density, c/rho, E along, E across and size, the nearest pair first, as "
    "for book-matched halves or for two tops. Boards that went into an instrument are left out. Figures say how much "
    "more the second has, with half the 95 % interval, and in brackets how many of those it is: below 1, the two may "
    "be the same. Off: the root mean square of all the differences to expect, sizes and errors included."
)
MOIST, MOIST_TABLE = "Corrected to 12 % moisture", "Figures at 12 % moisture"
MOIST_EXPLAINED = (
    "Boards tapped in a room whose humidity is noted: their moisture, if they were in balance with the room, and the "
    "figures above as they would be at 12 % (20 C and 65 % humidity), at which those of species are published. The "
    "intervals are wider: they hold a board that is two points off its balance, and how much woods differ."
)
_CORRECTED = tuple(each for each in _COLUMNS if each[1] in CORRECTED)
_MOIST_HEADINGS = ("Board", "Moisture", *(name for name, _, _ in _CORRECTED))
_COMPARED = {column: name for name, column, _ in _COLUMNS if column in ALIKE_IN}
_PAIR_HEADINGS = ("Board", "Nearest", "Off", *(_COMPARED[name] for name in ALIKE_IN), "Length, width, thickness")


def store_bytes(boards: Sequence[StoredBoard]) -> bytes:
    """Return the page of the wood store.

    Examples
    --------
    >>> store_bytes([])[:15]
    b'<!DOCTYPE html>'
    """
    chart = store_chart(boards, SCREEN)
    drawn = Markup() if chart is None else figure(chart, "E along against density", "E along against density")
    table = sheet(TITLE, _HEADINGS, map(_row, boards))
    link = tag("p", tag("a", "blanks.csv", href="blanks.csv"))
    more = (_moist(boards), _pairs(boards))
    content = tag("section", tag("h2", TITLE), tag("p", EXPLAINED), drawn, table, *more, link, aria_label=TITLE)
    return standing_page(TITLE, content)


def _moist(boards: Sequence[StoredBoard]) -> Markup:
    """Return the figures at one moisture; nothing if no humidity is noted."""
    table = sheet(MOIST_TABLE, _MOIST_HEADINGS, (_moist_row(board) for board in boards if board.at_standard))
    return joined([tag("h3", MOIST), tag("p", MOIST_EXPLAINED), table]) if table else Markup()


def _moist_row(board: StoredBoard) -> list[Cell]:
    pct = board.moisture_pct
    cells = [Cell(board.instrument), Cell("" if pct is None else f"{pct:.1f} %", number=pct)]
    return cells + [_figure_cell(board.at_standard.get(column), unit) for _, column, unit in _CORRECTED]


def _pairs(boards: Sequence[StoredBoard]) -> Markup:
    """Return which boards are nearest to one another; nothing if fewer than two can be compared."""
    kept = [
        Candidate(name=board.instrument, figures=board.figures, sizes_mm=board.sizes_mm)
        for board in boards
        if board.sizes_mm is not None and not board.into
    ]
    table = sheet(PAIRS_TABLE, _PAIR_HEADINGS, map(_pair_row, nearest_pairs(kept)))
    return joined([tag("h3", PAIRS), tag("p", PAIRS_EXPLAINED), table]) if table else Markup()


def _pair_row(pair: Pair) -> list[Cell]:
    cells = [Cell(pair.first), Cell(pair.second), Cell(f"{pair.off_pct:.1f} %", number=pair.off_pct)]
    for name in ALIKE_IN:
        apart = pair.apart.get(name)
        cells.append(Cell(apart_text(apart), number=None if apart is None else abs(apart.pct)))
    length, width, thickness = pair.sizes_mm
    return [*cells, Cell(f"{length:+z.1f}, {width:+z.1f}, {thickness:+z.2f} mm", number=abs(width))]


def _row(board: StoredBoard) -> list[Cell]:
    cells = [Cell(board.instrument), Cell(board.stage), Cell(board.species), Cell(board.into)]
    return cells + [_figure_cell(board.figures.get(column), unit) for _, column, unit in _COLUMNS]


def _figure_cell(known: Figure | None, unit: str) -> Cell:
    return Cell(figure_text(known, unit), number=None if known is None else known.value)
