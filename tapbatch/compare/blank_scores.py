"""Compare each planing of a board with the forecast as it was before it.

Conventions: cents. What planing would do to the notes along, across and in twist follows from what the taps before
told of the board (:mod:`tapbatch.wood.thickness`), at the thickness that was then noted. Readings, notes and settings
decide alone, nothing later and nothing that the shop learns; so each row is the same whenever it is worked out. What
comes is a reading: the interval holds the errors of both readings, and of two set-ups. The landing is the target of
that mode, else the next note below.

There is no row where a thickness was not noted, the board did not get thinner by more than a caliper can tell, its
length or width changed, or the mode was not heard or not named at one of the two stages.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise
from statistics import NormalDist

from tapbatch.compare.blank import BLANK, stages_with_wood
from tapbatch.compare.step_scores import is_over
from tapbatch.compare.step_series import work_key
from tapbatch.compare.targets import TOLERANCE_CENTS, next_notes
from tapbatch.model.forecast import ForecastCame
from tapbatch.model.history import History, Stage
from tapbatch.model.pitch import CENTS, cents_between, note_to_hz
from tapbatch.model.reading import Aim
from tapbatch.model.settings import InstrumentSettings
from tapbatch.model.wood import AIMED, WoodFigures
from tapbatch.wood.fit import Z_95
from tapbatch.wood.priors import ONE_READING_MM
from tapbatch.wood.thickness import at_thicknesses

SETUP_SD = 0.001
"""Scatter of ln f from one set-up to the next: two cents."""

_CUT_MM = 1.0  # a board that is shorter or narrower by more is another
_WORK = "planing"


def planings_came(
    gathered: History, settings: InstrumentSettings, came: Sequence[ForecastCame] = ()
) -> tuple[ForecastCame, ...]:
    """Return the forecast of each planing beside what came, with the forecasts of other steps.

    Parameters
    ----------
    gathered
        A history whose stages are in order and named, before anything that the shop learned is in its intervals.
    settings
        The settings of the instrument.
    came
        The forecasts of steps. Those of the steps to which a planing led are left out: a cut counts once.

    Examples
    --------
    >>> planings_came(History(instrument="b", instrument_shown="B", stages=(), drifts=()), InstrumentSettings())
    ()
    """
    if settings.reference or sum(stage.part == BLANK for stage in gathered.stages) < 2:
        return tuple(came)
    tapped = [s for s in stages_with_wood(gathered) if s.part == BLANK and s.wood is not None]
    planed = [row for before, after in pairwise(tapped) for row in _came(before, after, settings)]
    known = {row.stage for row in planed}
    others = [row for row in came if row.part != BLANK or row.stage not in known]
    return tuple(_in_order(gathered, [*others, *planed]))


def _in_order(history: History, rows: Iterable[ForecastCame]) -> list[ForecastCame]:
    parts = list(history.parts)
    places = {(stage.part, stage.stage_shown): n for n, stage in enumerate(history.stages)}
    return sorted(rows, key=lambda row: (parts.index(row.part), places.get((row.part, row.stage), 0)))


def _came(before: Stage, after: Stage, settings: InstrumentSettings) -> Iterator[ForecastCame]:
    was, now = before.wood, after.wood
    if was is None or now is None or not _is_planed(was, now):
        return
    assert was.thickness_mm is not None
    assert now.thickness_mm is not None
    (predicted,) = at_thicknesses(was, [now.thickness_mm], now.spread_mm) or (None,)
    came_hz = {mode.name: mode.freq_hz for mode in now.modes}
    heard = {mode.name: mode for mode in was.modes}
    for aim, name in AIMED.items():
        if predicted is None or aim not in predicted.modes or name not in came_hz:
            continue
        here_hz, figure = heard[name].freq_hz, predicted.modes[aim]
        said = NormalDist(
            cents_between(here_hz, figure.value),
            CENTS * math.hypot(math.log(figure.high / figure.low) / (2.0 * Z_95), _reading_sd(before, here_hz)),
        )
        to_go, tolerance = _landing(before, aim, here_hz, settings)
        came = cents_between(here_hz, came_hz[name])
        yield ForecastCame(
            part=BLANK,
            mode=aim,
            stage=after.stage_shown,
            work=work_key(after).partition(" ")[2] or _WORK,
            step_cents=said.mean,
            step_low_cents=said.mean - Z_95 * said.stdev,
            step_high_cents=said.mean + Z_95 * said.stdev,
            overshoot=_overshoot(said, to_go, tolerance),
            came_cents=came,
            came_over=is_over(came, to_go, tolerance),
            basis=f"from {was.thickness_mm:.2f} to {now.thickness_mm:.2f} mm",
        )


def _is_planed(was: WoodFigures, now: WoodFigures) -> bool:
    """Return whether a board got thinner and is the same otherwise."""
    if was.thickness_mm is None or now.thickness_mm is None:
        return False
    pairs = ((was.length_mm, now.length_mm), (was.width_mm, now.width_mm))
    same = all(a is not None and b is not None and abs(a - b) <= _CUT_MM for a, b in pairs)
    return same and was.thickness_mm - now.thickness_mm > ONE_READING_MM


def _reading_sd(stage: Stage, freq_hz: float) -> float:
    """Return the error of ln f of the change between two readings, the second taken to be as sure as the first."""
    mode = next((m for m in stage.modes if m.freq_hz == freq_hz), None)
    own = 0.0
    if mode is not None and mode.freq_low_hz and mode.freq_high_hz and math.isfinite(mode.freq_high_hz):
        own = math.log(mode.freq_high_hz / mode.freq_low_hz) / (2.0 * Z_95)
    return math.sqrt(2.0) * math.hypot(own, SETUP_SD)


def _landing(stage: Stage, aim: Aim, here_hz: float, settings: InstrumentSettings) -> tuple[float, float]:
    """Return how far it is to the target of a mode, else to the next note below, in cents, and the tolerance."""
    for target in settings.target:
        hz = target.hz
        if target.note is not None:
            hz = note_to_hz(target.note, stage.concert_pitch_hz, settings.spelling)
        if settings.aim_of(target) == aim and hz is not None:
            return cents_between(here_hz, hz), target.tolerance_cents
    _, (_, below_hz) = next_notes(here_hz, stage.concert_pitch_hz)
    return cents_between(here_hz, below_hz), TOLERANCE_CENTS


def _overshoot(said: NormalDist, to_go: float, tolerance: float) -> float:
    """Return the chance that a step passes its landing, as ``is_over`` tells it of one that came."""
    if abs(to_go) <= tolerance:
        return said.cdf(to_go - tolerance) + 1.0 - said.cdf(to_go + tolerance)
    return 1.0 - said.cdf(to_go + tolerance) if to_go > 0 else said.cdf(to_go - tolerance)
