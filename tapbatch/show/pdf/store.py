"""The wood store on paper: all boards of a shop beside one another, as charts and as tables.

The bytes depend on the boards and the paper alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from tapbatch.show.draw.chart import Paper, Sheet
from tapbatch.show.draw.store import store_charts
from tapbatch.show.pdf.blocks import Block, Book, ChartBlock, Column
from tapbatch.show.pdf.canvas import pdf_bytes
from tapbatch.show.pdf.pages import TableBlock
from tapbatch.show.view.store import (
    COLUMNS,
    EXPLAINED,
    HEADINGS,
    MOIST,
    MOIST_EXPLAINED,
    MOIST_HEADINGS,
    MOIST_TABLE,
    PAIR_HEADINGS,
    PAIRS,
    PAIRS_EXPLAINED,
    PAIRS_TABLE,
    TITLE,
    StoredBoard,
    moist_rows,
    pair_rows,
    store_row,
)
from tapbatch.show.view.tables import Cell

_SUBJECT = "Density, stiffness and damping of the boards of a shop, side by side"
_CAPTIONS = {TITLE: EXPLAINED, MOIST: MOIST_EXPLAINED, PAIRS: PAIRS_EXPLAINED}
_NAME_MM, _FIGURE_MM = 30.0, 24.5
_WORDS = (("Board", 0.0, _NAME_MM), ("Stage", 30.0, 38.0), ("Wood", 68.0, 55.0), ("Went into", 123.0, 55.0))
_SHORT = {PAIR_HEADINGS[-1]: "Sizes"}
_UNITS = {name: unit for name, _, unit in COLUMNS if unit}
# A sheet has room for six figures beside the name of a board.
_FIRST = ("c/rho", "Density", "E along", "E across", "G", "Speed")
_SECOND = ("Loss along", "Loss across", "Loss in twist", "Stiffness along", "Stiffness across")


def store_pdf_bytes(boards: Sequence[StoredBoard], paper: Paper) -> bytes:
    """Return the wood store as the bytes of its PDF.

    Examples
    --------
    >>> store_pdf_bytes([], "A4")[:5]
    b'%PDF-'
    """
    return pdf_bytes(store_sheets(boards, paper), TITLE, _SUBJECT)


def store_sheets(boards: Sequence[StoredBoard], paper: Paper) -> list[Sheet]:
    """Return the pages of the wood store."""
    book = Book(TITLE, paper, _CAPTIONS)
    for block in _blocks(boards, book.begin(TITLE)):
        book.place(block)
    return book.numbered()


def _blocks(boards: Sequence[StoredBoard], sheet: Sheet) -> Iterator[Block]:
    for name, chart in store_charts(boards, sheet.inner):
        yield ChartBlock(TITLE, chart, name)
    rows = [store_row(board) for board in boards]
    columns = [Column(name, x, "left", room - 1.0) for name, x, room in _WORDS]
    yield from _table("Boards", HEADINGS, columns, rows)
    yield from _table("Density and stiffness", HEADINGS, _figures(_FIRST), rows)
    yield from _table("Damping and stiffness per width", HEADINGS, _figures(_SECOND, 29.0), rows)
    yield from _table(MOIST_TABLE, MOIST_HEADINGS, _figures(MOIST_HEADINGS[1:], 20.5), moist_rows(boards), MOIST)
    pairs = [
        Column("Board", 0.0, "left", 19.0), Column("Nearest", 20.0, "left", 19.0), Column("Off", 50.0, "right", 10.5),
        *(Column(name, 74.5 + 24.5 * n, "right", 24.0) for n, name in enumerate(PAIR_HEADINGS[3:-1])),
        Column(PAIR_HEADINGS[-1], 178.0, "right", 29.5),
    ]  # fmt: skip
    yield from _table(PAIRS_TABLE, PAIR_HEADINGS, pairs, pair_rows(boards), PAIRS)


def _figures(names: Sequence[str], room_mm: float = _FIGURE_MM) -> list[Column]:
    """Return a column for the name of a board and one for each figure."""
    figures = (Column(name, _NAME_MM + room_mm * (n + 1), "right", room_mm - 0.5) for n, name in enumerate(names))
    return [Column("Board", 0.0, "left", _NAME_MM - 1.0), *figures]


def _table(
    heading: str,
    names: Sequence[str],
    columns: Sequence[Column],
    rows: Iterable[Sequence[Cell]],
    title: str = TITLE,
) -> Iterator[TableBlock]:
    """Yield a table of the columns that are asked for, units in their headings; nothing if it has no rows."""
    places = [names.index(column.heading) for column in columns]
    units = [
        f" {_UNITS[column.heading]}" if title != PAIRS and column.heading in _UNITS else "" for column in columns
    ]
    chosen = [
        tuple(
            row[n].text.replace(unit, "", 1) if unit else row[n].text for n, unit in zip(places, units, strict=True)
        )
        for row in rows
    ]
    headed = [
        column._replace(heading=_SHORT.get(column.heading, column.heading) + (unit and f",{unit}"))
        for column, unit in zip(columns, units, strict=True)
    ]
    if chosen:
        yield TableBlock(heading=heading, columns=headed, rows=chosen, title=title)
