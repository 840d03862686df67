"""What the product makes of the boxes of :mod:`tests.box.boxes_sim`: forecasts of a cut beside what came.

Conventions: errors in cents, forecast less truth. ``low`` is the lower resonance, ``high`` the next. The *power law*
is that of the product without physics: the change by each doubling of the area, from the same stages.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from tapbatch.box.air import speed_of_sound_m_s
from tapbatch.box.course import BoxReading
from tapbatch.box.fit import fit_box
from tapbatch.box.growth import Hole
from tapbatch.box.known import MOST_TIMES, KnownBox
from tapbatch.compare.spread import Spread
from tapbatch.compare.step_box import Opened, with_box
from tapbatch.compare.step_course import Course
from tapbatch.compare.step_forecast import Earlier, Forecast, forecast_of
from tapbatch.compare.step_series import Work
from tapbatch.compare.steps import At, learn_steps
from tapbatch.model.history import Note, Stage
from tests.box.boxes_sim import READING_CENTS, SimBox, SimCourse, SimStage, course_of, highest_hz, random_box

CENTS = 1200.0 / math.log(2.0)


@dataclass(frozen=True)
class Known:
    """What a maker knows of a box beside the stages; ``third`` is whether the back is labelled too, if it is near."""

    covered: bool = True
    volume: bool = True
    high: bool = True
    third: bool = True


def hole_of(box: SimBox, length_mm: float) -> Hole:
    """Return the opening as a maker measures it."""
    if box.ratio == 1.0:
        return Hole("round", length_mm, edge_mm=box.edge_mm)
    return Hole("oval", length_mm, length_mm / box.ratio, box.edge_mm)


def opened_stages(course: SimCourse) -> list[SimStage]:
    """Return the stages with the opening open."""
    return [s for s in course.stages if not s.covered]


def known_box(course: SimCourse, known: Known) -> KnownBox:
    """Return what the product knows of a box from its stages."""
    stages = opened_stages(course)
    near = stages[-1].hz[2] < 1.3 * stages[-1].hz[1]
    count = (2 if known.high else 1) + (1 if known.high and known.third and near else 0)
    readings = []
    for stage in course.stages:
        hole = hole_of(course.box, stage.length_mm)
        hz = ((None, *stage.hz) if stage.covered else stage.hz)[:count]
        error = math.hypot(READING_CENTS, 5.0 if stage.covered else 0.0) / CENTS
        readings.append(
            BoxReading(
                hole.conductance_mm,
                hole.area_mm2,
                hz,
                (error,) * len(hz),
                speed_of_sound_m_s(stage.celsius or 20.0, 50.0),
                math.hypot(0.5 * 3.15 / CENTS, 0.2 / stage.length_mm),
                covered=stage.covered,
            )
        )
    model = fit_box([r for r in readings if any(r.hz)], course.volume_l)
    assert model is not None
    return KnownBox(
        model,
        hole_of(course.box, stages[-1].length_mm),
        modes=("air", "top", "back")[:count],
        temperature_c=stages[-1].celsius or 20.0,
    )


# ------------------------------------------------------------------ far cuts


@dataclass(frozen=True)
class Far:
    """The forecast of one resonance at a far cut."""

    error: float
    by_power_law: float
    held: bool
    width: float


def far_cuts(rng: np.random.Generator, known: Known, further_mm: float = 12.0, ratio: float = 1.0) -> tuple[Far, ...]:
    """Return the forecasts of the lower resonance, and of the higher one if it was read, for a random box."""
    box = random_box(rng, ratio)
    course = course_of(box, rng, further_mm=further_mm, covered=known.covered, volume=known.volume)
    told = known_box(course, known).ahead(hole_of(box, course.far_mm))
    stages = opened_stages(course)
    found = []
    for n in range(2 if known.high else 1):
        true = CENTS * math.log(course.far_hz[n])
        ats = [At(CENTS * math.log(s.hz[n]), READING_CENTS**2, box.area_mm2(s.length_mm)) for s in stages]
        outlook = learn_steps(ats, [(i, i + 1) for i in range(len(ats) - 1)])
        assert outlook is not None
        assert outlook.per_doubling is not None
        doublings = 2.0 * math.log2(course.far_mm / stages[-1].length_mm)
        found.append(
            Far(
                CENTS * math.log(told[n].median) - true,
                ats[-1].cents + outlook.per_doubling * doublings - true,
                told[n].low <= course.far_hz[n] <= told[n].high,
                CENTS * math.log(told[n].high / told[n].low),
            )
        )
    return tuple(found)


# ------------------------------------------------------------------ targets


@dataclass(frozen=True)
class Aim:
    """A note above the lower resonance: whether an opening gets there, what was said, and whether the interval held.

    ``early`` tells that the opening that is really needed is smaller than the one at which to stop and tap.
    """

    reachable: bool
    said_none: bool
    held: bool
    early: bool


def aim(rng: np.random.Generator, known: Known) -> Aim:
    """Return what is said of a note between where the lower resonance is and a fifth above where it can get."""
    box = random_box(rng)
    course = course_of(box, rng, covered=known.covered, volume=known.volume)
    stages = opened_stages(course)
    now = float(box.resonances_hz(stages[-1].length_mm, course.celsius, course.stray)[0])
    best = highest_hz(course, MOST_TIMES)
    hz = now * math.exp(float(rng.uniform(0.02, 1.0)) * math.log(1.5 * best / now))
    needed = known_box(course, known).needed(0, hz)
    if hz > best:
        return Aim(False, needed.out_of_reach, True, False)
    low, high = 1.0, MOST_TIMES
    for _ in range(40):
        middle = math.sqrt(low * high)
        length = stages[-1].length_mm * math.sqrt(middle)
        under = float(box.resonances_hz(length, course.celsius, course.stray)[0]) < hz
        low, high = (middle, high) if under else (low, middle)
    true = low * hole_of(box, stages[-1].length_mm).area_mm2
    early = needed.low_mm2 is not None and true < needed.low_mm2
    late = needed.high_mm2 is not None and true > needed.high_mm2
    return Aim(True, needed.out_of_reach, not (early or late or needed.out_of_reach), early)


# ------------------------------------------------------------- the next cut


@dataclass(frozen=True)
class Next:
    """The forecast of the next cut: by cuts and physics, and by the cuts alone; each as error, held, width, loss."""

    both: tuple[float, bool, float, float]
    alone: tuple[float, bool, float, float] | None
    physics: str


_QUANTILES = (0.025, 0.1, 0.25, 0.5, 0.75, 0.9, 0.975)


def next_cut(rng: np.random.Generator, known: Known, cuts: int = 4, kick_cents: float = 0.0) -> Next:
    """Return the forecast of one more cut; with ``kick_cents`` each cut does so much more than physics knows."""
    box = random_box(rng)
    further = float(rng.uniform(1.0, 3.0))
    course = course_of(box, rng, cuts=cuts, further_mm=further, covered=known.covered, volume=known.volume)
    stages = opened_stages(course)
    now = CENTS * math.log(box.resonances_hz(stages[-1].length_mm, course.celsius, course.stray)[0])
    came = CENTS * math.log(course.far_hz[0]) - now + kick_cents
    kicked = [replace(s, hz=(s.hz[0] * math.exp(kick_cents * n / CENTS), *s.hz[1:])) for n, s in enumerate(stages)]
    shut = tuple(s for s in course.stages if s.covered)
    opened = Opened(known_box(replace(course, stages=(*kicked, *shut)), known), 0, kicked[-1].hz[0])
    ats = [At(CENTS * math.log(s.hz[0]), READING_CENTS**2, math.pi / 4.0 * s.length_mm**2) for s in kicked]
    steps = tuple((i, i + 1) for i in range(len(ats) - 1))
    work = Work(tuple(_stage(n, s) for n, s in enumerate(stages)), steps, "work 'hole' in the notes")
    own = forecast_of(Course(tuple(ats), steps, ()), Earlier())
    found = with_box(own, work, opened)
    return Next(_judged(found, came), _judged(own, came) if own.outlook else None, found.physics)


def _stage(order: int, stage: SimStage) -> Stage:
    note = Note(instrument="box", stage=f"s{order}", work="hole", opening_length_mm=stage.length_mm)
    return Stage(
        part="body", state="closed", stage=f"s{order}", stage_shown=f"s{order}", order=order, concert_pitch_hz=440.0,
        heard=(), modes=(), decays=(), note=note,
    )  # fmt: skip


def _judged(found: Forecast, came: float) -> tuple[float, bool, float, float]:
    assert found.outlook is not None
    step: Spread = found.outlook.step
    at = [step.quantile(q) for q in _QUANTILES]
    loss = np.mean([(came - x) * (q if came > x else q - 1.0) for q, x in zip(_QUANTILES, at, strict=True)])
    return at[3] - came, at[0] <= came <= at[-1], at[-1] - at[0], float(loss)
