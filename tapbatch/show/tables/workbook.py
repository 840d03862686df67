"""One workbook an instrument, for those who keep their winter in a spreadsheet: a sheet a table, every cell typed.

Conventions: Office Open XML (ECMA-376), a sheet for each table of :mod:`tapbatch.show.tables.columns` under the
table's name, those that answer first in front. Numbers are numbers, with the digits that the CSV file has, whatever
decimal sign the spreadsheet's own language uses; booleans are booleans; text is text and never a formula, a date or a
number, so that it needs no apostrophe here. What is unknown is an empty cell. The header stays in sight and filters.

*The same bytes for the same tables*: a workbook says when it was made, and here that is always the same day.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from functools import cache
from typing import TYPE_CHECKING

from tapbatch.model.notice import Notice
from tapbatch.show.tables.columns import SCHEMA, Cell, Column, Row, cell_text

if TYPE_CHECKING:
    from xlsxwriter.format import Format
    from xlsxwriter.worksheet import Worksheet

    Look = Callable[..., Format]

# What one wants to see when the file opens; the tables that they rest on come behind.
_IN_FRONT = ("modes", "drift", "targets", "strings", "sustain")
# What a sheet and a cell can hold (Microsoft, "Excel specifications and limits": 1,048,576 rows, 32,767 characters).
MOST_ROWS = 1_048_575
_MOST_LETTERS = 32_767
_WIDTHS = (6, 44)
_FILTER_ARROW = 3
_MADE = datetime(2000, 1, 1, tzinfo=UTC).replace(tzinfo=None)


def workbook_name(instrument: str) -> str:
    """Return the file's name: spreadsheets do not open two workbooks of one name at a time, so it is not the same."""
    return f"{instrument}.xlsx"


def workbook_notices(tables: Mapping[str, Sequence[Row]]) -> list[Notice]:
    """Return a notice for each table that has more rows than a sheet can hold."""
    full = [(name, len(rows)) for name, rows in tables.items() if len(rows) > MOST_ROWS]
    return [Notice("workbook full", name=name, count=MOST_ROWS, total_count=count) for name, count in full]


def workbook_bytes(tables: Mapping[str, Sequence[Row]]) -> bytes:
    """Return tables, rows by the table's name in ``SCHEMA``, as the bytes of an ``.xlsx`` file.

    Examples
    --------
    >>> import zipfile
    >>> data = workbook_bytes({"attention": [{"where": "=1+1.wav", "problem": "no name", "remedy": "rename"}]})
    >>> b"=1+1.wav" in zipfile.ZipFile(io.BytesIO(data)).read("xl/sharedStrings.xml")
    True
    """
    from xlsxwriter import Workbook

    file = io.BytesIO()
    # In memory: a workbook that is half written is nobody's, and there is no temporary folder to clean.
    with Workbook(file, {"in_memory": True}) as book:
        book.set_properties({"created": _MADE})
        look = cache(lambda **how: book.add_format(how))
        for name in sorted(tables, key=lambda name: (*_IN_FRONT, name).index(name)):
            _fill(book.add_worksheet(name), SCHEMA[name], tables[name][:MOST_ROWS], look)
    return file.getvalue()


def _fill(sheet: Worksheet, columns: Sequence[Column], rows: Sequence[Row], look: Look) -> None:
    for place, column in enumerate(columns):
        numbers = column.kind in ("int", "float")
        header = look(bold=True, bottom=1, align="right") if numbers else look(bold=True, bottom=1, indent=1)
        sheet.write_string(0, place, column.name, header)
        widest = len(column.name) + _FILTER_ARROW
        for line, row in enumerate(rows, 1):
            widest = max(widest, _put(sheet, line, place, column, row, look) + 2)
        sheet.set_column(place, place, min(max(widest, _WIDTHS[0]), _WIDTHS[1]))
    sheet.freeze_panes(1, 0)
    sheet.autofilter(0, 0, max(len(rows), 1), len(columns) - 1)
    # On paper: across, as wide as the sheet is, the header on every page.
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)


def _put(sheet: Worksheet, line: int, place: int, column: Column, row: Row, look: Look) -> int:
    """Write one cell; return its width in letters."""
    value: Cell = row.get(column.name)
    if value is None or value == "" or (isinstance(value, float) and not math.isfinite(value)):
        return 0
    if column.kind == "text":
        text = _writable(str(value))
        # "@" is the format of text: what is typed over such a cell stays text, too.
        sheet.write_string(line, place, text, look(num_format="@", indent=1))
        return max(map(len, text.split("\n")))
    if column.kind == "bool":
        # Some spreadsheets show a boolean that has no format as 1 or 0; the others pass over this one.
        sheet.write_boolean(line, place, bool(value), look(num_format='"TRUE";"TRUE";"FALSE"', align="center"))
        return len("FALSE")
    shown = cell_text(column, row)
    decimals = len(shown.partition(".")[2])
    sheet.write_number(line, place, float(shown), look(num_format=f"0.{'0' * decimals}" if decimals else "0"))
    return len(shown)


def _writable(text: str) -> str:
    """Return text as XML can hold it: what is not valid Unicode becomes its code, as in the CSV files."""
    valid = text.encode("utf-8", "backslashreplace").decode("utf-8")
    # The two that XML 1.0 knows no way to write (W3C, XML 1.0, production 2); others are escaped by the library.
    valid = valid.replace("\ufffe", "\\ufffe").replace("\uffff", "\\uffff")
    return valid if len(valid) <= _MOST_LETTERS else f"{valid[: _MOST_LETTERS - 1]}…"
