"""What a phone is told of a recording that arrived."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from tapbatch.model.history import History
from tapbatch.model.wood import Stop
from tapbatch.show.terminal.phone_reading import phone_reading


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
    assert f"{told.left}; {told.next}" in told.lines
    assert any(line.startswith("radiates (c/rho): ") for line in told.lines)
    assert all(told.lines)
    bare = phone_reading(board, path)
    assert (bare.left, bare.next) == ("", "")
