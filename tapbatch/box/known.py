"""What a changed opening does to a box that is known, and which opening a resonance needs.

Conventions: lengths in millimetres, areas in square millimetres, frequencies in hertz, temperatures in degrees
Celsius; intervals hold nineteen times in twenty. ``hole`` is the opening that is worked on, ``beside`` are others
that stay. An opening is looked for between a quarter and four times its present area. Beyond, the model has nothing
to rest on, and no top has room; what would lie there counts as out of reach.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from tapbatch.box.air import speed_of_sound_m_s
from tapbatch.box.growth import Hole
from tapbatch.box.model import BoxModel, Told
from tapbatch.box.modes import Floats

ROOM_C, ROOM_PCT = 20.0, 50.0
"""The room that is meant where nothing was noted."""

MOST_TIMES = 4.0
"""An opening is looked for up to this many times its present area, and down to as small a part of it."""

SURE = 0.95
_GRID = 61


@dataclass(frozen=True, slots=True)
class Needed:
    """The opening that brings a resonance to a frequency, in square millimetres; ``None`` where none gets there.

    ``reach`` is the chance that an opening gets there at all. ``area_mm2`` is the median of those that do. A bound is
    ``None`` if it lies beyond what is looked at.
    """

    area_mm2: float | None
    low_mm2: float | None
    high_mm2: float | None
    reach: float

    @property
    def out_of_reach(self) -> bool:
        """Whether it is 95 % sure that no opening gets there."""
        return self.reach <= 1.0 - SURE


@dataclass(frozen=True, eq=False)
class KnownBox:
    """A box that is known well enough to say what an opening does.

    ``modes`` are the names of its resonances, the lower one first: two or three, the last ones empty where they
    were never read. ``temperature_c`` and ``humidity_pct`` are those of the latest stage, or of an ordinary room.
    ``areas_mm2`` are the openings that were read, the latest last; ``covered_taps`` counts taps with the opening
    shut.
    """

    model: BoxModel
    hole: Hole
    beside: tuple[Hole, ...] = ()
    modes: tuple[str, ...] = ("", "")
    temperature_c: float = ROOM_C
    humidity_pct: float = ROOM_PCT
    areas_mm2: tuple[float, ...] = ()
    covered_taps: int = 0
    volume_l: float | None = None

    @property
    def conductance_mm(self) -> float:
        """What all openings let through as they are now."""
        return self._conductance_mm(self.hole)

    def _conductance_mm(self, hole: Hole) -> float:
        return hole.conductance_mm + sum(one.conductance_mm for one in self.beside)

    def _openings(self, holes: Sequence[Hole], temperature_c: float | None) -> list[tuple[float, float, float]]:
        warmth = self.temperature_c if temperature_c is None else temperature_c
        speed = speed_of_sound_m_s(warmth, self.humidity_pct)
        return [(self._conductance_mm(hole), hole.area_mm2, speed) for hole in holes]

    def paths(self, holes: Sequence[Hole], temperature_c: float | None = None) -> Floats:
        """Return equally likely values of ``ln f``, shape (paths, openings, resonances)."""
        return self.model.paths(self._openings(holes, temperature_c))

    def ahead(self, hole: Hole, temperature_c: float | None = None) -> tuple[Told, ...]:
        """Return where each resonance lies with a changed opening, in hertz, in the order of ``modes``.

        Parameters
        ----------
        hole
            The opening that is worked on, as it will be.
        temperature_c
            That of the air then; default as at the latest stage.
        """
        return self.model.ahead(self._openings([hole], temperature_c))[0]

    def curve(self, holes: Sequence[Hole], temperature_c: float | None = None) -> tuple[tuple[Told, ...], ...]:
        """Return where each resonance lies with each of many openings: first by opening, then as ``modes``."""
        return self.model.ahead(self._openings(holes, temperature_c))

    def grid(self, lowest: float = 1.0, highest: float = 2.0, count: int = 41) -> tuple[Hole, ...]:
        """Return openings from so many times the present area up to so many, evenly in its logarithm, for drawing."""
        times = np.geomspace(lowest, highest, count)
        return tuple(self.hole.of_area(float(t) * self.hole.area_mm2) for t in times)

    @cached_property
    def _far(self) -> tuple[Floats, Floats]:
        return self._looked_at(None)

    def _looked_at(self, temperature_c: float | None) -> tuple[Floats, Floats]:
        """Return the logarithms of the areas in which an opening is looked for, and the paths there."""
        holes = self.grid(1.0 / MOST_TIMES, MOST_TIMES, _GRID)
        return np.log([hole.area_mm2 for hole in holes]), self.paths(holes, temperature_c)

    def needed(self, resonance: int, hz: float, temperature_c: float | None = None) -> Needed:
        """Return the opening that brings a resonance to a frequency.

        Parameters
        ----------
        resonance
            0 for the lower one, 1 for the higher one, 2 for a third.
        hz
            Where it is to be.
        """
        areas, paths = self._far if temperature_c is None else self._looked_at(temperature_c)
        logs = paths[:, :, resonance] - math.log(hz)
        above = logs > 0
        crosses = above[:, -1] & ~above[:, 0]
        first = np.argmax(above, axis=1)
        rows = np.arange(len(logs))
        before = np.maximum(first - 1, 0)
        below, over = logs[rows, before], logs[rows, first]
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(over > below, -below / (over - below), 0.0)
        at = areas[before] + share * (areas[first] - areas[before])
        # A path that lies above already needs less than was looked at, one that stays below more, or none.
        at = np.where(crosses, at, np.where(above[:, 0], -math.inf, math.inf))
        reach = float(np.mean(crosses))
        if reach <= 1.0 - SURE:
            return Needed(None, None, None, reach)
        low, middle, high = np.quantile(at, (0.025, 0.5, 0.975), method="nearest")
        least, most, median = (math.exp(v) if math.isfinite(v) else None for v in (low, high, middle))
        return Needed(median, least, most, reach)
