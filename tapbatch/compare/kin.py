"""The instruments of a family side by side: where each stood at the same stage, mode by mode.

Conventions: frequencies in Hz, distances in cents, intervals of 95 %. A stage is the same on another instrument if
part and state are the same and its name is, apart from the number in front. Of a ``step`` series the last step
counts, because that is where the work came to rest; so ``06-voicing step 3`` stands beside the last step of
``05-voicing``. This is how families learn from one another as well
(:func:`~tapbatch.compare.step_series.work_key`). Modes are the same by label, else by nearness of note
(:mod:`tapbatch.compare.same_mode`).

What differs between two instruments includes how each was set up, so all intervals are those of a mode set up anew.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from tapbatch.compare.bench import Bench
from tapbatch.compare.same_mode import nearest_pairs
from tapbatch.compare.setups import set_up_count
from tapbatch.compare.stage import NOT_OF_THE_BODY, members_by_mode
from tapbatch.compare.step_series import opening_mm2, series_of, without_number
from tapbatch.compare.step_taught import family_name, moment_of
from tapbatch.model.history import History, Stage, StageMode
from tapbatch.model.kin import KinMode, KinReading, KinRow, KinStage, SideBySide
from tapbatch.model.names import is_label
from tapbatch.model.pitch import cents_between
from tapbatch.model.settings import InstrumentSettings

BOARDS = "blank"
"""The part whose stages stand side by side in the wood store, and not here."""


def same_stage(stage: Stage) -> str:
    """Return what a stage is called on every instrument: its name, or that of its series, without the number.

    Examples
    --------
    >>> same_stage(Stage(part="body", state="closed", stage="05-closed", stage_shown="05-Closed", order=1,
    ...                  concert_pitch_hz=440.0, heard=(), modes=(), decays=()))
    'closed'
    """
    return without_number(series_of(stage) or stage.stage)


def kin_stages(history: History, settings: InstrumentSettings) -> tuple[KinStage, ...]:
    """Return the stages that an instrument shows its family, as they were gathered: the last under each name.

    Examples
    --------
    >>> kin_stages(History(instrument="c", instrument_shown="C", stages=(), drifts=()), InstrumentSettings())
    ()
    """
    family = family_name(settings)
    if not family:
        return ()
    last = {(s.part, s.state, same_stage(s)): s for s in history.stages if s.modes and s.part != BOARDS}
    return tuple(_shown(history, family, stage, _modes(stage)) for stage in last.values())


def _shown(history: History, family: str, stage: Stage, modes: tuple[KinMode, ...]) -> KinStage:
    return KinStage(
        instrument=history.instrument,
        instrument_shown=history.instrument_shown,
        family=family,
        part=stage.part,
        state=stage.state,
        same=same_stage(stage),
        stage_shown=stage.stage_shown,
        when=moment_of(stage, day_ends=True),
        opening_mm2=opening_mm2(stage),
        modes=modes,
    )


def _modes(stage: Stage) -> tuple[KinMode, ...]:
    members = members_by_mode(stage)
    return tuple(
        KinMode(m.mode, m.freq_hz, m.half_cents, set_up_count(tap for tap, _ in members[m.mode]))
        for m in _of_the_wood(stage)
        if math.isfinite(m.half_cents)
    )


def _of_the_wood(stage: Stage) -> list[StageMode]:
    return [m for m in stage.modes if not NOT_OF_THE_BODY & set(m.flags)]


def set_up_anew(stages: Iterable[KinStage], bench: Bench) -> tuple[KinStage, ...]:
    """Return stages with the intervals of what their modes would read set up anew.

    Examples
    --------
    >>> stage = KinStage(instrument="c", instrument_shown="C", family="lute", part="body", state="", same="closed",
    ...                  stage_shown="1-closed", when="", opening_mm2=None, modes=(KinMode("air", 180.0, 1.0),))
    >>> round(set_up_anew([stage], Bench())[0].modes[0].half_cents, 1)
    6.1
    """
    return tuple(
        replace(s, modes=tuple(replace(m, half_cents=bench.reach_cents(m.half_cents, m.setups)) for m in s.modes))
        for s in stages
    )


@dataclass(frozen=True, slots=True)
class _Column:
    """One instrument: its stage, and which of its modes is which of the present one, by the name of that."""

    stage: KinStage
    found: dict[str, KinMode]
    by_note: frozenset[str] = frozenset()


def side_by_side(history: History, stage: Stage, settings: InstrumentSettings) -> SideBySide | None:
    """Return the other instruments of a family beside a stage of one; ``None`` if none of them has such a stage.

    Parameters
    ----------
    history
        Of the instrument; ``kin`` has the stages of the others.
    stage
        One of its stages, after stages were compared.
    settings
        Its own.

    Examples
    --------
    >>> empty = History(instrument="c", instrument_shown="C", stages=(), drifts=())
    >>> stage = Stage(part="body", state="", stage="1-closed", stage_shown="1-closed", order=1, heard=(), modes=(),
    ...               concert_pitch_hz=440.0, decays=())
    >>> side_by_side(empty, stage, InstrumentSettings(family="lute")) is None
    True
    """
    same = (stage.part, stage.state, same_stage(stage))
    others = [k for k in history.kin if (k.part, k.state, k.same) == same and k.instrument != history.instrument]
    own = tuple(
        KinMode(m.mode, m.freq_hz, m.half_cents if m.half_anew_cents is None else m.half_anew_cents)
        for m in _of_the_wood(stage)
    )
    if not others or not own:
        return None
    here = _shown(history, family_name(settings), stage, own)
    columns = [_Column(here, {m.mode: m for m in own}), *(_column(own, other) for other in others)]
    # Where nothing says when the present one was recorded, it counts as the latest.
    columns.sort(key=lambda c: (c.stage is here and not here.when, c.stage.when, c.stage.instrument))
    return SideBySide(
        part=stage.part,
        state=stage.state,
        concert_pitch_hz=stage.concert_pitch_hz,
        spelling=stage.spelling,
        stages=tuple(c.stage for c in columns),
        present=next(n for n, c in enumerate(columns) if c.stage is here),
        rows=tuple(_row(name, own, columns) for name in _names(own, columns)),
    )


def _column(own: Sequence[KinMode], other: KinStage) -> _Column:
    """Pair the modes of another instrument with the present one's; labels that only the other has keep their name."""
    labels = {m.mode: m for m in other.modes if is_label(m.mode)}
    shared = {m.mode: labels[m.mode] for m in own if m.mode in labels}
    pairs = nearest_pairs([m for m in own if m.mode not in shared], [m for m in other.modes if m.mode not in shared])
    near = {first.mode: second for first, second in pairs}
    paired = {m.mode for m in near.values()}
    alone = {name: m for name, m in labels.items() if name not in shared and name not in paired}
    return _Column(other, {**shared, **near, **alone}, frozenset(near))


def _names(own: Sequence[KinMode], columns: Sequence[_Column]) -> list[str]:
    """Return the modes that at least two instruments have, or that bear a label, from low to high."""
    found: dict[str, float] = {m.mode: m.freq_hz for m in own}
    for column in columns:
        for name, mode in column.found.items():
            found.setdefault(name, mode.freq_hz)
    kept = [name for name in found if is_label(name) or sum(name in c.found for c in columns) > 1]
    return sorted(kept, key=lambda name: found[name])


def _row(name: str, own: Sequence[KinMode], columns: Sequence[_Column]) -> KinRow:
    here = next((m for m in own if m.mode == name), None)
    readings = tuple(_reading(c.found.get(name), here) for c in columns)
    return KinRow(name, readings, any(name in c.by_note for c in columns))


def _reading(mode: KinMode | None, here: KinMode | None) -> KinReading | None:
    if mode is None:
        return None
    if here is None or mode is here:
        return KinReading(mode.freq_hz, mode.half_cents)
    apart = cents_between(here.freq_hz, mode.freq_hz)
    return KinReading(mode.freq_hz, mode.half_cents, apart, math.hypot(mode.half_cents, here.half_cents))
