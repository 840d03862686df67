"""Match the modes of each stage to the modes of the stages before.

Conventions: moves are in cents, decays are ``ln T60``, levels are in dB relative to the lead. Each mode found so far
is remembered as it was last seen. At every stage, all remembered modes are assigned to all modes of the stage
together, so that the sum of costs is smallest (the assignment problem). A mode may fade, come back, or be new, each
at its own cost.

The costs are those of :mod:`tapbatch.compare.likeness`: frequency, decay, and level at each point, together.

An identity is doubtful unless its chance is 88 % or more (seven to one), over all matchings of the modes around it
(:mod:`tapbatch.compare.matchings`), those with two modes read as one included. Nothing is then said of how it moved.
The method fails where two modes of similar decay and level cross between two stages and move as others do: nothing in
the sound then distinguishes them, and most often it says so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapbatch.compare.likeness import Common, Differences, Line, common_of
from tapbatch.compare.matchings import FORBIDDEN, assign, chances
from tapbatch.model.history import StageMode
from tapbatch.model.pitch import CENTS
from tapbatch.model.settings import ModeSetting

Floats = NDArray[np.float64]

UNKNOWN_LOG_T60 = 10.0  # standard error of an unknown decay, which then neither joins nor parts two modes
SURE = 0.88
LABEL_REACH_CENTS = 100.0

Levels = Sequence[Mapping[str, float]]
"""For each mode of a stage, its level in dB relative to the lead at each point."""


@dataclass(frozen=True, slots=True)
class Named:
    """The identity of a mode at a stage, and whether it is doubtful."""

    name: str
    doubtful: bool


def name_modes(
    stages: Sequence[Sequence[StageMode]],
    states: Sequence[str],
    labels: Sequence[ModeSetting],
    levels: Sequence[Levels] = (),
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
    levels : sequence of sequences of mappings of str to float, as ``stages``, optional
        The level of each mode at each point that was tapped; default: only ``level_db`` is known.
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
    chains, doubts = _chains(stages, states, levels or [[{}] * len(modes) for modes in stages])
    names = _names(chains, stages, labels, first)
    return tuple(
        tuple(Named(names[c], d) for c, d in zip(chain, doubt, strict=True))
        for chain, doubt in zip(chains, doubts, strict=True)
    )


def _chains(
    stages: Sequence[Sequence[StageMode]], states: Sequence[str], levels: Sequence[Levels]
) -> tuple[list[list[int]], list[list[bool]]]:
    lines: list[Line] = []
    chains: list[list[int]] = []
    doubts: list[list[bool]] = []
    before = ""
    for modes, state, at_points in zip(stages, states, levels, strict=True):
        seen = [_line_of(m, at) for m, at in zip(modes, at_points, strict=True)]
        # With fewer than two sets of modes there is nothing to decide.
        chosen, doubtful, common = _linked(lines, seen, state != before) if lines and seen else _all_new(seen)
        chains.append([])
        for line in lines:
            line.away += bool(seen)
            line.cents += common.cents
            line.level_db += common.level_db
            line.levels_db = {p: level + common.levels_db.get(p, 0.0) for p, level in line.levels_db.items()}
        for mode, index in zip(seen, chosen, strict=True):
            if index is None:
                lines.append(mode)
            else:
                lines[index] = mode
            chains[-1].append(len(lines) - 1 if index is None else index)
        doubts.append(doubtful)
        before = state if seen else before
    return chains, doubts


def _all_new(seen: Sequence[Line]) -> tuple[list[int | None], list[bool], Common]:
    return [None] * len(seen), [False] * len(seen), Common(0.0, {}, 0.0)


def _line_of(mode: StageMode, levels: Mapping[str, float]) -> Line:
    # For two taps the interval may include a factor of 12.7. The standard error is enough to recognise a mode.
    cents_se = math.hypot(mode.within_cents, mode.between_cents) / math.sqrt(mode.taps)
    cents = CENTS * math.log(mode.freq_hz)
    if mode.t60_s is None or mode.t60_low_s is None or mode.t60_high_s is None:
        return Line(cents, cents_se, None, UNKNOWN_LOG_T60, mode.level_db, levels)
    log_t60_se = min(math.log(mode.t60_high_s / mode.t60_low_s) / 4.0, 0.5)
    return Line(cents, cents_se, mode.t60_s, log_t60_se, mode.level_db, levels)


def _linked(
    lines: Sequence[Line], seen: Sequence[Line], across_states: bool
) -> tuple[list[int | None], list[bool], Common]:
    differences = Differences(lines, seen, across_states)
    common = common_of(differences)
    costs = differences.costs(common)
    chosen, _ = assign(costs)
    link, new = chances(costs, differences.merges(common))
    sure = [new[j] if i is None else link[i, j] for j, i in enumerate(chosen)]
    return chosen, [bool(chance < SURE) for chance in sure], common


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
