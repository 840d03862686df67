"""Turn the taps of two stages, or of two groups of set-ups, into one difference for each mode, with its errors.

Conventions: differences are later minus earlier, in the unit of the priors. Taps are averaged within a recording,
then over the recordings of a set-up, over the set-ups of a point, and over the points that both sides have, each
level with equal weights. The errors are kept apart: what all modes share, what each has of its own, and the set-ups,
which are only counted here (``spread = 1/R1 + 1/R2`` set-ups); how far they shift is
:mod:`tapbatch.compare.moves.mixture`'s to sum over.

*Level.* A harder blow lowers a mode that softens; a nearer phone looks just like a harder blow. So half of the effect
of a difference in level is taken off, and the other half is added to the error, together with that of the slope.

*Room.* One draw for each spot, never for each tap: the variance of ``m`` spots is ``s^2 (1 + 0.2 (m - 1))/m``
(:mod:`tapbatch.compare.spots`). Where two sides were recorded at the same place, the caller takes off beforehand what
cancels (:mod:`tapbatch.compare.same_room`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from tapbatch.compare.moves.priors import Bools, Floats, Priors
from tapbatch.compare.moves.scatter import Cell, Scatter, inflation, learn_scatter
from tapbatch.compare.spots import ALIKE


@dataclass(frozen=True, slots=True, eq=False)
class TapSet:
    """The taps of one recording within one set-up, at one point.

    ``values`` and ``variances`` have shape (taps, modes): readings and the variances of their noise, NaN where a tap
    does not tell a mode. ``levels_db`` (taps,) is the level of each tap, from any reference that all taps share.
    ``room`` (modes,) is the standard deviation that the room adds, or ``None`` where none is heard.
    """

    values: Floats
    variances: Floats
    levels_db: Floats
    setup: int = 0
    point: str = ""
    spot: str = ""
    room: Floats | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Contrast:
    """The difference of each mode between two sides, and its errors, set-ups left out.

    ``change``, ``fixed``, ``later`` and ``dof`` have shape (modes,). ``fixed`` is the own variance that more taps at
    the later side would not reduce, ``later`` that which they would; ``fixed_common`` and ``later_common`` likewise
    for the error that all modes share. ``setups`` and ``taps`` count them at the earlier and the later side.
    ``beside`` is the spread of the set-ups of a reference whose move was taken off.
    """

    change: Floats
    fixed: Floats
    later: Floats
    dof: Floats
    fixed_common: float
    later_common: float
    setups: tuple[int, int]
    taps: tuple[int, int]
    beside: float = 0.0

    @property
    def variance(self) -> Floats:
        """The own variance of each mode, set-ups left out, shape (modes,)."""
        return np.asarray(self.fixed + self.later)

    @property
    def common_variance(self) -> float:
        """The variance that all modes share, set-ups left out."""
        return self.fixed_common + self.later_common

    @property
    def spread(self) -> float:
        """What the variance of one set-up is multiplied with: ``1/R1 + 1/R2``."""
        return 1.0 / self.setups[0] + 1.0 / self.setups[1]

    @property
    def common_spread(self) -> float:
        """The same for the shift that all modes share, with the set-ups of a reference."""
        return self.spread + self.beside

    def with_more_taps(self, taps: int) -> Contrast:
        """Return what the contrast would be with more taps in the set-ups of the later side."""
        share = self.taps[1] / (self.taps[1] + taps)
        return replace(
            self,
            later=self.later * share,
            later_common=self.later_common * share,
            taps=(self.taps[0], self.taps[1] + taps),
        )

    def with_more_setups(self, setups: int) -> Contrast:
        """Return what the contrast would be with more set-ups at the later side, each with as many taps as now."""
        more = self.with_more_taps(round(self.taps[1] * setups / self.setups[1]))
        return replace(more, setups=(self.setups[0], self.setups[1] + setups))


def contrast(before: Sequence[TapSet], after: Sequence[TapSet], priors: Priors) -> Contrast:
    """Return the difference of each mode between two sides.

    Parameters
    ----------
    before, after : sequence of TapSet, at least one each
        The taps of each side, with the same modes in the same order. Each mode is told by at least one tap a side.
    priors : Priors
        Of the quantity.

    Returns
    -------
    Contrast

    Examples
    --------
    >>> from tapbatch.compare.moves.priors import FREQ
    >>> still = TapSet(np.zeros((5, 2)), np.full((5, 2), 0.01), np.zeros(5))
    >>> risen = TapSet(np.full((5, 2), 6.0), np.full((5, 2), 0.01), np.zeros(5))
    >>> contrast([still], [risen], FREQ).change.tolist()
    [6.0, 6.0]
    """
    hardest = max(float(t.levels_db.max()) for t in (*before, *after))
    cells = [[_cell(t, hardest) for t in side] for side in (before, after)]
    scatter = learn_scatter([*cells[0], *cells[1]], priors)
    points = _common_points(before, after)
    sides = [_mean(s, c, points, scatter) for s, c in zip((before, after), cells, strict=True)]
    dx = sides[1].power - sides[0].power
    change = sides[1].mean - sides[0].mean + 0.5 * scatter.slopes * dx
    level = dx**2 * (0.5 * scatter.slope_variances + 0.25 * (scatter.slopes - scatter.slope_typical) ** 2)
    harder = float(np.mean(dx**2)) * (0.5 * scatter.slope_common + 0.25 * scatter.slope_typical**2)
    rooms = _room(before) + _room(after)
    return Contrast(
        change=change,
        fixed=sides[0].variance + level + rooms,
        later=sides[1].variance,
        dof=_dof(sides, scatter, level + rooms),
        fixed_common=sides[0].common + harder,
        later_common=sides[1].common,
        setups=(len({t.setup for t in before}), len({t.setup for t in after})),
        taps=(sum(len(t.values) for t in before), sum(len(t.values) for t in after)),
    )


def _dof(sides: Sequence[_Side], scatter: Scatter, known: Floats) -> Floats:
    """Return the degrees of freedom of the own variances: of the scatter and of the wandering; the rest is known."""
    by_taps = sides[0].variance + sides[1].variance
    doubt = 1.0 / scatter.dof + 0.5 * max(sides[0].doubt, sides[1].doubt)
    return np.asarray(((by_taps + known) / np.maximum(by_taps, 1e-12)) ** 2 / np.maximum(doubt, 1e-6))


@dataclass(frozen=True, slots=True)
class _Side:
    mean: Floats
    variance: Floats
    common: float
    power: Floats
    doubt: float


def _cell(taps: TapSet, hardest_db: float) -> Cell:
    return Cell(taps.values, taps.variances, 10.0 ** ((taps.levels_db - hardest_db) / 10.0))


def _told(taps: TapSet) -> Bools:
    return np.asarray(np.isfinite(taps.values).any(axis=0))


def _common_points(before: Sequence[TapSet], after: Sequence[TapSet]) -> dict[str, Bools]:
    """Return, by point, the modes that count there: those told on both sides; all told modes where none is."""
    names = sorted({t.point for t in (*before, *after)})
    nothing = np.zeros(before[0].values.shape[1], dtype=bool)
    told = [
        {p: np.any([nothing, *(_told(t) for t in side if t.point == p)], axis=0) for p in names}
        for side in (before, after)
    ]
    both = {p: told[0][p] & told[1][p] for p in names}
    anywhere = np.any(list(both.values()), axis=0)
    return {p: np.where(anywhere, both[p], told[0][p] | told[1][p]) for p in names}


def _mean(side: Sequence[TapSet], cells: Sequence[Cell], points: dict[str, Bools], scatter: Scatter) -> _Side:
    """Return the mean of each mode over a side, its own variance, the common one, and the power of its taps."""
    shares = _shares(side, points)
    modes = shares.shape[1]
    mean, variance, power, common, doubt = np.zeros(modes), np.zeros(modes), np.zeros(modes), 0.0, 0.0
    for cell, share in zip(cells, shares, strict=True):
        told = np.isfinite(cell.values)
        weights = np.where(told, 1.0 / (scatter.own + np.where(told, cell.variances, 1.0)), 0.0)
        total = np.maximum(weights.sum(axis=0), 1e-12)
        x = (weights * cell.powers[:, None]).sum(axis=0) / total
        level = np.nan_to_num(cell.values) + scatter.slopes * (cell.powers[:, None] - x)
        mean += share * (weights * level).sum(axis=0) / total
        power += share * x
        inflations = _inflations(len(cell.values))
        grown = inflations @ scatter.rho
        variance += np.where(share > 0, share**2 * grown[told.sum(axis=0)] / total, 0.0)
        common += float(share.mean()) ** 2 * grown[-1] * scatter.common / len(cell.values)
        # The relative variance of what wandering adds is like that of a variance with 2/doubt degrees of freedom.
        spread = float(scatter.rho @ (inflations[-1] - grown[-1]) ** 2)
        doubt = max(doubt, spread / grown[-1] ** 2)
    return _Side(mean, variance, common, power, doubt)


@lru_cache(maxsize=64)
def _inflations(most: int) -> Floats:
    """Return the inflation of the mean of 0 to ``most`` taps, shape (most + 1, 5)."""
    return np.array([inflation(n) for n in range(most + 1)])


def _shares(side: Sequence[TapSet], points: dict[str, Bools]) -> Floats:
    """Return the weight of each recording in the mean of each mode, (recordings, modes); columns add up to 1."""
    told = np.array([_told(t) & points[t.point] for t in side], dtype=np.float64)
    recordings, setups, at = np.ones_like(told), np.ones_like(told), np.zeros_like(told)
    for i, one in enumerate(side):
        here = [j for j, t in enumerate(side) if (t.point, t.setup) == (one.point, one.setup)]
        recordings[i] = told[here].sum(axis=0)
        at_point = [told[[j for j, t in enumerate(side) if (t.point, t.setup) == (one.point, s)]].any(axis=0)
                    for s in sorted({t.setup for t in side if t.point == one.point})]  # fmt: skip
        setups[i] = np.sum(at_point, axis=0)
    for point in points:
        here = [j for j, t in enumerate(side) if t.point == point]
        at += told[here].any(axis=0) if here else 0.0
    return np.asarray(told / np.maximum(recordings * setups * at, 1.0))


def _room(side: Sequence[TapSet]) -> Floats | float:
    rooms = {t.spot: t.room for t in side if t.room is not None}
    if not rooms:
        return 0.0
    count = len({t.spot for t in side})
    return np.asarray(np.mean([r**2 for r in rooms.values()], axis=0) * (1.0 + ALIKE * (count - 1)) / count)
