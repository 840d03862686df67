"""What air and phone did to everything between two stages, by an instrument that was never cut.

Conventions: cents. A reference (``reference = true`` in its settings) is an uncut bar or an old instrument of the
shop, tapped first and last on a day. Each of its set-ups on a day is a :class:`~tapbatch.model.reference.Sitting`.
Two stages of another instrument are compared with the sittings that are *near* both of them:

- on two different days, all sittings on the same calendar days: the first and the last of a day stand on both sides
  of what was recorded between, and more set-ups are better known;
- on one day, the sittings that are nearest in time to each stage, if they are not the same. Times must be known.

A day is that of the first tap recording, else of the notes. Stages without a day, and days without a sitting, are
compared as if there were no reference. A sitting of the day before is not near: what air did in the night is what
a reference is to tell.

Only what its modes moved *alike* is used, and it is taken off the whole and the common move with all its errors
(:mod:`tapbatch.compare.moves.reference_move`). Its modes of kind ``air`` are left out, and so nothing is taken off
those of the other: an air mode rises with temperature, by up to 2.95 cents a kelvin at equal moisture; wood falls.
For those there are the temperatures in the notes. A mode without a label is taken for one of wood. Decay times are
left as they are: what damp air does to the loss of a bar need not be what it does to that of a box.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np

from tapbatch.compare.bench import Bench
from tapbatch.compare.days import noted_day, recorded_day
from tapbatch.compare.moves.contrast import TapSet, contrast
from tapbatch.compare.moves.priors import FREQ, Floats
from tapbatch.compare.moves.reference_move import ReferenceMove, alike_of, joined
from tapbatch.compare.order import grouped, recorded_when
from tapbatch.compare.random_effects import Z_95
from tapbatch.compare.stage import NOT_OF_THE_BODY, members_by_mode
from tapbatch.compare.tap_sets import FREQ_OF, tap_sets
from tapbatch.model.caution import Caution
from tapbatch.model.history import Heard, History, Stage
from tapbatch.model.names import identity
from tapbatch.model.reference import Rows, Sitting, SittingTaps
from tapbatch.model.settings import InstrumentSettings


@dataclass(frozen=True, slots=True)
class ByReference:
    """What references moved between the days of two stages, and their names as shown."""

    names: tuple[str, ...]
    alike: ReferenceMove
    half_cents: float
    days: int

    def caution(self, *, is_air: bool) -> Caution:
        """Return the caution that says so, for modes of the air or for all others."""
        return Caution(
            "reference",
            before=self.names,
            moved_cents=self.alike.value,
            half_cents=self.half_cents,
            days=self.days,
            is_air=is_air,
        )


def sittings_of(history: History, settings: InstrumentSettings) -> tuple[Sitting, ...]:
    """Return the sittings of a reference, from its stages as they were gathered; empty for other instruments.

    Examples
    --------
    >>> empty = History(instrument="bar-1", instrument_shown="Bar-1", stages=(), drifts=())
    >>> sittings_of(empty, InstrumentSettings(reference=True))
    ()
    """
    if not settings.reference:
        return ()
    return tuple(s for stage in history.stages if stage.taps_used for s in _of_stage(history, stage, settings))


def _of_stage(history: History, stage: Stage, settings: InstrumentSettings) -> list[Sitting]:
    air = {m.label for m in settings.mode if m.kind == "air" and identity(m.part) == stage.part}
    wood = [m.mode for m in stage.modes if m.mode not in air and not NOT_OF_THE_BODY & set(m.flags)]
    days = [recorded_day(h) or noted_day(stage.note) for h in stage.heard]
    members = {name: taps for name, taps in members_by_mode(stage).items() if name in wood}
    setups = {(t.setup, days[t.recording]) for taps in members.values() for t, _ in taps}
    found = []
    for setup, day in sorted((s, d) for s, d in setups if d is not None):
        here = {
            name: [(t, m) for t, m in taps if (t.setup, days[t.recording]) == (setup, day)]
            for name, taps in members.items()
        }
        names = [name for name in wood if here[name]]
        recordings = {t.recording for name in names for t, _ in here[name]}
        times = [when for when in (recorded_when(stage.heard[r]) for r in recordings) if when is not None]
        found.append(
            Sitting(
                instrument=history.instrument,
                instrument_shown=history.instrument_shown,
                part=stage.part,
                state=stage.state,
                method="+".join(sorted({stage.heard[r].reading.method for r in recordings})),
                day=day.isoformat(),
                at=min(times).isoformat() if _has_times(stage.heard[r] for r in recordings) else "",
                modes=tuple(names),
                taps=tuple(map(_as_value, tap_sets(stage, here, names, FREQ_OF))),
            )
        )
    return found


def by_reference(before: Stage, after: Stage, sittings: Iterable[Sitting], bench: Bench) -> ByReference | None:
    """Return what references moved between the days of two stages; ``None`` where none was tapped on both.

    Parameters
    ----------
    before, after : Stage
        Two stages of one part of another instrument.
    sittings : iterable of Sitting
        Those of all references of the shop.
    bench : Bench
        What is believed of set-ups.
    """
    found, names = [], []
    # What was held otherwise, or measured by another version, is not compared.
    alike_held = grouped(sittings, lambda s: (s.instrument_shown, s.instrument, s.part, s.state, s.method))
    for (shown, *_), of_one in alike_held.items():
        sides = _near(before, after, of_one)
        modes = _common_modes(*sides)
        if modes:
            sets = [_tap_sets(side, modes) for side in sides]
            found.append(alike_of(contrast(sets[0], sets[1], FREQ), FREQ, bench.freq))
            names.append(shown)
    if not found:
        return None
    alike = joined(found, FREQ, bench.freq)
    days = [_day_of(stage) or date.min for stage in (before, after)]
    half = Z_95 * alike.error(FREQ, bench.freq)
    return ByReference(tuple(dict.fromkeys(names)), alike, half, abs((days[1] - days[0]).days))


def near_to(stages: Iterable[Stage], sittings: Iterable[Sitting]) -> tuple[Sitting, ...]:
    """Return the sittings on the days of some stages; no others matter to them.

    Examples
    --------
    >>> near_to([], [])
    ()
    """
    days = {day.isoformat() for day in map(_day_of, stages) if day is not None}
    return tuple(s for s in sittings if s.day in days)


# ------------------------------------------------------------------ near


def _near(before: Stage, after: Stage, sittings: Sequence[Sitting]) -> tuple[list[Sitting], list[Sitting]]:
    """Return the sittings near each of two stages; both empty where there are none, or only the same for both."""
    days = [_day_of(stage) for stage in (before, after)]
    here = [[s for s in sittings if day is not None and s.day == day.isoformat()] for day in days]
    if days[0] == days[1]:
        here = [_nearest(side, stage) for side, stage in zip(here, (before, after), strict=True)]
        if here[0] == here[1]:
            return [], []
    return (here[0], here[1]) if all(here) else ([], [])


def _nearest(sittings: Sequence[Sitting], stage: Stage) -> list[Sitting]:
    when = _time_of(stage)
    times = sorted({s.at for s in sittings} - {""})
    if when is None or not times:
        return []
    nearest = min(times, key=lambda at: abs((datetime.fromisoformat(at) - when).total_seconds()))
    return [s for s in sittings if s.at == nearest]


def _day_of(stage: Stage) -> date | None:
    days = [day for day in map(recorded_day, stage.tapped) if day is not None]
    return min(days, default=None) or noted_day(stage.note)


def _time_of(stage: Stage) -> datetime | None:
    tapped = stage.tapped
    times = [when for when in map(recorded_when, tapped) if when is not None]
    return min(times, default=None) if _has_times(tapped) else None


def _has_times(heard: Iterable[Heard]) -> bool:
    """Tell whether recordings have a time of day; a date alone, from a name or the metadata, has none."""
    times = [when for when in map(recorded_when, heard) if when is not None]
    return bool(times) and any((t.hour, t.minute, t.second) != (0, 0, 0) for t in times)


# ---------------------------------------------------------------- arrays


def _common_modes(before: Sequence[Sitting], after: Sequence[Sitting]) -> list[str]:
    told = [{mode for sitting in side for mode in sitting.modes} for side in (before, after)]
    return sorted(told[0] & told[1])


def _as_value(taps: TapSet) -> SittingTaps:
    return SittingTaps(
        values=_rows(taps.values),
        variances=_rows(taps.variances),
        levels_db=tuple(taps.levels_db.tolist()),
        point=taps.point,
        spot=taps.spot,
        room=() if taps.room is None else tuple(taps.room.tolist()),
    )


def _rows(values: Floats) -> Rows:
    return tuple(tuple(v if np.isfinite(v) else None for v in row) for row in values.tolist())


def _tap_sets(sittings: Sequence[Sitting], modes: Sequence[str]) -> list[TapSet]:
    """Return sittings as arrays of the same modes, each a set-up of its own."""
    sets = []
    for setup, sitting in enumerate(sittings):
        at = {mode: k for k, mode in enumerate(sitting.modes)}
        columns = [at.get(mode) for mode in modes]
        for taps in sitting.taps:
            values, variances = (_columns(rows, columns) for rows in (taps.values, taps.variances))
            if not np.isfinite(values).any():
                continue
            kept = np.isfinite(values).any(axis=1)
            room = np.array([0.0 if k is None else taps.room[k] for k in columns]) if taps.room else None
            levels = np.array(taps.levels_db)[kept]
            sets.append(TapSet(values[kept], variances[kept], levels, setup, taps.point, taps.spot, room))
    return sets


def _columns(rows: Rows, columns: Sequence[int | None]) -> Floats:
    found = [[None if k is None else row[k] for k in columns] for row in rows]
    return np.array([[np.nan if v is None else v for v in row] for row in found], dtype=np.float64)
