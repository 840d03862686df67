"""The three answers of a reading, about what is worked on; what cannot be said says why."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from tapbatch.model.history import Because, History, Stage, WorkedOn
from tapbatch.show.terminal.told import stage_lines
from tapbatch.show.view.answers import answers_of
from tapbatch.show.view.three_answers import step_shown, told_of
from tapbatch.show.view.working import subject_of


def working_on(history: History, stage: Stage, *modes: str, because: Because = "label") -> History:
    heard = {m.mode for m in stage.modes}
    worked = (WorkedOn(part=stage.part, stage=stage.stage, mode=m, heard=m in heard, because=because) for m in modes)
    return replace(history, worked_on=tuple(worked))


def without(history: History, name: str) -> History:
    """The history with a mode gone from its latest stage, and its landings with it."""
    *earlier, latest = history.stages
    stage = replace(latest, modes=tuple(m for m in latest.modes if m.mode != name))
    kept = tuple(c for c in history.landings if c.mode != name)
    return replace(history, stages=(*earlier, stage), landings=kept)


def without_targets(history: History) -> History:
    """The history with the notes either side as its only landings."""
    return replace(history, landings=tuple(c for c in history.landings if c.landing != "target"))


def test_what_is_worked_on_comes_first_and_the_strongest_in_one_line(whole: History) -> None:
    stage = whole.stages[-1]
    told = told_of(working_on(whole, stage, "air"), stage)
    assert told.name == "Cittern-07 body, 09-settled"
    (three,) = told.answers
    air = next(m for m in stage.modes if m.mode == "air")
    assert three.where.startswith(f"air {air.note} ")
    assert three.moved.startswith("since 08-strung: ")
    assert told.strongest.startswith("strongest: main G3 ")


def test_the_strongest_has_no_line_where_it_is_worked_on(whole: History) -> None:
    stage = whole.stages[-1]
    assert told_of(whole, stage).strongest == ""
    assert told_of(working_on(whole, stage, "main"), stage).strongest == ""


def test_a_mode_without_a_label_is_called_the_strongest(
    histories: dict[str, Callable[[], History]],
) -> None:
    history = histories["one stage, one tap"]()
    (three,) = told_of(history, history.stages[0]).answers
    # how many taps it rests on is said beside it, since one tap seems surer than five
    assert three.where.startswith("strongest G3 ")
    assert three.where.endswith(" (few taps)")
    assert three.moved == "first stage: nothing to compare with yet"


def test_two_modes_have_three_answers_each(whole: History) -> None:
    stage = whole.stages[-1]
    told = told_of(working_on(whole, stage, "air", "r6", because="said"), stage)
    assert [three.where.split()[0] for three in told.answers] == ["air", "r6"]


def test_what_is_worked_on_and_not_heard_says_so(whole: History) -> None:
    history = without(whole, "air")
    stage = history.stages[-1]
    (three,) = told_of(working_on(history, stage, "air"), stage).answers
    assert three.where == "air not heard in this recording"
    assert three.left.startswith("how far is not known; last heard at 08-strung: ")


def test_a_target_of_another_mode_is_told_on_request(whole: History) -> None:
    stage = whole.stages[-1]
    targets = {c.mode for c in whole.landings if c.landing == "target" and c.stage == stage.stage}
    told = told_of(working_on(whole, stage, "main"), stage)
    assert [text.split()[0] for text in told.others] == sorted(targets - {"main"})
    assert len(told.targets_hz) == len(targets)
    assert all(text.endswith(" Hz") for text in told.targets_hz)


def test_an_earlier_stage_sends_the_reader_to_the_latest(whole: History) -> None:
    stage = whole.stages[-2]
    (three,) = told_of(whole, stage).answers
    assert three.left == "what is left is said of 09-settled, the latest stage"


def test_what_is_strung_or_settled_is_never_called_a_cut(whole: History) -> None:
    for stage in whole.stages[-2:]:
        (three,) = told_of(whole, stage).answers
        assert "such cut" not in f"{three.moved} {three.left}"


def test_a_stage_in_which_nothing_was_read_has_no_answers(histories: dict[str, Callable[[], History]]) -> None:
    history = histories["no modes"]()
    assert told_of(history, history.stages[-1]).answers == ()


def test_a_board_has_no_next_note_on_any_face(histories: dict[str, Callable[[], History]]) -> None:
    """Its landings are there, but no cut leads to them: only a target is told."""
    board = histories["board"]()
    for history, on_target, says in (
        (without_targets(board), False, ""),
        (board, True, "to target "),
        (without_targets(replace(board, stages=(replace(board.stages[0], wood=None),))), True, "no target set: "),
    ):
        (stage,) = history.stages
        (three,) = told_of(history, stage).answers
        assert three.left.startswith(says)
        assert bool(three.left) == on_target
        assert all(line.strip() for line, _ in stage_lines(history, stage))
        subject = subject_of(history, stage)
        assert subject is not None
        asked = {answer.question for answer in answers_of(history, stage, subject, 3.0)}
        assert ("far" in asked) == on_target


def test_every_stage_of_every_history_is_told(any_history: History) -> None:
    for stage in any_history.stages:
        told = told_of(any_history, stage)
        assert bool(told.answers) == bool(stage.modes)
        for three in told.answers:
            assert all((three.where, three.moved))
            assert three.left or stage.wood is not None
            assert "None" not in f"{three.where} {three.moved} {three.left}"
            assert "nan" not in f"{three.where} {three.left}"


@pytest.mark.parametrize(
    ("name", "beside", "shown"),
    [
        ("06-voicing step 5", "06-voicing step 6", "step 5"),
        ("06-voicing step 5", "07-voicing step 1", "06-voicing step 5"),
        ("05-closed", "06-voicing step 1", "05-closed"),
        ("one step 2 beyond", "one step 3 beyond", "one step 2 beyond"),
    ],
)
def test_only_a_series_in_common_is_left_out(name: str, beside: str, shown: str) -> None:
    assert step_shown(name, beside) == shown
