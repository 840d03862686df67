"""Boards that are alike: of each board the one that is nearest to it, as for book-matched halves or for two tops.

Conventions: what two boards differ in is the natural logarithm of their ratio, for density, c/rho, E along and E
across, and for length, width and thickness. Its 95 % interval joins those of both boards as independent; what they
share, such as a caliper that reads wrong, makes it too wide. Two boards are as near as the root mean square of the
seven differences that is to be expected: the difference as measured and its standard error, added in squares. So a
board of which little is known is not near to all others. What one of two boards does not tell counts as E scatters
within a species. Which difference matters is for the maker to say.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from tapbatch.model.wood import Figure
from tapbatch.wood.board import Floats
from tapbatch.wood.fit import Z_95
from tapbatch.wood.species import MODULUS_SCATTER

ALIKE_IN = ("density_kg_m3", "radiation_m4_kg_s", "e_along_gpa", "e_across_gpa")
"""The figures in which boards are compared."""

NEEDED = ALIKE_IN[:3]
"""Without one of these, a board is not compared."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A board to be compared: its name, its figures, and length, width and thickness in millimetres."""

    name: str
    figures: Mapping[str, Figure]
    sizes_mm: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Apart:
    """How much more the second of two boards has, in per cent, and half the 95 % interval of that."""

    pct: float
    half_pct: float

    @property
    def intervals(self) -> float:
        """How many half intervals the two are apart: below 1 they may be the same."""
        return abs(self.pct) / self.half_pct


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Two boards, the first by name in front.

    ``apart`` has no entry for a figure that one of them does not tell. ``sizes_mm`` is how much more the second has
    in length, width and thickness. ``off_pct`` is how near they are; see the conventions of the module.
    """

    first: str
    second: str
    apart: Mapping[str, Apart] = field(default_factory=dict)
    sizes_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    off_pct: float = 0.0


def nearest_pairs(boards: Sequence[Candidate]) -> tuple[Pair, ...]:
    """Return each board with the one nearest to it, the nearest pair first; two that chose each other stand once.

    Examples
    --------
    >>> figures = dict.fromkeys(ALIKE_IN, Figure(10.0, 9.9, 10.1))
    >>> wide = {"a": 9.0, "b": 20.0, "c": 21.0}
    >>> boards = [Candidate(name=n, figures=figures, sizes_mm=(550.0, mm, 4.0)) for n, mm in wide.items()]
    >>> [(pair.first, pair.second) for pair in nearest_pairs(boards)]
    [('b', 'c'), ('a', 'b')]
    """
    told = sorted((b for b in boards if set(NEEDED) <= set(b.figures)), key=lambda b: b.name)
    if len(told) < 2:
        return ()
    off = _expected_off(told)
    np.fill_diagonal(off, np.inf)
    chosen = {(min(k, j), max(k, j)) for k, j in enumerate(map(int, off.argmin(axis=1)))}
    pairs = [_pair(told[k], told[j], 100.0 * float(off[k, j])) for k, j in chosen]
    return tuple(sorted(pairs, key=lambda pair: (pair.off_pct, pair.first, pair.second)))


def _expected_off(boards: Sequence[Candidate]) -> Floats:
    """Return of all pairs the root mean square of the differences to be expected, of shape (boards, boards)."""
    columns = [_logs([b.figures.get(name) for b in boards]) for name in ALIKE_IN]
    columns += [(np.log([b.sizes_mm[k] for b in boards]), np.zeros(len(boards))) for k in range(3)]
    squares = np.zeros((len(boards), len(boards)))
    for logs, sds in columns:
        known = np.isfinite(logs)
        each = np.subtract.outer(logs, logs) ** 2 + np.add.outer(sds**2, sds**2)
        squares += np.where(np.logical_and.outer(known, known), each, 2.0 * MODULUS_SCATTER**2)
    return np.sqrt(squares / len(columns))


def _logs(figures: Sequence[Figure | None]) -> tuple[Floats, Floats]:
    """Return the logarithms of figures and their standard errors, not a number where one is not told."""
    logs = np.array([math.nan if f is None else math.log(f.value) for f in figures])
    return logs, np.array([math.nan if f is None else _half(f) / Z_95 for f in figures])


def _half(figure: Figure) -> float:
    return 0.5 * math.log(figure.high / figure.low)


def _pair(first: Candidate, second: Candidate, off_pct: float) -> Pair:
    both = [name for name in ALIKE_IN if name in first.figures and name in second.figures]
    length, width, thickness = (b - a for a, b in zip(first.sizes_mm, second.sizes_mm, strict=True))
    return Pair(
        first=first.name,
        second=second.name,
        apart={name: _apart(first.figures[name], second.figures[name]) for name in both},
        sizes_mm=(length, width, thickness),
        off_pct=off_pct,
    )


def _apart(first: Figure, second: Figure) -> Apart:
    half = math.hypot(_half(first), _half(second))
    return Apart(100.0 * (second.value / first.value - 1.0), 100.0 * half)
