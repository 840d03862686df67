"""Columns on paper: headings are never cut, and no column lies on another."""

from __future__ import annotations

from itertools import pairwise

import pytest

from tapbatch.show.draw.chart import SMALL, Sheet
from tapbatch.show.draw.lettering import text_width_mm
from tapbatch.show.pdf.blocks import Column
from tapbatch.show.pdf.pages import COLUMNS
from tapbatch.show.pdf.slip import ROW
from tapbatch.show.say.moves import VERDICTS

ALL: dict[str, tuple[Column, ...]] = {**COLUMNS, "slip": ROW}


@pytest.mark.parametrize("name", ALL)
def test_a_heading_has_room_and_so_has_every_column(name: str) -> None:
    edges = []
    for column in ALL[name]:
        assert text_width_mm(column.heading, SMALL) <= column.room_mm, column
        left_mm = column.x_mm - (column.room_mm if column.anchor == "right" else 0.0)
        edges.append((left_mm, left_mm + column.room_mm))
    assert edges[0][0] >= 0.0
    assert all(end <= start for (_, end), (start, _) in pairwise(edges))
    assert edges[-1][1] <= Sheet("A4", "").measure_mm


@pytest.mark.parametrize("more", ["", " (+40 taps)", " (+12 set-ups)"])
def test_every_verdict_has_room_in_the_table_of_moves(more: str) -> None:
    (column,) = (c for c in COLUMNS["drift"] if c.heading == "verdict")
    is_open = {"unclear", "up?", "down?"}
    for verdict, said in VERDICTS.items():
        if not more or verdict in is_open:
            # The first column of a table is bold.
            assert text_width_mm(said + more, SMALL, bold=True) <= column.room_mm, said


@pytest.mark.parametrize("text", ["+190 c (+184 to +196)", "+26.1 c (+22.9 to +29.2)", "-112 c (-118 to -105)"])
def test_an_interval_has_room_in_the_table_of_moves(text: str) -> None:
    (column,) = (c for c in COLUMNS["drift"] if c.heading == "cents")
    assert text_width_mm(text, SMALL) <= column.room_mm


def test_a_line_is_cut_to_the_room_of_its_column() -> None:
    sheet, column = Sheet("A4", ""), Column("mode", 30.0, "right", 12.0)
    column.say(sheet, 5.0, "a name that is far too long")
    (word,) = sheet.words
    assert (word.x_mm, word.anchor) == (sheet.left_mm + 30.0, "right")
    assert 6.0 < text_width_mm(word.text, SMALL) <= 12.0
