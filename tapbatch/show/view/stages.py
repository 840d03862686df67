"""Which stage is shown: the latest of all parts, the one before it, and the last at which strings were plucked."""

from __future__ import annotations

from collections.abc import Callable

from tapbatch.model.history import History, Stage, StageMode
from tapbatch.model.reading import Reading

Lined = Callable[[Stage], Stage]
"""Gives a stage with the lines that its charts need: the spectrum and the trace of the recordings that stand for it.

The lines are most of what is known of a recording, and a chart needs those of one recording a stage. So the readings
in a history may come without, and whoever draws a stage asks for its lines.
"""


def with_own_lines(stage: Stage) -> Stage:
    """Return a stage as it is: the :data:`Lined` of a history whose readings have their lines."""
    return stage


def latest_stage(history: History) -> Stage | None:
    """Return the stage that all faces answer for: the last of all parts, the body's where two are equally late.

    Examples
    --------
    >>> latest_stage(History(instrument="na", instrument_shown="NA", stages=(), drifts=())) is None
    True
    """
    last = [history.of_part(part)[-1] for part in history.parts]
    return max(last, key=lambda s: (s.order, last.index(s))) if last else None


def leading(stage: Stage) -> StageMode | None:
    """Return the mode that speaks for a stage: the lead, else the strongest; ``None`` where none was measured."""
    return stage.lead or max(stage.modes, key=lambda m: m.level_db, default=None)


def last_with_modes(history: History, part: str) -> Stage | None:
    """Return the last stage of a part at which a mode was read, ``None`` where there is none."""
    return next((stage for stage in reversed(history.of_part(part)) if stage.modes), None)


def stage_before(history: History, stage: Stage) -> Stage | None:
    """Return the stage of the same part that comes before, ``None`` where there is none."""
    stages = history.of_part(stage.part)
    index = next(n for n, each in enumerate(stages) if each is stage)
    return stages[index - 1] if index else None


def stage_name(history: History, part: str, stage: str) -> str:
    """Return the name of a stage as it is shown, or its identity where the part has no such stage.

    Examples
    --------
    >>> stage_name(History(instrument="na", instrument_shown="NA", stages=(), drifts=()), "body", "01-closed")
    '01-closed'
    """
    return stage_names(history).get((part, stage), stage)


def stage_names(history: History) -> dict[tuple[str, str], str]:
    """Return the names of all stages as they are shown, by part and identity."""
    return {(s.part, s.stage): s.stage_shown for s in reversed(history.stages)}


def stage_date(stage: Stage) -> str:
    """Return the day of a stage, from the notes, else from its latest recording; empty where neither says it."""
    recorded = max((h.reading.recorded_at for h in stage.heard), default="")
    return (stage.note.date if stage.note and stage.note.date else recorded)[:10]


def plucked_stage(history: History) -> Stage | None:
    """Return the latest stage at which open strings were read, ``None`` where there is none."""
    return next((s for s in sorted(history.stages, key=lambda s: s.order, reverse=True) if s.strings), None)


def most_tapped(stage: Stage, shows: Callable[[Reading], object]) -> Reading | None:
    """Return the reading that stands for a stage: of the tap recordings that show something, that with most taps."""
    heard = [h.reading for h in stage.heard if h.recording.kind == "tap" and shows(h.reading)]
    return max(heard, key=lambda reading: len(reading.used_taps), default=None)
