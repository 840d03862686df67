"""What it costs to take a mode of one stage for a mode of a later one, for gone, for new, or for two read as one.

Conventions: costs are negative logarithms of likelihoods. Moves are in cents, decays are ``ln T60``, levels in dB
relative to the lead, by point where the points are known. Rows are modes as they were last seen (:class:`Line`),
columns the modes of the later stage.

The cost of a pair sums three parts, each from Student's t distributions:

- The move, with 2 degrees of freedom: most moves are small, but one mode may well move a semitone when its brace is
  cut. Their scale is not fixed. First a move common to all modes is estimated (a new string tension, a damp week),
  then the scale from the moves that remain, between 8 and 40 cents; it is wider where the state differs (free,
  closed, strung). A mode that moved no further than a set-up does most likely stood still: that is up to
  one and a half times as likely as a move. So of two that cross, the one that stood keeps its name.
- The decay, with 4 degrees: 15 % and the errors.
- The level, with 4 degrees and 5 dB: half of its variance (in dB squared) is common to all points, half is each
  point's own, so a mode is also known by where it is strong. A change common to all modes means that the lead
  changed, and is taken out first.

To fade or to be new costs less where the mode could not have been heard at the other stage: within a width of a
stronger one nothing weaker is. Two modes within a width of one another may be one that
was read as two, or two that were one line at the other stage. Then their mean, weighted by energy, is compared. One
line became two only if that mean stands where the line was; two that became one may have moved as well.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from statistics import fmean

import numpy as np
from numpy.typing import NDArray

from tapbatch.compare.absence import hidden_db
from tapbatch.compare.matchings import FORBIDDEN, WINDOWS, Costs, Merge, assign
from tapbatch.model.pitch import CENTS
from tapbatch.model.reading import LN_1000

Floats = NDArray[np.float64]

SCALE_CENTS = (8.0, 40.0)
SCALE_ACROSS_STATES_CENTS = (40.0, 120.0)
SCALE_LOG_T60 = 0.15
SCALE_LEVEL_DB = 5.0
FARTHEST_CENTS = 250.0
FARTHEST_ACROSS_STATES_CENTS = 600.0
FEWEST_IN_COMMON = 4
STANDING = 1.5
"""How many times likelier it is that a mode stood still than that it moved, at no move and no error."""

STANDING_CENTS = 1.5  # what two set-ups leave between the own places of a mode
COST_OF_STAYING_AWAY = 0.5
COST_OF_ABSENCE = 6.0
COST_OF_HIDING = 4.5
DB_OF_HIDING = 10.0
"""Over so many dB above what a neighbour hides, the cost grows from that of hiding to that of absence."""

COST_OF_MERGING = 4.0
COST_OF_A_FALSE_ONE = 5.5
MERGED_WIDTHS = 0.3  # two that lie nearer are read as one
MERGING_WIDTHS = 1.0  # one is not read as two that are further apart


@dataclass(slots=True)
class Line:
    """A mode as it was last seen; ``away`` is the number of stages since then, ``levels_db`` goes by point, if known.

    ``t60_s`` is ``None`` if the decay is not known.
    """

    cents: float
    cents_se: float
    t60_s: float | None
    log_t60_se: float
    level_db: float
    levels_db: Mapping[str, float] = field(default_factory=dict)
    away: int = 0

    @property
    def log_t60(self) -> float:
        """The logarithm of the decay, 0 if it is not known: then its error is so large that it does not matter."""
        return 0.0 if self.t60_s is None else math.log(self.t60_s)

    @property
    def freq_hz(self) -> float:
        """The frequency."""
        return math.exp(self.cents / CENTS)


@dataclass(frozen=True, slots=True)
class Common:
    """The change common to all modes from one stage to the next, and the scale of the remaining moves."""

    cents: float
    levels_db: Mapping[str, float]
    scale_cents: float

    @property
    def level_db(self) -> float:
        """The mean change of level over the points."""
        return fmean(self.levels_db.values()) if self.levels_db else 0.0


class Differences:
    """How each remembered mode (row) differs from each mode of the stage (column)."""

    def __init__(self, lines: Sequence[Line], seen: Sequence[Line], across_states: bool) -> None:
        self.lines, self.seen = lines, seen
        self.across_states = across_states
        self.bounds = SCALE_ACROSS_STATES_CENTS if across_states else SCALE_CENTS
        self.farthest = FARTHEST_ACROSS_STATES_CENTS if across_states else FARTHEST_CENTS
        self.standing = 0.0 if across_states else STANDING
        self.move = _outer(lines, seen, "cents")
        self.move_variance = _variances(lines, seen, "cents_se")
        # A mode that was not seen for some stages may have moved at each of them.
        self.stages = np.array([1.0 + line.away for line in lines])[:, None]
        t60_variance = SCALE_LOG_T60**2 + _variances(lines, seen, "log_t60_se")
        self.decay_cost = _t_cost(_outer(lines, seen, "log_t60") ** 2 / t60_variance, 4.0)
        self.points, self.levels = _levels(lines, seen)
        self.known = ~np.isnan(self.levels)
        self.heard_at = np.maximum(self.known.sum(axis=0), 1)

    def costs(self, common: Common) -> Costs:
        """Return the cost of each link, of fading and of being new, given the change common to all modes."""
        return Costs(self.links(common), *_absence(self.lines, self.seen, common))

    def links(self, common: Common) -> Floats:
        """Return the cost of each link, given the change common to all modes."""
        move = self.move - common.cents
        moved = _t_cost(move**2 / (common.scale_cents**2 * self.stages + self.move_variance), 2.0)
        cost = moved - np.log1p(self._stood(move) * np.exp(moved)) + self.decay_cost + self._level_cost(common)
        return np.where(np.abs(move) > self.farthest, FORBIDDEN, cost)

    def links_standing(self, common: Common) -> Floats:
        """Return the cost of each link if the mode stood still."""
        stood = np.maximum(self._stood(self.move - common.cents), 1e-300)
        return np.asarray(self.decay_cost + self._level_cost(common) - np.log(stood))

    def _stood(self, move: Floats) -> Floats:
        """Return the likelihood of a move if the mode stood still, over that of no move if it moved."""
        variance = STANDING_CENTS**2 + self.move_variance
        return np.asarray(self.standing * STANDING_CENTS / np.sqrt(variance) * np.exp(-0.5 * move**2 / variance))

    def _level_cost(self, common: Common) -> Floats:
        """Return the cost of the levels at all points: their mean, and how the points differ from it."""
        own = 0.5 * SCALE_LEVEL_DB**2
        shared = np.array([common.levels_db.get(p, 0.0) for p in self.points])[:, None, None]
        change = np.where(self.known, self.levels - shared, 0.0)
        mean = change.sum(axis=0) / self.heard_at
        about = np.where(self.known, change - mean, 0.0)
        squares = mean**2 / (own + own / self.heard_at) + (about**2).sum(axis=0) / own
        return np.asarray(0.5 * (4.0 + self.heard_at) * np.log1p(squares / 4.0))

    def common_levels(self, pairs: Sequence[tuple[int, int]]) -> dict[str, float]:
        """Return the change of level that linked modes share, by point."""
        found = {}
        for point, change, known in zip(self.points, self.levels, self.known, strict=True):
            changes = [float(change[pair]) for pair in pairs if known[pair]]
            found[point] = float(np.median(changes)) if changes else 0.0
        return found

    def merges(self, common: Common) -> list[Merge]:
        """Return the ways in which one mode may have been read as two, or two as one."""
        found = []
        for pair in _near(self.seen):
            one = _as_one([self.seen[c] for c in pair])
            more = _cost_of_parting([self.seen[c] for c in pair], common)
            links = self._of_one(self.lines, [one]).links_standing(common)
            found += [Merge((r,), pair, float(c) + more) for r, c in enumerate(links.ravel())]
        for pair in _near(self.lines):
            one = _as_one([self.lines[r] for r in pair])
            more = _cost_of_parting([self.lines[r] for r in pair], common)
            links = self._of_one([one], self.seen).links(common)
            found += [Merge(pair, (c,), float(r) + more) for c, r in enumerate(links.ravel())]
        # Beyond this even three modes that fade or are new would be a thousand times likelier.
        return [m for m in found if m.cost < 3.0 * COST_OF_ABSENCE + WINDOWS[0]]

    def _of_one(self, lines: Sequence[Line], seen: Sequence[Line]) -> Differences:
        """Return the differences of other lines between the same two stages."""
        return Differences(lines, seen, self.across_states)


def common_of(differences: Differences) -> Common:
    """Return the change common to all modes and the scale of the remaining moves; the usual if too few modes pair."""
    bounds = differences.bounds
    start = Common(0.0, {}, math.sqrt(bounds[0] * bounds[1]))
    if len(differences.seen) < FEWEST_IN_COMMON:
        return start
    best_cost, best = math.inf, start
    usual = differences.costs(start)
    for candidate in sorted(np.arange(-120.0, 121.0, 20.0).tolist(), key=abs):
        trial = Common(candidate, start.levels_db, start.scale_cents)
        # The larger a common move, the less likely it is. Without this, a whole row of modes may shift by one.
        prior = float(_t_cost(np.array((candidate / 20.0) ** 2), 2.0))
        cost = assign(replace(usual, link=differences.links(trial)))[1] + prior
        if cost < best_cost:
            best_cost, best = cost, trial
    chosen, _ = assign(replace(usual, link=differences.links(best)))
    pairs = [(i, j) for j, i in enumerate(chosen) if i is not None]
    if len(pairs) < FEWEST_IN_COMMON:
        return start
    moves = np.array([differences.move[pair] for pair in pairs])
    centre = float(np.median(moves))
    spread = 1.4826 * float(np.median(np.abs(moves - centre)))
    return Common(centre, differences.common_levels(pairs), min(max(spread, bounds[0]), bounds[1]))


# ------------------------------------------------------------ the parts


def _outer(lines: Sequence[Line], seen: Sequence[Line], name: str) -> Floats:
    after = np.array([getattr(s, name) for s in seen], dtype=np.float64)
    before = np.array([getattr(t, name) for t in lines], dtype=np.float64)
    return np.asarray(after[None, :] - before[:, None])


def _variances(lines: Sequence[Line], seen: Sequence[Line], name: str) -> Floats:
    after = np.array([getattr(s, name) for s in seen], dtype=np.float64)
    before = np.array([getattr(t, name) for t in lines], dtype=np.float64)
    return np.asarray(after[None, :] ** 2 + before[:, None] ** 2)


def _t_cost(squares: Floats, dof: float) -> Floats:
    return np.asarray(0.5 * (dof + 1.0) * np.log1p(squares / dof))


def _levels(lines: Sequence[Line], seen: Sequence[Line]) -> tuple[list[str], Floats]:
    """Return the points, and the change of level at each, shape (points, rows, columns), NaN where it is not known.

    Without a common point the levels of the stages are all there is; they stand under an empty name.
    """
    named = sorted({p for line in lines for p in line.levels_db} & {p for line in seen for p in line.levels_db})
    if not named:
        return [""], _outer(lines, seen, "level_db")[None]
    return named, np.stack([_outer_at(lines, seen, p) for p in named])


def _outer_at(lines: Sequence[Line], seen: Sequence[Line], point: str) -> Floats:
    before, after = ([line.levels_db.get(point, math.nan) for line in side] for side in (lines, seen))
    return np.asarray(np.array(after)[None, :] - np.array(before)[:, None])


def _absence(lines: Sequence[Line], seen: Sequence[Line], common: Common) -> tuple[Floats, Floats]:
    """Return the costs of fading and of being new, by how far above what can be heard the other stage would be."""
    fading = [
        COST_OF_STAYING_AWAY if line.away else _cost_of_absence(line, seen, common.cents, common.level_db)
        for line in lines
    ]
    present = [line for line in lines if not line.away]
    new = [_cost_of_absence(s, present, -common.cents, -common.level_db) for s in seen]
    return np.array(fading), np.array(new)


def _cost_of_absence(line: Line, others: Sequence[Line], cents: float, level_db: float) -> float:
    known = [(o.freq_hz, o.t60_s, o.level_db) for o in others if o.t60_s is not None]
    if line.t60_s is None or not known:
        return COST_OF_ABSENCE
    freqs_hz, t60s_s, levels_db = zip(*known, strict=True)
    under_db = hidden_db(freqs_hz, t60s_s, levels_db, line.freq_hz * math.exp(cents / CENTS), line.t60_s)
    above = min(max((line.level_db + level_db - under_db) / DB_OF_HIDING, 0.0), 1.0)
    return COST_OF_HIDING + (COST_OF_ABSENCE - COST_OF_HIDING) * above


# ------------------------------------------------------------ two as one


def _near(lines: Sequence[Line]) -> list[tuple[int, int]]:
    """Return the pairs that lie so near one another that they may be one."""
    known = [i for i, line in enumerate(lines) if line.t60_s is not None and not line.away]
    return [(i, j) for i, j in combinations(known, 2) if _widths(lines[i], lines[j]) < MERGING_WIDTHS]


def _widths(a: Line, b: Line) -> float:
    width_hz = 0.5 * LN_1000 / math.pi * (1.0 / (a.t60_s or math.inf) + 1.0 / (b.t60_s or math.inf))
    return abs(a.freq_hz - b.freq_hz) / width_hz


def _as_one(pair: Sequence[Line]) -> Line:
    """Return two lines as they would be read as one: the mean of both weighted by energy, and the sum of energies."""
    power = [10.0 ** (line.level_db / 10.0) for line in pair]
    share = [p / sum(power) for p in power]
    points = set(pair[0].levels_db) & set(pair[1].levels_db)
    return Line(
        cents=sum(s * line.cents for s, line in zip(share, pair, strict=True)),
        cents_se=math.hypot(*(s * line.cents_se for s, line in zip(share, pair, strict=True))),
        t60_s=math.exp(sum(s * line.log_t60 for s, line in zip(share, pair, strict=True))),
        log_t60_se=max(line.log_t60_se for line in pair),
        level_db=10.0 * math.log10(sum(power)),
        levels_db={p: 10.0 * math.log10(sum(10.0 ** (line.levels_db[p] / 10.0) for line in pair)) for p in points},
    )


def _cost_of_parting(pair: Sequence[Line], common: Common) -> float:
    """Return what it costs that two lines were one at the other stage: near enough to be read so, or one is false."""
    a, b = pair
    # They must have been nearer than now, when they are told apart.
    least = max(1.0 - MERGED_WIDTHS / max(_widths(a, b), 1e-9), 0.5)
    parted = least * (a.cents - b.cents) / (math.sqrt(2.0) * common.scale_cents)
    near = COST_OF_MERGING + float(_t_cost(np.array(parted**2), 2.0))
    return -math.log(math.exp(-near) + math.exp(-COST_OF_A_FALSE_ONE))
