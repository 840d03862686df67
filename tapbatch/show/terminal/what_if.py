"""What if, in the terminal: what changes, where each mode would come to rest, and what that rests on.

Conventions: lines of at most 80 characters. The modes worked on come first and are bold. Why nothing can be
said of some modes, or of any, is said once.
"""

from __future__ import annotations

from tapbatch.model.what_if import Answer, Rest
from tapbatch.show.say import what_if, words
from tapbatch.show.say.wood import mode_shown
from tapbatch.show.terminal.readings import Line, said
from tapbatch.show.terminal.wrapping import padded

_NAME, _NOW, _THEN = 13, 13, 24


def what_if_lines(answer: Answer) -> list[Line]:
    """Return the answer to a question that begins with what if."""
    lines = said(f"{answer.instrument_shown}, {answer.part}: what if, from {answer.stage_shown}", "bold")
    for change in answer.changes:
        lines += said(what_if.change_line(change))
        if change.what == "pitch" and answer.load is not None:
            lines += said(what_if.load_line(answer.load, change, strung=answer.state == "strung"), "bold")
    if answer.is_cut and answer.state == "strung":
        lines += said(what_if.CUT_CAUTION, "bold")
    if answer.board is not None:
        lines += said(what_if.board_line(answer.board))
    if answer.unknown:
        why = what_if.why_not(answer.unknown)
        lines += said(f"Where the modes would come to rest, nobody can say: {why}.")
    else:
        lines += _table_lines(answer)
    if not answer.unknown:
        lines += [line for text in what_if.bases(answer) for line in said(f"rests on {text}", "dim")]
    return [*lines, *said(what_if.NOTHING_ADVISED, "dim")]


def _table_lines(answer: Answer) -> list[Line]:
    """Return a row for each mode of which something can be said, then the others with the reason."""
    lines: list[Line] = []
    others: dict[str, list[str]] = {}
    for rest in answer.rests:
        if rest.then_hz is None:
            others.setdefault(what_if.why_not(rest.effects), []).append(rest.mode)
        else:
            lines += _rest_lines(answer, rest, rest.then_hz)
    if lines:
        heads = f"{'':{_NAME}}{'now':{_NOW}}{'would come to rest at':{_THEN}}moved (95 % interval)"
        lines = [(heads, "dim"), *lines]
    for why, names in others.items():
        lines += said(f"{', '.join(names)}: not said; {why}")
    return lines


def _rest_lines(answer: Answer, rest: Rest, then_hz: float) -> list[Line]:
    pitch, spelling = answer.concert_pitch_hz, answer.spelling
    name = padded(words.shown(mode_shown(rest.mode, rest.aimed)), _NAME - 1)
    now = what_if.note_text(rest.freq_hz, pitch, spelling)
    then = f"{what_if.note_text(then_hz, pitch, spelling)}, {then_hz:.1f} Hz"
    row = f"{name} {now:{_NOW}}{then:{_THEN}}{what_if.moved_text(rest)}"
    lines = [(row, "bold" if rest.worked_on else "")]
    lines += said(what_if.against_text(rest), first=" " * (_NAME + _NOW)) if what_if.against_text(rest) else []
    for aim in rest.aims:
        lines += said(what_if.aim_text(aim), first=" " * (_NAME + _NOW))
    return lines
