"""What a phone is told of a recording that arrived."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import fields, replace
from importlib.resources import files

from tapbatch.model.history import History
from tapbatch.model.wood import Stop
from tapbatch.show.say.words import shown
from tapbatch.show.terminal.phone_reading import PhoneReading, phone_reading
from tapbatch.show.terminal.told import arrival_lines
from tapbatch.show.view.three_answers import told_of


def test_the_phone_is_told_all_that_the_terminal_prints_and_nothing_else(any_history: History) -> None:
    for stage in any_history.stages:
        for path in (heard.recording.path for heard in stage.heard if heard.recording.kind == "tap"):
            printed = " ".join(" ".join(line for line, _ in arrival_lines(any_history, path)).split())
            told = phone_reading(any_history, path)
            trouble = told.trouble.split(": ", 1)
            texts = (told.fault, *trouble, told.where, told.since, told.left, told.next, told.strongest)
            for text in filter(None, (*texts, *told.second, *told.more)):
                assert text in printed
                printed = printed.replace(text, "", 1)
            # What is left is the name of the stage, and how many faults more there are.
            rest = re.sub(r"\(\d+ more: --full\)|[!:; ]", "", printed)
            assert rest == shown(told_of(any_history, stage).name).replace(" ", "")


def test_the_page_shows_every_part_of_a_reading() -> None:
    script = (files("tapbatch.show.browser") / "phone_recordings.js").read_text(encoding="utf-8")
    drawn = script[script.index("const nameOf") : script.index("const follow")]
    named = {each.name for each in fields(PhoneReading)} - {"recording"}
    assert {name for name in named if f"reading.{name}" not in drawn} == set()


def test_a_board_is_told_where_to_stop_instead_of_the_next_note(histories: dict[str, Callable[[], History]]) -> None:
    stops = (Stop(aim="along", wanted="on A1", unit="Hz", target=55.0, now=69.7, stop_mm=3.32, likely_mm=3.25,
                  thinnest_mm=3.19),)  # fmt: skip
    board = replace(histories["board"](), landings=())
    (stage,) = board.stages
    assert stage.wood is not None
    path = stage.heard[0].recording.path
    planed = replace(board, stages=(replace(stage, wood=replace(stage.wood, stops=stops)),))
    told = phone_reading(planed, path)
    assert told.left == "along on A1 (55.0 Hz, now 69.7): stop at 3.32 mm and tap"
    assert told.next == "it may need 3.25, at the thinnest 3.19"
    # Said once; what else the terminal prints of the wood follows.
    assert f"{told.left}; {told.next}" not in told.more
    assert any(line.startswith("radiates (c/rho): ") for line in told.more)
    assert all(told.more)
    bare = phone_reading(board, path)
    assert (bare.left, bare.next) == ("", "")
