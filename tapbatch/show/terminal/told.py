"""What the terminal says at first of a part, a stage or an arrival: one fault, three answers, and the strings.

Conventions: lines of at most 80 characters. The strongest fault stands on top, behind ``!``; below the name of the
stage and where it is, what changed and what is left are set in by two. The table of modes and the other faults come
on request (``full``). Plucked strings are told one by one, in the order of the instrument.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from tapbatch.compare.faults import faults_of
from tapbatch.model.history import Heard, History, OpenString, Stage
from tapbatch.show.say import words
from tapbatch.show.say.faults import fault_lines
from tapbatch.show.say.figures import signed
from tapbatch.show.say.wood import planed_text, wood_lines
from tapbatch.show.terminal.readings import Line, reading_lines, said
from tapbatch.show.view.answers import NOTHING_READ, WHAT_TO_DO, turned_down
from tapbatch.show.view.boards import planings
from tapbatch.show.view.three_answers import placed_text, stages_told, told_of

ROOM_ALONE = "the room alone is listed, and nothing is measured in it"
NO_STRING = "no string of the settings could be read: pluck them one by one, and let them ring"


def history_lines(history: History, steady_cents: float = 3.0, *, full: bool = False) -> list[Line]:
    """Return where an instrument is: of each part the three answers, and the strings last plucked.

    If the taps of the latest stage of a part gave no mode, that is said too; otherwise nobody would miss it.
    """
    lines: list[Line] = []
    for part in history.parts:
        stages = list(stages_told(history, part))
        for stage in stages:
            lines += stage_lines(history, stage, steady_cents, full=full)
        latest = history.of_part(part)[-1]
        if latest.strings:
            name = "" if latest in stages else placed_text(history, latest)
            lines += _string_lines(_last_plucked(latest), name)
    return lines


def arrival_lines(history: History, path: str, steady_cents: float = 3.0, *, full: bool = False) -> list[Line]:
    """Return what a recording that just arrived says of its stage, or of the strings that were plucked in it.

    All recordings of its stage are joined in it, as in ``modes.csv``.
    """
    stage, heard = arrived_in(history, path)
    if stage is None or heard is None:
        return []
    if heard.recording.kind == "tap":
        return [("", ""), *stage_lines(history, stage, steady_cents, full=full)]
    name = placed_text(history, stage)
    if heard.recording.kind == "room":
        return [("", ""), *said(f"{name}: {ROOM_ALONE}", later="    ")]
    plucked = [s for s in stage.strings if s.recording == path]
    if not plucked:
        return [("", ""), *said(f"{name}: {NO_STRING}", "bold", later="    ")]
    return [("", ""), *_string_lines(plucked, name)]


def arrived_in(history: History, path: str) -> tuple[Stage, Heard] | tuple[None, None]:
    """Return the stage of a recording, and what was heard in it; neither if no stage has it."""
    found = ((stage, heard) for stage in history.every_stage for heard in stage.heard if heard.recording.path == path)
    return next(found, (None, None))


def file_lines(history: History, steady_cents: float = 3.0, *, full: bool = False) -> list[Line]:
    """Return what was read in a file by itself: a fault if one stands, then the table of its modes."""
    stage = history.stages[0]
    # A file by itself has one set-up; that is no fault of its own.
    standing = [fault for fault in faults_of(history, stage, steady_cents) if fault.kind != "one set-up"]
    faults = fault_lines(standing)
    modes = reading_lines(stage, steady_cents, full=full)
    return [*_fault_lines(faults, full=full), *modes, *_wood_lines(stage, full=True)]


def stage_lines(history: History, stage: Stage, steady_cents: float = 3.0, *, full: bool = False) -> list[Line]:
    """Return what is said of one stage: a fault if one stands, three answers a subject, and what leads beside it."""
    told = told_of(history, stage, steady_cents)
    lines = _fault_lines(fault_lines(told.faults), full=full)
    if not told.answers:
        lines += said(f"{told.name}: {NOTHING_READ.lower()}", "bold", later="    ")
        lines += said(WHAT_TO_DO, first="  ")
        lines += [line for text in not_used_texts(stage) for line in said(text, first="  ")]
    for n, answer in enumerate(told.answers):
        lines += said(f"{told.name}: {answer.where}" if n == 0 else answer.where, "bold", later="    ")
        lines += [
            line for text in (answer.moved, answer.left, answer.opening) if text for line in said(text, first="  ")
        ]
    lines += said(told.strongest, first="  ") if told.strongest else []
    lines += _wood_lines(stage, full=full, first="  ")
    planed = next((planed_text(rows) for rows in planings(history) if rows[0].stage == stage.stage_shown), "")
    lines += said(planed, first="  ", later="    ") if planed and stage.wood is not None else []
    if not full:
        return lines
    hz = f"targets: {', '.join(told.targets_hz)}" if told.targets_hz else ""
    meanwhile = [answer.meanwhile for answer in told.answers]
    texts = (*meanwhile, *told.others, *told.little, told.box, hz)
    others = [line for text in texts for line in said(text, first="  ") if text]
    return [*lines, *others, *reading_lines(stage, steady_cents, full=True, history=history)]


def not_used_texts(stage: Stage) -> list[str]:
    """Return why knocks of a stage were not used as taps, a text for each reason."""
    return [f"{n} not used: {reason or 'no reason given'}" for reason, n in sorted(turned_down(stage).items())]


def _wood_lines(stage: Stage, *, full: bool, first: str = "") -> list[Line]:
    """Return what is known of the wood of a blank; nothing of any other part."""
    if stage.wood is None:
        return []
    return [
        line for text in wood_lines(stage.wood, full=full) for line in said(text, first=first, later=f"{first}  ")
    ]


def _fault_lines(faults: Sequence[str], *, full: bool) -> list[Line]:
    if not faults:
        return []
    first, *more = faults
    if full:
        return [line for text in faults for line in said(f"! {text}", "bold")]
    return said(f"! {first}{f' ({len(more)} more: --full)' if more else ''}", "bold")


def _last_plucked(stage: Stage) -> list[OpenString]:
    """Return of each string what was read of it last, in the order of the instrument."""
    last = {s.string: s for s in stage.strings}
    return [last[number] for number in sorted(last)]


def _string_lines(strings: Iterable[OpenString], name: str = "") -> list[Line]:
    told = strings_text(strings)
    if not name:
        return said(f"strings: {told}", first="  ")
    return [*said(f"{name}: strings plucked", "bold", later="    "), *said(told, first="  ", later="  ")]


def strings_text(strings: Iterable[OpenString]) -> str:
    """Return plucked strings with how far each is off, in one line."""
    return ", ".join(f"{s.string} {s.expected_note} {_off_text(s)}" for s in strings)


def _off_text(string: OpenString) -> str:
    """Return how far a string is off, such as ``+2.3 c``, and for a course how far its two strings are apart."""
    pair = "" if string.pair_cents is None else f" (pair {string.pair_cents:.1f} c)"
    return words.shown(f"{signed(f'{string.cents_off:z.1f}')} c{pair}")
