"""What the physics of a box says of openings, beside the limits that were set for it.

    python -m tests.benchmarks.openings [--boxes N] [--short] [--write]

Conventions: boxes are those of ``tests/box/boxes_sim.py``, a finer make than the product's: a back that pushes, an
inner end that the box confines, a top that drifts, sizes and temperatures that are not quite right. Each is cut in
steps of 1 to 3 mm of diameter. A *far cut* goes 12 mm of diameter beyond the last of four stages. *Error* is the
root mean square in cents; the *power law* is what the same stages say without physics, and the ratio is that of the
two errors. *Holds* is how often the truth lies in the 95 % interval, *width* the median of the interval in cents.
*Pinball* is the mean loss over seven quantiles. A figure beyond its limit by more than two standard errors is set
in bold, and the exit status is then 1."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from tests.benchmarks import tables
from tests.benchmarks.limited import Benchmark, Say
from tests.benchmarks.moves_limits import Ledger, per_cent
from tests.box.boxes_count import Far, Known, Next, aim, far_cuts, next_cut

KNOWN = {
    "covered tap, volume": Known(),
    "covered tap": Known(volume=False),
    "volume": Known(covered=False),
    "neither": Known(covered=False, volume=False),
    "covered tap, volume, back not labelled": Known(third=False),
    "volume, air labelled alone": Known(covered=False, high=False),
}
RESONANCES = ("air", "top")


def far(say: Say, limits: Ledger, boxes: int) -> None:
    """Print how far cuts come out, by what is known of the box."""
    say("## Far cuts\n")
    say(tables.head(("known", "mode", "cuts", "error", "power law", "ratio, %", "holds, %", "width")))
    every: list[tuple[Far, ...]] = []
    limits.group = "far cuts"
    for k, (name, known) in enumerate(KNOWN.items()):
        found = [far_cuts(np.random.default_rng([201, k, n]), known, ratio=_ratio(n)) for n in range(boxes)]
        every += found
        for n, mode in enumerate(RESONANCES):
            cuts = [each[n] for each in found if n < len(each)]
            if cuts:
                limits.case = f"{name}, {mode}"
                say(_far_row((name, mode), cuts, limits))
    for n, mode in enumerate(RESONANCES):
        cuts = [each[n] for each in every if n < len(each)]
        limits.case = f"all, {mode}"
        limits.most("error over that of the power law", _over(cuts), 0.65, len(cuts))
        say(_far_row(("all", mode), cuts, limits))
    say("")


def _ratio(n: int) -> float:
    """Return the length over the width of an opening: every fourth is an oval."""
    return 3.0 if n % 4 == 0 else 1.0


def _far_row(names: Sequence[str], cuts: Sequence[Far], limits: Ledger) -> str:
    held = limits.least("holds", float(np.mean([c.held for c in cuts])), 0.91, len(cuts))
    ours, theirs = _rms([c.error for c in cuts]), _rms([c.by_power_law for c in cuts])
    width = f"{np.median([c.width for c in cuts]):.0f}"
    ratio = per_cent(_over(cuts))
    return f"| {' | '.join((*names, str(len(cuts)), f'{ours:.1f}', f'{theirs:.1f}', ratio, held, width))} |"


def _over(cuts: Sequence[Far]) -> float:
    return _rms([c.error for c in cuts]) / _rms([c.by_power_law for c in cuts])


def _rms(values: Sequence[float]) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def targets(say: Say, limits: Ledger, boxes: int) -> None:
    """Print what is said of notes above the air mode, up to half as high again as it can get."""
    say("## Which opening a note needs, or that none gets there\n")
    say(
        tables.head(
            (
                "known",
                "notes",
                "out of reach",
                "said so, %",
                "right where said, %",
                "opening holds, %",
                "stop too late, %",
            )
        )
    )
    limits.group = "openings needed"
    for k, (name, known) in enumerate(KNOWN.items()):
        limits.case = name
        found = [aim(np.random.default_rng([202, k, n]), known) for n in range(2 * boxes)]
        beyond = [each for each in found if not each.reachable]
        within = [each for each in found if each.reachable]
        said = [each for each in found if each.said_none]
        told = (
            name,
            str(len(found)),
            str(len(beyond)),
            limits.least("said where out of reach", _share([e.said_none for e in beyond]), 0.5, len(beyond)),
            limits.least("right where said", _share([not e.reachable for e in said]), 0.95, len(said)),
            limits.least("opening holds", _share([e.held for e in within]), 0.91, len(within)),
            limits.most("stop too late", _share([e.early for e in within]), 0.05, len(within)),
        )
        say(f"| {' | '.join(told)} |")
    say("")


def _share(values: Sequence[bool]) -> float:
    return float(np.mean(values)) if values else 1.0


def next_cuts(say: Say, limits: Ledger, boxes: int) -> None:
    """Print what is said of the next cut by cuts and physics together, and by the cuts alone."""
    say("## The next cut, as large as those before, give or take\n")
    say("`8 c more` are boxes in which each cut does 8 cents more than physics knows of.\n")
    say(
        tables.head(
            ("stages", "boxes", "cuts", "error", "holds, %", "width", "pinball", "alone: error", "holds, %", "width",
             "pinball", "said to differ, %")
        )
    )  # fmt: skip
    limits.group = "the next cut"
    for stages in (2, 3, 4, 6):
        for kick in (0.0, 8.0):
            found = [next_cut(np.random.default_rng([203, stages, n]), _mixed(n), stages, kick) for n in range(boxes)]
            name = f"{kick:g} c more" if kick else "as they are"
            limits.case = f"{stages} stages, {name}"
            say(_next_row((str(stages), name), found, limits if not kick or stages > 2 else None))
    say("")


def _mixed(n: int) -> Known:
    return Known(covered=n % 2 == 0, volume=n % 3 > 0)


def _next_row(names: Sequence[str], found: Sequence[Next], limits: Ledger | None) -> str:
    both = np.array([each.both for each in found])
    share = float(both[:, 1].mean())
    held = limits.least("holds", share, 0.91, len(found)) if limits else per_cent(share)
    told = [*names, str(len(found)), f"{_rms(both[:, 0]):.1f}", held]
    told += [f"{np.median(both[:, 2]):.0f}", f"{both[:, 3].mean():.2f}"]
    alone = np.array([each.alone for each in found if each.alone is not None])
    if len(alone):
        told += [f"{_rms(alone[:, 0]):.1f}", per_cent(float(alone[:, 1].mean()))]
        told += [f"{np.median(alone[:, 2]):.0f}", f"{alone[:, 3].mean():.2f}"]
    else:
        told += [""] * 4
    told.append(per_cent(_share([each.physics == "apart" for each in found])))
    return f"| {' | '.join(told)} |"


def _conventions() -> str:
    said = (__doc__ or "").partition("Conventions: ")[2].replace("``", "`")
    return said[:1].upper() + said[1:]


def main() -> int:
    """Print the tables, and write them if asked to; return 1 if a limit is missed."""
    return Benchmark(
        about=__doc__.partition("\n")[0],
        title="The box with its opening",
        counted="boxes",
        each="row",
        usual=400,
        short=30,
        results=Path(__file__).with_name("OPENINGS.md"),
        conventions=_conventions(),
    ).run(_tables)


def _tables(say: Say, limits: Ledger, boxes: int) -> None:
    far(say, limits, boxes)
    targets(say, limits, boxes)
    next_cuts(say, limits, boxes)


if __name__ == "__main__":
    raise SystemExit(main())
