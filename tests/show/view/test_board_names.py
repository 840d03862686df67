"""All faces name a mode of a board by what it is, as the targets of the board do: along, across, or twist."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tapbatch.model.history import History
from tapbatch.model.settings import InstrumentSettings
from tapbatch.model.wood import AIMED
from tapbatch.show.browser.article import card_of
from tapbatch.show.pdf.report import report_bytes
from tapbatch.show.terminal.told import stage_lines
from tapbatch.show.view.answers import standing_text
from tests.show.browser.parsed import pages_bytes, parse
from tests.show.view import faces


@pytest.fixture
def board(histories: dict[str, Callable[[], History]]) -> History:
    return histories["board"]()


def test_every_face_says_what_the_first_mode_of_a_board_is(board: History) -> None:
    (stage,) = board.stages
    lead = stage.lead
    assert lead is not None
    assert stage.wood is not None
    # The first mode but one of a board of these ratios bends along the grain.
    assert next(m.name for m in stage.wood.modes if m.mode == lead.mode) == AIMED["along"]
    settings = InstrumentSettings()
    slip, card = (faces.flat(page) for page in faces.pages_of(report_bytes(board, settings))[:2])
    listed, page = map(parse, pages_bytes([card_of(board, settings)], ()))
    for text in (slip, card, faces.flat(page.one("article").text)):
        assert f"along ({lead.mode})" in text
        assert "twist (" in text or text is card  # the card has one mode
    # Where no mode has a number, the word stands alone.
    terminal = faces.flat(" ".join(line for line, _ in stage_lines(board, stage, settings.steady_cents)))
    for text in (terminal, standing_text(board, stage), faces.flat(listed.one("table", id="all").text)):
        assert f"along {lead.note}" in text
        assert "strongest" not in text


def test_only_what_recordings_aim_at_has_a_word(board: History) -> None:
    (stage,) = board.stages
    assert stage.wood is not None
    words = {m.mode: stage.wood.aim_of(m.mode) for m in stage.wood.modes}
    assert sorted(filter(None, words.values())) == sorted(AIMED)
    assert stage.wood.aim_of("main") is None
