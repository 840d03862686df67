"""What is said of the next cut after earlier instruments of a family, beside the limits that were set for it.

    python -m tests.benchmarks.nextcut [--cuts N] [--short] [--write]

Conventions: families are those of ``tests/compare/families_sim.py``, with 2 to 10 earlier instruments of 3 to 8
steps. *Holds*: how often the step lies in its 95 % interval. *Width* is the mean width of the interval, in cents.
*Pinball* is the mean loss over the quantiles 2.5, 10, 25, 50, 75, 90 and 97.5 %, in cents; *Brier* that of the chance
to pass a landing, of which ten lie anywhere from half a step behind to two steps ahead. Smaller is better for both.
*Alone* is what the same steps say without the family. *Knowing* is an ideal that knows how far instruments, trends
and steps differ, and the trend of the family, and has only to find the rest. A figure beyond its limit by more than
two standard errors is set in bold, and the exit status is then 1."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tapbatch.compare.step_family import learn_family
from tapbatch.compare.step_pooled import family_of, outlook_pooled
from tapbatch.compare.steps import Outlook, learn_steps
from tests.benchmarks import tables
from tests.benchmarks.limited import Benchmark, Say
from tests.benchmarks.moves_limits import Ledger, per_cent
from tests.compare.families_sim import KINDS, Cut, Noted, cut, knowing
from tests.compare.steps_sim import GROWTH, is_past

FEWEST = 400
TOLERANCE = 3.0
_QUANTILES = (0.025, 0.1, 0.25, 0.5, 0.75, 0.9, 0.975)
_AHEAD = 10


@dataclass(frozen=True)
class Judged:
    """One forecast: whether it held, its width, its loss, and for ten landings the chance said and what came."""

    held: bool
    width: float
    pinball: float
    said: tuple[float, ...]
    came: tuple[float, ...]

    @property
    def brier(self) -> float:
        """The mean squared difference of what was said and what came."""
        return float(np.mean((np.array(self.said) - np.array(self.came)) ** 2))


@dataclass(frozen=True)
class Both:
    """One cut: the forecast with the family, that of the steps alone if there is one, and the ideal's if asked."""

    seen: int
    earlier: int
    pooled: Judged
    alone: Judged | None
    ideal: Judged | None


def judged(outlook: Outlook, one: Cut, landings: Sequence[float]) -> Judged:
    """Return a forecast beside what came."""
    at = [outlook.step.quantile(q) for q in _QUANTILES]
    loss = [(one.step - x) * (q if one.step > x else q - 1.0) for q, x in zip(_QUANTILES, at, strict=True)]
    return Judged(
        held=at[0] <= one.step <= at[-1],
        width=at[-1] - at[0],
        pinball=float(np.mean(loss)),
        said=tuple(outlook.overshoot(to_go, TOLERANCE) for to_go in landings),
        came=tuple(float(is_past(one.landed, to_go, TOLERANCE)) for to_go in landings),
    )


def both_of(one: Cut, rng: np.random.Generator, *, ideal: bool) -> Both | None:
    """Return the forecasts of a cut; ``None`` where earlier instruments went both ways and nothing was cut here."""
    family = family_of(one.earlier, one.own)
    assert family is not None
    if family.opposed and not one.own.steps:
        return None
    outlook = outlook_pooled(one.own, family)
    landings = [float(ahead) * outlook.step.middle for ahead in rng.uniform(-0.5, 2.0, _AHEAD)]
    alone = learn_steps(one.own.stages, one.own.steps)
    knows = learn_family(one.earlier, "step", knowing(one.truth, family.centre)) if ideal else None
    return Both(
        seen=len(one.own.steps),
        earlier=len(one.earlier),
        pooled=judged(outlook, one, landings),
        alone=None if alone is None else judged(alone, one, landings),
        ideal=None if knows is None else judged(outlook_pooled(one.own, knows), one, landings),
    )


# ---------------------------------------------------------------- tables

_COLUMNS = ("steps", "cut", "forecasts", "holds, %", "width")
_KNOWING = ("knowing: holds, %", "width")
_ALONE = ("alone: holds, %", "width")
_STEPS = {"first": (0,), "second": (1,), "third": (2,), "fourth to eighth": (3, 4, 5, 6, 7)}


def cells(say: Say, limits: Ledger, cuts: int) -> list[Both]:
    """Print what is said of the first, second, third and later cuts in each kind of family."""
    say("## By kind of family\n")
    say(tables.head(("family", *_COLUMNS, *_KNOWING, *_ALONE)))
    limits.group = "each cell"
    every: list[Both] = []
    for k, kind in enumerate(KINDS):
        for t, trend in enumerate(GROWTH):
            for s, (name, seen) in enumerate(_STEPS.items()):
                limits.case = f"{kind}, {trend}, {name} cut"
                found = []
                for n in range(cuts):
                    rng = np.random.default_rng([101, k, t, s, n])
                    one = cut(rng, kind, trend, int(rng.choice(seen)))
                    found.append(both_of(one, rng, ideal=kind != "one the other way"))
                kept = [each for each in found if each is not None]
                every += kept
                say(_row((kind, trend, name), kept, limits, with_ideal=True))
    say("")
    return every


def noted_cells(say: Say, limits: Ledger, cuts: int) -> list[Both]:
    """Print the same where the notes say how much came off; the next amount is not known."""
    say("## Where the notes say what came off\n")
    say(tables.head(("noted", *_COLUMNS, *_ALONE)))
    limits.group = "what came off"
    every: list[Both] = []
    noted: tuple[tuple[Noted, str], ...] = (("area", "level"), ("mass", "level"), ("mass", "growing"))
    for k, (what, trend) in enumerate(noted):
        for s, (name, seen) in enumerate(_STEPS.items()):
            limits.case = f"by {what}, {trend}, {name} cut"
            kept = []
            for n in range(cuts):
                rng = np.random.default_rng([102, k, s, n])
                kind = KINDS[int(rng.integers(2))]
                both = both_of(cut(rng, kind, trend, int(rng.choice(seen)), noted=what), rng, ideal=False)
                kept += [] if both is None else [both]
            every += kept
            say(_row((f"by {what}", trend, name), kept, limits, with_ideal=False))
    say("")
    return every


def _row(names: Iterable[str], kept: Sequence[Both], limits: Ledger, *, with_ideal: bool) -> str:
    pooled = [each.pooled for each in kept]
    ideal = [each.ideal for each in kept if each.ideal is not None]
    alone = [each.alone for each in kept if each.alone is not None]
    held = limits.least("holds", _held(pooled), 0.91, len(kept)) if kept else ""
    told = (*names, str(len(kept)), held, _width(pooled), *(_held_and_width(ideal) if with_ideal else ()))
    return f"| {' | '.join((*told, *_held_and_width(alone)))} |"


def _held_and_width(found: Sequence[Judged]) -> tuple[str, str]:
    return (per_cent(_held(found)), _width(found)) if found else ("", "")


def _held(found: Sequence[Judged]) -> float:
    return float(np.mean([each.held for each in found]))


def _width(found: Sequence[Judged]) -> str:
    return f"{np.mean([each.width for each in found]):.1f}" if found else ""


def together(say: Say, limits: Ledger, every: Sequence[Both]) -> None:
    """Print how all forecasts together hold, and whether chances come true."""
    say("## Together, by the number of earlier instruments\n")
    say("| earlier | forecasts | holds, % | first cut: holds, % | width | second: holds, % | width |")
    say("".join(["| --- " * 7, "|"]))
    limits.group = "by earlier instruments"
    for low, high in ((2, 3), (4, 6), (7, 10)):
        limits.case = f"{low} to {high}"
        some = [each for each in every if low <= each.earlier <= high]
        held = limits.least("holds", _held([e.pooled for e in some]), 0.91, len(some))
        by_step = [_held_and_width([e.pooled for e in some if e.seen == seen]) for seen in (0, 1)]
        say(f"| {low} to {high} | {len(some)} | {held} | {' | '.join(c for pair in by_step for c in pair)} |")
    limits.group, limits.case = "together", "all"
    share = _held([each.pooled for each in every])
    limits.least("holds", share, 0.93, len(every))
    limits.most("holds", share, 0.98, len(every))
    say(f"| all | {len(every)} | {per_cent(share)} | | | | |\n")
    say("## Chances to pass a landing\n")
    say("| said, % | came, % | cases |")
    say("| --- | --- | --- |")
    said = np.array([x for each in every for x in each.pooled.said])
    came = np.array([x for each in every for x in each.pooled.came])
    bins = np.minimum((10 * said).astype(int), 9)
    for b in range(10):
        own = bins == b
        if own.sum() < FEWEST:
            continue
        off = float(abs(said[own].mean() - came[own].mean()))
        limits.case = f"said {10 * b} to {10 * b + 10} %"
        # The landings of a cut hang together: a fifth of them counts.
        shown = limits.most("chance off", off, 0.07, int(own.sum()) // 5)
        say(f"| {100 * said[own].mean():.1f} | {100 * came[own].mean():.1f} ({shown} off) | {own.sum()} |")
    say("")


def against_alone(say: Say, limits: Ledger, every: Sequence[Both]) -> None:
    """Print the scores with and without the family, by cut."""
    say("## Scores beside those of the instrument alone\n")
    say("| cut | forecasts | pinball | alone | Brier | alone |")
    say("| --- | --- | --- | --- | --- | --- |")
    limits.group = "better than alone"
    for seen in range(8):
        some = [each for each in every if each.seen == seen]
        pairs = [(each.pooled, each.alone) for each in some if each.alone is not None]
        told = [
            f"{np.mean([e.pooled.pinball for e in some]):.2f}",
            "",
            f"{np.mean([e.pooled.brier for e in some]):.4f}",
            "",
        ]
        if pairs:
            limits.case = f"cut {seen + 1}"
            for n, what in ((0, "pinball"), (2, "brier")):
                ours, theirs = (np.array([getattr(p[k], what) for p in pairs]) for k in (0, 1))
                told[n + 1] = f"{theirs.mean():.{2 + n}f}"
                # Not better than the other at all would be a ratio of one; the limit leaves nothing to chance.
                limits.most(f"{what} over that alone", float(ours.mean() / theirs.mean()), 1.0, len(pairs))
        say(f"| {seen + 1} | {len(some)} | {' | '.join(told)} |")
    say("")


def unforeseen(say: Say, cuts: int) -> None:
    """Print what happens if the new instrument goes the other way and no earlier one did; there is no limit."""
    say("## A new instrument that goes the other way, where all earlier ones went alike\n")
    say("Nothing can foresee that, so the first cut is missed. No limit is set.\n")
    say("| cut | forecasts | holds, % | width |")
    say("| --- | --- | --- | --- |")
    for seen in range(6):
        found = []
        for n in range(cuts):
            rng = np.random.default_rng([103, seen, n])
            both = both_of(cut(rng, "alike", "level", seen, new_turned=True), rng, ideal=False)
            found += [] if both is None else [both.pooled]
        say(f"| {seen + 1} | {len(found)} | {per_cent(_held(found))} | {_width(found)} |")
    say("")


def _conventions() -> str:
    said = (__doc__ or "").partition("Conventions: ")[2].replace("``", "`")
    return said[:1].upper() + said[1:]


def main() -> int:
    """Print the tables, and write them if asked to; return 1 if a limit is missed."""
    return Benchmark(
        about=__doc__.partition("\n")[0],
        title="The next cut, learned from a family",
        counted="cuts",
        each="cell",
        usual=400,
        short=40,
        results=Path(__file__).with_name("NEXTCUT.md"),
        conventions=_conventions(),
    ).run(_tables)


def _tables(say: Say, limits: Ledger, cuts: int) -> None:
    every = cells(say, limits, cuts)
    noted = noted_cells(say, limits, cuts)
    together(say, limits, [*every, *noted])
    against_alone(say, limits, every)
    unforeseen(say, cuts)


if __name__ == "__main__":
    raise SystemExit(main())
