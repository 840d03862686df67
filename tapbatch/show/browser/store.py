"""The page of the wood store: all boards beside one another, as a chart and as a table.

Conventions: as in :mod:`tapbatch.show.browser.page`, whose style it has; the page stands alone. No word says what is
good: a maker chooses.
"""

from __future__ import annotations

from collections.abc import Sequence

from tapbatch.show.browser.figures import figure
from tapbatch.show.browser.markup import Markup, tag
from tapbatch.show.browser.page import standing_page
from tapbatch.show.browser.sheets import sheet
from tapbatch.show.draw.chart import SCREEN
from tapbatch.show.draw.store import StoredBoard, store_chart
from tapbatch.show.say.wood import figure_text
from tapbatch.show.view.tables import Cell

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


def store_bytes(boards: Sequence[StoredBoard]) -> bytes:
    """Return the page of the wood store.

    Examples
    --------
    >>> store_bytes([])[:15]
    b'<!DOCTYPE html>'
    """
    chart = store_chart(boards, SCREEN)
    drawn = Markup() if chart is None else figure(chart, "E along against density", "E along against density")
    table = sheet(
        TITLE, ("Board", "Stage", "Wood", "Went into", *(name for name, _, _ in _COLUMNS)), map(_row, boards)
    )
    link = tag("p", tag("a", "blanks.csv", href="blanks.csv"))
    content = tag("section", tag("h2", TITLE), tag("p", EXPLAINED), drawn, table, link, aria_label=TITLE)
    return standing_page(TITLE, content)


def _row(board: StoredBoard) -> list[Cell]:
    into = " ".join(part for part in (board.into, board.part) if part)
    cells = [Cell(board.instrument), Cell(board.stage), Cell(board.species), Cell(into)]
    for _, column, unit in _COLUMNS:
        known = board.figures.get(column)
        cells.append(Cell(figure_text(known, unit), number=None if known is None else known.value))
    return cells
