"""Compare each step with the forecast as it was before it.

Conventions: cents. The forecast of a step rests on the stages before it and on what the family had shown by the
recording of the last of them, as :mod:`tapbatch.compare.step_forecast` has it. Nothing later is used, and nothing
that the shop learns in another way: no set-ups, no verdicts, no place where another instrument came to rest. So each
row is the same whenever it is worked out.

What comes is a reading, so the forecast here is of the reading: its interval holds the error of the next one too,
taken to be as large as that of the latest. It is asked of the modes that have a target, else of the first labelled
mode that is heard, else of the one that leads. The landing is the target, else the next note in the direction of the
forecast.

There is no row where no forecast was made: under string tension, with a flag that spoils the reading, where the work
that came was another than expected, or where too little was known.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from tapbatch.compare.box_known import BOX, NoBox, box_known
from tapbatch.compare.spread import Spread
from tapbatch.compare.step_box import Opened, with_box
from tapbatch.compare.step_course import Course
from tapbatch.compare.step_forecast import Earlier, Elders, Forecast, basis_text, course_of, forecast_of
from tapbatch.compare.step_limits import faults_of
from tapbatch.compare.step_series import Work, is_found, latest_work, positions, work_key
from tapbatch.compare.step_taught import TaughtSteps, moved_by_far
from tapbatch.compare.steps import Outlook
from tapbatch.compare.targets import TOLERANCE_CENTS, fixed_place, next_notes, targets_of
from tapbatch.model.forecast import ForecastCame
from tapbatch.model.history import History, Stage
from tapbatch.model.pitch import cents_between
from tapbatch.model.settings import InstrumentSettings

_FARTHEST_BACK = 60
"""The stages before a step that are looked at: a work goes on no longer without a break."""


def forecasts_came(
    history: History, settings: InstrumentSettings, taught: Sequence[TaughtSteps] = ()
) -> tuple[ForecastCame, ...]:
    """Return the forecast of each step beside what came, by part, then stage, then mode.

    Parameters
    ----------
    history
        A history whose stages are in order and named.
    settings
        The settings of the instrument.
    taught
        What the other instruments of the family taught; default nothing.

    Examples
    --------
    >>> forecasts_came(History(instrument="c", instrument_shown="C", stages=(), drifts=()), InstrumentSettings())
    ()
    """
    if settings.reference:
        return ()
    elders = Elders(tuple(taught), settings)
    return tuple(
        found
        for part in history.parts
        for stages in [[s for s in history.of_part(part) if s.modes]]
        for n in range(1, len(stages))
        for mode in _asked(stages[n - 1], settings)
        if (found := _came(stages[max(n - _FARTHEST_BACK, 0) : n + 1], mode, elders, history.covered_of(part)))
        is not None
    )


def _asked(stage: Stage, settings: InstrumentSettings) -> Iterator[str]:
    """Yield the modes that are asked about at a stage."""
    heard = {m.mode for m in stage.modes}
    targets = list(dict.fromkeys(t.mode for t in targets_of(stage.part, settings) if t.mode in heard))
    labels = [m.label for m in settings.mode if m.label in heard]
    lead = [stage.lead.mode] if stage.lead else []
    yield from targets or (labels or lead)[:1]


def _came(stages: Sequence[Stage], mode: str, elders: Elders, covered: Sequence[Stage] = ()) -> ForecastCame | None:
    """Return the forecast of the last of some steps beside what came; ``None`` if there was none, or no such step."""
    *before, after = stages
    whole = latest_work(stages, mode, moved_by_far(stages, mode)) if is_found(after, mode) else None
    if whole is None or not _ends_in(whole, before[-1]):
        return None
    steady = elders.settings.steady_cents
    work = latest_work(before, mode, moved_by_far(before, mode))
    earlier = elders.of(before, mode, work)
    key = work_key(before[-1]) if work.steps else earlier.work
    both = positions([before[-1], after], mode, steady)
    own = positions(work.stages, mode, steady)
    if key != work_key(after) or both is None or own is None or _spoiled(work, mode):
        return None
    landings = _landings(before, mode, elders.settings)
    opened = _opened(before, mode, elders.settings, covered)
    if opened is None:
        said = _said(course_of(work, own), earlier, landings)
    else:
        said = _said_of(
            with_box(forecast_of(course_of(work, own), earlier), work, opened), own[-1].variance, landings
        )
    if said is None:
        return None
    came = both[1].cents - both[0].cents
    return ForecastCame(
        part=after.part,
        mode=mode,
        stage=after.stage_shown,
        work=key.partition(" ")[2],
        step_cents=said.middle,
        step_low_cents=said.low,
        step_high_cents=said.high,
        overshoot=said.overshoot,
        came_cents=came,
        came_over=is_over(came, said.to_go, said.tolerance),
        basis=basis_text(work, said.found),
    )


@dataclass(frozen=True, slots=True)
class _Said:
    """What was said of the next reading, in cents; ``found`` is the forecast without its outlook."""

    middle: float
    low: float
    high: float
    overshoot: float
    to_go: float
    tolerance: float
    found: Forecast


@lru_cache(maxsize=4096)
def _said(course: Course, earlier: Earlier, landings: tuple[tuple[float, float], ...]) -> _Said | None:
    """Return what was said of the next reading; ``None`` if nothing was.

    ``landings`` has the target, or the next notes above and below: how far, and the tolerance. Steps of the past do
    not change, so a watch that goes on has them in the cache.
    """
    return _said_of(forecast_of(course, earlier), course.stages[-1].variance, landings)


def _said_of(found: Forecast, variance: float, landings: tuple[tuple[float, float], ...]) -> _Said | None:
    if found.outlook is None:
        return None
    outlook = _of_reading(found.outlook, variance)
    middle = outlook.landing.middle
    to_go, tolerance = landings[0] if middle > 0 or len(landings) == 1 else landings[1]
    return _Said(
        middle=middle,
        low=outlook.landing.quantile(0.025),
        high=outlook.landing.quantile(0.975),
        overshoot=outlook.overshoot(to_go, tolerance),
        to_go=to_go,
        tolerance=tolerance,
        found=replace(found, outlook=None),
    )


def _opened(
    before: Sequence[Stage], mode: str, settings: InstrumentSettings, covered: Sequence[Stage]
) -> Opened | None:
    """Return a mode as a resonance of the box as it was known at the last of some stages; ``None`` if it was none."""
    if not settings.opening or before[-1].part != BOX:
        return None
    known = box_known(before, settings, [s for s in covered if s.order <= before[-1].order])
    heard = next(m for m in before[-1].modes if m.mode == mode)
    if isinstance(known, NoBox) or mode not in known.modes:
        return None
    return Opened(known, known.modes.index(mode), heard.freq_hz)


def _ends_in(work: Work, before: Stage) -> bool:
    """Return whether the latest stage of a work was reached by a step of it, straight from the stage before."""
    last = len(work.stages) - 1
    return any(b == last and work.stages[a] is before for a, b in work.steps)


def _spoiled(work: Work, mode: str) -> bool:
    return work.stages[-1].state == "strung" or bool(faults_of(work, [mode], ()))


def _of_reading(outlook: Outlook, variance: float) -> Outlook:
    """Return an outlook whose landing is that of the next reading, with an error of its own."""
    true = outlook.landing
    return replace(outlook, landing=Spread(true.means, true.variances + variance, true.weights))


def _landings(stages: Sequence[Stage], mode: str, settings: InstrumentSettings) -> tuple[tuple[float, float], ...]:
    """Return how far it is to the target, else to the next notes above and below, each with its tolerance."""
    latest = stages[-1]
    here = next(m for m in latest.modes if m.mode == mode)
    for target in targets_of(latest.part, settings):
        if target.mode == mode and (hz := fixed_place(target, stages, settings)) is not None:
            return ((cents_between(here.freq_hz, hz), target.tolerance_cents),)
    notes = next_notes(here.freq_hz, latest.concert_pitch_hz)
    return tuple((cents_between(here.freq_hz, hz), TOLERANCE_CENTS) for _, hz in notes)


def is_over(came: float, to_go: float, tolerance: float) -> bool:
    """Return whether a step passed its landing, in the sense of :meth:`~tapbatch.compare.steps.Outlook.overshoot`."""
    off = came - to_go
    if abs(to_go) <= tolerance:
        return abs(off) > tolerance
    return off > tolerance if to_go > 0 else off < -tolerance
