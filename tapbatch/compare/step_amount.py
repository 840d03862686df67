"""Say what a step of a known amount does to a mode: so many doublings of the opening, grams or millimetres.

Conventions: cents. The steps are those of the latest work of the part that has the amount noted, at stages held as
the latest one is; with a family, those of its earlier instruments as well
(:mod:`tapbatch.compare.step_pooled`), otherwise three on this instrument at least
(:func:`tapbatch.compare.steps.effect_alone`). If other work came after them, the effect starts from the latest
reading as it is, and what the steps tell of that reading is not used.

No amount beyond all that was taken off so far is answered, here or on any one earlier instrument: farther than that
nobody knows how the steps go on. Under string tension, and where a fault spoils the reading, there is no answer
either (:mod:`tapbatch.compare.step_limits`).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from tapbatch.compare.spread import Spread
from tapbatch.compare.step_course import Course, Unit
from tapbatch.compare.step_family import Family, learn_family
from tapbatch.compare.step_forecast import Earlier, Elders, course_of
from tapbatch.compare.step_limits import faults_of
from tapbatch.compare.step_pooled import effect_pooled
from tapbatch.compare.step_series import Work, is_found, latest_work, opening_mm2, positions
from tapbatch.compare.step_taught import work_taken
from tapbatch.compare.steps import FEWEST_STEPS, effect_alone
from tapbatch.model.history import TOLD_TO_MOVE, Drift, Stage
from tapbatch.model.what_if import Unknown


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What a step does, or ``unknown``, the reason why nobody can say.

    ``step`` is its effect in cents, and ``landing`` where it ends relative to the latest reading, with the error of
    that reading in it. ``reach`` is the largest amount that is answered. ``steps`` counts those here,
    ``instruments`` the earlier ones, whose kind is ``family``.
    """

    step: Spread | None = None
    landing: Spread | None = None
    unknown: Unknown | None = None
    reach: float = 0.0
    steps: int = 0
    instruments: int = 0
    family: str = ""
    unit: Unit = "step"


@dataclass(frozen=True, slots=True)
class Steps:
    """The stages of a part that have modes, in order, and what is needed to learn from their steps."""

    stages: tuple[Stage, ...]
    drifts: tuple[Drift, ...] = ()
    steady_cents: float = 3.0
    setup_variance: float = 0.0
    elders: Elders = field(default_factory=Elders)

    def known(self, mode: str, unit: Unit) -> Known:
        """Return what is known of the steps of a mode that is found at the latest stage.

        Parameters
        ----------
        mode
            Its name.
        unit
            What the amount of a step is in: doublings of the opening's area, grams, or millimetres of thickness.
        """
        latest = self.stages[-1]
        if latest.state == "strung":
            return Known(unit, unknown="strung")
        work, earlier = self._work(mode, unit)
        if faults_of(work, [mode], self.drifts):
            return Known(unit, unknown="fault")
        own = positions(work.stages, mode, self.steady_cents, self.setup_variance)
        if own is None:
            return Known(unit, unknown="points")
        return Known(unit, course_of(work, own), earlier, is_now=work.stages[-1] is latest)

    def _work(self, mode: str, unit: Unit) -> tuple[Work, Earlier]:
        """Return the latest work that has amounts noted here or on earlier instruments, else the latest of all."""
        moved = {d.to_stage for d in self.drifts if d.mode == mode and d.verdict in TOLD_TO_MOVE}
        state, first = self.stages[-1].state, None
        for end in range(len(self.stages), 0, -1):
            stages = self.stages[:end]
            if stages[-1].state != state or not is_found(stages[-1], mode):
                continue
            work = latest_work(stages, mode, moved)
            earlier = self.elders.of(stages, mode, work)
            first = first or (work, earlier)
            if _is_noted(work, unit) or any(x for course in earlier.courses for x in course.amounts(unit)):
                return work, earlier
        assert first is not None, "the mode is found at the latest stage"
        return first


@dataclass(frozen=True, slots=True)
class Known:
    """The steps of one work on a mode, here and on earlier instruments, or the reason why nothing follows from them.

    ``is_now`` says that no other work came after them.
    """

    unit: Unit
    own: Course | None = None
    earlier: Earlier = field(default_factory=Earlier)
    is_now: bool = True
    unknown: Unknown | None = None

    def effect(self, amount: float) -> Told:
        """Return what a step of an amount does; it is positive if wood comes off."""
        if self.own is None:
            return Told(unknown=self.unknown, unit=self.unit)
        told = effect_of(self.own, self.earlier, self.unit, amount)
        # What the steps tell of the last of their stages says nothing of what other work did since.
        return told if self.is_now else replace(told, landing=None)


def _is_noted(work: Work, unit: Unit) -> bool:
    if unit == "doubling":
        areas = [(opening_mm2(work.stages[a]), opening_mm2(work.stages[b])) for a, b in work.steps]
        return any(a and b and a != b for a, b in areas)
    return any((taken.grams if unit == "gram" else taken.millimetres) for taken in work_taken(work))


def effect_of(own: Course, earlier: Earlier, unit: Unit, amount: float) -> Told:
    """Return what a step of an amount does, given the steps of a work here and on earlier instruments.

    Examples
    --------
    >>> from tapbatch.compare.steps import At
    >>> areas = (400.0, 440.0, 480.0, 520.0)
    >>> opened = Course(tuple(At(9.0 * n, 0.04, a) for n, a in enumerate(areas)), ((0, 1), (1, 2), (2, 3)))
    >>> told = effect_of(opened, Earlier(), "doubling", 0.1)
    >>> round(told.landing.middle), told.steps
    (7, 3)
    >>> effect_of(opened, Earlier(), "doubling", 1.0).unknown, effect_of(opened, Earlier(), "gram", 2.0).unknown
    ('beyond', 'few steps')
    """
    noted = [n for n, x in enumerate(own.amounts(unit)) if x is not None]
    amounts = [x for x in own.amounts(unit) if x is not None]
    family = _family(earlier, unit)
    if family is None and len(noted) < FEWEST_STEPS:
        return Told(unknown="few steps", steps=len(noted), unit=unit)
    known = Told(
        steps=len(noted),
        instruments=family.instruments if family else 0,
        family=earlier.family if family else "",
        unit=unit,
    )
    if family is not None and family.opposed and not noted:
        return replace(known, unknown="both ways")
    reach = max(abs(sum(x for x in c.amounts(unit) if x is not None)) for c in (own, *earlier.courses))
    known = replace(known, reach=reach)
    if abs(amount) > reach * (1.0 + 1e-9):
        return replace(known, unknown="beyond")
    if family is not None:
        step, landing = effect_pooled(own, family, amount)
    else:
        steps = [own.steps[n] for n in noted]
        step, landing = effect_alone(own.stages, steps, np.array(amounts), amount, grows=unit != "doubling")
    return replace(known, step=step, landing=landing)


def _family(earlier: Earlier, unit: Unit) -> Family | None:
    return learn_family(tuple(earlier.courses), unit) if earlier.courses else None
