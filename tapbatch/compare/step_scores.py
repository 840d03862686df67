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
from dataclasses import replace

from tapbatch.compare.spread import Spread
from tapbatch.compare.step_forecast import Elders, basis_text, forecast
from tapbatch.compare.step_limits import faults_of
from tapbatch.compare.step_series import Work, latest_work, positions, work_key
from tapbatch.compare.step_taught import TaughtSteps, moved_by_far
from tapbatch.compare.steps import Outlook
from tapbatch.compare.targets import TOLERANCE_CENTS, fixed_place, next_notes, targets_of
from tapbatch.model.forecast import ForecastCame
from tapbatch.model.history import History, Stage
from tapbatch.model.pitch import cents_between
from tapbatch.model.settings import InstrumentSettings


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
        if (found := _came(stages[: n + 1], mode, elders)) is not None
    )


def _asked(stage: Stage, settings: InstrumentSettings) -> Iterator[str]:
    """Yield the modes that are asked about at a stage."""
    heard = {m.mode for m in stage.modes}
    targets = list(dict.fromkeys(t.mode for t in targets_of(stage.part, settings) if t.mode in heard))
    labels = [m.label for m in settings.mode if m.label in heard]
    lead = [stage.lead.mode] if stage.lead else []
    yield from targets or (labels or lead)[:1]


def _came(stages: Sequence[Stage], mode: str, elders: Elders) -> ForecastCame | None:
    """Return the forecast of the last of some steps beside what came; ``None`` if there was none, or no such step."""
    *before, after = stages
    whole = latest_work(stages, mode, moved_by_far(stages, mode)) if _is_heard(after, mode) else None
    if whole is None or len(stages) < 2 or not _ends_in(whole, before[-1]):
        return None
    steady = elders.settings.steady_cents
    work = latest_work(before, mode, moved_by_far(before, mode))
    earlier = elders.of(before, mode, work)
    key = work_key(before[-1]) if work.steps else earlier.work
    both = positions([before[-1], after], mode, steady)
    own = positions(work.stages, mode, steady)
    if key != work_key(after) or both is None or own is None or _spoiled(work, mode):
        return None
    found = forecast(work, own, earlier)
    if found.outlook is None:
        return None
    outlook = _of_reading(found.outlook, own[-1].variance)
    came = both[1].cents - both[0].cents
    to_go, tolerance = _landing(before, mode, outlook, elders.settings)
    return ForecastCame(
        part=after.part,
        mode=mode,
        stage=after.stage_shown,
        work=key.partition(" ")[2],
        step_cents=outlook.landing.middle,
        step_low_cents=outlook.landing.quantile(0.025),
        step_high_cents=outlook.landing.quantile(0.975),
        overshoot=outlook.overshoot(to_go, tolerance),
        came_cents=came,
        came_over=_is_over(came, to_go, tolerance),
        basis=basis_text(work, found),
    )


def _is_heard(stage: Stage, mode: str) -> bool:
    return any(m.mode == mode for m in stage.modes)


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


def _landing(
    stages: Sequence[Stage], mode: str, outlook: Outlook, settings: InstrumentSettings
) -> tuple[float, float]:
    """Return how far it is to the landing that the chance is told of, and its tolerance, in cents."""
    latest = stages[-1]
    here = next(m for m in latest.modes if m.mode == mode)
    for target in targets_of(latest.part, settings):
        if target.mode == mode and (hz := fixed_place(target, stages, settings)) is not None:
            return cents_between(here.freq_hz, hz), target.tolerance_cents
    (_, above), (_, below) = next_notes(here.freq_hz, latest.concert_pitch_hz)
    return cents_between(here.freq_hz, above if outlook.landing.middle > 0 else below), TOLERANCE_CENTS


def _is_over(came: float, to_go: float, tolerance: float) -> bool:
    """Return whether a step passed its landing, in the sense of :meth:`~tapbatch.compare.steps.Outlook.overshoot`."""
    off = came - to_go
    if abs(to_go) <= tolerance:
        return abs(off) > tolerance
    return off > tolerance if to_go > 0 else off < -tolerance
