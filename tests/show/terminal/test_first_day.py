"""The first day: three questions with defaults, and a shop that has the answers."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from tapbatch.shop.folder import open_shop
from tapbatch.shop.template import FirstDay, init_shop
from tapbatch.show.terminal.first_day import asked, next_lines


def answering(*answers: str) -> tuple[FirstDay, list[str]]:
    questions: list[str] = []
    left = iter(answers)

    def ask(question: str) -> str:
        questions.append(question)
        return next(left)

    return asked(ask), questions


def test_enter_takes_the_defaults() -> None:
    first, questions = answering("", "", "")
    assert (first, len(questions)) == (FirstDay(), 3)


@pytest.mark.parametrize(
    ("answers", "count"),
    [(("Cittern", "431,5 Hz", "letter"), 3), (("Cittern", "high", "431.5", "A3", "Letter"), 5)],
)
def test_what_is_not_understood_is_asked_again(answers: tuple[str, ...], count: int) -> None:
    first, questions = answering(*answers)
    assert first == FirstDay(builds="Cittern", concert_pitch_hz=431.5, paper="Letter")
    assert len(questions) == count


def test_nobody_is_asked_without_a_terminal() -> None:
    assert asked() == FirstDay()


def test_the_shop_has_the_answers_and_the_defaults_stay_comments(tmp_path: Path) -> None:
    init_shop(tmp_path / "new", FirstDay(builds="Cittern", concert_pitch_hz=431.5, paper="Letter"))
    settings = open_shop(tmp_path / "new").settings
    assert (settings.concert_pitch_hz, settings.paper) == (431.5, "Letter")
    init_shop(tmp_path / "usual", FirstDay())
    assert tomllib.loads((tmp_path / "usual" / "shop.toml").read_text(encoding="utf-8")) == {}


def test_what_to_do_next_are_commands_that_work(tmp_path: Path) -> None:
    told = " ".join(next_lines(tmp_path, FirstDay(builds="My Lute")))
    assert f"tapbatch now my-lute-01 01-top-joined top {tmp_path}" in told
    assert f"tapbatch watch {tmp_path}" in told
