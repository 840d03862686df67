"""What if in the terminal: every line fits, whatever the names, and what is worked on is bold."""

from __future__ import annotations

from tapbatch.model.history import Extent
from tapbatch.model.opening import Size
from tapbatch.model.what_if import Aim, Answer, Change, Effect, Load, Rest
from tapbatch.show.say.what_if import NOTHING_ADVISED
from tapbatch.show.terminal.what_if import what_if_lines

MOVED = Extent(-1034.5, -1234.5, -834.25)
HOLE = Change(what="opening", before=5281.0, after=5541.8, size_before=Size(82.0, 0.0, 5281.0),
              size_after=Size(84.0, 0.0, 5541.8))  # fmt: skip
PITCH = Change(what="pitch", before=415.0, after=440.0)


def answer(*rests: Rest, changes: tuple[Change, ...] = (HOLE,), state: str = "closed") -> Answer:
    return Answer(
        instrument_shown="an instrument with a name that goes on for longer than a line of a terminal is wide",
        part="body", stage_shown="06-voicing\x1b[31m step 6", state=state, concert_pitch_hz=440.0, spelling="solfege",
        changes=changes, rests=rests, load=Load(more_pct=12.4) if PITCH in changes else None,
    )  # fmt: skip


def rest(mode: str, *, known: bool = True, worked_on: bool = False) -> Rest:
    effect = Effect(what="opening", extent=MOVED, seen=6) if known else Effect(what="opening", unknown="beyond")
    aims = (Aim(note="sol#3 +12", freq_hz=220.0, left=MOVED),) if worked_on else ()
    return Rest(
        mode=mode, freq_hz=1479.98, worked_on=worked_on, effects=(effect,), moved=MOVED if known else None, aims=aims
    )


def test_every_line_fits_80_columns_and_steers_no_terminal() -> None:
    long = "a-mode-with-a-very-long-label-indeed"
    lines = what_if_lines(answer(rest(long, worked_on=True), rest("琴琴琴琴琴琴琴"), rest(long, known=False)))
    assert max(len(line) for line, _ in lines) <= 80
    assert not any("\x1b" in line for line, _ in lines)
    assert lines[-1][0] == NOTHING_ADVISED


def test_what_is_worked_on_is_bold_and_what_is_not_known_comes_last_with_its_reason() -> None:
    lines = what_if_lines(answer(rest("r3", known=False), rest("air", worked_on=True), rest("r4", known=False)))
    texts = [line for line, _ in lines]
    row = next(n for n, line in enumerate(texts) if line.startswith("air "))
    assert lines[row][1] == "bold"
    assert texts[row + 1].strip().startswith("target sol#3")
    assert texts.index("r3, r4: not said; farther than all steps so far together") > row


def test_one_reason_for_all_is_said_once_and_without_a_table() -> None:
    texts = [line for line, _ in what_if_lines(answer(rest("air", known=False), rest("r3", known=False)))]
    assert sum("farther than all steps" in line for line in texts) == 1
    assert not any("would come to rest at" in line for line in texts)
    assert not any("rests on" in line for line in texts)


def test_cautions_of_strings_are_bold() -> None:
    pitch = " ".join(line for line, weight in what_if_lines(answer(changes=(PITCH,))) if weight == "bold")
    assert "440 from 415 pulls 12 % more" in pitch
    cut = " ".join(line for line, weight in what_if_lines(answer(rest("air"), state="strung")) if weight == "bold")
    assert "never cut under tension" in cut
