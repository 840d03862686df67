"""What is shown of a blank: its nodal lines, and what it becomes at some thicknesses.

Conventions: places on the board run from -1 to 1, along the length from left to right and across the width from top
to bottom. A nodal line is where a mode stands still.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby, pairwise

import numpy as np

from tapbatch.compare.blank import BLANK
from tapbatch.model.forecast import ForecastCame
from tapbatch.model.history import Alike, History, Stage
from tapbatch.model.wood import AIMED, NamedMode, WoodFigures
from tapbatch.wood.board import Floats
from tapbatch.wood.plate import plate_modes
from tapbatch.wood.thickness import THINNEST, AtThickness, at_thicknesses, board_of_figures, wood_of_figures

MOST_MODES = 6
_STEPS = 9
_GRID = 48


@dataclass(frozen=True, slots=True)
class ModeView:
    """A mode of a board: as it was heard, and its nodal lines as pieces, each of shape (2, 2)."""

    mode: NamedMode
    lines: tuple[Floats, ...]


def blank_stage(history: History) -> Stage | None:
    """Return the latest stage of a blank that has figures, or none."""
    told = [stage for stage in history.stages if stage.wood is not None and stage.wood.constants]
    return told[-1] if told else None


def planings(history: History) -> list[list[ForecastCame]]:
    """Return the forecasts of planing and what came, those of one stage together, the latest stage last."""
    rows = [row for row in history.forecasts if row.part == BLANK and row.mode in AIMED]
    return [list(of_stage) for _, of_stage in groupby(rows, key=lambda row: row.stage)]


def planing_of(history: History, alike: Alike) -> list[ForecastCame]:
    """Return the forecasts of the planing that explains what all modes of a board did alike.

    None if no forecast was made of the way between these two stages, if one did not hold, or if all modes moved by
    more or less than any of them was to.
    """
    names = {stage.stage: stage.stage_shown for stage in history.of_part(alike.part)}
    before = next((a for a, b in pairwise(names) if b == alike.to_stage), None)
    rows = next((rows for rows in planings(history) if rows[0].stage == names.get(alike.to_stage)), [])
    if alike.part != BLANK or before != alike.from_stage or not rows or not all(row.came_within for row in rows):
        return []
    low, high = min(row.step_low_cents for row in rows), max(row.step_high_cents for row in rows)
    return rows if low <= alike.extent.cents <= high else []


def mode_views(wood: WoodFigures) -> tuple[ModeView, ...]:
    """Return the first modes that were heard and named, each with its nodal lines."""
    board, constants = board_of_figures(wood), wood_of_figures(wood)
    if board is None or constants is None:
        return ()
    # The air hardly changes a shape, so it is left out here.
    shapes = {mode.name: mode for mode in plate_modes(board, constants, air_kg_m3=0.0)}
    x = np.linspace(-1.0, 1.0, _GRID)
    known = [mode for mode in wood.modes if mode.name in shapes][:MOST_MODES]
    return tuple(ModeView(mode, nodal_lines(shapes[mode.name].deflection(x, x), x)) for mode in known)


def nodal_lines(values: Floats, x: Floats) -> tuple[Floats, ...]:
    """Return where a surface on a square grid crosses zero, as straight pieces.

    Each cell is cut into two triangles, on which the surface is taken to be flat.

    Examples
    --------
    >>> x = np.linspace(-1.0, 1.0, 3)
    >>> len(nodal_lines(np.add.outer(x - 0.25, 0.0 * x), x))
    4
    """
    pieces = []
    places = np.stack(np.meshgrid(x, x, indexing="ij"), axis=-1)
    for i in range(len(x) - 1):
        for j in range(len(x) - 1):
            for corners in (((0, 0), (1, 0), (1, 1)), ((0, 0), (0, 1), (1, 1))):
                at = [(i + di, j + dj) for di, dj in corners]
                cut = _cut([places[p] for p in at], [float(values[p]) for p in at])
                if cut is not None:
                    pieces.append(cut)
    return tuple(pieces)


def _cut(places: list[Floats], values: list[float]) -> Floats | None:
    """Return where a flat triangle crosses zero."""
    ends = []
    for a, b in ((0, 1), (1, 2), (2, 0)):
        if (values[a] > 0.0) != (values[b] > 0.0):
            share = values[a] / (values[a] - values[b])
            ends.append(places[a] + share * (places[b] - places[a]))
    return np.array(ends) if len(ends) == 2 else None


def thicknesses(wood: WoodFigures) -> tuple[AtThickness, ...]:
    """Return what a board becomes from today's thickness down, in even steps; nothing if its wood is not known."""
    today = wood.thickness_mm
    if today is None or not wood.constants:
        return ()
    step = _step_mm(today)
    first = np.floor(today / step - 1e-6) * step
    steps = [float(t) for t in np.arange(first, THINNEST * today, -step)[: _STEPS - 1]]
    return at_thicknesses(wood, [today, *(round(t, 2) for t in steps)])


def _step_mm(today_mm: float) -> float:
    """Return a round step that shows about eight thicknesses down to the thinnest."""
    return next((s for s in (0.1, 0.2, 0.25, 0.5, 1.0, 2.0) if today_mm * (1 - THINNEST) / s <= _STEPS), 5.0)
