"""The wood store on paper: its pages and words, read back with another library."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest

from tapbatch.show.draw.chart import Paper
from tapbatch.show.pdf.store import store_pdf_bytes, store_sheets
from tapbatch.show.view.store import MOIST, PAIRS, TITLE, StoredBoard
from tapbatch.wood.moisture import at_standard
from tests.show.browser.test_store import stored
from tests.show.draw.boxes import clashes

pypdf = pytest.importorskip("pypdf", reason="pypdf reads the pages back")


def boards() -> list[StoredBoard]:
    first, second = stored("board-1", 430, 12.0), stored("board-2", 433, 12.1)
    damp = replace(first, species="Sitka spruce", moisture_pct=9.24, at_standard=at_standard(first.figures, 9.24))
    return [damp, second, stored("board-3", 400, 10.0, into="lute-5 top")]


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_all_that_the_page_has_is_on_paper(paper: Paper) -> None:
    reader = pypdf.PdfReader(io.BytesIO(store_pdf_bytes(boards(), paper)), strict=True)
    said = " ".join(" ".join(page.extract_text() for page in reader.pages).split())
    for text in (TITLE, MOIST, PAIRS, "E along against density", "sitka spruce", "Wood Handbook", "lute-5 top"):
        assert text in said, text
    assert "E along, GPa" in said
    assert "12.0 ± 3.0 %" in said
    assert "9.2 %" in said
    assert store_pdf_bytes(boards(), paper) == store_pdf_bytes(boards(), paper)


def test_words_do_not_run_into_each_other() -> None:
    for sheet in store_sheets(boards(), "A4"):
        assert clashes(sheet.finished().words) == []


def test_a_long_store_goes_on_on_further_pages() -> None:
    many = [stored(f"board-{n:03}", 400 + n, 10.0 + n / 50) for n in range(90)]
    few, pages = store_sheets(many[:3], "A4"), store_sheets(many, "A4")
    assert len(pages) > len(few)
    said = [word.text for sheet in pages for word in sheet.finished().words]
    assert all(said.count(board.instrument) >= 2 for board in many)


def test_an_empty_store_is_a_page() -> None:
    assert len(store_sheets([], "A4")) == 1
