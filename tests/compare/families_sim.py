"""Simulated families: earlier instruments on which one work was done, and a new one whose next step is known.

Random numbers come from the generator that is passed in. A typical step of a family moves the mode by 8 to 25 cents,
up or down. Instruments differ in the size of their steps by 0 to 25 % (alike) or 40 to 80 % (unlike) of that, as
standard deviations. Steps stay level, shrink or grow as in ``steps_sim.py``; instruments of a family differ in it by
5 % a step. Each step scatters by 10 to 30 % of the size that is usual for its place. In a third kind of family,
one earlier instrument goes the other way. Readings are those of five taps that scatter by 0.2 to 2 cents.

Where steps are counted by area, openings begin at 300 to 600 mm2 and grow by 30 to 70 mm2 a step, all different; a
mode goes 100 to 300 cents a doubling, and 10 to 30 % of a usual step is scatter. Where they are counted by mass,
steps take 1 to 5 g, and differ by 40 % on one instrument.

2 to 10 earlier instruments have 3 to 8 steps each. Nothing of this is taken from the code that is judged.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tapbatch.compare.step_course import Course, Taken
from tapbatch.compare.step_family import Grid
from tapbatch.compare.steps import At
from tests.compare.steps_sim import GROWTH

Noted = Literal["", "area", "mass"]
Kind = Literal["alike", "unlike", "one the other way"]
KINDS: tuple[Kind, ...] = ("alike", "unlike", "one the other way")

_SPREAD = {"alike": (0.0, 0.25), "unlike": (0.4, 0.8), "one the other way": (0.0, 0.25)}
_GROWTH_SD = 0.05
_MIDDLE = 2.0


@dataclass(frozen=True)
class Truth:
    """What a family is like: cents a typical step, and the standard deviations between instruments and steps."""

    effect: float
    spread: float
    growth: float
    scatter: float


@dataclass(frozen=True)
class Cut:
    """What was known before a cut on the new instrument, and what it then did to the mode, in cents.

    ``step`` is the true change, ``landed`` where the mode truly is afterwards, from the latest reading.
    """

    earlier: tuple[Course, ...]
    own: Course
    step: float
    landed: float
    truth: Truth


def cut(
    rng: np.random.Generator,
    kind: Kind,
    trend: str,
    seen: int,
    new_turned: bool = False,
    noted: Noted = "",
) -> Cut:
    """Return a cut on an instrument with ``seen`` steps so far, after 2 to 10 others."""
    count = int(rng.integers(2, 11))
    size = rng.uniform(100.0, 300.0) if noted == "area" else rng.uniform(8.0, 25.0)
    effect = float(rng.choice([-1.0, 1.0]) * size)
    truth = Truth(
        effect=effect,
        spread=abs(effect) * float(rng.uniform(*_SPREAD[kind])),
        growth=math.log(float(rng.uniform(*GROWTH[trend]))),
        # A step of 50 mm2 in 450 is 0.15 doublings.
        scatter=abs(effect) * float(rng.uniform(0.1, 0.3)) * (0.15 if noted == "area" else 1.0),
    )
    turned = int(rng.integers(count)) if kind == "one the other way" else -1
    courses = [_course(rng, truth, int(rng.integers(3, 9)), noted, turned=n == turned)[0] for n in range(count)]
    whole, moves = _course(rng, truth, seen + 1, noted, turned=new_turned)
    own = Course(whole.stages[:-1], whole.steps[:-1], whole.taken[:-1])
    before = float(np.sum(moves[:-1]))
    return Cut(tuple(courses), own, float(moves[-1]), before + float(moves[-1]) - own.stages[-1].cents, truth)


def _course(
    rng: np.random.Generator, truth: Truth, steps: int, noted: Noted, *, turned: bool
) -> tuple[Course, np.ndarray]:
    slope = rng.normal(truth.effect, truth.spread) * (-1.0 if turned else 1.0)
    growth = rng.normal(truth.growth, _GROWTH_SD)
    place = np.arange(steps) - _MIDDLE
    usual, own, grams = np.exp(truth.growth * place), np.exp(growth * place), np.ones(steps)
    areas: list[float | None] = [None] * (steps + 1)
    if noted == "area":
        opened = rng.uniform(300.0, 600.0) + np.cumsum([0.0, *rng.uniform(30.0, 70.0) * rng.uniform(0.8, 1.2, steps)])
        areas, usual, own = [float(a) for a in opened], np.ones(steps), np.diff(np.log2(opened))
    if noted == "mass":
        grams = rng.uniform(1.0, 5.0) * np.exp(rng.normal(0.0, 0.4, steps)) / 3.0
    moves = slope * own * grams + rng.normal(0.0, 1.0, steps) * truth.scatter * usual * grams
    variance = rng.uniform(0.2, 2.0) ** 2 / 5.0
    read = np.cumsum([0.0, *moves]) + rng.normal(0.0, math.sqrt(variance), steps + 1)
    stages = tuple(At(float(c), float(variance), area) for c, area in zip(read, areas, strict=True))
    taken = tuple(Taken(grams=3.0 * float(g) if noted == "mass" else None) for g in grams)
    return Course(stages, tuple((n, n + 1) for n in range(steps)), taken), moves


def knowing(truth: Truth, centre: float) -> Grid:
    """Return the one point of the grid that is true, for an oracle that knows what differs by how much.

    ``centre`` is the middle step of the family, to which its sizes refer.
    """
    one, none = np.zeros(1), np.zeros(1)
    usual = math.exp(truth.growth * (centre - _MIDDLE))
    growths = truth.growth + np.linspace(-0.75, 0.75, 31)
    return Grid(
        growths=growths,
        kappas=one + _GROWTH_SD,
        taus=one + usual * max(truth.spread, 1e-3),
        omegas=one + usual * truth.scatter,
        log_growths=np.where(np.isclose(growths, truth.growth), 0.0, -1e9),
        log_kappas=none,
        log_taus=none,
    )
