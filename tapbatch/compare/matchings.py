"""How sure a matching of modes between two stages is: exact chances over all matchings of each neighbourhood.

Conventions: rows are the modes remembered, columns those of the later stage; costs are negative logarithms of
likelihoods. A mode that is remembered is linked to one of the later stage or fades, at its own cost; one of the later
stage that no link reaches is new, at its own cost. A :class:`Merge` explains one mode by two or two by one.

A neighbourhood is what plausible links hold together. A link is plausible if the best matching that has it costs at
most 7 more than the best of all (a thousandth as likely), less where that would hold too many together. That excess
is exact for all links at once: with the best matching at hand it is the shortest way round, by Floyd and Warshall
(Communications of the ACM 5, 345, 1962). Within a neighbourhood the sum over all matchings goes mode by mode, forward
and backward, over the sets of modes in use.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
State = tuple[int, int]

FORBIDDEN = 1e6
WINDOWS = (7.0, 5.0, 3.5, 2.5, 1.5)
_LARGEST = 8
_NEGLIGIBLE = 1e-12


@dataclass(frozen=True, slots=True)
class Costs:
    """The costs of links, shape (rows, columns), of fading (rows,) and of being new (columns,)."""

    link: Floats
    fading: Floats
    new: Floats


@dataclass(frozen=True, slots=True)
class Merge:
    """One mode read as two, or two as one: the rows and the columns it explains, and its cost."""

    rows: tuple[int, ...]
    columns: tuple[int, ...]
    cost: float


@dataclass(frozen=True, slots=True)
class _Option:
    """A way to explain a row, maybe together with another: masks of rows and columns, and its weight."""

    rows: int
    columns: int
    weight: float
    link: tuple[int, int] | None


def assign(costs: Costs) -> tuple[list[int | None], float]:
    """Return the row linked to each column (``None`` if new) where the sum of costs is smallest, and that sum.

    Examples
    --------
    >>> assign(Costs(np.array([[1.0, 9.0], [2.0, 9.0]]), np.array([5.0, 5.0]), np.array([5.0, 2.0])))
    ([0, None], 8.0)
    """
    from scipy.optimize import linear_sum_assignment

    square = _square(costs)
    rows, columns = costs.link.shape
    row, column = linear_sum_assignment(square)
    chosen: list[int | None] = [None] * columns
    for r, c in zip(row.tolist(), column.tolist(), strict=True):
        if c < columns and r < rows:
            chosen[c] = r
    return chosen, float(square[row, column].sum())


def excesses(costs: Costs) -> Floats:
    """Return by how much the best matching with each link costs more than the best of all, shape (rows, columns).

    Examples
    --------
    >>> excesses(Costs(np.array([[1.0, 4.0], [2.0, 9.0]]), np.array([5.0, 5.0]), np.array([5.0, 2.0]))).tolist()
    [[2.0, 0.0], [0.0, 4.0]]
    """
    from scipy.optimize import linear_sum_assignment

    square = _square(costs)
    _, column = linear_sum_assignment(square)
    # What row a pays more if it takes the column of row b, and then the cheapest way for the others to make room.
    step = square[:, column] - np.diagonal(square[:, column])[:, None]
    way = step.copy()
    for k in range(len(way)):
        np.minimum(way, way[:, k, None] + way[None, k], out=way)
    found = np.empty_like(square)
    found[:, column] = np.where(np.eye(len(way), dtype=bool), 0.0, step + way.T)
    rows, columns = costs.link.shape
    return np.maximum(found[:rows, :columns], 0.0)


def chances(costs: Costs, merges: Sequence[Merge] = ()) -> tuple[Floats, Floats]:
    """Return the chance of each link, shape (rows, columns), and of each column to be new, shape (columns,).

    What is missing to 1 in a column is the chance of merges.

    Examples
    --------
    >>> two = Costs(np.array([[0.0, 0.0], [0.0, 0.0]]), np.array([9.0, 9.0]), np.array([9.0, 9.0]))
    >>> chances(two)[0].round(2).tolist()
    [[0.5, 0.5], [0.5, 0.5]]
    """
    link, new = np.zeros(costs.link.shape), np.ones(costs.link.shape[1])
    found_at, beyond = excesses(costs), [_excess(costs, m) for m in merges]
    for window in WINDOWS:
        plausible = found_at <= window
        held = [m for m, excess in zip(merges, beyond, strict=True) if excess <= window]
        parts = _neighbourhoods(plausible, held)
        if all(min(len(r), len(c)) <= _LARGEST for r, c in parts):
            break
    for rows, columns in parts:
        if len(rows) == len(columns) == 1 and not math.isclose(costs.link[rows[0], columns[0]], FORBIDDEN):
            r, c = rows[0], columns[0]
            gain = costs.fading[r] + costs.new[c] - costs.link[r, c]
            link[r, c] = 1.0 / (1.0 + math.exp(-gain))
            new[c] = 1.0 - link[r, c]
            continue
        found, free = _sum(rows, columns, costs, plausible, held)
        for (r, c), chance in found.items():
            link[r, c] = chance
        new[columns] = free
    return link, new


def _square(costs: Costs) -> Floats:
    rows, columns = costs.link.shape
    square = np.full((rows + columns, columns + rows), FORBIDDEN)
    square[:rows, :columns] = costs.link
    square[range(rows), range(columns, columns + rows)] = costs.fading
    square[range(rows, rows + columns), range(columns)] = costs.new
    square[rows:, columns:] = 0.0
    return square


def _excess(costs: Costs, merge: Merge) -> float:
    rest = Costs(
        np.delete(np.delete(costs.link, merge.rows, axis=0), merge.columns, axis=1),
        np.delete(costs.fading, merge.rows),
        np.delete(costs.new, merge.columns),
    )
    return merge.cost + assign(rest)[1] - assign(costs)[1]


def _neighbourhoods(plausible: NDArray[np.bool_], merges: Sequence[Merge]) -> list[tuple[list[int], list[int]]]:
    rows, columns = plausible.shape
    joined = np.zeros((rows + columns, rows + columns), dtype=bool)
    joined[:rows, rows:] = plausible
    for merge in merges:
        nodes = [*merge.rows, *(rows + c for c in merge.columns)]
        joined[np.ix_(nodes, nodes)] = True
    joined |= joined.T
    left, found = set(range(rows + columns)), []
    while left:
        reached, border = set(), {min(left)}
        while border:
            reached |= border
            border = {int(n) for b in border for n in np.flatnonzero(joined[b])} - reached
        left -= reached
        inside = sorted(reached)
        found.append(([n for n in inside if n < rows], [n - rows for n in inside if n >= rows]))
    return [(r, c) for r, c in found if r and c]


def _sum(
    rows: Sequence[int], columns: Sequence[int], costs: Costs, plausible: NDArray[np.bool_], merges: Sequence[Merge]
) -> tuple[Mapping[tuple[int, int], float], Floats]:
    """Return the chance of each plausible link of a neighbourhood, and of each of its columns to be new."""
    steps = _options(rows, columns, costs, plausible, merges)
    forward: list[dict[State, float]] = [{(0, 0): 1.0}]
    for n, options in enumerate(steps):
        after: dict[State, float] = defaultdict(float)
        for state, weight in forward[-1].items():
            for option, then in _steps(state, n, options):
                after[then] += weight * option.weight
        most = max(after.values())
        forward.append({s: w for s, w in after.items() if w > _NEGLIGIBLE * most})
    backward: dict[State, float] = dict.fromkeys(forward[-1], 1.0)
    total = sum(forward[-1].values())
    free = np.zeros(len(columns))
    for (_, used), weight in forward[-1].items():
        free += [0.0 if used >> c & 1 else weight / total for c in range(len(columns))]
    found: dict[tuple[int, int], float] = defaultdict(float)
    for n in range(len(steps) - 1, -1, -1):
        before: dict[State, float] = defaultdict(float)
        for state, weight in forward[n].items():
            for option, then in _steps(state, n, steps[n]):
                rest = option.weight * backward.get(then, 0.0)
                before[state] += rest
                if option.link is not None:
                    found[option.link] += weight * rest / total
        backward = before
    return found, free


_PASSED = _Option(0, 0, 1.0, None)


def _steps(state: State, row: int, options: Iterable[_Option]) -> Iterable[tuple[_Option, State]]:
    rows, columns = state
    if rows >> row & 1:
        # A merge with an earlier row has explained this one.
        yield _PASSED, (rows & ~(1 << row), columns)
        return
    for option in options:
        if not option.columns & columns and not option.rows & rows:
            yield option, (rows | option.rows, columns | option.columns)


def _options(
    rows: Sequence[int], columns: Sequence[int], costs: Costs, plausible: NDArray[np.bool_], merges: Sequence[Merge]
) -> list[list[_Option]]:
    """Return the ways to explain each row, with weights relative to a mode that fades and modes that are new."""
    row_at, column_at = {r: n for n, r in enumerate(rows)}, {c: n for n, c in enumerate(columns)}
    steps = []
    for r in rows:
        options = [_Option(0, 0, 1.0, None)]
        for c in columns:
            if plausible[r, c]:
                gain = costs.fading[r] + costs.new[c] - costs.link[r, c]
                options.append(_Option(0, 1 << column_at[c], math.exp(gain), (r, c)))
        for merge in merges:
            if merge.rows[0] == r:
                gain = float(costs.fading[list(merge.rows)].sum() + costs.new[list(merge.columns)].sum()) - merge.cost
                others = sum(1 << row_at[o] for o in merge.rows[1:])
                options.append(_Option(others, sum(1 << column_at[c] for c in merge.columns), math.exp(gain), None))
        steps.append(options)
    return steps
