"""Change the row of one stage in ``notes.csv``, and leave everything else in the file as it is.

Conventions: what stands in the file stays, byte for byte, but for the row that changes: order, unknown columns,
separator, encoding, line ends, a byte order mark, a ``sep=`` line. A column that is missing is added at the right,
with an empty cell in every other row. A cell that a spreadsheet would take for a formula is written with an
apostrophe in front (:func:`tapbatch.shop.notes.harmless_cell`). Numbers are written as they come; where commas part
the columns, a cell with a comma is quoted.
"""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, replace

from tapbatch.model.errors import SettingsError
from tapbatch.model.names import identity
from tapbatch.shop.notes import COLUMNS, column_name, harmless_cell, plain_cell

FIELDS = tuple(column for column in COLUMNS if column not in ("instrument", "stage", "date"))
"""What may be noted of a stage from a phone."""

_MOST_CELL = 500
_NOT_IN_A_CELL = ("Cc", "Cs", "Zl", "Zp")
_ROW_END = re.compile(r"\r\n|\n|\r")
_LINE = re.compile(r"[^\r\n]*(?:\r\n|\n|\r)|[^\r\n]+\Z")


@dataclass(frozen=True, slots=True)
class _Table:
    """The text of a table in front of its header, its rows as text with their line ends, and how it is written."""

    front: str
    rows: tuple[str, ...]
    delimiter: str
    encoding: str
    mark: bytes
    end: str

    def cells(self, number: int) -> list[str]:
        """Return the cells of a row."""
        return next(csv.reader(io.StringIO(self.rows[number], newline=""), delimiter=self.delimiter), [])

    @property
    def columns(self) -> list[str]:
        """The names of the columns, as they are compared."""
        return [column_name(cell) for cell in self.cells(0)] if self.rows else []

    def row_of(self, instrument: str, stage: str) -> int:
        """Return the number of the first row of a stage, 0 if it has none."""
        columns = self.columns
        if not {"instrument", "stage"} <= set(columns):
            return 0
        at = columns.index("instrument"), columns.index("stage")
        for number in range(1, len(self.rows)):
            cells = self.cells(number)
            found = [identity(plain_cell(cells[i].strip())) if i < len(cells) else "" for i in at]
            if found == [identity(instrument), identity(stage)]:
                return number
        return 0


def noted(raw: bytes, instrument: str, stage: str) -> dict[str, str]:
    r"""Return what is noted of a stage, as it is written: every field of :data:`FIELDS`, empty where nothing is.

    Examples
    --------
    >>> noted(b"instrument;stage;mass_g\nlute-3;voicing;412,5\n", "Lute-3", "voicing")["mass_g"]
    '412,5'
    """
    table = _table(raw)
    row = table.row_of(instrument, stage)
    cells = _filled(table, row) if row else []
    columns = table.columns
    return {f: plain_cell(cells[columns.index(f)].strip()) if row and f in columns else "" for f in FIELDS}


def with_note(raw: bytes, instrument: str, stage: str, fields: Mapping[str, str]) -> bytes:
    r"""Return the file with some fields of a stage changed; a stage without a row gets one at the end.

    Parameters
    ----------
    raw
        The bytes of the file; empty if there is none.
    instrument, stage
        The stage, in any spelling.
    fields
        The new text of each field that changes.

    Raises
    ------
    SettingsError
        If a field is unknown or too long, or if the file is no table of notes.

    Examples
    --------
    >>> with_note(b"instrument,stage,mine\nlute-3,closed,x\n", "lute-3", "voicing", {"mass_g": "412.5"})
    b'instrument,stage,mine,mass_g\nlute-3,closed,x,\nlute-3,voicing,,412.5\n'
    """
    for field, text in fields.items():
        if field not in FIELDS:
            raise SettingsError("notes.csv", f"has no column called {field[:40]!r}", f"expected one of {FIELDS}")
        if len(text) > _MOST_CELL or any(unicodedata.category(c) in _NOT_IN_A_CELL for c in text):
            raise SettingsError("notes.csv", f"{field}: the text is too long or odd", "write it on one line")
    table = _table(raw)
    if not table.rows:
        table = replace(table, rows=(_written(("instrument", "stage", *fields), table),))
    columns = table.columns
    if not {"instrument", "stage"} <= set(columns):
        raise SettingsError("notes.csv", "has no columns called instrument and stage", "name its columns first")
    row = table.row_of(instrument, stage)
    before = noted(raw, instrument, stage)
    changed = {field: text for field, text in fields.items() if text != before[field]}
    if row and not changed:
        return raw
    table = _widened(table, [field for field, text in changed.items() if field not in columns and text])
    columns = table.columns
    cells = _filled(table, row) if row else ["" for _ in columns]
    new = {**({} if row else {"instrument": instrument, "stage": stage}), **changed}
    for field, text in new.items():
        if field in columns:
            cells[columns.index(field)] = harmless_cell(text)
    line = _written(cells, table)
    rows = list(table.rows)
    if row:
        rows[row] = line if rows[row].endswith(("\n", "\r")) else line.removesuffix(table.end)
    else:
        if not rows[-1].endswith(("\n", "\r")):
            rows[-1] += table.end
        rows.append(line)
    return _bytes(replace(table, rows=tuple(rows)))


def _widened(table: _Table, more: list[str]) -> _Table:
    if not more:
        return table
    rows = []
    for number, row in enumerate(table.rows):
        body = row.rstrip("\r\n")
        if not body.strip(' ,;\t"'):
            rows.append(row)
            continue
        cells = more if number == 0 else ["" for _ in more]
        lacking = len(table.columns) - len(table.cells(number))
        rows.append(body + table.delimiter * (1 + max(lacking, 0)) + table.delimiter.join(cells) + row[len(body) :])
    return replace(table, rows=tuple(rows))


def _filled(table: _Table, number: int) -> list[str]:
    """Return the cells of a row, at least one for each column; what stands behind the columns stays there."""
    cells = table.cells(number)
    return [*cells, *("" for _ in range(len(table.columns) - len(cells)))]


def _written(cells: tuple[str, ...] | list[str], table: _Table) -> str:
    out = io.StringIO()
    csv.writer(out, delimiter=table.delimiter, lineterminator=table.end).writerow(cells)
    return out.getvalue()


def _table(raw: bytes) -> _Table:
    encoding, mark = _encoding(raw)
    try:
        text = raw[len(mark) :].decode(encoding)
    except UnicodeDecodeError as error:
        raise SettingsError("notes.csv", "holds bytes that are no text", "save it again as CSV in UTF-8") from error
    found = _ROW_END.search(text)
    end = found[0] if found else "\n"
    front, delimiter = "", ""
    first = text.partition("\n")[0]
    if re.fullmatch(r'"?sep=.?"?', first.strip(), re.IGNORECASE):
        front, delimiter = text[: len(first) + 1], first.strip().strip('"')[4:] or "\t"
        text = text[len(front) :]
    rows = _rows(text)
    blank = next((n for n, row in enumerate(rows) if row.strip(' ,;\t"\r\n')), len(rows))
    front, rows = front + "".join(rows[:blank]), rows[blank:]
    if not delimiter:
        header = rows[0] if rows else ""
        known = {mark: len(set(_columns_in(header, mark)) & set(COLUMNS)) for mark in ",;\t|"}
        delimiter = max(known, key=lambda mark: known[mark])
    return _Table(front, tuple(rows), delimiter, encoding, mark, end)


def _columns_in(header: str, delimiter: str) -> list[str]:
    cells = next(csv.reader([header.rstrip("\r\n")], delimiter=delimiter), [])
    return [column_name(cell) for cell in cells]


def _rows(text: str) -> list[str]:
    """Return the rows of a table as they are written; a cell in quotation marks may hold line ends."""
    rows: list[str] = []
    held = ""
    for line in _LINE.findall(text):
        held += line
        if held.count('"') % 2 == 0:
            rows.append(held)
            held = ""
    if held:
        raise SettingsError("notes.csv", "holds a quotation mark that is never closed", "expected them in pairs")
    return rows


def _encoding(raw: bytes) -> tuple[str, bytes]:
    if raw.startswith(b"\xef\xbb\xbf"):
        return "utf-8", b"\xef\xbb\xbf"
    for mark, encoding in ((b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be")):
        if raw.startswith(mark):
            return encoding, mark
    if raw[1:2] == b"\0" or raw[:1] == b"\0":
        return ("utf-16-le" if raw[1:2] == b"\0" else "utf-16-be"), b""
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252", b""
    return "utf-8", b""


def _bytes(table: _Table) -> bytes:
    try:
        return table.mark + (table.front + "".join(table.rows)).encode(table.encoding)
    except UnicodeEncodeError as error:
        what = f"is in Windows-1252, which has no {error.object[error.start]!r}"
        raise SettingsError("notes.csv", what, "save it as CSV in UTF-8, then note it again") from error
