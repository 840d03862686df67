"""What the terminal says at first: one fault, three answers, the strings; all else on request."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from tapbatch.model.history import History
from tapbatch.model.notice import Notice
from tapbatch.show.say import words
from tapbatch.show.terminal.told import arrival_lines, file_lines, history_lines, stage_lines
from tapbatch.show.terminal.wrapping import width_of
from tapbatch.show.view.answers import NOTHING_READ, WHAT_TO_DO

MODES = "note     cents   untouched"


def texts(lines: list[tuple[str, str]]) -> list[str]:
    return [line for line, _ in lines]


def flat(lines: list[tuple[str, str]]) -> str:
    return " ".join(" ".join(texts(lines)).split())


def test_no_line_is_wider_than_80_columns(any_history: History) -> None:
    for full in (False, True):
        assert all(width_of(line) <= 80 for line in texts(history_lines(any_history, full=full)))
        for stage in any_history.stages:
            assert all(width_of(line) <= 80 for line in texts(stage_lines(any_history, stage, full=full)))


def test_each_answer_begins_a_line_and_what_goes_on_is_set_in(whole: History) -> None:
    lines = texts(stage_lines(whole, whole.stages[-1]))
    assert lines[0].startswith("! one set-up only: ")
    assert lines[1].startswith("Cittern-07 body, 09-settled: main G3 ")
    begun = [line for line in lines[2:] if line.startswith("  ") and not line.startswith("    ")]
    assert [line.split()[0] for line in begun] == ["since", "to"]
    assert len(lines) <= 8


def test_one_fault_stands_on_top_and_the_others_behind_it(histories: dict[str, Callable[[], History]]) -> None:
    history = histories["cautions galore"]()
    stage = history.stages[-1]
    brief, full = (stage_lines(history, stage, full=full) for full in (False, True))
    assert sum(line.startswith("! ") for line in texts(brief)) == 1
    assert flat(brief).startswith("! automatic gain, no ringing time: ")
    assert "(2 more: --full)" in flat(brief)
    assert sum(line.startswith("! ") for line in texts(full)) == 3
    assert "--full" not in flat(full)


def test_the_table_and_the_words_come_on_request(whole: History) -> None:
    stage = whole.stages[-1]
    brief, full = (flat(stage_lines(whole, stage, full=full)) for full in (False, True))
    assert MODES not in " ".join(brief.split())
    assert " ".join(MODES.split()) in full
    assert not any(text in full for text in words.FLAGS.values())


def test_where_nothing_was_read_the_reasons_stand_in_its_place(histories: dict[str, Callable[[], History]]) -> None:
    history = histories["no modes"]()
    said = flat(stage_lines(history, history.stages[0]))
    assert said.startswith(f"Silent body, a: {NOTHING_READ.lower()}")
    assert WHAT_TO_DO in said
    assert "1 not used: speech" in said


def test_a_stage_whose_taps_gave_nothing_is_not_passed_over(histories: dict[str, Callable[[], History]]) -> None:
    whole, silent = histories["whole"](), histories["no modes"]()
    last = replace(silent.stages[-1], order=99)
    said = flat(history_lines(replace(whole, stages=(*whole.stages, last))))
    assert "Cittern-07 body, 09-settled: main G3" in said
    assert f"Cittern-07 body, b: {NOTHING_READ.lower()}" in said


def test_strings_print_their_cents_one_by_one(histories: dict[str, Callable[[], History]]) -> None:
    history = histories["strung"]()
    said = flat(history_lines(history))
    for string in history.stages[-1].strings:
        assert f"{string.string} A#2 {string.cents_off:+.1f} c" in said
    # a course of two strings says how far they are apart
    assert "2 A#2 -13.2 c (pair 2.6 c)" in said


def test_an_arrival_of_plucks_tells_the_strings_and_one_of_taps_the_answers(
    histories: dict[str, Callable[[], History]],
) -> None:
    history = histories["strung"]()
    *earlier, stage = history.stages
    (tapped,) = stage.heard
    path = stage.strings[0].recording
    pluck = replace(tapped, recording=replace(tapped.recording, path=path, kind="pluck"))
    history = replace(history, stages=(*earlier, replace(stage, heard=(tapped, pluck))))
    plucked = flat(arrival_lines(history, path))
    assert plucked.startswith("Strung body, 09-strung: strings plucked 1 A#2 -13.4 c, 2 A#2 ")
    assert "since" not in plucked
    assert "since 08-strung: " in flat(arrival_lines(history, tapped.recording.path))
    silent = replace(history, stages=(*earlier, replace(stage, heard=(tapped, pluck), strings=())))
    assert "no string of the settings could be read" in flat(arrival_lines(silent, path))
    assert arrival_lines(history, "another.wav") == []
    room = replace(tapped, recording=replace(tapped.recording, kind="room"))
    quiet = replace(history, stages=(*earlier, replace(stage, heard=(room,), modes=(), strings=())))
    assert flat(arrival_lines(quiet, tapped.recording.path)).startswith("Strung body, 09-strung: the room alone ")


def test_a_file_by_itself_has_its_fault_on_top(histories: dict[str, Callable[[], History]]) -> None:
    history = histories["one stage, one tap"]()
    (stage,) = history.stages
    loud = replace(stage.heard[0], reading=replace(stage.heard[0].reading, notices=(Notice("clipped"),)))
    lines = texts(file_lines(replace(history, stages=(replace(stage, heard=(loud,)),))))
    assert lines[0].startswith("! too loud for the recorder: ")
    assert not texts(file_lines(history))[0].startswith("! ")
