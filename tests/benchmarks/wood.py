"""What is told of boards whose wood is known: ``python -m tests.benchmarks.wood --write`` writes ``WOOD.md``.

Five parts: published values against the model; simulated boards, read as a maker reads them, against their truth;
naming where modes are missing; forecasts of planing against what came; three real boards against their published
constants. Simulated boards come from :mod:`tapbatch.simulate.boards`, which is finer than what is fitted (see
:mod:`tests.wood.boards_sim`).
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from pathlib import Path
from statistics import mean, median

import numpy as np

from tapbatch.compare.blank_scores import planings_came
from tapbatch.model.settings import InstrumentSettings
from tapbatch.model.wood import AIMED, WoodFigures
from tapbatch.wood.figures import wood_figures
from tests.benchmarks import tables
from tests.outside.plates import published_values
from tests.outside.real_boards import real_boards
from tests.outside.test_real_boards import left_out
from tests.wood.boards_sim import LOSSES, Simulated, planed, planed_history, simulate

RESULTS = Path(__file__).with_name("WOOD.md")
MODULI = ("e_along_gpa", "e_across_gpa", "g_gpa")
RIGHT = 0.12
"""A naming is wrong if it puts a modulus off by more than this: about five times the scatter of all."""

Say = Callable[[str], None]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--boards", type=int, default=500, help="simulated boards of the first table")
    parser.add_argument("--write", action="store_true", help=f"write {RESULTS.name}")
    asked_for = parser.parse_args()
    lines: list[str] = []

    def say(line: str) -> None:
        print(line, flush=True)
        lines.append(line)

    say(f"# Wood before it is an instrument\n\n{tables.machine()}\n")
    published(say)
    simulated(say, asked_for.boards)
    naming(say, max(asked_for.boards // 8, 10))
    planing(say, max(asked_for.boards // 5, 5))
    real(say)
    if asked_for.write:
        RESULTS.write_text("\n".join(lines) + "\n", encoding="utf-8")


def published(say: Say) -> None:
    say("## Published values\n\nSources in full: `tests/outside/plates.py`.\n")
    say("| value | source | published | ours | off, % |\n| --- | --- | --- | --- | --- |")
    for value in published_values():
        say(f"| {value.what} | {value.source} | {value.published:g} | {value.ours:.5g} | {value.off_pct:+.2f} |")
    say("")


def truth_of(board: Simulated) -> dict[str, float]:
    return board.truth() | dict(zip(("loss_along", "loss_across", "loss_twist"), LOSSES, strict=True))


def simulated(say: Say, count: int) -> None:
    say(f"## {count} simulated boards, and {count // 5} measured with a caliper that reads 1 % too much\n")
    say("The truth is a board uneven in thickness, stiffness and density; one mode in ten is not heard, and")
    say("some tones are none of its modes. Limits: bias of each figure under 1 %, coverage of")
    say(
        "each at least 92 %, of the eight of stiffness and density together 93 to 98 %. *Half*: half of the interval,"
    )
    say("median.\n")
    boards = [simulate(np.random.default_rng([170, k])) for k in range(count)]
    figures = [wood_figures(b.sizes, b.tones) for b in boards]
    _told(say, boards, figures)
    refused = [f.refused for f in figures if f.refused]
    say(f"\nWithout figures: {len(refused)} ({', '.join(sorted(set(refused))) or 'none'}).")
    say(f"Named clearly: {_clear(figures)} of {count}, wrong {_wrong(boards, figures)}.\n")
    say("With the caliper 1 % too high in every reading:\n")
    off = [simulate(np.random.default_rng([171, k]), caliper=0.01) for k in range(count // 5)]
    _told(say, off, [wood_figures(b.sizes, b.tones) for b in off])
    say("")


def _told(say: Say, boards: list[Simulated], figures: list[WoodFigures]) -> None:
    say("| figure | told | bias, % | scatter, % | held, % | half, % |\n| --- | --- | --- | --- | --- | --- |")
    together: list[bool] = []
    for name in truth_of(boards[0]):
        pairs = [(getattr(f, name), truth_of(b)[name]) for b, f in zip(boards, figures, strict=True)]
        told = [(figure, value) for figure, value in pairs if figure is not None]
        off = [100.0 * math.log(figure.value / value) for figure, value in told]
        held = [figure.low <= value <= figure.high for figure, value in told]
        together += [] if name.startswith("loss") else held
        # Medians: a wrong name that slipped through is counted below, and would swamp a mean.
        say(
            f"| `{name}` | {len(told)} of {len(boards)} | {median(off):+.2f} | {_scatter(off):.2f} |"
            f" {100 * mean(held):.1f} | {median(f.half_pct for f, _ in told):.1f} |"
        )
    say(f"| density and stiffness together | | | | {100 * mean(together):.1f} | |")


def _scatter(off: list[float]) -> float:
    low, high = np.percentile(off, [16, 84])
    return float(high - low) / 2.0


def _clear(figures: list[WoodFigures]) -> int:
    return sum(not f.refused and "open" not in f.flags for f in figures)


def _wrong(boards: list[Simulated], figures: list[WoodFigures]) -> int:
    """Count the boards that are named clearly and wrongly."""
    return sum(
        not f.refused
        and "open" not in f.flags
        and any(
            (figure := getattr(f, name)) is not None and abs(math.log(figure.value / b.truth()[name])) > RIGHT
            for name in MODULI
        )
        for b, f in zip(boards, figures, strict=True)
    )


def naming(say: Say, count: int) -> None:
    say("## Naming with modes missing\n")
    say("Of the first eight modes, so many are not heard. Limits: named in at least 60 %, right in 98 % of them.")
    say(f"Wrong: a modulus is off by more than {100 * RIGHT:.0f} %.\n")
    say("| missing | words | boards | named, % | right of those named, % |\n| --- | --- | --- | --- | --- |")
    for missing in (1, 2, 3):
        boards = [simulate(np.random.default_rng([172, missing, k]), missing=missing) for k in range(count)]
        for words in (False, True):
            figures = [wood_figures(b.sizes, b.tones, b.aimed() if words else None) for b in boards]
            clear = _clear(figures)
            right = 100.0 * (1.0 - _wrong(boards, figures) / max(clear, 1))
            say(f"| {missing} | {'yes' if words else 'no'} | {count} | {100 * clear / count:.0f} | {right:.1f} |")
    say("")


def planing(say: Say, count: int) -> None:
    """Say how forecasts of planing came out on boards that are planed three times."""
    say("## Planed in steps\n")
    say(f"{count} boards, each planed three times by hand: 3 to 10 % thinner, and thick in other places than before.")
    say("What was forecast of a mode from the taps before, at the thickness that was then read, against what came.")
    say("Limit: the 95 % intervals hold at least 91 %. *Off*: by how much it came lower (-) than forecast, median.")
    say("*Past*: the next note below was passed so often, and by the chances it should have been.\n")
    say("| mode | forecasts | off, cents | held, % | half, cents | past | said |")
    say("| --- | --- | --- | --- | --- | --- | --- |")
    histories = (planed_history(planed(np.random.default_rng([173, k]), 3)) for k in range(count))
    came = [row for history in histories for row in planings_came(history, InstrumentSettings())]
    for mode in (*AIMED, "all"):
        rows = [row for row in came if mode in (row.mode, "all")]
        off = median(row.came_cents - row.step_cents for row in rows)
        half = median((row.step_high_cents - row.step_low_cents) / 2 for row in rows)
        held = 100 * mean(row.came_within for row in rows)
        past, said = sum(row.came_over for row in rows), sum(row.overshoot for row in rows)
        say(f"| {mode} | {len(rows)} | {off:+.1f} | {held:.1f} | {half:.0f} | {past} | {said:.1f} |")
    say("")


def real(say: Say) -> None:
    say("## Three real boards\n")
    say("Published constants are from finite elements without air; ours without and with it. GPa, 95 % intervals.\n")
    say("| board | constant | published, one sd | ours, no air | off, % | ours, in air |")
    say("| --- | --- | --- | --- | --- | --- |")
    for board in real_boards():
        without, within = (wood_figures(board.sizes, board.tones, air_kg_m3=rho) for rho in (0.0, 1.204))
        for name, (value, sd) in board.constants.items():
            ours, aired = getattr(without, name), getattr(within, name)
            cells = [board.name, f"`{name}`", f"{value:g} +-{sd:g} %"]
            cells += ["not told", "", "not told"] if ours is None else [
                f"{ours.value:.3f} +-{ours.half_pct:.1f} %",
                f"{100 * (ours.value / value - 1):+.1f}",
                "not told" if aired is None else f"{aired.value:.3f} +-{aired.half_pct:.1f} %",
            ]  # fmt: skip
            say(f"| {' | '.join(cells)} |")
    say("\nEach tone left out of the fit in its turn, and predicted from the others (limit: 1.5 % in the median):\n")
    say("| board | tones | off in the median, % | most, % |\n| --- | --- | --- | --- |")
    for board in real_boards():
        errors = [abs(error) for error in left_out(board)]
        say(f"| {board.name} | {len(errors)} | {median(errors):.2f} | {max(errors):.2f} |")


if __name__ == "__main__":
    main()
