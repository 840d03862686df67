"""What the terminal prints of a recording that arrived, as the phone's page shows it: line by line, each by its name.

Conventions: the words are those of the terminal (``told``), unwrapped. What cannot be said is an empty text.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from tapbatch.model.history import History, Stage
from tapbatch.show.say.faults import fault_lines
from tapbatch.show.say.wood import stop_text, wood_lines
from tapbatch.show.terminal.told import NO_STRING, ROOM_ALONE, arrived_in, not_used_texts, strings_text
from tapbatch.show.view.answers import NOTHING_READ, WHAT_TO_DO
from tapbatch.show.view.three_answers import placed_text, told_of


@dataclass(frozen=True, slots=True, kw_only=True)
class PhoneReading:
    """A reading for the phone: where the note is, what changed, what is left, the next such cut, and what is wrong.

    ``second`` are the three lines of a second mode that is worked on; none if no mode was read. ``more`` is what else
    the terminal prints: why knocks were not used, and the wood of a board.
    """

    recording: str
    instrument: str = ""
    stage: str = ""
    where: str = ""
    since: str = ""
    left: str = ""
    next: str = ""
    strongest: str = ""
    fault: str = ""
    trouble: str = ""
    second: tuple[str, ...] = ()
    more: tuple[str, ...] = ()


def phone_reading(history: History, path: str, steady_cents: float = 3.0) -> PhoneReading:
    """Return what a recording that just arrived says of its stage, or of the strings that were plucked in it.

    Parameters
    ----------
    history
        The history of its instrument.
    path
        The recording, below ``recordings/``.
    steady_cents
        An interval within this is no fault.
    """
    stage, heard = arrived_in(history, path)
    if stage is None or heard is None:
        return PhoneReading(recording=path, instrument=history.instrument_shown)
    reading = PhoneReading(recording=path, instrument=history.instrument_shown, stage=stage.stage_shown)
    if heard.recording.kind == "tap":
        return _tapped(history, stage, reading, steady_cents)
    if heard.recording.kind == "room":
        return replace(reading, where=ROOM_ALONE)
    plucked = [s for s in stage.strings if s.recording == path]
    if not plucked:
        return replace(reading, trouble=NO_STRING)
    return replace(reading, where=f"{placed_text(history, stage)}: strings plucked", since=strings_text(plucked))


def _tapped(history: History, stage: Stage, reading: PhoneReading, steady_cents: float) -> PhoneReading:
    told = told_of(history, stage, steady_cents)
    faults = fault_lines(told.faults)
    reading = replace(reading, fault=faults[0] if faults else "", strongest=told.strongest)
    wood = tuple(wood_lines(stage.wood, full=False)) if stage.wood else ()
    if not told.answers:
        return replace(reading, trouble=f"{NOTHING_READ.lower()}: {WHAT_TO_DO}", more=(*not_used_texts(stage), *wood))
    first, *others = told.answers
    stops = map(stop_text, stage.wood.stops) if stage.wood else ()
    still = first.left or next(iter(stops), "")
    left, _, ahead = still.partition("; ")
    second = tuple(
        text for answer in others for text in (answer.where, answer.moved, answer.left, answer.opening) if text
    )
    more = tuple(text for text in (first.opening, first.meanwhile, *wood) if text and text != still)
    return replace(reading, where=first.where, since=first.moved, left=left, next=ahead, second=second, more=more)
