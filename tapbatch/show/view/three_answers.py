"""The three answers of a reading: where it is, what changed since the stage before, and what is left.

Conventions: each answer is one sentence about what is worked on, without a capital and without a full stop. An answer
that cannot be given says why in the same place; only a board has nothing left but targets, as its thickness is told
beside its figures. Only what led here by a cut is called a cut. The faults stand in
front, the strongest first.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

from tapbatch.compare.cuts import Work, kind_of_work
from tapbatch.compare.faults import Fault, faults_of
from tapbatch.model.history import Drift, History, Landing, Stage, StageMode
from tapbatch.model.names import COVERED, is_label
from tapbatch.show.say import words
from tapbatch.show.say.landings import target_hz_text
from tapbatch.show.say.left import left_text, no_target_text
from tapbatch.show.say.moves import more_taps_text, moved_text
from tapbatch.show.say.openings import box_text, meanwhile_text, opening_text
from tapbatch.show.view.answers import alike_limits, last_heard_text
from tapbatch.show.view.besides import TOO_LITTLE, besides_of
from tapbatch.show.view.landings import chosen_landings, is_risky, shown_landings
from tapbatch.show.view.stages import (
    drifts_into,
    last_with_modes,
    mode_at,
    stage_before,
    stage_names,
)
from tapbatch.show.view.working import Subject, not_heard_text, spoken_name, strongest_line, subjects_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Three:
    """The three answers about one mode; ``left`` is empty for a mode of a board that is no target.

    ``opening`` is which opening its landing needs, and ``meanwhile`` what other modes do then; empty if not known.
    """

    where: str
    moved: str
    left: str
    opening: str = ""
    meanwhile: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What is said of a stage at first: its name, its faults, three answers a subject, and the strongest beside.

    ``answers`` is empty if nothing could be read; ``strongest`` is empty if the strongest is worked on itself.
    ``others`` says what is left of the other targets of the part, ``little`` what differs and cannot do much, and
    ``targets_hz`` which frequencies all targets are, and ``box`` what is known of the box; they are told on request.
    """

    name: str
    faults: tuple[Fault, ...]
    answers: tuple[Three, ...]
    strongest: str = ""
    others: tuple[str, ...] = ()
    little: tuple[str, ...] = ()
    targets_hz: tuple[str, ...] = ()
    box: str = ""


def told_of(history: History, stage: Stage, steady_cents: float = 3.0) -> Told:
    """Return what is said of a stage at first; an interval within ``steady_cents`` is no fault."""
    if stage.state == COVERED:
        return _covered(history, stage, steady_cents)
    subjects = subjects_of(history, stage) if stage.modes else ()
    return Told(
        name=placed_text(history, stage),
        faults=faults_of(history, stage, steady_cents),
        answers=tuple(_three(history, stage, subject, steady_cents) for subject in subjects),
        strongest=strongest_line(history, stage),
        others=tuple(_others(history, stage, {subject.name for subject in subjects})),
        little=tuple(_little(history, stage, subjects)),
        targets_hz=tuple(filter(None, map(target_hz_text, _landings_at(history, stage)))),
        box=_box(history, stage),
    )


def _covered(history: History, stage: Stage, steady_cents: float) -> Told:
    """Return what is said of taps with the opening covered: what the labelled modes read, and what that tells."""
    read = [f"{m.mode} {words.hz_text(m)} Hz" for m in stage.modes if is_label(m.mode)]
    where = f"opening covered: {', '.join(read) or 'no labelled mode was read'}"
    told = (
        _box(history, stage) or "put the openings into the settings, and it tells the air and the top by themselves"
    )
    three = Three(where=where, moved="no step: nothing is compared with a covered opening", left=told)
    answers = (three,) if stage.modes else ()
    return Told(name=placed_text(history, stage), faults=faults_of(history, stage, steady_cents), answers=answers)


def _box(history: History, stage: Stage) -> str:
    box = next((box for box in history.boxes if box.part == stage.part), None)
    is_latest = stage.state == COVERED or (box is not None and box.stage == stage.stage)
    return box_text(box) if box is not None and is_latest else ""


def placed_text(history: History, stage: Stage) -> str:
    """Return what a reading is of, such as ``cittern-12 body, 06-voicing step 6``."""
    return ", ".join(filter(None, (f"{history.instrument_shown} {stage.part}".strip(), stage.stage_shown)))


def step_shown(name: str, beside: str) -> str:
    """Return the name of a stage without the series that it shares with another.

    Examples
    --------
    >>> step_shown("06-voicing step 5", "06-voicing step 6"), step_shown("05-closed", "06-voicing step 1")
    ('step 5', '05-closed')
    """
    series, _, number = name.rpartition(" step ")
    other, _, later = beside.rpartition(" step ")
    return f"step {number}" if series and series == other and (number + later).isdigit() else name


def _three(history: History, stage: Stage, subject: Subject, steady_cents: float) -> Three:
    # A fault stands on top and says what to do; without one, that the reading can be trusted is said here.
    faulty = bool(faults_of(history, stage, steady_cents))
    trust = f", {words.how_sure(subject.mode, steady_cents)}" if subject.mode and not faulty else ""
    landing = _aimed(history, stage, subject)
    return Three(
        where=_where(subject, stage, trust),
        moved=_moved(history, stage, subject),
        left=_left(history, stage, subject),
        opening=opening_text(landing) if landing else "",
        meanwhile=meanwhile_text(landing) if landing else "",
    )


# ------------------------------------------------------------ where it is


def _where(subject: Subject, stage: Stage, trust: str) -> str:
    mode = subject.mode
    if mode is None:
        return f"{subject.name} {not_heard_text(stage)}"
    named = spoken_name(stage, subject.name) or ("strongest" if subject.because == "strongest" else subject.name)
    # A changed gain is a fault of the recording, and stands on top.
    doubts = ", ".join(words.flag_text(flag) for flag in mode.flags if flag in words.DOUBTS and flag != "gain")
    return f"{named} {words.note_text(mode)}, {words.sure_in_full(mode)}{trust}{f' ({doubts})' if doubts else ''}"


# ----------------------------------------------------------- what changed


def _moved(history: History, stage: Stage, subject: Subject) -> str:
    before = stage_before(history, stage)
    if before is None:
        return "first stage: nothing to compare with yet"
    drift = drifts_into(history, stage).get(subject.name)
    if drift is None:
        return f"since {step_shown(before.stage_shown, stage.stage_shown)}: {_not_compared(before, stage, subject)}"
    names = stage_names(history)
    start = names.get((stage.part, drift.from_stage), drift.from_stage)
    told = ", ".join(filter(None, (moved_text(drift), more_taps_text(drift))))
    since = f"since {step_shown(start, stage.stage_shown)}: {told}{_besides(drift)}"
    return "; ".join((since, *(limit.full for limit in alike_limits(history, stage, drift))))


def _besides(drift: Drift) -> str:
    found = besides_of(drift)
    said = "; ".join(filter(None, (found.heavy, found.unnoted)))
    return f" ({said})" if said else ""


def _little(history: History, stage: Stage, subjects: Sequence[Subject]) -> Iterator[str]:
    """Yield what differs besides the wood and cannot do much, of each mode that is told."""
    into = drifts_into(history, stage)
    for drift in (into[s.name] for s in subjects if s.name in into):
        if light := besides_of(drift).light:
            yield f"{TOO_LITTLE.lower()} for {drift.mode}: {light}"


def _not_compared(before: Stage, stage: Stage, subject: Subject) -> str:
    if not before.modes:
        return "not compared, nothing could be read there"
    if mode_at(before, subject.name) is None and mode_at(stage, subject.name) is None:
        return "not heard at either"
    return "not compared"


# ----------------------------------------------------------- what is left


def _left(history: History, stage: Stage, subject: Subject) -> str:
    last = last_with_modes(history, stage.part)
    if last is not None and last is not stage:
        return f"what is left is said of {last.stage_shown}, the latest stage"
    if subject.mode is None:
        return f"how far is not known; {last_heard_text(history, stage, subject.name)}"
    ours = [c for c in _landings_at(history, stage) if c.mode == subject.name]
    work = kind_of_work(stage, history.of_part(stage.part))
    target = min((c for c in ours if c.landing == "target"), key=lambda c: abs(c.cents_to_go), default=None)
    if target is not None:
        return _to(target, subject.mode, work=work)
    if stage.wood is not None:
        # Where to stop planing is told beside the figures of a board.
        return ""
    if not ours:
        return "no target is set"
    ahead = _ahead(history, ours)
    return _to(ahead, subject.mode, work=work) if ahead else no_target_text(ours, subject.mode, work=work)


def _aimed(history: History, stage: Stage, subject: Subject) -> Landing | None:
    """Return the landing of which is told what is left: the nearest target, else the note that steps lead to."""
    ours = [c for c in _landings_at(history, stage) if c.mode == subject.name]
    target = min((c for c in ours if c.landing == "target"), key=lambda c: abs(c.cents_to_go), default=None)
    return target or (_ahead(history, ours) if ours else None)


def _ahead(history: History, ours: list[Landing]) -> Landing | None:
    """Return the note that known steps lead to; ``None`` if no step is known."""
    known = [c for c in ours if c.step_cents is not None]
    chosen = [c for c in chosen_landings(history, ours[0].part) if c in known]
    towards = [c for c in known if c.steps_to_go is not None]
    return next(iter([*chosen, *towards, *sorted(known, key=lambda c: abs(c.cents_to_go))]), None)


def _landings_at(history: History, stage: Stage) -> list[Landing]:
    return [c for c in shown_landings(history) if (c.part, c.stage) == (stage.part, stage.stage)]


def _others(history: History, stage: Stage, told: Collection[str]) -> Iterator[str]:
    work = kind_of_work(stage, history.of_part(stage.part))
    for landing in _landings_at(history, stage):
        mode = mode_at(stage, landing.mode)
        if landing.landing == "target" and mode is not None and landing.mode not in told:
            yield f"{landing.mode} {_to(landing, mode, work=work)}"


def _to(landing: Landing, mode: StageMode, *, work: Work) -> str:
    return left_text(landing, mode, work=work, risky=is_risky(landing))


def stages_told(history: History, part: str) -> Iterator[Stage]:
    """Yield the stages of a part that a run tells of: the last that has modes, then a later one that has none."""
    stage = last_with_modes(history, part)
    if stage is not None:
        yield stage
    tapped = [s for s in history.of_part(part) if any(h.recording.kind == "tap" for h in s.heard)]
    if tapped and not tapped[-1].modes:
        yield tapped[-1]
