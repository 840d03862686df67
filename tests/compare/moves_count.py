"""Judge simulated pairs of stages and count what is said of them; serves the tests and the benchmark.

A *shop* is a bench with some ``again`` recordings of another stage, which teach it, and one judged pair. Counts are
of stages (``false``: with an unmoved mode that is called ``up`` or ``down``) or of modes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from tapbatch.compare.moves.belief import Evidence, believe, evidence_anew
from tapbatch.compare.moves.between import moves_between
from tapbatch.compare.moves.contrast import TapSet, contrast
from tapbatch.compare.moves.judge import Interval, Move, Moves, judge_moves
from tapbatch.compare.moves.mixture import sums_of
from tapbatch.compare.moves.priors import FREQ, Priors
from tests.compare.moves_sim import Bench, Floats, Taps, a_setup, a_stage, an_instrument, any_bench, sides

STEADY = 3.0
FIRM = ("up", "down")
TOLD = ("up", "down", "up?", "down?")


@dataclass(frozen=True)
class Case:
    """A bench, what was cut (given the generator and the number of modes), and how it was recorded."""

    bench: Bench
    moves: Callable[[np.random.Generator, int], Floats] = lambda rng, modes: np.zeros(modes)
    alike: float = 0.0
    modes: int = 8
    taps: int = 5
    setups: int = 1
    again: int = 0
    harder_db: float = 0.0
    nearer_db: float = 0.0
    carried: bool = False
    same_room: bool = False
    priors: Priors = FREQ
    steady: float = STEADY
    any_bench: bool = False


@dataclass
class Counts:
    """What was said, over all stages of a case; ``holds`` and ``halves`` by name of the move."""

    stages: int = 0
    false: int = 0
    false_doubtful: int = 0
    wrong_rule: int = 0
    moved: list[str] = field(default_factory=list)
    still: list[str] = field(default_factory=list)
    wrong_sign: int = 0
    holds: dict[str, list[bool]] = field(default_factory=lambda: {n: [] for n in ("whole", "own", "common")})
    halves: dict[str, list[float]] = field(default_factory=lambda: {n: [] for n in ("whole", "own", "common")})
    open_alike: int = 0
    answered: list[bool] = field(default_factory=list)

    def told(self, words: Sequence[str] = TOLD) -> float:
        """Return the share of moved modes that are called one of ``words``."""
        return float(np.mean([v in words for v in self.moved])) if self.moved else float("nan")

    def held(self, name: str) -> float:
        """Return the share of intervals that contain the truth."""
        return float(np.mean(self.holds[name]))

    def said_still(self, word: str) -> float:
        """Return the share of unmoved modes that are called ``word``."""
        return float(np.mean([v == word for v in self.still])) if self.still else float("nan")


def tap_sets(recordings: Sequence[Taps], room: float = 0.0) -> list[TapSet]:
    """Return what the product takes, for simulated recordings."""
    return [
        TapSet(t.read, t.variance, t.level_db, t.setup, room=np.full(t.read.shape[1], room) if room else None)
        for t in recordings
    ]


def learned(rng: np.random.Generator, case: Case) -> list[Evidence]:
    """Return what a shop knows after ``again`` recordings of one stage."""
    made = an_instrument(rng, case.bench, case.modes)
    if not case.again:
        return []
    stage = a_stage(rng, case.bench, made, np.zeros(case.modes), case.taps, case.again + 1)
    return [*evidence_anew(tap_sets(stage), case.priors)]


def judged(rng: np.random.Generator, case: Case) -> tuple[Moves, Floats]:
    """Return what is said of one pair, and the true moves; what to ask for is left out, which takes time."""
    if case.any_bench:
        drawn = any_bench(rng, case.bench, case.priors.common_scale, case.priors.own_scale)
        case = replace(case, bench=drawn)
    evidence = learned(rng, case)
    moves = case.moves(rng, case.modes)
    before, after, _ = sides(
        rng, case.bench, moves, case.taps, case.setups, case.harder_db, case.carried, case.nearer_db
    )
    # In a room that is known to be the same at both stages its error cancels.
    both = [tap_sets(side, 0.0 if case.same_room else case.bench.room) for side in (before, after)]
    evidence += [e for side in both for e in evidence_anew(side, case.priors)]
    belief = believe(evidence, case.priors)
    found = contrast(both[0], both[1], case.priors)
    return judge_moves(sums_of(found, case.priors, belief.own, belief.common), case.steady), moves


def asked(rng: np.random.Generator, case: Case) -> list[bool]:
    """Return, for each open mode that more set-ups were asked for, whether that many decided it."""
    moves = case.moves(rng, case.modes)
    before, after, made = sides(rng, case.bench, moves, case.taps)
    evidence = learned(rng, case)
    first, later = tap_sets(before), tap_sets(after)
    said = moves_between(first, later, case.priors, believe(evidence, case.priors), case.steady)
    found = []
    for number in sorted({m.more_setups for m in said.modes if m.more_setups is not None}):
        more = [a_setup(rng, case.bench, made, moves, case.taps, s) for s in range(1, number + 1)]
        sets = [*later, *tap_sets(more)]
        shop = believe([*evidence, *evidence_anew(sets, case.priors)], case.priors)
        again = moves_between(first, sets, case.priors, shop, case.steady)
        wanted = [k for k, m in enumerate(said.modes) if m.more_setups == number]
        found += [again.modes[k].verdict in (*FIRM, "steady") for k in wanted]
    return found


def count(case: Case, stages: int, seed: Sequence[int]) -> Counts:
    """Return the counts over ``stages`` judged pairs; each has its own generator, from ``seed`` and its number."""
    counts = Counts()
    for n in range(stages):
        _add(counts, case, *judged(np.random.default_rng([*seed, n]), case))
    return counts


def _add(counts: Counts, case: Case, said: Moves, moves: Floats) -> None:
    counts.stages += 1
    counts.open_alike += any(_is_open_alike(m) for m in said.modes)
    still = [m.verdict for m, true in zip(said.modes, moves, strict=True) if true == 0.0]
    counts.still += still
    counts.false += any(v in FIRM for v in still)
    counts.false_doubtful += any(v in TOLD for v in still)
    _hold(counts, "common", said.common, case.alike)
    for mode, true in zip(said.modes, moves, strict=True):
        _hold(counts, "whole", mode.whole, float(true))
        _hold(counts, "own", mode.own, float(true) - case.alike)
        counts.wrong_rule += _breaks_a_rule(mode.verdict, mode.printed)
        if true != 0.0:
            counts.moved.append(mode.verdict)
            counts.answered.append(mode.verdict in TOLD or _is_open_alike(mode))
            counts.wrong_sign += mode.verdict in (("down", "down?") if true > 0 else ("up", "up?"))


def _is_open_alike(mode: Move) -> bool:
    return (mode.verdict, mode.moved) == ("unclear", "all")


def _hold(counts: Counts, name: str, interval: Interval, true: float) -> None:
    counts.holds[name].append(interval.low <= true <= interval.high)
    counts.halves[name].append(0.5 * (interval.high - interval.low))


def _breaks_a_rule(verdict: str, printed: Interval) -> bool:
    if verdict in ("up", "up?"):
        return printed.low <= 0.0
    if verdict in ("down", "down?"):
        return printed.high >= 0.0
    return printed.excludes_zero
