"""Say what the next step does to a mode: from the steps of this instrument, and from those of its family.

Conventions: cents. Without a family, or with fewer than two earlier instruments on which the same work was done, the
forecast rests on this instrument alone (:mod:`tapbatch.compare.steps`); otherwise on both
(:mod:`tapbatch.compare.step_pooled`).
An instrument is earlier as far as its steps were recorded before the latest stage of this one. So what is said here
does not change with instruments that are recorded later.

Before the first cut, the work is that of the latest stage if its family did it, such as the first recording of a
``step`` series. At the first stage of a state, such as the box just closed, it is the work with which all earlier
instruments began.
Where earlier instruments surely went both ways, there is no figure before the first cut.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from tapbatch.compare.cuts import kind_of_work
from tapbatch.compare.step_course import Course, Unit
from tapbatch.compare.step_pooled import family_of, outlook_pooled
from tapbatch.compare.step_series import Work, series_of, work_key
from tapbatch.compare.step_taught import TaughtSteps, moment_of, work_taken
from tapbatch.compare.steps import FEWEST_STEPS, At, Model, Outlook, learn_steps
from tapbatch.model.history import Stage
from tapbatch.model.names import identity
from tapbatch.model.settings import InstrumentSettings

MOST_STEPS = 40
"""With a family, and in the score, a forecast rests on this many of the latest steps: older ones tell little."""


@dataclass(frozen=True, slots=True)
class Earlier:
    """The steps of one work on the earlier instruments of a family, as they were known at a stage of this one.

    ``work`` tells the work from others, as :func:`~tapbatch.compare.step_series.work_key` does; empty without any.
    """

    family: str = ""
    work: str = ""
    courses: tuple[Course, ...] = ()


@dataclass(frozen=True, slots=True)
class Forecast:
    """What the next step does, or ``None`` where that is not known.

    ``instruments`` counts the earlier instruments that it rests on, ``family`` names their kind, and ``unit`` is the
    amount by which steps count. ``opposed`` tells that these instruments went both ways and nothing was cut here.
    ``steps`` and ``model`` are those of the outlook, 0 and empty without one. ``physics`` tells whether the physics
    of the box speaks with the cuts, alone, or says something else (``apart``).
    """

    outlook: Outlook | None = None
    instruments: int = 0
    family: str = ""
    opposed: bool = False
    unit: Unit = "step"
    steps: int = 0
    model: Model | Literal[""] = ""
    physics: Literal["", "with", "alone", "apart"] = ""


@dataclass(frozen=True, slots=True)
class Elders:
    """What the family of an instrument taught, with the settings of the instrument."""

    taught: tuple[TaughtSteps, ...] = ()
    settings: InstrumentSettings = field(default_factory=InstrumentSettings)

    def of(self, stages: Sequence[Stage], mode: str, work: Work) -> Earlier:
        """Return what was known of the next work on a mode, at the latest of some stages.

        Parameters
        ----------
        stages
            The stages of a part that have modes, in order.
        mode
            The name of a mode found at the latest of them.
        work
            The steps that led there.
        """
        latest = stages[-1]
        label = identity(mode)
        labels = {(identity(m.part), identity(m.label)) for m in self.settings.mode}
        if not self.taught or (latest.part, label) not in labels:
            return Earlier()
        moment = moment_of(latest, day_ends=False)
        known = [
            (one, course)
            for one in self.taught
            if (one.part, one.state, one.mode) == (latest.part, latest.state, label)
            and (course := one.before(moment)) is not None
        ]
        key = work_key(latest)
        if not work.steps and not series_of(latest) and all(one.work != key for one, _ in known):
            key = _begun_with([one for one, _ in known]) if _is_first(stages) else ""
        courses = tuple(course for one, course in known if key and one.work == key)
        return Earlier(self.settings.family.strip(), key, courses)


def _is_first(stages: Sequence[Stage]) -> bool:
    """Return whether the latest stage is the first of its state, so that nothing was cut in that state yet."""
    return all(stage.state != stages[-1].state for stage in stages[:-1])


def _begun_with(known: Sequence[TaughtSteps]) -> str:
    """Return the work with which all instruments began; empty if they began with different ones."""
    first: dict[str, TaughtSteps] = {}
    for one in known:
        if one.instrument not in first or one.begins < first[one.instrument].begins:
            first[one.instrument] = one
    works = {one.work for one in first.values()}
    return works.pop() if len(works) == 1 else ""


def forecast(work: Work, own: Sequence[At] | None, earlier: Earlier) -> Forecast:
    """Return what the next step of a work does.

    Parameters
    ----------
    work
        The steps so far; the next one starts at the last of its stages.
    own
        The position of the mode at each of these stages; ``None`` if they have no point in common.
    earlier
        What was known from the family.

    Examples
    --------
    >>> nothing = forecast(Work((), (), ""), None, Earlier())
    >>> nothing.outlook, nothing.instruments, nothing.steps
    (None, 0, 0)
    """
    if own is None:
        return Forecast()
    most = MOST_STEPS if earlier.courses else len(work.steps)
    return forecast_of(course_of(work, own, most), earlier)


def course_of(work: Work, own: Sequence[At], most: int = MOST_STEPS) -> Course:
    """Return the latest steps of a work, given the position at each of its stages."""
    return Course(tuple(own), work.steps[-most:] if most else (), work_taken(work)[-most:] if most else ())


def forecast_of(course: Course, earlier: Earlier) -> Forecast:
    """Return what the next step of a course does; see :func:`forecast`."""
    family = family_of(earlier.courses, course) if earlier.courses else None
    if family is None:
        return _with(Forecast(), learn_steps(course.stages, course.steps))
    if family.opposed and not course.steps:
        return Forecast(None, family.instruments, earlier.family, opposed=True)
    found = Forecast(None, family.instruments, earlier.family, unit=family.unit)
    return _with(found, outlook_pooled(course, family))


def _with(found: Forecast, outlook: Outlook | None) -> Forecast:
    return replace(found, outlook=outlook, steps=outlook.steps, model=outlook.model) if outlook else found


def basis_text(work: Work, found: Forecast) -> str:
    """Say what a forecast rests on, such as ``3 earlier citterns and 2 cuts here``, or why there is none."""
    return f"{_basis_of_cuts(work, found)}{_PHYSICS[found.physics]}"


_PHYSICS = {
    "": "",
    "alone": ", and the physics of the box",
    "with": ", and the physics of the box",
    "apart": ", and the physics of the box, which says otherwise",
}


def _basis_of_cuts(work: Work, found: Forecast) -> str:
    if found.instruments:
        return _family_basis(work, found)
    if not work.steps:
        return "no steps of the same work"
    count = found.steps or len(work.steps)
    steps = f"{count} step{'' if count == 1 else 's'} of {work.shown}"
    if not work.enough and not found.physics:
        return f"{steps}: {FEWEST_STEPS} are needed"
    if not found.model:
        return f"{steps}, at no common point"
    return f"{steps}, by opening area" if found.model == "area" else steps


def _family_basis(work: Work, found: Forecast) -> str:
    earlier = f"{found.instruments} earlier {plural(found.family)}"
    if found.opposed:
        return f"{earlier} went both ways"
    count, step = len(work.steps), "step" if kind_of_work(work.stages[-1], work.stages) == "other" else "cut"
    here = f"and {count} {step}{'' if count == 1 else 's'} here" if count else "alone, no cut here yet"
    return f"{earlier} {here}{_BY[found.unit]}"


_BY: dict[Unit, str] = {
    "doubling": ", by opening area",
    "gram": ", by grams taken off",
    "millimetre": ", by thickness taken off",
    "step": "",
}


def plural(family: str) -> str:
    """Return the plural of a kind of instrument, as English usually forms it; a name that is no word stays.

    Examples
    --------
    >>> [plural(name) for name in ("cittern", "Lute", "psaltery", "box", "citterns", "viola da gamba")]
    ['citterns', 'Lutes', 'psalteries', 'boxes', 'citterns', "instruments of 'viola da gamba'"]
    """
    if not family.isalpha():
        return f"instruments of '{family}'"
    low = family.casefold()
    if low.endswith("s"):
        return family
    if low.endswith(("x", "z", "ch", "sh")):
        return f"{family}es"
    return f"{family[:-1]}ies" if low.endswith("y") and low[-2:-1] not in "aeiou" else f"{family}s"
