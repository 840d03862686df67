"""What if, in the terminal: what changes, where each mode would come to rest, and what that rests on.

Conventions: lines of at most 80 characters. The modes worked on come first and are bold. A reason why nothing
can be said of any mode is said once.
"""

from __future__ import annotations

from tapbatch.model.what_if import Answer, Rest
from tapbatch.show.say import what_if
from tapbatch.show.terminal.readings import Line, said
from tapbatch.show.terminal.wrapping import padded

_NAME, _NOW, _THEN = 11, 13, 24


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
    reasons = {what_if.why_not(rest.effects) for rest in answer.rests}
    if len(reasons) == 1 and "" not in reasons:
        lines += said(f"Where the modes would come to rest, nobody can say: {reasons.pop()}.")
    else:
        lines.append((f"{'':{_NAME}}{'now':{_NOW}}{'would come to rest at':{_THEN}}moved (95 % interval)", "dim"))
        for rest in answer.rests:
            lines += _rest_lines(answer, rest)
    for text in what_if.bases(answer):
        lines += said(f"rests on {text}", "dim")
    return [*lines, *said(what_if.NOTHING_ADVISED, "dim")]


def _rest_lines(answer: Answer, rest: Rest) -> list[Line]:
    weight = "bold" if rest.worked_on else ""
    pitch, spelling = answer.concert_pitch_hz, answer.spelling
    start = f"{padded(rest.mode, _NAME - 1)} {what_if.note_text(rest.freq_hz, pitch, spelling):{_NOW}}"
    if rest.moved is None or rest.then_hz is None:
        return [
            (line, weight)
            for line, _ in said(f"{what_if.why_not(rest.effects)}", first=start, later=" " * (_NAME + _NOW))
        ]
    then = f"{what_if.note_text(rest.then_hz, pitch, spelling)}, {rest.then_hz:.1f} Hz"
    lines = [(f"{start}{then:{_THEN}}{what_if.moved_text(rest)}", weight)]
    for aim in rest.aims:
        lines += said(what_if.aim_text(aim), first=" " * (_NAME + _NOW))
    return lines
