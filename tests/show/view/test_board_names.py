"""All faces name a mode of a board by what it is, as the targets of the board do: along, across, or twist."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from tapbatch.compare.before_after import side_by_side
from tapbatch.model.history import History
from tapbatch.model.settings import InstrumentSettings
from tapbatch.model.wood import AIMED
from tapbatch.show.browser.article import card_of
from tapbatch.show.draw.before_after import before_after_chart
from tapbatch.show.draw.chart import SCREEN
from tapbatch.show.pdf.report import report_bytes, report_sheets
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


def test_the_charts_of_the_page_name_a_mode_as_its_first_lines_do(board: History) -> None:
    (stage,) = board.stages
    later = replace(stage, stage="planed", stage_shown="planed", order=stage.order + 1)
    history = replace(board, stages=(stage, later))
    page = parse(pages_bytes([card_of(history, InstrumentSettings())], ())[1])
    captions = [faces.flat(caption.text) for caption in page.all("figcaption")]
    assert stage.lead is not None
    assert any(caption.startswith(f"along ({stage.lead.mode})") for caption in captions)


def test_a_narrow_chart_of_what_rings_longer_cuts_no_name(board: History) -> None:
    (stage,) = board.stages
    later = replace(stage, stage="planed", stage_shown="planed", order=stage.order + 1)
    chart = before_after_chart(side_by_side(stage, later, InstrumentSettings()), SCREEN)
    said = [word.text for word in chart.words]
    assert stage.lead is not None
    assert f"along ({stage.lead.mode})" in said
    assert not [text for text in said if "..." in text or text == "unclear"]


def test_spectra_cut_no_word_of_a_board(board: History) -> None:
    settings = InstrumentSettings(pages="full")
    sheets = [sheet.finished() for sheet in report_sheets(board, settings) if sheet.title == "Spectra"]
    flags = [word.text for sheet in sheets for word in sheet.words if word.upright]
    assert {flag.rpartition(", ")[2] for flag in flags} >= set(AIMED)
