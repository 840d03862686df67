"""What the steps on one instrument teach the others of its family, and what was known of them at a moment.

Conventions: steps are told apart by part, state, label of the mode, and work (:func:`~tapbatch.compare.step_series.\
work_key`); only modes that the settings label can be recognised on another instrument, so others teach nothing. Under
string tension nothing is taught.

Each stage keeps its means and its moment, not its position: which points all stages have in common, and how far taps
scatter, is worked out from the stages up to the moment that is asked about. So what was known then does not change
with what came later. For the same reason nothing is taken from set-ups that the shop learned, and a mode counts as
moved on the way to the first step of a series if it went farther than new set-ups carry it by their priors.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, time
from functools import lru_cache
from itertools import pairwise

from tapbatch.compare.bench import Bench
from tapbatch.compare.days import noted_day
from tapbatch.compare.order import recorded_when
from tapbatch.compare.random_effects import Mean
from tapbatch.compare.step_course import Course, Taken
from tapbatch.compare.step_series import (
    Cells,
    Work,
    cells_at,
    is_found,
    latest_work,
    opening_mm2,
    positions_from,
    series_of,
    work_key,
)
from tapbatch.model.history import History, Stage
from tapbatch.model.names import identity
from tapbatch.model.pitch import cents_between
from tapbatch.model.settings import InstrumentSettings


@dataclass(frozen=True, slots=True)
class TaughtStage:
    """A mode at a stage: when it was there (ISO 8601, empty if not known), its opening, and the means of its taps.

    ``cells`` has (point, set-up, mean of ``ln f``, variance of that, number of taps).
    """

    when: str
    area_mm2: float | None
    cells: tuple[tuple[str, int, float, float, int], ...]


@dataclass(frozen=True, slots=True)
class TaughtSteps:
    """The steps of one work on one instrument, for one mode.

    ``begins`` is the place of the first of its stages among those of the part; ``steady_cents`` is from the settings.
    The other fields are as in :class:`~tapbatch.compare.step_course.Course`.
    """

    instrument: str
    family: str
    part: str
    state: str
    mode: str
    work: str
    begins: int
    steady_cents: float
    stages: tuple[TaughtStage, ...]
    steps: tuple[tuple[int, int], ...]
    taken: tuple[Taken, ...]

    def before(self, moment: str) -> Course | None:
        """Return the steps that were recorded before a moment (ISO 8601); ``None`` if there were none."""
        known = [
            n for n, (a, b) in enumerate(self.steps) if self._is_before(a, moment) and self._is_before(b, moment)
        ]
        used = sorted({place for n in known for place in self.steps[n]})
        if not used:
            return None
        stages = [self.stages[place] for place in used]
        cells = [{(p, s): (Mean(value, v, math.inf), n) for p, s, value, v, n in stage.cells} for stage in stages]
        found = positions_from(cells, [stage.area_mm2 for stage in stages], self.steady_cents)
        if found is None:
            return None
        place = {stage: n for n, stage in enumerate(used)}
        steps = tuple((place[a], place[b]) for a, b in (self.steps[n] for n in known))
        return Course(tuple(found), steps, tuple(self.taken[n] for n in known))

    def _is_before(self, stage: int, moment: str) -> bool:
        return "" < self.stages[stage].when < moment


def family_name(settings: InstrumentSettings) -> str:
    """Return the identity of the family of an instrument; empty without one, and for a reference.

    Examples
    --------
    >>> family_name(InstrumentSettings(family=" Cittern")), family_name(InstrumentSettings())
    ('cittern', '')
    """
    return identity(settings.family) if settings.family.strip() and not settings.reference else ""


def taught_steps(history: History, settings: InstrumentSettings) -> tuple[TaughtSteps, ...]:
    """Return what the steps of an instrument teach its family, from its stages as they were gathered.

    Examples
    --------
    >>> taught_steps(History(instrument="c", instrument_shown="C", stages=(), drifts=()), InstrumentSettings())
    ()
    """
    if not family_name(settings):
        return ()
    return tuple(
        _taught(history.instrument, settings, stages, label, work)
        for part in history.parts
        for stages in [[s for s in history.of_part(part) if s.modes]]
        for label in sorted({m.label for m in settings.mode if identity(m.part) == part})
        for work in works_of(stages, label)
    )


def works_of(stages: Sequence[Stage], mode: str) -> Iterator[Work]:
    """Yield every work with a step of a mode, each as :func:`~tapbatch.compare.step_series.latest_work` has it.

    Parameters
    ----------
    stages
        Those of one part that have modes, in order.
    mode
        The name of the mode.
    """
    last: dict[tuple[str, str], int] = {}
    for n, stage in enumerate(stages):
        if stage.state != "strung" and work_key(stage) and is_found(stage, mode):
            last[stage.state, work_key(stage)] = n
    for n in sorted(last.values()):
        work = latest_work(stages[: n + 1], mode, moved_by_far(stages[: n + 1], mode))
        if work.steps:
            yield work


def moved_by_far(stages: Sequence[Stage], mode: str) -> set[str]:
    """Return the stages that begin a series and before which a mode went farther than set-ups carry it.

    How far set-ups carry it is that of their priors. Of other stages it makes no difference.
    """
    moved = set()
    for before, after in pairwise(stages):
        if not series_of(after) or series_of(after) == series_of(before):
            continue
        was, now = (next((m for m in s.modes if m.mode == mode), None) for s in (before, after))
        if was is None or now is None:
            continue
        reach = math.hypot(*(_priors().reach_cents(m.half_cents, 1) for m in (was, now)))
        if abs(cents_between(was.freq_hz, now.freq_hz)) > reach:
            moved.add(after.stage)
    return moved


@lru_cache(maxsize=1)
def _priors() -> Bench:
    return Bench()


def moment_of(stage: Stage, *, day_ends: bool) -> str:
    """Return when the taps of a stage were all there, in ISO 8601; empty if neither recordings nor notes say.

    A day without a time counts as its end with ``day_ends``, else as its start, so that two stages of such a day are
    never taken to be in order.
    """
    times = [when for h in stage.tapped if (when := recorded_when(h)) is not None]
    if times:
        return max(times).isoformat(timespec="microseconds")
    day = noted_day(stage.note)
    if day is None:
        return ""
    return datetime.combine(day, time.max if day_ends else time.min).isoformat(timespec="microseconds")


def taken_at(before: Stage, after: Stage) -> Taken:
    """Return what came off at a step, from the notes of both stages; a row of a whole series does not count.

    Examples
    --------
    >>> from tapbatch.model.history import Note
    >>> def stage(name, **noted):
    ...     note = Note(instrument="c", stage=name, **noted)
    ...     return Stage(part="top", state="free", stage=name, stage_shown=name, order=1, concert_pitch_hz=440.0,
    ...                  heard=(), modes=(), decays=(), note=note)
    >>> taken_at(stage("a", mass_g=212.0, thickness_mm=(3.2, 3.0)), stage("b", mass_g=208.5, thickness_mm=(2.9,)))
    Taken(grams=3.5, millimetres=0.2)
    """
    was, now = (s.note if s.note and identity(s.note.stage) == s.stage else None for s in (before, after))
    grams = now.removed_g if now else None
    millimetres = None
    if was and now:
        if grams is None and was.mass_g is not None and now.mass_g is not None:
            grams = round(was.mass_g - now.mass_g, 6)
        if was.thickness_mm and now.thickness_mm:
            thinner = sum(was.thickness_mm) / len(was.thickness_mm) - sum(now.thickness_mm) / len(now.thickness_mm)
            millimetres = round(thinner, 6)
    return Taken(grams, millimetres)


def work_taken(work: Work) -> tuple[Taken, ...]:
    """Return what came off at each step of a work."""
    return tuple(taken_at(work.stages[a], work.stages[b]) for a, b in work.steps)


def _taught(
    instrument: str, settings: InstrumentSettings, stages: Sequence[Stage], mode: str, work: Work
) -> TaughtSteps:
    latest = work.stages[-1]
    return TaughtSteps(
        instrument=instrument,
        family=family_name(settings),
        part=latest.part,
        state=latest.state,
        mode=identity(mode),
        work=work_key(latest),
        begins=stages.index(work.stages[0]),
        steady_cents=settings.steady_cents,
        stages=tuple(
            TaughtStage(moment_of(s, day_ends=True), opening_mm2(s), _flat(cells_at(s, mode))) for s in work.stages
        ),
        steps=work.steps,
        taken=work_taken(work),
    )


def _flat(cells: Cells) -> tuple[tuple[str, int, float, float, int], ...]:
    return tuple((p, s, mean.value, mean.variance, n) for (p, s), (mean, n) in sorted(cells.items()))


def of_family(
    taught: Iterable[TaughtSteps], settings: InstrumentSettings, instrument: str
) -> tuple[TaughtSteps, ...]:
    """Return what the other instruments of a family teach one of them."""
    family = family_name(settings)
    return tuple(one for one in taught if family and one.family == family and one.instrument != instrument)
