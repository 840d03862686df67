"""What differs besides the wood, as every face says it: what can do much apart from what cannot.

Conventions: what is *heavy* (:mod:`tapbatch.compare.weighing`) is in the colour of limits, and breaks the lines of
charts; what is *light* is grey and small, and the terminal says it on request only. The table ``drift.csv`` has both.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace

from tapbatch.compare.blank import BLANK
from tapbatch.compare.cuts import kind_of_work
from tapbatch.compare.weighing import at_every_stage, heavy_kinds, is_heavy, parted
from tapbatch.model.caution import Caution, CautionKind
from tapbatch.model.history import Alike, Drift, History, Stage
from tapbatch.show.say import moves
from tapbatch.show.say.cautions import cautions_text, unnoted_text
from tapbatch.show.say.wood import explained_text
from tapbatch.show.view.boards import planing_of
from tapbatch.show.view.stages import drifts_into, stage_before
from tapbatch.show.view.working import subject_of

TOO_LITTLE = "Also differs, too little to matter"


@dataclass(frozen=True, slots=True, kw_only=True)
class Besides:
    """What differs on the way to a stage, in words; each is empty where there is nothing to say."""

    heavy: str
    light: str
    unnoted: str = ""


def besides_of(drift: Drift) -> Besides:
    """Return what differs besides the wood for a mode, by what it can do to the mode."""
    found = parted(drift)
    return Besides(
        heavy=cautions_text(found.heavy), light=cautions_text(found.light), unnoted=unnoted_text(found.unnoted)
    )


def causes_of(history: History, stage: Stage, alike: Alike) -> str:
    """Return what may have moved all modes alike on the way to a stage.

    A cut is named only where one may have led there, and strings only where there may be some: never on a board.
    What was forecast of a planing is said instead, if it explains the move.
    """
    if planing := planing_of(history, alike):
        return explained_text(planing)
    states = [s.state for s in (stage_before(history, stage), stage) if s is not None]
    return moves.alike_causes(
        cut=kind_of_work(stage, history.of_part(stage.part)) != "other",
        strings=stage.part != BLANK and any(state in ("", "strung") for state in states),
    )


def is_cautious(drift: Drift | None) -> bool:
    """Tell whether a chart marks a move: something that differs can do much to the mode."""
    return drift is not None and bool(parted(drift).heavy)


def besides_cell(drift: Drift, once: frozenset[CautionKind]) -> str:
    """Return what differs for a row of a table, without what is light and stands ``once`` above all rows."""
    return cautions_text(c for c in drift.cautions if c.kind not in once or is_heavy(c, drift.extent))


def since_first(drift: Drift) -> Drift:
    """Return a drift with the cautions and the move since its mode was first heard."""
    return replace(drift, cautions=drift.first_cautions, extent=drift.first_extent)


def said_once(history: History, part: str) -> frozenset[CautionKind]:
    """Return the kinds of caution that stand at every stage of a part."""
    return at_every_stage(history.drifts, part)


def once_text(kinds: Collection[CautionKind]) -> str:
    """Return the line that says what differs at every stage; empty if nothing does.

    Examples
    --------
    >>> once_text({"one tap", "days"})
    'Differs at every stage: days, one tap.'
    """
    return f"Differs at every stage: {', '.join(sorted(kinds))}." if kinds else ""


def said_beside(history: History, stage: Stage | None) -> tuple[CautionKind, ...]:
    """Return what is not noted and said beside the move of what is worked on, so that it need not be said again."""
    subject = subject_of(history, stage) if stage is not None else None
    if stage is None or subject is None:
        return ()
    drift = drifts_into(history, stage).get(subject.name)
    return tuple(c.kind for c in parted(drift).unnoted) if drift is not None else ()


def by_weight(cautions: Iterable[Caution], drifts: Iterable[Drift]) -> tuple[list[Caution], list[Caution]]:
    """Return the cautions of two stages: those that can do much to any mode, and the others."""
    heavy = heavy_kinds(drifts)
    much: list[Caution] = []
    little: list[Caution] = []
    for caution in cautions:
        (much if caution.kind in heavy or caution.can_cents is None else little).append(caution)
    return much, little
