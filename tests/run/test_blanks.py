"""The table of all blanks and the boards of the wood store, from the rows that are kept of each."""

from __future__ import annotations

import csv

from tapbatch.results.marks import Mark
from tapbatch.run.blanks import Told, blanks_bytes, stored_boards
from tapbatch.show.tables.columns import SCHEMA


def mark(instrument: str, stage: str) -> Mark:
    """The mark of a board with one row, of which only the stage is told."""
    row = ",".join([stage, "plate", *[""] * (len(SCHEMA["wood"]) - 2)])
    return Mark(
        instrument=instrument, inputs="", learned=None, tables="", report="", card=("", 0, 0), files={}, lines=(),
        notices=(), attention=(), wood=(row,),
    )  # fmt: skip


def test_a_board_that_serves_twice_says_where_it_is_what() -> None:
    """Two instruments, of which only the second says the part: both columns keep the order."""
    told = Told(species={}, into={"board-7": [("", "harp-1"), ("top", "lyre-2")]}, notes={})
    (row,) = csv.DictReader(blanks_bytes([mark("board-7", "bought")], told).decode().splitlines())
    assert (row["part"], row["into"]) == (";top", "harp-1;lyre-2")
    (board,) = stored_boards([mark("board-7", "bought")], told)
    assert board.into == "harp-1, lyre-2 top"


def test_the_page_shows_a_stage_as_it_was_written_and_the_table_as_it_is_guarded() -> None:
    """A cell that begins like a formula is guarded by an apostrophe in tables only."""
    told = Told(species={}, into={}, notes={})
    (board,) = stored_boards([mark("board-7", "'+planed")], told)
    assert board.stage == "+planed"
    assert b",'+planed," in blanks_bytes([mark("board-7", "'+planed")], told)
