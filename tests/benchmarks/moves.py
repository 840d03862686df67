"""What is said of moves on a simulated bench, case by case, beside the limits that were set for it.

    python -m tests.benchmarks.moves [--stages N] [--short] [--write]

Conventions: the bench is ``tests/compare/moves_sim.py``, at the level of what each tap reads. Unless said, eight
modes, five taps a side, set-ups of 1 cent common and 0.5 own, taps that scatter by 0.7 cents of each mode's own and
0.4 in common. A stage is *false* if a mode that did not move is called ``up`` or ``down``; *with ?* counts ``up?``
and ``down?`` as well. A figure beyond its limit by more than two standard errors is set in bold, and its limit is
*missed* (:mod:`tests.benchmarks.moves_limits`). The exit status is 1 if a limit is missed that is not known to be
(``OPEN`` there)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from tapbatch.compare.moves.priors import T60
from tests.benchmarks.limited import Benchmark, Say
from tests.benchmarks.moves_cost import cost
from tests.benchmarks.moves_limits import Ledger, per_cent
from tests.benchmarks.moves_sounds import sounds
from tests.benchmarks.moves_steps import next_steps
from tests.compare.moves_count import FIRM, Case, Counts, asked, count
from tests.compare.moves_sim import Bench, Floats, moved_modes

BENCHES = ((0.0, 0.0), (0.5, 0.3), (1.0, 0.5), (2.0, 0.5), (3.0, 0.5), (0.7, 0.7), (3.0, 1.0))
DAMPED = {"scatter": 3.0, "hand": 2.0, "noise": 0.5}
Moves = Callable[[np.random.Generator, int], Floats]


def main() -> int:
    """Print the tables, and write them if asked to; return 1 if a limit is missed and not known to be."""
    return Benchmark(
        about=__doc__.partition("\n")[0],
        title="Moves on a simulated bench",
        counted="stages",
        each="case",
        usual=1000,
        short=60,
        results=Path(__file__).with_name("MOVES.md"),
    ).run(_tables)


def _tables(say: Say, limits: Ledger, stages: int) -> None:
    for table in (still, bench_troubles, some_moved, all_moved, decay_times):
        table(say, limits, stages)
    what_to_ask(say, stages)
    next_steps(say, limits, stages)
    sounds(say, limits, max(stages // 25, 4))
    cost(say)


def third(cents: float) -> Moves:
    """Return moves of three modes in ten (two of eight), up or down by ``cents``."""
    return lambda rng, modes: moved_modes(rng, modes, 0.3, cents)


def alike(cents: float) -> Moves:
    """Return moves of all modes by ``cents``."""
    return lambda rng, modes: np.full(modes, cents)


def still(say: Say, limits: Ledger, stages: int) -> None:
    """Print what is said where nothing moved, by what set-ups shift and how many ``again`` the shop has."""
    say("## Nothing moved\n")
    _head(say, "set-up, common + own", "again", "`steady`, %")
    for common, own in BENCHES:
        for again in (0, 1, 2, 4):
            limits.group = "nothing moved" if again == 0 else "nothing moved, with `again`"
            limits.case = f"{common} + {own}, {again} `again`"
            counts = count(Case(Bench(common, own), again=again), stages, [81, again])
            steady = per_cent(counts.said_still("steady"))
            if (common, own) == (1.0, 0.5) and again in (0, 2):
                steady = limits.least("`steady`", counts.said_still("steady"), 0.5, stages)
            _row(say, limits, counts, 0.05, f"{common} + {own}", str(again), steady)
    for again in (0, 2):
        limits.group, limits.case = "nothing moved, benches of the prior", f"{again} `again`"
        counts = count(Case(Bench(), any_bench=True, again=again), stages, [82, again])
        _row(say, limits, counts, 0.05, "of the prior", str(again), per_cent(counts.said_still("steady")))
        for name in counts.holds:
            limits.least(f"{name} holds", counts.held(name), 0.93, stages)
            limits.most(f"{name} holds", counts.held(name), 0.98, stages)
    say("")


TROUBLES = {
    "2 modes, 3 + 1": Case(Bench(3.0, 1.0), modes=2),
    "3 modes, 3 + 1": Case(Bench(3.0, 1.0), modes=3),
    "14 modes, 3 + 1": Case(Bench(3.0, 1.0), modes=14),
    "own shifts with heavy tails (t4)": Case(Bench(own_tails=4.0)),
    "common and own shifts with heavy tails (t3)": Case(Bench(common_tails=3.0, own_tails=3.0)),
    "set-ups shift some modes more, by a factor of two": Case(Bench(uneven=0.7)),
    "three taps": Case(Bench(), taps=3),
    "three taps in each of three set-ups": Case(Bench(), taps=3, setups=3),
    "three taps in ten miss a mode": Case(Bench(missing=0.3)),
    "one reading in twenty is off by five times the scatter": Case(Bench(slips=0.05)),
    "taps scatter by 0.2": Case(Bench(scatter=0.2, hand=0.1)),
    "taps scatter by 2": Case(Bench(scatter=2.0, hand=1.0)),
    "taps scatter by 2 and wander (0.8)": Case(Bench(rho=0.8, scatter=2.0, hand=1.0)),
    "the same, no set-up shift": Case(Bench(0.0, 0.0, rho=0.8, scatter=2.0, hand=1.0)),
    "taps slide by 2 within a recording": Case(Bench(slide=2.0)),
    "modes soften by 2-8 cents, 6 dB harder": Case(Bench(soft=(2.0, 8.0)), harder_db=6.0),
    "the same, blows alike within 1 dB": Case(Bench(soft=(2.0, 8.0), blow_db=1.0), harder_db=6.0),
    "and without a set-up shift": Case(Bench(0.0, 0.0, soft=(2.0, 8.0), blow_db=1.0), harder_db=6.0),
    "modes soften by 2-8 cents, the phone nearer by 6 dB": Case(Bench(soft=(2.0, 8.0)), nearer_db=6.0),
    "room of 3 cents, phone carried": Case(Bench(room=3.0), carried=True),
    "room of 5 cents, phone carried": Case(Bench(room=5.0), carried=True),
    "room of 5 cents, phone still, known": Case(Bench(room=5.0), same_room=True),
    "room of 5 cents, phone still, not known": Case(Bench(room=5.0)),
}


def bench_troubles(say: Say, limits: Ledger, stages: int) -> None:
    """Print what is said where the hand, the blow or the room differ, and whether a cut is still found there."""
    say("## The hand, the blow and the room; a cut is one of 20 cents of three modes in ten\n")
    _head(say, "case", "cut told, %")
    limits.group = "the hand, the blow, the room"
    for n, (name, case) in enumerate(TROUBLES.items()):
        limits.case = name
        counts = count(case, stages, [83, n])
        cut = count(replace(case, moves=third(20.0)), max(stages // 4, 20), [84, n])
        told = limits.least("a cut of 20 cents told", cut.told(), 0.9, len(cut.moved))
        _row(say, limits, counts, 0.06, name, told)
    say("")


def some_moved(say: Say, limits: Ledger, stages: int) -> None:
    """Print how often moves of single modes are told."""
    say("## Three modes in ten moved, up or down\n")
    say("| cents | again | told, % | firm, % | sign wrong, % | called `steady`, % | own holds, % | others false, % |")
    say("".join(["| --- " * 8, "|"]))
    limits.group = "three modes in ten moved"
    for again, musts in ((0, (0.65, 0.97, 1.0)), (2, (0.90, 0.99, 1.0))):
        for cents, must in zip((6.0, 10.0, 20.0), musts, strict=True):
            limits.case = f"{cents:g} cents, {again} `again`"
            counts = count(Case(Bench(), third(cents), again=again), stages, [85, again, int(cents)])
            moved = len(counts.moved)
            cells = (
                f"{cents:g}",
                str(again),
                limits.least("told", counts.told(), must, moved),
                per_cent(counts.told(FIRM)),
                limits.most("sign wrong", counts.wrong_sign / moved, 0.005, moved),
                limits.most("called `steady`", counts.told(["steady"]), 0.01, moved),
                limits.least("own holds", counts.held("own"), 0.92, stages),
                limits.most("others false", counts.false / stages, 0.05, stages),
            )
            say(f"| {' | '.join(cells)} |")
    say("")


def all_moved(say: Say, limits: Ledger, stages: int) -> None:
    """Print how often it is told that all modes moved alike, and what is said where it is not."""
    say("## All modes moved alike; where it is not told it is to be called open\n")
    say("| cents | bench | told, % | firm, % | sign wrong, % | `steady`, % | open or told, % | common holds, % |")
    say("".join(["| --- " * 8, "|"]))
    limits.group = "all modes moved alike"
    benches = {
        "no `again`": (Case(Bench()), (0.01, 0.60, 0.99)),
        "two `again`": (Case(Bench(), again=2), (0.30, 0.90, 0.99)),
        "three set-ups of three taps": (Case(Bench(), taps=3, setups=3), (0.95, 0.99, 1.0)),
    }
    for n, (name, (case, musts)) in enumerate(benches.items()):
        for cents, must in zip((6.0, 10.0, 20.0), musts, strict=True):
            limits.case = f"{cents:g} cents, {name}"
            found = count(replace(case, moves=alike(cents), alike=cents), stages, [86, n, int(cents)])
            cells = (
                f"{cents:g}",
                name,
                limits.least("told", found.told(), must, stages),
                per_cent(found.told(FIRM)),
                limits.most("sign wrong", found.wrong_sign / len(found.moved), 0.005, stages),
                limits.most("`steady`", found.told(["steady"]), 0.0, stages),
                per_cent(float(np.mean(found.answered))),
                limits.least("common holds", found.held("common"), 0.92, stages),
            )
            say(f"| {' | '.join(cells)} |")
    say("")


def decay_times(say: Say, limits: Ledger, stages: int) -> None:
    """Print the same for decay times, in per cent."""
    say("## Decay times, per cent (taps scatter by 3 of each mode's own and 2 in common, `steady` within 10)\n")
    _head(say, "set-up, common + own", "30 % told, %")
    limits.group = "decay times, nothing moved"
    for common, own in ((0.0, 0.0), (2.0, 1.5), (4.0, 3.0), (8.0, 3.0), (4.0, 6.0)):
        limits.case = f"{common} + {own}"
        case = Case(Bench(common, own, **DAMPED), priors=T60, steady=10.0)  # type: ignore[arg-type]
        cut = count(replace(case, moves=third(30.0)), max(stages // 4, 20), [88])
        _row(say, limits, count(case, stages, [87]), 0.05, limits.case, per_cent(cut.told()))
    limits.case = "of the prior"
    case = Case(Bench(**DAMPED), any_bench=True, priors=T60, steady=10.0)  # type: ignore[arg-type]
    _row(say, limits, count(case, stages, [89]), 0.05, "of the prior", "")
    say("")


def what_to_ask(say: Say, stages: int) -> None:
    """Print how often the set-ups that are asked for decide what was open."""
    say("## More set-ups, where they were asked for\n")
    say("| case | modes asked about | decided as said, % |")
    say("| --- | --- | --- |")
    cases = {"nothing moved": Case(Bench()), "6 cents, three in ten": Case(Bench(), third(6.0))}
    cases |= {f"{c:g} cents, all alike": Case(Bench(), alike(c), alike=c) for c in (6.0, 10.0)}
    for n, (name, case) in enumerate(cases.items()):
        rounds = (asked(np.random.default_rng([90, n, i]), case) for i in range(max(stages // 4, 20)))
        found = [one for of_stage in rounds for one in of_stage]
        say(f"| {name} | {len(found)} | {per_cent(float(np.mean(found))) if found else ''} |")
    say("")


# ---------------------------------------------------------------- figures


def _head(say: Say, *names: str) -> None:
    columns = (*names, "false, %", "with ?, %", "whole, own, common hold, %", "half-widths")
    say(f"| {' | '.join(columns)} |")
    say("".join(["| --- " * len(columns), "|"]))


def _row(say: Say, limits: Ledger, counts: Counts, most: float, *names: str) -> None:
    # The modes of a stage share what set-ups do to all; their own moves are nearly independent.
    trials = {n: len(of) if n == "own" else counts.stages for n, of in counts.holds.items()}
    held = ", ".join(limits.least(f"{n} holds", counts.held(n), 0.92, trials[n]) for n in counts.holds)
    halves = ", ".join(f"{np.mean(counts.halves[n]):.1f}" for n in counts.halves)
    false = limits.most("false", counts.false / counts.stages, most, counts.stages)
    doubtful = per_cent(counts.false_doubtful / counts.stages)
    say(f"| {' | '.join((*names, false, doubtful, held, halves))} |")


if __name__ == "__main__":
    raise SystemExit(main())
