"""The page of the wood store: its tables, as a browser would read them."""

from __future__ import annotations

import math
from dataclasses import replace

from tapbatch.model.wood import Figure
from tapbatch.show.browser.store import store_bytes
from tapbatch.show.view.store import MOIST, MOIST_TABLE, PAIRS, PAIRS_TABLE, StoredBoard
from tapbatch.wood.moisture import at_standard
from tests.show.browser.parsed import Element, parse


def stored(name: str, density: float, e_gpa: float, *, into: str = "") -> StoredBoard:
    values = {
        "density_kg_m3": density,
        "e_along_gpa": e_gpa,
        "radiation_m4_kg_s": math.sqrt(e_gpa * 1e9 / density**3),
    }
    figures = {column: Figure(value, 0.97 * value, 1.03 * value) for column, value in values.items()}
    return StoredBoard(instrument=name, stage="bought", into=into, figures=figures, sizes_mm=(550.0, 210.0, 4.1))


def table_of(page: bytes, name: str) -> list[list[str]]:
    """The cells of the table with a caption, row by row; none if there is no such table."""
    tables = [t for t in parse(page).all("table") if t.one("caption").text == name]
    rows = [row for table in tables for row in table.one("tbody").all("tr")]
    return [[cell.text for cell in row.children if isinstance(cell, Element)] for row in rows]


def test_pairs_say_how_far_apart_they_are_in_intervals() -> None:
    boards = [stored("board-1", 430, 12.0), stored("board-2", 400, 10.0), stored("board-3", 435, 12.1)]
    first, second = table_of(store_bytes(boards), PAIRS_TABLE)
    assert first[:2] == ["board-1", "board-3"]
    # 5 of 430 kg/m3; two intervals of 3 % join to 4.2 %
    assert first[3] == "+1.2 % ± 4.2 (0.3)"
    assert second[:2] == ["board-1", "board-2"]
    assert first[6] == ""
    assert first[7] == "+0.0, +0.0, +0.00 mm"


def test_what_went_into_an_instrument_is_no_half_of_a_pair() -> None:
    boards = [stored("board-1", 430, 12.0), stored("board-2", 400, 10.0), stored("board-3", 435, 12.1, into="lute-5")]
    page = store_bytes(boards)
    assert [row[:2] for row in table_of(page, PAIRS_TABLE)] == [["board-1", "board-2"]]
    assert len(table_of(page, "The wood store")) == 3


def test_figures_at_12_per_cent_have_a_table_of_their_own() -> None:
    board = stored("board-1", 430, 12.0)
    damp = replace(board, instrument="board-2", moisture_pct=9.24, at_standard=at_standard(board.figures, 9.24))
    page = store_bytes([board, damp])
    (row,) = table_of(page, MOIST_TABLE)
    assert row[:2] == ["board-2", "9.2 %"]
    # 12 GPa lose 1.6 % for each of 2.76 points
    assert row[4].startswith("11.5 GPa ± ")
    assert row[5] == ""
    assert table_of(page, "The wood store")[1][6].startswith("12.0 GPa ± 3.0 %")
    assert MOIST not in store_bytes([board]).decode()


def test_one_board_has_no_pair_and_no_words_about_pairs() -> None:
    bare = replace(stored("board-2", 400, 10.0), sizes_mm=None)
    assert PAIRS not in store_bytes([stored("board-1", 430, 12.0), bare]).decode()
