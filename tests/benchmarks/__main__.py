"""The benchmark of the estimator: ``python -m tests.benchmarks [--short] [--case NAME] [--trials N] [--write]``.

Prints a table of taps, a table of stages, the limits missed and the trials worth repeating. ``--write`` also writes
them to ``RESULTS.md`` beside this file.
"""

from __future__ import annotations

import argparse
import math
from pathlib import Path

from tests.benchmarks import peers, score, tables
from tests.benchmarks.cases import CASES, STAGES, Case
from tests.benchmarks.montecarlo import IDEAL, OURS, Plan, play, play_stage
from tests.benchmarks.score import Tally

RESULTS = Path(__file__).with_name("RESULTS.md")
_SHORT = (8, 1)
_LONG = (300, 20)
_MOST_ODD = 6
_DOUBTFUL = 0.1  # chance of a case at its limit: such a row is shown, and may be chance


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--short", action="store_true", help="few trials, for a first look: about a minute")
    parser.add_argument("--case", action="append", metavar="NAME", help="only this case; can be repeated")
    parser.add_argument("--trials", type=int, metavar="N", help=f"trials a case; {_LONG[0]} unless --short")
    parser.add_argument("--peer-trials", type=int, metavar="N", help=f"that peers run; {_LONG[1]}")
    parser.add_argument("--first", type=int, default=0, metavar="N", help="number of the first trial; 0")
    parser.add_argument("--write", action="store_true", help=f"write {RESULTS.name}")
    return parser.parse_args()


def _plan(said: argparse.Namespace) -> Plan:
    trials, peer_trials = _SHORT if said.short else _LONG
    trials = trials if said.trials is None else said.trials
    peer_trials = peer_trials if said.peer_trials is None else said.peer_trials
    return Plan(trials=trials, peer_trials=min(peer_trials, trials), first=said.first, ideal=True)


class _Page:
    """Lines that are printed at once, and kept."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def say(self, text: str = "") -> None:
        print(text, flush=True)
        self.lines.append(text)


def main() -> None:
    """Run the cases asked for, and print the results."""
    said = _arguments()
    plan, page = _plan(said), _Page()
    chosen = [c for c in CASES if not said.case or c.name in said.case]
    stages = [c for c in STAGES if not said.case or c.name in said.case]
    unknown = set(said.case or ()) - {c.name for c in (*CASES, *STAGES)}
    if unknown:
        raise SystemExit(f"no such case: {', '.join(sorted(unknown))}; there are {_names()}")
    page.say(f"# The estimator compared with its bound and with other methods\n\n{tables.machine()}\n")
    page.say(f"Made by `python -m tests.benchmarks` with {plan.trials} trials a case, {plan.peer_trials} by peers.\n")
    for peer, reason in peers.missing().items():
        page.say(f"Left out: {peer}, for {reason}.\n")
    left: list[str] = []
    odd: list[str] = []
    if chosen:
        page.say("## Taps\n\n" + tables.head(tables.TAP_HEAD))
        for case in chosen:
            _tap_case(case, plan, page, left, odd)
        page.say()
    if stages:
        page.say("## Stages\n\n" + tables.head(tables.STAGE_HEAD))
        for case in stages:
            _stage_case(case, plan, page, left, odd)
        page.say()
    _endings(page, left, odd)
    page.lines.append(tables.legend([*chosen, *stages]))
    if said.write:
        RESULTS.write_text("\n".join(page.lines), encoding="utf-8")


def _names() -> str:
    return ", ".join(c.name for c in (*CASES, *STAGES))


def _tap_case(case: Case, plan: Plan, page: _Page, left: list[str], odd: list[str]) -> None:
    tallies = play(case, plan)
    ideal = tallies.get(IDEAL)
    for method, tally in tallies.items():
        page.say(tables.tap_row(case, method, tally, ideal if method == OURS else None))
    ours = tallies[OURS]
    left += _left(
        case,
        ours.over(ideal),
        score.shortfalls(ours, bounded=case.bounded, near=case.near, chance=_DOUBTFUL),
        score.shortfalls(ours, bounded=case.bounded, near=case.near),
    )
    _odd(case, ours, odd)


def _stage_case(case: Case, plan: Plan, page: _Page, left: list[str], odd: list[str]) -> None:
    few = Plan(trials=max(1, plan.trials // 3), first=plan.first, ideal=plan.ideal)
    tallies = play_stage(case, few)
    tally, ideal = tallies[OURS], tallies.get(IDEAL)
    for method, each in tallies.items():
        page.say(tables.stage_row(case, method, each, ideal if method == OURS else None))
    left += _left(
        case,
        tally.over(ideal),
        score.stage_shortfalls(
            tally, shared=case.shared, pair_limit=case.pair_limit, near=case.near, chance=_DOUBTFUL
        ),
        score.stage_shortfalls(tally, shared=case.shared, pair_limit=case.pair_limit, near=case.near),
    )
    _odd(case, tally, odd)


def _left(case: Case, over: tuple[float, float], perhaps: list[str], beyond_chance: list[str]) -> list[str]:
    lost = (
        ""
        if math.isnan(over[0])
        else f"; relative to the ideal on the same sounds f {over[0]:.3f}, T60 {over[1]:.3f}"
    )
    return [
        f"- `{case.name}`: {what}{'' if what in beyond_chance else ' (may be chance)'}"
        f"{lost if 'the bound' in what else ''}"
        for what in perhaps
    ]


def _odd(case: Case, tally: Tally, odd: list[str]) -> None:
    if tally.odd:
        more = f"; and {len(tally.odd) - _MOST_ODD} more" if len(tally.odd) > _MOST_ODD else ""
        odd.append(f"- `{case.name}`, trials {'; '.join(tally.odd[:_MOST_ODD])}{more}")


def _endings(page: _Page, left: list[str], odd: list[str]) -> None:
    page.say("## Limits missed\n")
    page.say("\n".join(left) if left else "None.")
    page.say("\n## Trials worth repeating\n")
    page.say("\n".join(odd) if odd else "None.")
    page.say()


if __name__ == "__main__":
    main()
