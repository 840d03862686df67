"""The answers of a reading: moved, how far to go, how long it rings, whether to trust it; and all in one sentence.

Conventions: an answer stands in full, with its interval; where a face has room for a few large letters only, it shows
``Answer.brief``. What limits an answer stands beside that answer.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from tapbatch.compare.alike import alike_moves
from tapbatch.compare.cuts import kind_of_work
from tapbatch.compare.faults import Fault, FaultKind, faults_of
from tapbatch.model.history import Drift, History, Stage, StageMode
from tapbatch.show.say import moves, words
from tapbatch.show.say.faults import fault_text, what_text
from tapbatch.show.say.landings import (
    chance_text,
    landing_name,
    no_forecast_text,
    target_hz_text,
    to_go_text,
    way_parts,
)
from tapbatch.show.say.openings import opening_text
from tapbatch.show.say.wood import stop_parts
from tapbatch.show.view.besides import TOO_LITTLE, besides_of, causes_of
from tapbatch.show.view.boards import planing_of
from tapbatch.show.view.landings import is_risky, landings_of, other_side
from tapbatch.show.view.stages import drifts_into, stage_before, stage_names
from tapbatch.show.view.working import Subject, last_heard, named_note, not_heard_text, subject_of

Question = Literal["moved", "far", "rings", "trust"]

QUESTIONS: dict[Question, str] = {
    "moved": "Moved?",
    "far": "How far?",
    "rings": "Rings longer?",
    "trust": "Trust it?",
}

MOST_LANDINGS = 3

VAGUE = 4.0
"""A T60 whose interval ends at more than this many times its beginning is not known well.

Set-ups that damp a mode in different ways, as a board held at other places for each recording, make it so wide.
"""

NOTHING_READ = "No mode could be read"
WHAT_TO_DO = "Tap louder or closer, with the strings damped, in a quieter room; the level must not reach the top."

_SAID_BY: dict[FaultKind, tuple[str, ...]] = {
    "strings rang": ("string",),
    "gain": ("gain",),
    "one set-up": ("one-setup",),
}
"""Flags that say the same as a fault."""

_INTERVAL = re.compile(r" \([-+.\d]+ (?:to [-+.\d]+|c)\)|, [-+\d]+ c in all|(?<=Cannot tell), [-+.\d]+ %")


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """What limits an answer: its name, and what it means in full; ``heavy`` unless it is too little to matter."""

    name: str
    full: str
    heavy: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One answer, with what limits it; ``goes_on`` if the previous answer is to the same question.

    ``number`` is what stands behind the words: cents moved, cents to go, the change of T60 in per cent, and the
    half-width in cents on which trust rests; ``None`` where it is not known.
    """

    question: Question
    told: str
    detail: str = ""
    limits: tuple[Limit, ...] = ()
    goes_on: bool = False
    number: float | None = None

    @property
    def brief(self) -> str:
        """The answer without its interval, and without what was read beside it.

        Examples
        --------
        >>> Answer(question="moved", told="Down 42.1 c (-43.0 to -41.2)").brief
        'Down 42.1 c'
        """
        return _INTERVAL.sub("", self.told)

    @property
    def brief_detail(self) -> str:
        """The detail without intervals."""
        return _INTERVAL.sub("", self.detail)


def answers_of(history: History, stage: Stage, subject: Subject, steady_cents: float) -> tuple[Answer, ...]:
    """Return the answers for a stage, of a mode that is worked on there; a pitch is sure within ``steady_cents``."""
    mode, drift = subject.mode, drifts_into(history, stage).get(subject.name)
    if mode is None:
        return _unheard(history, stage, subject.name, drift)
    faults = faults_of(history, stage, steady_cents)
    return (
        _moved(history, stage, drift),
        *_how_far(history, stage, mode),
        _rings(mode, drift),
        Answer(
            question="trust",
            told=capital(words.how_sure(mode, steady_cents, faults)),
            detail=_basis(mode, stage, steady_cents),
            limits=_doubts(mode, stage, faults),
            number=words.sure_cents(mode),
        ),
    )


def fault_line(history: History, stage: Stage, steady_cents: float) -> str:
    """Return the strongest fault of a stage in one line, with its remedy; empty if none stands.

    It stands on top of every face; the others stand behind it, as limits of trust.
    """
    return next(map(fault_text, faults_of(history, stage, steady_cents)), "")


def _doubts(mode: StageMode, stage: Stage, faults: Sequence[Fault]) -> tuple[Limit, ...]:
    """Return what limits trust: the faults, the strongest first, then the flags that no fault has said already."""
    said = {flag for fault in faults for flag in _SAID_BY.get(fault.kind, ())}
    flags = [flag for flag in dict.fromkeys((*mode.flags, *stage.flags)) if flag not in said]
    # The strongest stands on top with its remedy; here a few words are enough.
    limits = [
        Limit(name=what_text(fault), full=fault_text(fault) if n else what_text(fault))
        for n, fault in enumerate(faults)
    ]
    return (*limits, *(Limit(name=words.flag_text(flag), full=words.explain(flag)) for flag in flags))


def _unheard(history: History, stage: Stage, name: str, drift: Drift | None) -> tuple[Answer, ...]:
    """Return the answers for a mode that is worked on and has no reading at the stage."""
    moved = capital(moves.moved_text(drift)) if drift else "Not known"
    limits = besides_limits(drift) if drift else ()
    return (
        Answer(question="moved", told=moved, detail=last_heard_text(history, stage, name), limits=limits),
        Answer(question="rings", told="Not known"),
        Answer(question="trust", told="No reading", detail=WHAT_TO_DO),
    )


def last_heard_text(history: History, stage: Stage, name: str) -> str:
    """Say where a mode lay when it was last heard, such as ``last heard at 05-closed: F#3 +16 c``."""
    last = last_heard(history, stage, name)
    return f"last heard at {last[0].stage_shown}: {words.note_text(last[1])}" if last else "never heard so far"


def capital(text: str) -> str:
    """Return text with its first letter as a capital.

    Examples
    --------
    >>> capital("T60 not known"), capital("down"), capital("")
    ('T60 not known', 'Down', '')
    """
    return text[:1].upper() + text[1:]


def _moved(history: History, stage: Stage, drift: Drift | None) -> Answer:
    before = stage_before(history, stage)
    if before is None:
        return Answer(question="moved", told="First stage", detail="nothing to compare with yet")
    if drift is None:
        return Answer(question="moved", told="Not compared", detail=f"with {before.stage_shown}")
    names = stage_names(history)
    start, first = (names.get((stage.part, name), name) for name in (drift.from_stage, drift.first_stage))
    told = (f"since {start}", moves.more_taps_text(drift), moves.since_first_text(drift, first))
    return Answer(
        question="moved",
        told=capital(moves.moved_text(drift)),
        detail="; ".join(filter(None, told)),
        limits=(
            *alike_limits(history, stage, drift),
            *besides_limits(drift),
        ),
        number=drift.extent.cents if drift.extent else None,
    )


def besides_limits(drift: Drift) -> tuple[Limit, ...]:
    """Return what differs besides the wood on the way to a stage: what can do much, not noted, and little."""
    found = besides_of(drift)
    little = f"{TOO_LITTLE.lower()}: "
    return (
        *_limits(found.heavy, "besides the wood: ", "differs besides the wood: "),
        *_limits(found.unnoted),
        *(replace(limit, heavy=False) for limit in _limits(found.light, little, little)),
    )


def alike_limits(history: History, stage: Stage, drift: Drift) -> tuple[Limit, ...]:
    """Return what all modes did alike on the way to a stage, said beside the move of the one that leads.

    It limits nothing where a board was planed and did what was forecast of that.
    """
    figures = drift.moved != "all"
    limits = []
    for alike in alike_moves([drift]):
        causes, explained = causes_of(history, stage, alike), bool(planing_of(history, alike))
        brief, full = (
            moves.alike_text(alike, causes, interval=interval, figures=figures) for interval in (False, True)
        )
        limits.append(Limit(name=brief, full=full, heavy=not explained))
    return tuple(limits)


def _how_far(history: History, stage: Stage, mode: StageMode) -> Iterator[Answer]:
    work = kind_of_work(stage, history.of_part(stage.part))
    landings = landings_of(history, stage, mode)[:MOST_LANDINGS]
    for n, landing in enumerate(landings):
        name, chance, risky = landing_name(landing), chance_text(landing), is_risky(landing)
        # That too few steps are known limits nothing: it is a detail.
        why = "" if landing.no_forecast in ("few steps", "points") else no_forecast_text(landing)
        whose = capital(name) if landing.mode == mode.mode else f"{landing.mode} to {name}"
        way, other = way_parts(landing, work=work, reason=not why), other_side(history, landing)
        ahead = ", ".join(filter(None, (*way, "" if risky else chance)))
        beyond = f"or {landing_name(other).removeprefix('next note ')}: {to_go_text(other)}" if other else ""
        yield Answer(
            question="far",
            told=f"{whose}: {to_go_text(landing)}",
            detail="; ".join(filter(None, (target_hz_text(landing), beyond, ahead, opening_text(landing)))),
            limits=_limits(f"{chance}: take off less" if risky else why),
            goes_on=n > 0,
            number=landing.cents_to_go,
        )
    # A board is told at which thickness to stop.
    for n, stop in enumerate(stage.wood.stops if stage.wood else (), len(landings)):
        whose, where, far, beyond = stop_parts(stop)
        yield Answer(
            question="far",
            told=f"{capital(whose)}: {far}",
            detail="; ".join(filter(None, (beyond, where))),
            goes_on=n > 0,
        )


def _rings(mode: StageMode, drift: Drift | None) -> Answer:
    rings = words.t60_text(mode)
    now = f"rings {rings} s" if rings else "how long it rings is not known"
    vague = ", not known well" if rings and is_vague(mode) else ""
    change = moves.rings_text(drift) if drift else ""
    if drift is None or not change:
        return Answer(question="rings", told=f"{capital(now)}{vague}")
    limits, number = _limits(moves.rings_limit(drift)), drift.t60_change_pct
    return Answer(question="rings", told=capital(change), detail=f"{now} now{vague}", limits=limits, number=number)


def is_vague(mode: StageMode) -> bool:
    """Tell whether the interval of T60 spans more than a factor of :data:`VAGUE`, or has no bound above zero."""
    low_s, high_s = mode.t60_low_s, mode.t60_high_s
    return low_s is not None and high_s is not None and not high_s <= VAGUE * low_s


def _limits(limit: str, name: str = "", full: str = "") -> tuple[Limit, ...]:
    return (Limit(name=name + limit, full=full + limit),) if limit else ()


def _basis(mode: StageMode, stage: Stage, steady_cents: float) -> str:
    half, recordings = mode.half_cents, sum(h.recording.kind == "tap" for h in stage.heard)
    taps = f"seen in {mode.taps} of {stage.taps_used} tap{'' if stage.taps_used == 1 else 's'}"
    said = taps if recordings < 2 else f"{taps}, {recordings} recordings"
    if math.isnan(half):
        return f"{said}; how sure is not known"
    # Beside the note stands how sure it is set up anew; how sure a pitch counts as is judged by the other figure.
    left = words.left_untouched_text(mode)
    wide = f"{left or words.untouched_text(mode)} is wider than the {steady_cents:g} c that count as steady"
    return "; ".join(filter(None, (said, wide if half > steady_cents else left)))


def turned_down(stage: Stage) -> Counter[str]:
    """Return the reasons why knocks of a stage were not used as taps, each with its count."""
    return Counter(t.tap.reason for h in stage.heard for t in h.reading.taps if not t.tap.used)


def standing_text(history: History, stage: Stage) -> str:
    """Say where what is worked on lies at a stage, how sure, what limits it, and whether it moved.

    If it was not heard, or if nothing could be read, that is said instead.
    """
    said = ", ".join(word for word in (history.instrument_shown, stage.part, stage.stage_shown) if word)
    subject = subject_of(history, stage)
    if subject is None:
        return f"{said}: {NOTHING_READ.lower()}"
    mode = subject.mode
    if mode is None:
        return f"{said}: {subject.name} {not_heard_text(stage)}, {last_heard_text(history, stage, subject.name)}"
    played = words.playing_text(mode, stage)
    flags = ", ".join(map(words.flag_text, dict.fromkeys((*mode.flags, *stage.flags))))
    asides = [f"played: {played}" if played else "", flags]
    said += f": {named_note(stage, mode)}, {words.sure_in_full(mode)}"
    said += "".join(f" ({aside})" for aside in asides if aside)
    drift = drifts_into(history, stage).get(mode.mode)
    if drift is None:
        return said
    said = ", ".join(filter(None, (said, moves.moved_text(drift), moves.more_taps_text(drift))))
    besides = besides_of(drift).heavy
    said += f" ({besides})" if besides else ""
    return "; ".join((said, *(limit.full for limit in alike_limits(history, stage, drift))))
