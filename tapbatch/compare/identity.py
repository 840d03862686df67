"""Match the modes of each stage to the modes of the stages before.

Conventions: moves are in cents, decays are ``ln T60``, levels are in dB relative to the lead. Each mode found so far
is remembered as it was last seen. At every stage, all remembered modes are assigned to all modes of the stage
together, so that the sum of costs is smallest (the assignment problem). A mode may fade, come back, or be new, each
at its own cost.

The cost of a pair is the negative log density of three Student's t distributions, summed. The distribution of the
move has 2 degrees of freedom: most moves are small, but one mode may well move a semitone when its brace is cut. The
ones for the changes of decay and level have 4. Their scales cover measurement errors and the effect of work on the
instrument: 15 % of decay, 5 dB of level. The scale of the moves is not fixed. First a move common to all
modes is estimated (a new string tension, a damp week). Then the scale is estimated from the remaining moves, between
8 and 40 cents; it is wider where the state differs (free, closed, strung). A change of level common to all modes
means that the lead changed, and is removed in the same way. Decay and level distinguish two modes that cross.

An identity is doubtful where the best assignment without it costs less than 2 more (odds under about seven to one).
The method fails where two modes of similar decay and level cross between two stages: nothing in the sound then
distinguishes them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapbatch.compare.random_effects import CENTS
from tapbatch.model.history import StageMode
from tapbatch.model.settings import ModeSetting

Floats = NDArray[np.float64]

SCALE_CENTS = (8.0, 40.0)
SCALE_ACROSS_STATES_CENTS = (40.0, 120.0)
SCALE_LOG_T60 = 0.15
SCALE_LEVEL_DB = 5.0
UNKNOWN_LOG_T60 = 10.0  # standard error of an unknown decay, which then neither joins nor parts two modes
FARTHEST_CENTS = 250.0
FARTHEST_ACROSS_STATES_CENTS = 600.0
COST_OF_FADING = 5.0
COST_OF_STAYING_AWAY = 0.5
COST_OF_BEING_NEW = 5.0
DOUBT = 2.0
FEWEST_IN_COMMON = 4
LABEL_REACH_CENTS = 100.0
FORBIDDEN = 1e6


@dataclass(frozen=True, slots=True)
class Named:
    """The identity of a mode at a stage, and whether it is doubtful."""

    name: str
    doubtful: bool


@dataclass(slots=True)
class _Track:
    """A mode as it was last seen; ``away`` is the number of stages since then."""

    cents: float
    cents_se: float
    log_t60: float
    log_t60_se: float
    level_db: float
    away: int = 0


@dataclass(frozen=True, slots=True)
class _Common:
    """The change common to all modes from one stage to the next, and the scale of the remaining moves."""

    cents: float
    level_db: float
    scale_cents: float


def name_modes(
    stages: Sequence[Sequence[StageMode]],
    states: Sequence[str],
    labels: Sequence[ModeSetting],
    first: int | None = None,
) -> tuple[tuple[Named, ...], ...]:
    """Return the identity of each mode at each stage of one part.

    Parameters
    ----------
    stages : sequence of sequences of StageMode
        The modes of each stage, in order; stages without modes are skipped.
    states : sequence of str, as long as ``stages``
        How the part was held at each stage.
    labels : sequence of ModeSetting
        The builder's labels for this part. Each label is given to the identity that comes nearest to ``near_hz`` at
        any stage, within a semitone, and then applies at every stage. Two labels are never given to one identity.
    first : int, optional
        The number of stages, from the first on, that are asked before all others for what fits a label; by default
        all are asked together.

    Returns
    -------
    tuple of tuples of Named
        In the order of ``stages``. Modes without a label are named ``r1``, ``r2``, ... in the order they first
        appear, and by frequency within a stage. The number of a labelled mode is not used again, so adding a label
        renames no other mode.

    Examples
    --------
    >>> name_modes([], [], [])
    ()
    """
    chains, doubts = _chains(stages, states)
    names = _names(chains, stages, labels, first)
    return tuple(
        tuple(Named(names[c], d) for c, d in zip(chain, doubt, strict=True))
        for chain, doubt in zip(chains, doubts, strict=True)
    )


def _chains(stages: Sequence[Sequence[StageMode]], states: Sequence[str]) -> tuple[list[list[int]], list[list[bool]]]:
    tracks: list[_Track] = []
    chains: list[list[int]] = []
    doubts: list[list[bool]] = []
    before = ""
    for modes, state in zip(stages, states, strict=True):
        seen = [_track_of(m) for m in modes]
        # With fewer than two sets of modes there is nothing to decide.
        chosen, doubtful, common = _linked(tracks, seen, state != before) if tracks and seen else _all_new(seen)
        chains.append([])
        for track in tracks:
            track.away += bool(seen)
            track.cents += common.cents
            track.level_db += common.level_db
        for mode, index in zip(seen, chosen, strict=True):
            if index is None:
                tracks.append(mode)
            else:
                tracks[index] = mode
            chains[-1].append(len(tracks) - 1 if index is None else index)
        doubts.append(doubtful)
        before = state if seen else before
    return chains, doubts


def _all_new(seen: Sequence[_Track]) -> tuple[list[int | None], list[bool], _Common]:
    return [None] * len(seen), [False] * len(seen), _Common(0.0, 0.0, 0.0)


def _track_of(mode: StageMode) -> _Track:
    # For two taps the interval may include a factor of 12.7. The standard error is enough to recognise a mode.
    cents_se = math.hypot(mode.within_cents, mode.between_cents) / math.sqrt(mode.taps)
    cents = CENTS * math.log(mode.freq_hz)
    if mode.t60_s is None or mode.t60_low_s is None or mode.t60_high_s is None:
        return _Track(cents, cents_se, 0.0, UNKNOWN_LOG_T60, mode.level_db)
    log_t60_se = min(math.log(mode.t60_high_s / mode.t60_low_s) / 4.0, 0.5)
    return _Track(cents, cents_se, math.log(mode.t60_s), log_t60_se, mode.level_db)


# ------------------------------------------------------------ assigning


def _linked(
    tracks: Sequence[_Track], seen: Sequence[_Track], across_states: bool
) -> tuple[list[int | None], list[bool], _Common]:
    bounds = SCALE_ACROSS_STATES_CENTS if across_states else SCALE_CENTS
    farthest = FARTHEST_ACROSS_STATES_CENTS if across_states else FARTHEST_CENTS
    differences = _Differences(tracks, seen, farthest)
    common = _Common(0.0, 0.0, math.sqrt(bounds[0] * bounds[1]))
    if len(seen) >= FEWEST_IN_COMMON:
        common = _in_common(differences, common, bounds)
    costs = differences.costs(common)
    chosen, total = _assign(costs, differences.fading)
    doubtful = [_is_doubtful(costs, differences.fading, chosen, total, mode) for mode in range(len(seen))]
    return chosen, doubtful, common


class _Differences:
    """How each remembered mode (row) differs from each mode of the stage (column)."""

    def __init__(self, tracks: Sequence[_Track], seen: Sequence[_Track], farthest: float) -> None:
        self.move = _outer(tracks, seen, "cents")
        self.move_variance = _variances(tracks, seen, "cents_se")
        # A mode that was not seen for some stages may have moved at each of them.
        self.stages = np.array([1.0 + t.away for t in tracks])[:, None]
        self.fading = np.array([COST_OF_STAYING_AWAY if t.away else COST_OF_FADING for t in tracks])
        self.farthest = farthest
        self.level = _outer(tracks, seen, "level_db")
        t60_variance = SCALE_LOG_T60**2 + _variances(tracks, seen, "log_t60_se")
        self.decay_cost = _t_cost(_outer(tracks, seen, "log_t60") ** 2 / t60_variance, 4.0)

    def costs(self, common: _Common) -> Floats:
        """Return the cost of each pair, given the change common to all modes."""
        move = self.move - common.cents
        variance = common.scale_cents**2 * self.stages + self.move_variance
        level_cost = _t_cost(((self.level - common.level_db) / SCALE_LEVEL_DB) ** 2, 4.0)
        cost = _t_cost(move**2 / variance, 2.0) + self.decay_cost + level_cost
        return np.where(np.abs(move) > self.farthest, FORBIDDEN, cost)


def _outer(tracks: Sequence[_Track], seen: Sequence[_Track], name: str) -> Floats:
    after = np.array([getattr(s, name) for s in seen], dtype=np.float64)
    before = np.array([getattr(t, name) for t in tracks], dtype=np.float64)
    return np.asarray(after[None, :] - before[:, None])


def _variances(tracks: Sequence[_Track], seen: Sequence[_Track], name: str) -> Floats:
    after = np.array([getattr(s, name) for s in seen], dtype=np.float64)
    before = np.array([getattr(t, name) for t in tracks], dtype=np.float64)
    return np.asarray(after[None, :] ** 2 + before[:, None] ** 2)


def _t_cost(squares: Floats, dof: float) -> Floats:
    return np.asarray(0.5 * (dof + 1.0) * np.log1p(squares / dof))


def _in_common(differences: _Differences, start: _Common, bounds: tuple[float, float]) -> _Common:
    """Return the change common to all modes and the scale of the remaining moves; ``start`` if too few modes pair."""
    best_cost, best = math.inf, start
    for candidate in sorted(np.arange(-120.0, 121.0, 20.0).tolist(), key=abs):
        trial = _Common(candidate, start.level_db, start.scale_cents)
        # The larger a common move, the less likely it is. Without this, a whole row of modes may shift by one.
        prior = float(_t_cost(np.array((candidate / 20.0) ** 2), 2.0))
        cost = _assign(differences.costs(trial), differences.fading)[1] + prior
        if cost < best_cost:
            best_cost, best = cost, trial
    chosen, _ = _assign(differences.costs(best), differences.fading)
    pairs = [(i, j) for j, i in enumerate(chosen) if i is not None]
    if len(pairs) < FEWEST_IN_COMMON:
        return start
    moves = np.array([differences.move[pair] for pair in pairs])
    centre = float(np.median(moves))
    spread = 1.4826 * float(np.median(np.abs(moves - centre)))
    level = float(np.median([differences.level[pair] for pair in pairs]))
    return _Common(centre, level, min(max(spread, bounds[0]), bounds[1]))


def _assign(costs: Floats, fading: Floats) -> tuple[list[int | None], float]:
    """Return the remembered mode matched to each mode of the stage (``None`` if new), and the sum of costs."""
    from scipy.optimize import linear_sum_assignment

    tracks, modes = costs.shape
    square = np.full((tracks + modes, modes + tracks), FORBIDDEN)
    square[:tracks, :modes] = costs
    square[range(tracks), range(modes, modes + tracks)] = fading
    square[range(tracks, tracks + modes), range(modes)] = COST_OF_BEING_NEW
    square[tracks:, modes:] = 0.0
    row, column = linear_sum_assignment(square)
    chosen: list[int | None] = [None] * modes
    for r, c in zip(row.tolist(), column.tolist(), strict=True):
        if c < modes and r < tracks:
            chosen[c] = r
    return chosen, float(square[row, column].sum())


def _is_doubtful(costs: Floats, fading: Floats, chosen: Sequence[int | None], total: float, mode: int) -> bool:
    track = chosen[mode]
    if track is not None:
        without = costs.copy()
        without[track, mode] = FORBIDDEN
        return _assign(without, fading)[1] - total < DOUBT
    # A new mode is doubtful where it could almost equally well be a remembered one.
    forced = [_forced(costs, fading, i, mode) for i in np.flatnonzero(costs[:, mode] < FORBIDDEN).tolist()]
    return min(forced, default=math.inf) - total < DOUBT


def _forced(costs: Floats, fading: Floats, track: int, mode: int) -> float:
    rest = np.delete(np.delete(costs, track, axis=0), mode, axis=1)
    return float(costs[track, mode]) + _assign(rest, np.delete(fading, track))[1]


# --------------------------------------------------------------- naming


def _names(
    chains: Sequence[Sequence[int]],
    stages: Sequence[Sequence[StageMode]],
    labels: Sequence[ModeSetting],
    first: int | None,
) -> list[str]:
    count = 1 + max((c for chain in chains for c in chain), default=-1)
    names = [""] * count
    for label, chain in _labelled(chains[:first], stages[:first], labels, count):
        names[chain] = label
    if first is not None:
        left = [label for label in labels if label.label not in names]
        free = [[c if not names[c] else -1 for c in chain] for chain in chains]
        for label, chain in _labelled(free, stages, left, count):
            names[chain] = label
    taken = {label.label for label in labels}
    number = 0
    for chain in range(count):
        number += 1
        while f"r{number}" in taken:
            number += 1
        names[chain] = names[chain] or f"r{number}"
    return names


def _labelled(
    chains: Sequence[Sequence[int]], stages: Sequence[Sequence[StageMode]], labels: Sequence[ModeSetting], count: int
) -> list[tuple[str, int]]:
    if not labels or not count:
        return []
    from scipy.optimize import linear_sum_assignment

    ordered = sorted(labels, key=lambda s: (s.near_hz, s.label))
    distance = np.full((len(ordered), count), FORBIDDEN)
    for chain, modes in zip(chains, stages, strict=True):
        for c, mode in zip(chain, modes, strict=True):
            for row, label in enumerate(ordered if c >= 0 else ()):
                off = abs(CENTS * math.log(mode.freq_hz / label.near_hz))
                distance[row, c] = min(distance[row, c], off if off <= LABEL_REACH_CENTS else FORBIDDEN)
    row, column = linear_sum_assignment(distance)
    pairs = zip(row.tolist(), column.tolist(), strict=True)
    return [(ordered[r].label, c) for r, c in pairs if distance[r, c] < FORBIDDEN]
