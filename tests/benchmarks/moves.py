"""What is said of moves on a simulated bench, case by case, beside the limits that were set for it.

    python -m tests.benchmarks.moves [--stages N] [--write]

Conventions: the bench is ``tests/compare/moves_sim.py``, at the level of what each tap reads. Unless said, eight
modes, five taps a side, set-ups of 1 cent common and 0.5 own, taps that scatter by 0.7 cents of each mode's own and
0.4 in common. A stage is *false* if a mode that did not move is called ``up`` or ``down``; *with ?* counts ``up?``
and ``down?`` as well. A figure beyond its limit by more than two standard errors is set in bold."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from tapbatch.compare.moves.priors import T60
from tests.benchmarks import tables
from tests.compare.moves_count import FIRM, Case, Counts, asked, count
from tests.compare.moves_sim import Bench, Floats, moved_modes

RESULTS = Path(__file__).with_name("MOVES.md")
BENCHES = ((0.0, 0.0), (0.5, 0.3), (1.0, 0.5), (2.0, 0.5), (3.0, 0.5), (0.7, 0.7), (3.0, 1.0))
DAMPED = {"scatter": 3.0, "hand": 2.0, "noise": 0.5}
Say = Callable[[str], None]
Moves = Callable[[np.random.Generator, int], Floats]


def main() -> None:
    """Print the tables, and write them if asked to."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--stages", type=int, default=1000, help="judged stages a case (default 1000)")
    parser.add_argument("--write", action="store_true", help=f"write the tables to {RESULTS.name}")
    asked_for = parser.parse_args()
    lines: list[str] = []

    def say(line: str) -> None:
        print(line, flush=True)
        lines.append(line)

    stages = asked_for.stages
    say(f"# Moves on a simulated bench\n\n{tables.machine()} {stages} stages a case.\n")
    spent = [still(say, stages), bench_troubles(say, stages)]
    some_moved(say, stages)
    all_moved(say, stages)
    decay_times(say, stages)
    what_to_ask(say, stages)
    seconds = sum(c.seconds for of_table in spent for c in of_table)
    judged = sum(c.stages for of_table in spent for c in of_table)
    say(f"A comparison of eight modes took {1e3 * seconds / judged:.1f} ms of processor time at the mean.")
    if asked_for.write:
        RESULTS.write_text("\n".join(lines) + "\n", encoding="utf-8")


def third(cents: float) -> Moves:
    """Return moves of three modes in ten (two of eight), up or down by ``cents``."""
    return lambda rng, modes: moved_modes(rng, modes, 0.3, cents)


def alike(cents: float) -> Moves:
    """Return moves of all modes by ``cents``."""
    return lambda rng, modes: np.full(modes, cents)


def still(say: Say, stages: int) -> list[Counts]:
    """Print what is said where nothing moved, by what set-ups shift and how many ``again`` the shop has."""
    say("## Nothing moved\n")
    say("Limits: false at most 5 %; each interval holds at least 92 %, and 93 to 98 % over benches of the prior;")
    say("`steady` at least 50 % with set-ups of 1 + 0.5, without and with two `again`.\n")
    _head(say, "set-up, common + own", "again", "`steady`, %")
    every = []
    for common, own in BENCHES:
        for again in (0, 1, 2, 4):
            counts = count(Case(Bench(common, own), again=again), stages, [81, again])
            at_least = 0.5 if (common, own) == (1.0, 0.5) and again in (0, 2) else 0.0
            steady = _least(counts.said_still("steady"), at_least, stages)
            _row(say, counts, 0.05, f"{common} + {own}", str(again), steady)
            every.append(counts)
    for again in (0, 2):
        counts = count(Case(Bench(), any_bench=True, again=again), stages, [82, again])
        _row(say, counts, 0.05, "of the prior", str(again), _share(counts.said_still("steady")))
    say("")
    return every


def bench_troubles(say: Say, stages: int) -> list[Counts]:
    """Print what is said where the hand, the blow or the room differ, and whether a cut is still found there."""
    cases = {
        "2 modes, 3 + 1": Case(Bench(3.0, 1.0), modes=2),
        "3 modes, 3 + 1": Case(Bench(3.0, 1.0), modes=3),
        "14 modes, 3 + 1": Case(Bench(3.0, 1.0), modes=14),
        "own shifts with heavy tails (t4)": Case(Bench(heavy=True)),
        "three taps": Case(Bench(), taps=3),
        "three taps in each of three set-ups": Case(Bench(), taps=3, setups=3),
        "three taps in ten miss a mode": Case(Bench(missing=0.3)),
        "taps scatter by 0.2": Case(Bench(scatter=0.2, hand=0.1)),
        "taps scatter by 2": Case(Bench(scatter=2.0, hand=1.0)),
        "taps scatter by 2 and wander (0.8)": Case(Bench(rho=0.8, scatter=2.0, hand=1.0)),
        "the same, no set-up shift": Case(Bench(0.0, 0.0, rho=0.8, scatter=2.0, hand=1.0)),
        "modes soften by 2-8 cents, 6 dB harder": Case(Bench(soft=(2.0, 8.0)), harder_db=6.0),
        "the same, blows alike within 1 dB": Case(Bench(soft=(2.0, 8.0), blow_db=1.0), harder_db=6.0),
        "and without a set-up shift": Case(Bench(0.0, 0.0, soft=(2.0, 8.0), blow_db=1.0), harder_db=6.0),
        "room of 3 cents, phone carried": Case(Bench(room=3.0), carried=True),
        "room of 5 cents, phone carried": Case(Bench(room=5.0), carried=True),
        "room of 5 cents, phone still, known": Case(Bench(room=5.0), same_room=True),
        "room of 5 cents, phone still, not known": Case(Bench(room=5.0)),
    }
    say("## The hand, the blow and the room\n")
    say("Limits: false at most 6 %; a cut of 20 cents of three modes in ten is told in 90 % (with or without `?`).\n")
    _head(say, "case", "20 cents told, %")
    every = []
    for n, (name, case) in enumerate(cases.items()):
        counts = count(case, stages, [83, n])
        cut = count(replace(case, moves=third(20.0)), max(stages // 4, 20), [84, n])
        _row(say, counts, 0.06, name, _least(cut.told(), 0.9, len(cut.moved)))
        if case.modes == 8:
            every.append(counts)
    say("")
    return every


def some_moved(say: Say, stages: int) -> None:
    """Print how often moves of single modes are told."""
    say("## Three modes in ten moved, up or down\n")
    say("Limits: told 65, 97, 100 % at 6, 10, 20 cents without `again`; 90, 99, 100 % with two; the sign wrong in")
    say("at most 0.5 %; a move of 6 cents called `steady` in at most 1 %.\n")
    say("| cents | again | told, % | firm, % | sign wrong, % | called `steady`, % | own holds, % | others false, % |")
    say("".join(["| --- " * 8, "|"]))
    for again, limits in ((0, (0.65, 0.97, 1.0)), (2, (0.90, 0.99, 1.0))):
        for cents, limit in zip((6.0, 10.0, 20.0), limits, strict=True):
            counts = count(Case(Bench(), third(cents), again=again), stages, [85, again, int(cents)])
            moved = len(counts.moved)
            say(
                f"| {cents:g} | {again} | {_least(counts.told(), limit, moved)} | {_share(counts.told(FIRM))}"
                f" | {_most(counts.wrong_sign / moved, 0.005, moved)} | {_most(counts.told(['steady']), 0.01, moved)}"
                f" | {_least(counts.held('own'), 0.92, stages)} | {_most(counts.false / stages, 0.05, stages)} |"
            )
    say("")


def all_moved(say: Say, stages: int) -> None:
    """Print how often it is told that all modes moved alike, and what is said where it is not."""
    say("## All modes moved alike\n")
    say(
        "Limits: told 1, 60, 99 % at 6, 10, 20 cents without `again`; 30, 90, 99 % with two; 95, 99, 100 % with three"
    )
    say("set-ups of three taps on both sides. Where it is not told it is said to be open, and never `steady`.\n")
    say("| cents | bench | told, % | firm, % | sign wrong, % | `steady`, % | open or told, % | common holds, % |")
    say("".join(["| --- " * 8, "|"]))
    benches = {
        "no `again`": (Case(Bench()), (0.01, 0.60, 0.99)),
        "two `again`": (Case(Bench(), again=2), (0.30, 0.90, 0.99)),
        "three set-ups of three taps": (Case(Bench(), taps=3, setups=3), (0.95, 0.99, 1.0)),
    }
    for n, (name, (case, limits)) in enumerate(benches.items()):
        for cents, limit in zip((6.0, 10.0, 20.0), limits, strict=True):
            found = count(replace(case, moves=alike(cents), alike=cents), stages, [86, n, int(cents)])
            moved = len(found.moved)
            say(
                f"| {cents:g} | {name} | {_least(found.told(), limit, stages)} | {_share(found.told(FIRM))}"
                f" | {_most(found.wrong_sign / moved, 0.005, stages)} | {_most(found.told(['steady']), 0.0, stages)}"
                f" | {_share(float(np.mean(found.answered)))}"
                f" | {_least(found.held('common'), 0.92, stages)} |"
            )
    say("")


def decay_times(say: Say, stages: int) -> None:
    """Print the same for decay times, in per cent."""
    say("## Decay times, per cent (taps scatter by 3 of each mode's own and 2 in common, `steady` within 10)\n")
    _head(say, "set-up, common + own", "30 % told, %")
    for common, own in ((0.0, 0.0), (2.0, 1.5), (4.0, 3.0), (8.0, 3.0), (4.0, 6.0)):
        case = Case(Bench(common, own, **DAMPED), priors=T60, steady=10.0)  # type: ignore[arg-type]
        cut = count(replace(case, moves=third(30.0)), max(stages // 4, 20), [88])
        _row(say, count(case, stages, [87]), 0.05, f"{common} + {own}", _share(cut.told()))
    case = Case(Bench(**DAMPED), any_bench=True, priors=T60, steady=10.0)  # type: ignore[arg-type]
    _row(say, count(case, stages, [89]), 0.05, "of the prior", "")
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
        say(f"| {name} | {len(found)} | {_share(float(np.mean(found))) if found else ''} |")
    say("")


# ---------------------------------------------------------------- figures


def _head(say: Say, *names: str) -> None:
    columns = (*names, "false, %", "with ?, %", "whole, own, common hold, %", "half-widths")
    say(f"| {' | '.join(columns)} |")
    say("".join(["| --- " * len(columns), "|"]))


def _row(say: Say, counts: Counts, limit: float, *names: str) -> None:
    # The modes of a stage share what set-ups do to all; their own moves are nearly independent.
    trials = {n: len(of) if n == "own" else counts.stages for n, of in counts.holds.items()}
    held = ", ".join(_least(counts.held(n), 0.92, trials[n]) for n in counts.holds)
    halves = ", ".join(f"{np.mean(counts.halves[n]):.1f}" for n in counts.halves)
    false = _most(counts.false / counts.stages, limit, counts.stages)
    doubtful = _share(counts.false_doubtful / counts.stages)
    say(f"| {' | '.join((*names, false, doubtful, held, halves))} |")


def _share(share: float) -> str:
    return f"{100 * share:.1f}"


def _error(share: float, trials: int) -> float:
    return math.sqrt(max(share * (1.0 - share), 0.0) / max(trials, 1))


def _most(share: float, limit: float, trials: int) -> str:
    missed = share > limit + 2.0 * _error(limit, trials)
    return f"**{_share(share)}**" if missed else _share(share)


def _least(share: float, limit: float, trials: int) -> str:
    missed = share < limit - 2.0 * _error(limit, trials)
    return f"**{_share(share)}**" if missed else _share(share)


if __name__ == "__main__":
    main()
