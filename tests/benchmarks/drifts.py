"""Verdicts, identities of modes and the chance to overshoot, on simulated builds whose truth is known.

    python -m tests.benchmarks.drifts [--short] [--write]

Conventions: the simulations and what they assume are in ``tests/compare/*_sim.py``; every table compares
what is said with what was done. Brier's score is the mean square of chance minus outcome (Monthly Weather Review 78,
1950); the base rate's score is that of always giving the overall frequency as the chance.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tapbatch.compare.history import build_history
from tapbatch.model.settings import InstrumentSettings
from tests.benchmarks import tables
from tests.compare.drift_sim import Said, a_pair, again_build
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

    say(f"# Drift, identity and steps on simulated builds\n\n{tables.machine()}\n")
    verdicts(say, int(400 * share))
    harsh_verdicts(say, int(400 * share))
    set_ups(say, int(200 * share))
    identities(say, int(100 * share))
    next_steps(say, int(2000 * share))
    if asked.write:
        RESULTS.write_text("\n".join(lines) + "\n", encoding="utf-8")


def verdicts(say: Say, builds: int) -> None:
    """Print how often a move of six cents is found, and how often a mode that did not move is called moved."""
    say("## Verdicts: five taps at each stage, three modes in ten moved by 6 cents\n")
    say("| tap scatter, cents | modes | moves found, % | still called moved, % | stages with an error, % |")
    say("".join(["| --- " * 5, "|"]))
    every: list[Said] = []
    for scatter in (0.3, 1.0, 2.0):
        for modes in (1, 3, 8, 16):
            said, false, families = _families(scatter, modes, builds * (15 if modes == 1 else 3))
            every += said
            say(f"| {scatter} | {modes} | {_told(said, false, families)} |")
    covered = np.mean([s.covers for s in every])
    say(f"\nDrift intervals that contain the truth: {100 * covered:.1f} % of {len(every)}.\n")


def harsh_verdicts(say: Say, builds: int) -> None:
    """Print the same for modes that all scatter by two cents, for modes that differ, and for few taps."""
    say("## Verdicts in hard cases: few taps; modes that scatter by 2 cents, or by different amounts up to 2\n")
    say(
        "| taps at each stage | scatter of the modes | modes | moves found, % | still called moved, % |"
        " stages with an error, % |"
    )
    say("".join(["| --- " * 6, "|"]))
    for taps in ((2, 1), (5, 1), 2, 3, 5):
        for unlike, name in ((0.0, "alike"), (0.7, "unlike")):
            for modes in (1, 3, 8, 16) if not unlike else (3, 8, 16):
                said, false, families = _families(2.0, modes, builds * (15 if modes == 1 else 3), taps, unlike)
                sides = f"{taps[0]}, then {taps[1]}" if isinstance(taps, tuple) else str(taps)
                say(f"| {sides} | {name} | {modes} | {_told(said, false, families)} |")
    say("")


def _told(said: list[Said], false: int, families: int) -> str:
    told = np.mean([s.verdict == ("up" if s.true > 0 else "down") for s in said if s.true])
    called = np.mean([s.verdict in ("up", "down") for s in said if not s.true])
    return f"{100 * told:.1f} | {100 * called:.1f} | {100 * false / families:.1f}"


def _families(
    scatter: float, modes: int, builds: int, taps: int | tuple[int, int] = 5, unlike: float = 0.3
) -> tuple[list[Said], int, int]:
    said: list[Said] = []
    false, families = 0, 0
    for n in range(builds):
        rng = np.random.default_rng([71, int(10 * scatter), modes, n])
        moves = [float(rng.choice([-6.0, 6.0])) if rng.random() < 0.3 else 0.0 for _ in range(modes)]
        of_build = a_pair(rng, moves, scatter, taps, unlike=unlike)
        still = [s for s in of_build if not s.true]
        families += bool(still)
        false += any(s.verdict in ("up", "down") for s in still)
        said += of_build
    return said, false, max(1, families)


def set_ups(say: Say, builds: int) -> None:
    """Print how often drift intervals contain the truth when set-ups move the modes."""
    say("## Set-ups: eight modes that do not move, drift between two stages set up once each\n")
    say("| set-up, cents | again | intervals that contain the truth, % | called moved, % | half-width, cents |")
    say("".join(["| --- " * 5, "|"]))
    for setup in (0.3, 1.0, 2.0):
        for again in (0, 1, 3, 8):
            rows = [
                d
                for n in range(builds)
                for d in _still(np.random.default_rng([72, int(10 * setup), again, n]), setup, again)
            ]
            holds = np.mean([low <= 0.0 <= high for low, high, _ in rows])
            moved = np.mean([verdict in ("up", "down") for _, _, verdict in rows])
            half = np.median([(high - low) / 2.0 for low, high, _ in rows])
            say(f"| {setup} | {again} | {100 * holds:.1f} | {100 * moved:.1f} | {half:.2f} |")
    say(
        "\nWithout `again` (0) the readings are flagged `one-setup`, and the intervals cover only the scatter of"
        " taps.\n"
    )


def _still(rng: np.random.Generator, setup: float, again: int) -> list[tuple[float, float, str]]:
    history, _ = build_history("cittern-07", again_build(rng, setup, again), InstrumentSettings(), {})
    return [
        (d.cents_low, d.cents_high, d.verdict)
        for d in history.drifts
        if d.to_stage == "02-s" and d.cents_low is not None and d.cents_high is not None
    ]


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
