"""The wood store: the boards of a shop beside one another, as what its tables say.

Conventions: as in :mod:`tapbatch.show.view.tables`. A board stands there as it is at its latest stage. No word says
what is good: a maker chooses.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from tapbatch.model.wood import Figure
from tapbatch.show.say.wood import apart_text, figure_text
from tapbatch.show.view.tables import Cell
from tapbatch.wood.moisture import CORRECTED
from tapbatch.wood.pairs import ALIKE_IN, Candidate, Pair, nearest_pairs

TITLE = "The wood store"
COLUMNS = (
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
    "A dot is a board at its latest stage, its bars the 95 % intervals; hollow: it went into an instrument. With E "
    "along, thin lines are what radiates alike (c/rho, m4/(kg s)), and the pale field is the published range of the "
    "species (Wood Handbook, FPL-GTR-282), one standard deviation. Stiffness per width goes with the cube of "
    "thickness: to choose between boards, look at density, c/rho, E and loss."
)
HEADINGS = ("Board", "Stage", "Wood", "Went into", *(name for name, _, _ in COLUMNS))
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
_CORRECTED = tuple(each for each in COLUMNS if each[1] in CORRECTED)
MOIST_HEADINGS = ("Board", "Moisture", *(name for name, _, _ in _CORRECTED))
_COMPARED = {column: name for name, column, _ in COLUMNS if column in ALIKE_IN}
PAIR_HEADINGS = ("Board", "Nearest", "Off", *(_COMPARED[name] for name in ALIKE_IN), "Length, width, thickness")


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredBoard:
    """A board at its latest stage: its name and stage, species, what it went into and as what, its figures by column.

    ``sizes_mm`` are length, width and thickness; ``None`` if one is not noted. ``moisture_pct`` is that of wood in
    balance with the room, ``None`` if its humidity is not noted, and ``at_standard`` the figures at 12 %.
    """

    instrument: str
    stage: str
    species: str = ""
    into: str = ""
    figures: dict[str, Figure] = field(default_factory=dict)
    sizes_mm: tuple[float, float, float] | None = None
    moisture_pct: float | None = None
    at_standard: Mapping[str, Figure] = field(default_factory=dict)


def store_row(board: StoredBoard) -> list[Cell]:
    """Return what stands below :data:`HEADINGS`."""
    cells = [Cell(board.instrument), Cell(board.stage), Cell(board.species), Cell(board.into)]
    return cells + [_figure_cell(board.figures.get(column), unit) for _, column, unit in COLUMNS]


def moist_rows(boards: Sequence[StoredBoard]) -> Iterator[list[Cell]]:
    """Yield what stands below :data:`MOIST_HEADINGS`, for each board in a room whose humidity is noted."""
    for board in boards:
        if board.at_standard:
            pct = board.moisture_pct
            cells = [Cell(board.instrument), Cell("" if pct is None else f"{pct:.1f} %", number=pct)]
            yield cells + [_figure_cell(board.at_standard.get(column), unit) for _, column, unit in _CORRECTED]


def pair_rows(boards: Sequence[StoredBoard]) -> Iterator[list[Cell]]:
    """Yield what stands below :data:`PAIR_HEADINGS`; nothing if fewer than two boards can be compared."""
    kept = [
        Candidate(name=board.instrument, figures=board.figures, sizes_mm=board.sizes_mm)
        for board in boards
        if board.sizes_mm is not None and not board.into
    ]
    yield from map(_pair_row, nearest_pairs(kept))


def _pair_row(pair: Pair) -> list[Cell]:
    cells = [Cell(pair.first), Cell(pair.second), Cell(f"{pair.off_pct:.1f} %", number=pair.off_pct)]
    for name in ALIKE_IN:
        apart = pair.apart.get(name)
        cells.append(Cell(apart_text(apart), number=None if apart is None else abs(apart.pct)))
    length, width, thickness = pair.sizes_mm
    return [*cells, Cell(f"{length:+z.1f}, {width:+z.1f}, {thickness:+z.2f} mm", number=abs(width))]


def _figure_cell(known: Figure | None, unit: str) -> Cell:
    return Cell(figure_text(known, unit), number=None if known is None else known.value)
