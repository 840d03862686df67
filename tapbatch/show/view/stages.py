"""Which stages, modes and changes are shown, and the modes of a stage in the order in which all faces show them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeVar

from tapbatch.compare.faults import faults_of
from tapbatch.model.history import TOLD_TO_MOVE, Drift, History, Stage, StageMode
from tapbatch.model.names import is_label
from tapbatch.model.reading import Reading
from tapbatch.show.say import moves, words
from tapbatch.show.view.working import name_shown, subject_of, working_names

MOST_MODES = 8

Shown = TypeVar("Shown")

Lined = Callable[[Stage], Stage]
"""Gives a stage with the lines that its charts need: the spectrum and the trace of the recordings that stand for it.

The lines are most of what is known of a recording, and a chart needs those of one recording a stage. So the readings
in a history may come without, and whoever draws a stage asks for its lines.
"""


def with_own_lines(stage: Stage) -> Stage:
    """Return a stage as it is: the :data:`Lined` of a history whose readings have their lines."""
    return stage


def latest_stage(history: History) -> Stage | None:
    """Return the stage that all faces show: the latest of all parts, the body's if two are equally late."""
    last = [history.of_part(part)[-1] for part in history.parts]
    return max(last, key=lambda s: (s.order, last.index(s))) if last else None


def leading(stage: Stage) -> StageMode | None:
    """Return the mode that speaks for a stage: the lead, else the strongest; ``None`` where none was measured."""
    return stage.strongest


def last_with_modes(history: History, part: str) -> Stage | None:
    """Return the last stage of a part at which a mode was read, ``None`` where there is none."""
    return next((stage for stage in reversed(history.of_part(part)) if stage.modes), None)


def stage_before(history: History, stage: Stage) -> Stage | None:
    """Return the stage of the same part that comes before, ``None`` where there is none."""
    return next((before for before, each in pairwise(history.of_part(stage.part)) if each is stage), None)


def stage_names(history: History) -> dict[tuple[str, str], str]:
    """Return the names of all stages as they are shown, by part and identity."""
    return {(s.part, s.stage): s.stage_shown for s in reversed(history.stages)}


def stage_placed(stage: Stage) -> str:
    """Return the part of a stage and how it was held, such as ``top, free``."""
    return ", ".join(filter(None, (stage.part, stage.state)))


def stage_facts(stage: Stage) -> str:
    """Return the day of a stage, from the notes or its latest recording if known, and its concert pitch."""
    recorded = max((h.reading.recorded_at for h in stage.heard), default="")
    day = (stage.note.date if stage.note and stage.note.date else recorded)[:10]
    return ", ".join(filter(None, (day, f"A4 = {stage.concert_pitch_hz:g} Hz")))


def plucked_stage(history: History) -> Stage | None:
    """Return the latest stage at which open strings were read, ``None`` where there is none."""
    return next((s for s in sorted(history.stages, key=lambda s: s.order, reverse=True) if s.strings), None)


def most_tapped(stage: Stage, shown: Callable[[Reading], Shown | None]) -> Shown | None:
    """Return what stands for a stage: of the tap recordings that have something to show, that with most taps used."""
    heard = [h.reading for h in stage.heard if h.recording.kind == "tap" and shown(h.reading)]
    best = max(heard, key=lambda reading: len(reading.used_taps), default=None)
    return shown(best) if best else None


def chart_modes(stages: Sequence[Stage], first: Collection[str] = (), most: int = MOST_MODES) -> list[str]:
    """Return the modes of one part that a chart shows: those in ``first``, then the others from low to high.

    The latest lead is the next to get a place, then the builder's labels, then what is strongest over all stages;
    strings that only rang along get none.
    """
    found: dict[str, list[StageMode]] = {}
    for stage in stages:
        for mode in stage.modes:
            found.setdefault(mode.mode, []).append(mode)
    for name in [name for name, read in found.items() if all("string" in m.flags for m in read)]:
        if name not in first:
            del found[name]
    latest_lead = stages[-1].lead.mode if stages and stages[-1].lead else ""

    def rank(name: str) -> tuple[bool, bool, float]:
        foremost = name in first or name == latest_lead
        return not foremost, not is_label(name), -max(m.level_db for m in found[name])

    chosen = sorted(found, key=rank)[:most]
    return sorted(chosen, key=lambda name: (name not in first, found[name][-1].freq_hz))


def mode_at(stage: Stage, name: str) -> StageMode | None:
    """Return a mode of a stage by its identity, or ``None``."""
    return next((m for m in stage.modes if m.mode == name), None)


def drifts_by_stage(history: History) -> defaultdict[tuple[str, str], dict[str, Drift]]:
    """Return what moved on the way to each stage, by part and stage, then by mode."""
    told: defaultdict[tuple[str, str], dict[str, Drift]] = defaultdict(dict)
    for drift in history.drifts:
        told[drift.part, drift.to_stage][drift.mode] = drift
    return told


def drifts_into(history: History, stage: Stage) -> dict[str, Drift]:
    """Return what moved on the way to a stage, by mode."""
    return drifts_by_stage(history)[stage.part, stage.stage]


def sign_text(verdict: str, change_cents: float | None) -> str:
    """Return a change in the few letters beside its line: the cents as read, ``=`` if it held, ``?`` if unclear.

    Examples
    --------
    >>> sign_text("down", -42.13), sign_text("steady", 0.4), sign_text("unclear", 7.2), sign_text("new", None)
    ('-42', '=', '?', '')
    """
    if change_cents is None:
        return ""
    moved = f"{change_cents:+z.0f}" if verdict in TOLD_TO_MOVE else ""
    return {"steady": "=", "unclear": "?"}.get(verdict, moved)


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeRow:
    """A mode, how it moved, and the words for which the mode alone is not enough; a text is empty if not known.

    ``name`` is its name as all pages have it. ``worked_on`` tells whether the maker works on it; without the
    instrument's history, whether it leads.
    """

    mode: StageMode
    name: str
    worked_on: bool
    drift: Drift | None
    trust: words.Sureness
    moved: str
    taps: str
    played: str

    @property
    def unsure(self) -> bool:
        """Whether the reading is too doubtful to stand beside the others as if it were sure."""
        return self.trust == "unsure"


def mode_rows(stage: Stage, steady_cents: float, history: History | None = None) -> list[ModeRow]:
    """Return a row for each mode of a stage: what is worked on in front, then the others from strong to faint.

    A pitch counts as sure within ``steady_cents``, and none does while a fault of the stage stands. Without the
    instrument's history nothing is said of moves and faults, and the one that leads is in front.
    """
    names, drifts = working_names(history, stage), drifts_into(history, stage) if history else {}
    faults = faults_of(history, stage, steady_cents) if history else ()

    def rank(mode: StageMode) -> tuple[int, float]:
        return names.index(mode.mode) if mode.mode in names else len(names), -mode.level_db

    return [
        ModeRow(
            mode=mode,
            name=name_shown(stage, mode.mode),
            worked_on=mode.mode in names,
            drift=(drift := drifts.get(mode.mode)),
            trust=words.how_sure(mode, steady_cents, faults),
            moved=moves.moved_cell(drift) if drift else "",
            taps=f"{mode.taps}/{stage.taps_used}",
            played=words.playing_text(mode, stage),
        )
        for mode in sorted(stage.modes, key=rank)
    ]


def first_row(history: History, stage: Stage, steady_cents: float) -> ModeRow | None:
    """Return the row of the mode that a face puts first at a stage; ``None`` if that one was not heard."""
    subject, rows = subject_of(history, stage), mode_rows(stage, steady_cents, history)
    return next((row for row in rows if subject and row.mode is subject.mode), None)
