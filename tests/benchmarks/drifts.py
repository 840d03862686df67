"""Identities of modes and the chance to overshoot, on simulated builds whose truth is known.

    python -m tests.benchmarks.drifts [--short] [--write]

Conventions: the simulations and what they assume are in ``tests/compare/*_sim.py``; every table compares
what is said with what was done. Verdicts have a benchmark of their own (``tests/benchmarks/moves.py``). Brier's score
is the mean square of chance minus outcome (Monthly Weather Review 78, 1950); the base rate's score is that of always
giving the overall frequency as the chance.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tests.benchmarks import tables
from tests.compare.identity_sim import WORKS, right_from_taps
from tests.compare.steps_sim import Day, passed, voicing_day

RESULTS = Path(__file__).with_name("DRIFTS.md")
TOLERANCE = 3.0
Say = Callable[[str], None]


def main() -> None:
    """Print the tables, and write them if asked to."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--short", action="store_true", help="a tenth of the builds")
    parser.add_argument("--write", action="store_true", help=f"write the tables to {RESULTS.name}")
    asked = parser.parse_args()
    share = 0.1 if asked.short else 1.0
    lines: list[str] = []

    def say(line: str) -> None:
        print(line, flush=True)
        lines.append(line)

    say(f"# Identity and steps on simulated builds\n\n{tables.machine()}\n")
    identities(say, int(100 * share))
    next_steps(say, int(2000 * share))
    if asked.write:
        RESULTS.write_text("\n".join(lines) + "\n", encoding="utf-8")


def identities(say: Say, builds: int) -> None:
    """Print how many identities are correct, from taps to names, by the work done on the build."""
    say("## Identities: ten modes, six stages, five taps with a scatter of one cent\n")
    say("| work | identities correct, % | wrong ones flagged, % | correct ones flagged, % | identities |")
    say("".join(["| --- " * 5, "|"]))
    for n, (name, work) in enumerate(WORKS.items()):
        found = right_from_taps(np.random.default_rng([73, n]), work, builds)
        shares = (found.kept, found.wrong_flagged, found.right_flagged)
        say(f"| {name} | {' | '.join(f'{100 * s:.1f}' for s in shares)} | {found.identities} |")
    say("")


def next_steps(say: Say, days: int) -> None:
    """Print how often an overshoot comes true, by its predicted chance."""
    simulated = [voicing_day(np.random.default_rng([74, n]), area=n % 2 == 1) for n in range(days)]
    covered = np.mean([d.outlook.low <= d.step <= d.outlook.high for d in simulated])
    say(f"## Next steps: {days}, after three to eight steps of the same work, half of them with opening areas\n")
    say(f"Prediction intervals that contain the next step: {100 * covered:.1f} %.\n")
    rng = np.random.default_rng(75)
    anywhere = [(d, float(ahead) * d.outlook.step.middle) for d in simulated for ahead in rng.uniform(-0.5, 2.0, 10)]
    _reliability(say, "Ten landings for each step, anywhere from half a step behind to two steps ahead", anywhere)
    ladder = [(d, to_go) for d in simulated for to_go in _ladder(d)]
    _reliability(say, "Ten landings for each step, placed so that all bins are filled equally", ladder)


def _ladder(day: Day) -> list[float]:
    up = day.outlook.step.middle > 0
    shares = [(k + 0.5) / 10.0 for k in range(10)]
    edges = [day.outlook.landing.quantile(1.0 - s if up else s) for s in shares]
    to_go = [edge - TOLERANCE if up else edge + TOLERANCE for edge in edges]
    return [cents for cents in to_go if abs(cents) > TOLERANCE and (cents > 0) == up]


def _reliability(say: Say, title: str, judged: list[tuple[Day, float]]) -> None:
    said = np.array([day.outlook.overshoot(to_go, TOLERANCE) for day, to_go in judged])
    came = np.array([float(passed(day, to_go, TOLERANCE)) for day, to_go in judged])
    brier, base = np.mean((said - came) ** 2), came.mean() * (1.0 - came.mean())
    say(f"{title}: Brier's score {brier:.4f}, the base rate's {base:.4f}.\n")
    say("| chance said, % | times | on average, % | came true, % | off, points |")
    say("".join(["| --- " * 5, "|"]))
    bins = np.minimum((10 * said).astype(int), 9)
    for b in range(10):
        own = bins == b
        if own.any():
            mean, share = 100 * said[own].mean(), 100 * came[own].mean()
            say(f"| {10 * b} to {10 * b + 10} | {own.sum()} | {mean:.1f} | {share:.1f} | {share - mean:+.1f} |")
    say("")


if __name__ == "__main__":
    main()
