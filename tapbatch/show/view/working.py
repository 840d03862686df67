"""What a face puts first of a stage: the modes that are worked on, heard or not, and what stands beside them.

Conventions: a history says what is worked on (:mod:`tapbatch.compare.working_on`). Where it does not, or where a
stage stands alone, the mode that leads speaks for the stage.
"""

from __future__ import annotations

from dataclasses import dataclass

from tapbatch.model.history import Because, History, Stage, StageMode
from tapbatch.model.names import is_label
from tapbatch.show.say import moves, words
from tapbatch.show.say.wood import mode_shown


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
        read = {mode.mode: mode for mode in stage.modes}
        return tuple(Subject(name=w.mode, mode=read.get(w.mode), because=w.because) for w in told)
    lead = stage.strongest
    return (Subject(name=lead.mode, mode=lead, because="strongest"),) if lead else ()


def subject_of(history: History | None, stage: Stage) -> Subject | None:
    """Return the mode that a face puts first at a stage; ``None`` if nothing at all was measured there."""
    return next(iter(subjects_of(history, stage)), None)


def working_names(history: History | None, stage: Stage) -> tuple[str, ...]:
    """Return the identities of what is worked on at a stage, the first in front."""
    return tuple(subject.name for subject in subjects_of(history, stage))


def strongest_beside(history: History | None, stage: Stage) -> StageMode | None:
    """Return the mode that leads at a stage if it is not among those worked on, else ``None``."""
    lead = stage.strongest
    return lead if lead and lead.mode not in working_names(history, stage) else None


def name_shown(stage: Stage, name: str) -> str:
    """Return the name of a mode as all pages have it: of a board with what the mode is, such as ``along (r2)``."""
    return mode_shown(name, stage.wood.aim_of(name) if stage.wood else None)


def spoken_name(stage: Stage, name: str) -> str:
    """Return the label of a mode, or what it is on a board, such as ``along``; empty if a number is all it has."""
    aim = stage.wood.aim_of(name) if stage.wood else None
    return name if is_label(name) else aim or ""


def named_note(stage: Stage, mode: StageMode) -> str:
    """Return the note of a mode and how far off it is, behind its name if it has one: ``air F#3 +38 c``."""
    return f"{spoken_name(stage, mode.mode)} {words.note_text(mode)}".lstrip()


def not_heard_text(stage: Stage) -> str:
    """Say, behind the name of a mode, that it was not heard at a stage.

    Examples
    --------
    >>> stage = Stage(part="body", state="", stage="s", stage_shown="s", order=1, concert_pitch_hz=440.0,
    ...               heard=(), modes=(), decays=())
    >>> not_heard_text(stage)
    'not heard in this recording'
    """
    taps = sum(heard.recording.kind == "tap" for heard in stage.heard)
    return f"not heard in {'this recording' if taps < 2 else f'these {taps} recordings'}"


def last_heard(history: History, stage: Stage, name: str) -> tuple[Stage, StageMode] | None:
    """Return the last reading of a mode up to a stage of its part, with its stage; ``None`` if there is none."""
    so_far = (s for s in history.of_part(stage.part) if s.order <= stage.order)
    read = [(s, mode) for s in so_far for mode in s.modes if mode.mode == name]
    return read[-1] if read else None


def beside_lines(history: History, stage: Stage) -> list[str]:
    """Return a line for the second mode that is worked on, and one for the strongest if it is another."""
    lines = [
        f"also worked on: {_told(history, stage, s.mode) if s.mode else f'{s.name}, {not_heard_text(stage)}'}"
        for s in subjects_of(history, stage)[1:]
    ]
    return [*lines, *filter(None, [strongest_line(history, stage)])]


def strongest_line(history: History, stage: Stage) -> str:
    """Return a line for the strongest mode, such as ``strongest: main C4 +9.5 c, ± 4 c, up 3 c``.

    It is empty if the strongest is worked on itself.
    """
    mode = strongest_beside(history, stage)
    return f"strongest: {_told(history, stage, mode)}" if mode else ""


def _told(history: History, stage: Stage, mode: StageMode) -> str:
    here = (stage.part, stage.stage, mode.mode)
    drift = next((d for d in history.drifts if (d.part, d.to_stage, d.mode) == here), None)
    moved = moves.moved_cell(drift) if drift else ""
    moved = "cannot tell if it moved" if moved == "cannot tell" else moved
    return ", ".join(filter(None, (named_note(stage, mode), words.sure_text(mode), moved)))
