"""What a face puts first of a stage: the modes that are worked on, heard or not, and what stands beside them.

Conventions: a history says what is worked on (:mod:`tapbatch.compare.working_on`). Where it does not, or where a
stage stands alone, the mode that leads speaks for the stage.
"""

from __future__ import annotations

from dataclasses import dataclass

from tapbatch.model.history import Because, History, Stage, StageMode
from tapbatch.show.view.stages import leading, mode_at


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """A mode that is worked on at a stage: its identity, its reading, and how it is known to be worked on.

    ``mode`` is ``None`` if it was not heard at the stage.
    """

    name: str
    mode: StageMode | None
    because: Because


def subjects_of(history: History | None, stage: Stage) -> tuple[Subject, ...]:
    """Return what is worked on at a stage, one or two modes; none if nothing at all was measured there."""
    told = history.working_on(stage.part, stage.stage) if history else ()
    if told:
        return tuple(Subject(name=w.mode, mode=mode_at(stage, w.mode), because=w.because) for w in told)
    lead = leading(stage)
    return (Subject(name=lead.mode, mode=lead, because="strongest"),) if lead else ()


def subject_of(history: History | None, stage: Stage) -> Subject | None:
    """Return the mode that a face puts first at a stage; ``None`` if nothing at all was measured there."""
    return next(iter(subjects_of(history, stage)), None)


def strongest_beside(history: History | None, stage: Stage) -> StageMode | None:
    """Return the mode that leads at a stage if it is not among those worked on, else ``None``."""
    lead = leading(stage)
    named = {subject.name for subject in subjects_of(history, stage)}
    return lead if lead and lead.mode not in named else None


def not_heard_text(name: str, stage: Stage) -> str:
    """Say that a mode that is worked on was not heard at a stage.

    Examples
    --------
    >>> stage = Stage(part="body", state="", stage="s", stage_shown="s", order=1, concert_pitch_hz=440.0,
    ...               heard=(), modes=(), decays=())
    >>> not_heard_text("air", stage)
    'air: not heard in this recording'
    """
    taps = sum(heard.recording.kind == "tap" for heard in stage.heard)
    return f"{name}: not heard in {'this recording' if taps < 2 else f'these {taps} recordings'}"
