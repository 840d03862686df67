"""What a comparison costs, beside what it costs to measure the recordings that are compared.

Conventions: processor time of one process, as a run spends it on two stages of twelve modes with five taps a side:
frequencies judged with what would decide an open question, decay times by how much they changed. In one pair of three
nothing moved, in one some modes did, in one all alike. Times depend on the machine and on what else it does; their
ratio hardly does.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np

from tapbatch.compare.moves.belief import believe
from tapbatch.compare.moves.between import moves_between, whole_moves
from tapbatch.compare.moves.contrast import TapSet
from tapbatch.compare.moves.priors import FREQ, T60
from tests.benchmarks import rooms
from tests.compare.moves_count import STEADY, tap_sets
from tests.compare.moves_sim import Bench, moved_modes, sides

MODES, PAIRS, SCENES = 12, 60, 4
_DAMPED = Bench(4.0, 3.0, scatter=3.0, hand=2.0, noise=0.5)

Pair = tuple[list[TapSet], list[TapSet]]


def cost(say: Callable[[str], None]) -> None:
    """Print the processor time of a comparison, and its ratio to that of measuring two recordings."""
    freqs = [_pair(n, Bench()) for n in range(PAIRS)]
    t60s = [_pair(n, _DAMPED) for n in range(PAIRS)]
    compared_s = _each(freqs, lambda p: moves_between(*p, FREQ, believe([], FREQ), STEADY))
    timed_s = _each(t60s, lambda p: whole_moves(*p, T60, believe([], T60)))
    rooms.play(rooms.Trial("dry", 0, "takes"))  # imports are not counted
    measured_s = statistics.median(rooms.play(rooms.Trial("dry", n, "takes")).spent_s for n in range(1, SCENES))
    whole_s = compared_s + timed_s
    say(f"## What a comparison of two stages costs, {MODES} modes, five taps a side\n")
    say("| frequencies, ms | decay times, ms | together, ms (to be under 10) | of measuring both recordings, % |")
    say("| --- | --- | --- | --- |")
    cells = (*(f"{1e3 * s:.1f}" for s in (compared_s, timed_s, whole_s)), f"{100 * whole_s / (2.0 * measured_s):.2f}")
    say(f"| {' | '.join(cells)} |\n")


def _pair(number: int, bench: Bench) -> Pair:
    rng = np.random.default_rng([91, number])
    moves = (np.zeros(MODES), moved_modes(rng, MODES, 0.3, 8.0), np.full(MODES, 7.0))[number % 3]
    before, after, _ = sides(rng, bench, moves)
    return tap_sets(before), tap_sets(after)


def _each(pairs: list[Pair], compare: Callable[[Pair], object]) -> float:
    """Return the processor seconds of one comparison, in the quickest of three rounds."""
    rounds = []
    for _ in range(3):
        start_s = time.process_time()
        for pair in pairs:
            compare(pair)
        rounds.append(time.process_time() - start_s)
    return min(rounds) / len(pairs)
