"""What is said of two neighbours of which one comes, crosses, parts or is read as two.

    python -m tests.benchmarks.neighbours [--stages N] [--short] [--write]

Conventions: the bodies and what happens to them are in ``tests/compare/neighbours_sim.py``, at the level of what taps
read; five taps a stage at one point, or four at each of two. Set-ups shift all modes by 1 cent and each by 0.5. A
stage is *false* if a mode that did not move is called ``up`` or ``down``; *with ?* counts ``up?`` and ``down?`` as
well. *Swapped, firm*: such a verdict stands under a name that passed from one mode to another. A figure beyond its
limit by more than two standard errors is set in bold."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from pathlib import Path

from tests.benchmarks import tables
from tests.compare.neighbours_sim import EVENTS, Bench, Said, count

RESULTS = Path(__file__).with_name("NEIGHBOURS.md")
BENCHES = {"one point": Bench(), "two points": Bench(points=2, taps=4)}
FALSE = {name: 0.06 for name in EVENTS if "newcomer" in name or name in ("nothing", "one read as two")}
SWAPPED = dict.fromkeys(EVENTS, 0.005)
JUDGED = ("a newcomer beside the strongest", "two cross", "two alike cross")
MOVED_BY_WORK = ("nothing", "a pair stands", "a newcomer beside the strongest")
WORK_CENTS = 15.0
Say = Callable[[str], None]


def main() -> None:
    """Print the tables, and write them if asked to."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--stages", type=int, default=1000, help="stages of a case that has a limit; others a tenth")
    parser.add_argument("--short", action="store_true", help="40 stages a case")
    parser.add_argument("--write", action="store_true", help=f"write the tables to {RESULTS.name}")
    asked_for = parser.parse_args()
    lines: list[str] = []

    def say(line: str) -> None:
        print(line, flush=True)
        lines.append(line)

    stages = 40 if asked_for.short else asked_for.stages
    few = max(stages // 10, 40)
    say(f"# Two neighbours on a simulated bench\n\n{tables.machine()}\n")
    say("Limits: false at most 6 % beside a newcomer; swapped and firm at most 0.5 %. *Blurred*: two modes were read")
    say("as one at either stage. Such a line moves when one of its modes grows, and nothing in it shows two.")
    say("Of two that veer, the truth is their shape: a name is right where the two shapes overlap more than not.")
    say("")
    for n, (name, bench) in enumerate(BENCHES.items()):
        say(f"## {name.capitalize()}, {bench.taps} taps at each\n")
        _head(say)
        for k, (what, event) in enumerate(EVENTS.items()):
            full = what in JUDGED and bench.points == 1
            _row(say, what, what, count(event, bench, stages if full else few, [91, n, k]))
        for k, what in enumerate(MOVED_BY_WORK):
            said = count(EVENTS[what], bench, few, [92, n, k], WORK_CENTS)
            _row(say, what, f"{what}, and three in ten moved by {WORK_CENTS:g} cents", said)
        say("")
    if asked_for.write:
        RESULTS.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _head(say: Say) -> None:
    columns = (
        "what happens", "stages", "false, %", "with ?, %", "blurred, %", "false and not blurred, %",
        "swapped, firm, %", "swapped, with ?, %", "stages with `identity?`, %", "right names flagged, %",
        "wrong names, %", "moves told, %",
    )  # fmt: skip
    say(f"| {' | '.join(columns)} |")
    say("".join(["| --- " * len(columns), "|"]))


def _row(say: Say, event: str, name: str, said: Said) -> None:
    n = said.stages
    cells = (
        name,
        str(n),
        _most(said.false / n, FALSE.get(event, 1.0), n),
        _share(said.false_doubtful / n),
        _share(said.blurred / n),
        _share((said.false - said.false_blurred) / n),
        _most(said.swapped / n, SWAPPED[event], n),
        _share(said.swapped_doubtful / n),
        _share(said.doubted / n),
        _share(said.flagged / said.lines),
        _share(said.wrong / said.lines),
        _share(sum(said.told) / len(said.told)) if said.told else "",
    )
    say(f"| {' | '.join(cells)} |")


def _share(share: float) -> str:
    return f"{100 * share:.1f}"


def _most(share: float, limit: float, trials: int) -> str:
    missed = share > limit + 2.0 * math.sqrt(limit * (1.0 - limit) / trials)
    return f"**{_share(share)}**" if missed else _share(share)


if __name__ == "__main__":
    main()
