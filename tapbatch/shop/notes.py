"""Bench notes, read as any spreadsheet writes them.

Conventions: ``notes.csv`` is a table with one header row; rows are counted as a spreadsheet counts them, so the
header is row 1. Commas, semicolons or tabs separate the columns, numbers use a decimal point or comma, text is UTF-8,
UTF-16 or Windows-1252. Temperatures are in degrees Celsius, humidity in per cent, mass in grams, openings in square
millimetres and millimetres, pitches in hertz. A row that is not understood is left out and reported; the other rows
are used.
"""

from __future__ import annotations

import csv
import dataclasses
import difflib
import io
import math
import re
from datetime import date, time
from pathlib import Path

from tapbatch.listen.files import refuse_special
from tapbatch.model.errors import SettingsError
from tapbatch.model.history import Note
from tapbatch.model.names import identity
from tapbatch.model.reading import Attention

COLUMNS = tuple(field.name for field in dataclasses.fields(Note))

NoteKey = tuple[str, str]

# The limits catch slips, such as degrees Fahrenheit or kilograms, and allow any value that a shop could have.
_RANGES = {
    "temperature_c": (-30.0, 60.0, "degrees Celsius from -30 to 60"),
    "humidity_pct": (0.0, 100.0, "per cent from 0 to 100"),
    "mass_g": (0.01, 1e6, "grams, over 0"),
    "length_mm": (1.0, 1e5, "millimetres, 1 or more"),
    "width_mm": (1.0, 1e5, "millimetres, 1 or more"),
    "removed_g": (0.0, 1e6, "grams, 0 or more"),
    "opening_mm2": (0.0, 1e6, "square millimetres, 0 or more"),
    "opening_length_mm": (1.0, 1e4, "millimetres, 1 or more"),
    "opening_width_mm": (0.1, 1e4, "millimetres, 0.1 or more"),
    "opening_edge_mm": (0.0, 1e5, "millimetres, 0 or more"),
    "string_pitch_hz": (380.0, 470.0, "A4 in hertz from 380 to 470"),
}
_THICKNESS = (0.01, 1e4, "millimetres, over 0; several with spaces between")
# What a spreadsheet may take for a formula; only a number may begin with a minus.
_NUMBER = r"[0-9]+(?:[.,][0-9]+)?(?:[eE][+-]?[0-9]+)?\s*[,;|]?\Z"
_FORMULA = re.compile(rf"[\s']*(?:[=+@\uff1d\uff0b\uff0d\uff20]|-(?!{_NUMBER}))")
# Some spreadsheets part the columns by their own mark, whatever the file has.
_PARTING = re.compile(r"(?<=[,;\t|])")
_SPACES = re.compile(r"[\s\u00a0\u202f'’]+")
_YEAR_FIRST = re.compile(r"(?P<y>[0-9]{4})(?P<sep>[-/.])(?P<m>[0-9]{1,2})(?P=sep)(?P<d>[0-9]{1,2})")
_YEAR_LAST = re.compile(r"(?P<a>[0-9]{1,2})(?P<sep>[-/.])\s?(?P<b>[0-9]{1,2})(?P=sep)\s?(?P<y>[0-9]{4})")
_CLOCK = re.compile(r"[T\s]+(?P<H>[0-9]{1,2}):(?P<M>[0-9]{2})(?::(?P<S>[0-9]{2}))?(?:\.[0-9]+)?$")


def read_notes(path: Path, shown: str = "notes.csv") -> tuple[dict[NoteKey, Note], tuple[Attention, ...]]:
    """Return the notes by instrument and stage, and a list of what was not understood.

    Parameters
    ----------
    path : Path
        The table; if the file does not exist, there are no notes.
    shown : str
        The name of the file in messages; default ``notes.csv``.

    Returns
    -------
    notes : dict
        Keyed by the identities of instrument and stage.
    refused : tuple of Attention
        One for each row, column or file that is not understood: its place, what was found and what was expected.

    Examples
    --------
    >>> read_notes(Path("nowhere/notes.csv"))
    ({}, ())
    """
    if not path.exists():
        return {}, ()
    try:
        refuse_special(path)
        raw = path.read_bytes()
    except OSError as error:
        reason = error.strerror or "no reason given"
        return {}, (
            Attention(where=shown, what=f"cannot be read ({reason})", remedy="check that you are allowed to read it"),
        )
    return notes_in(raw, shown)


def notes_in(raw: bytes, shown: str = "notes.csv") -> tuple[dict[NoteKey, Note], tuple[Attention, ...]]:
    r"""Return the notes in the bytes of a table, as :func:`read_notes` does.

    Examples
    --------
    >>> notes_in(b"instrument,stage\nlute-3,voicing\n")[0][("lute-3", "voicing")].stage
    'voicing'
    """
    try:
        text, delimiter = _table(_decode(raw))
        rows = _rows(text, delimiter)
    except csv.Error:
        remedy = "save it again as CSV from the spreadsheet"
        return {}, (Attention(where=shown, what="is not a CSV table", remedy=remedy),)
    open_row = _never_closed(text, delimiter)
    notes, refused = _notes_from(rows[: open_row - 1] if open_row else rows, delimiter, shown)
    if open_row:
        what = f"row {open_row}: found a quotation mark that is never closed; this row and all below it are left out"
        refused += (Attention(where=shown, what=what, remedy="expected quotation marks in pairs"),)
    return notes, refused


def harmless_cell(text: str) -> str:
    """Return a cell in which no spreadsheet finds a formula, whichever mark it takes to part the columns.

    Examples
    --------
    >>> [harmless_cell(text) for text in ("=1+1", "-2+3", "-2,5", "thinned;=1+1")]
    ["'=1+1", "'-2+3", '-2,5', "thinned;'=1+1"]
    """
    first, *others = _PARTING.split(text)
    first = f"'{first}" if _FORMULA.match(text) or _FORMULA.match(first) else first
    return "".join((first, *(f"'{part}" if _FORMULA.match(part) else part for part in others)))


def plain_cell(cell: str) -> str:
    """Return the text of a cell without the apostrophes that :func:`harmless_cell` adds.

    Examples
    --------
    >>> plain_cell("'+bars"), plain_cell("thinned;'=1+1"), plain_cell("'tis done")
    ('+bars', 'thinned;=1+1', "'tis done")
    """
    first, *others = _PARTING.split(cell)
    if first[:1] == "'" and (_FORMULA.match(cell[1:]) or _FORMULA.match(first[1:])):
        first = first[1:]
    return "".join((first, *(part[1:] if part[:1] == "'" and _FORMULA.match(part[1:]) else part for part in others)))


# ---------------------------------------------------------------- the table


def _decode(raw: bytes) -> str:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return raw.decode("utf-16", "replace")
    if raw[1:2] == b"\0" or raw[:1] == b"\0":
        return raw.decode("utf-16-le" if raw[1:2] == b"\0" else "utf-16-be", "replace")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", "replace")


def _table(text: str) -> tuple[str, str]:
    """Return the text of the rows and their separator, without a ``sep=`` line, which spreadsheets hide as well."""
    delimiter = None
    first, _, rest = text.partition("\n")
    if re.fullmatch(r'"?sep=.?"?', first.strip(), re.IGNORECASE):
        delimiter, text = first.strip().strip('"')[4:] or "\t", rest
    if delimiter is None:
        header = next((line for line in text.splitlines() if line.strip(' ,;\t"')), "")
        delimiter = max(",;\t|", key=lambda mark: len(_known_columns(next(csv.reader([header], delimiter=mark), []))))
    return text, delimiter


def _rows(text: str, delimiter: str) -> list[list[str]]:
    """Return the cells as a spreadsheet shows them."""
    return [[cell.strip() for cell in row] for row in csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)]


def _never_closed(text: str, delimiter: str) -> int:
    """Return the row with a quotation mark that is never closed, or 0 if there is none.

    The CSV reader accepts it and takes all the rows that follow as one cell, so they would be lost without a word.
    """
    rows = list(csv.reader(io.StringIO(text + "\n\n", newline=""), delimiter=delimiter))
    # Inside an open cell the two added line ends belong to the cell; otherwise they make rows of their own.
    return len(rows) if rows[-1] and rows[-1][-1].endswith("\n\n") else 0


def _known_columns(cells: list[str]) -> set[str]:
    return {column_name(cell) for cell in cells} & set(COLUMNS)


def column_name(cell: str) -> str:
    """Return the name of a column as it is compared.

    Examples
    --------
    >>> column_name(" Mass-G")
    'mass_g'
    """
    return re.sub(r"[\s-]+", "_", cell.strip().lower())


def _notes_from(
    rows: list[list[str]], delimiter: str, shown: str
) -> tuple[dict[NoteKey, Note], tuple[Attention, ...]]:
    filled = [(number, row) for number, row in enumerate(rows, 1) if any(cell.strip(",;|") for cell in row)]
    if not filled:
        return {}, ()
    columns = [column_name(cell) for cell in filled[0][1]]
    refused = _refused_columns(columns, shown)
    if not {"instrument", "stage"} <= set(columns):
        return {}, refused
    notes: dict[NoteKey, Note] = {}
    rows_of: dict[NoteKey, int] = {}
    for number, row in filled[1:]:
        try:
            _refuse_two_way(columns, row, delimiter, f"row {number}", shown)
            note = _note(columns, row, f"row {number}", shown)
            key = (note.instrument, note.stage)
            if key in notes:
                what = f"row {number}: found the same instrument and stage as in row {rows_of[key]}"
                raise SettingsError(shown, what, "expected one row for each stage; merge the two")
        except SettingsError as error:
            refused += (Attention(where=error.where, what=error.what, remedy=error.remedy),)
        else:
            notes[key], rows_of[key] = note, number
    return notes, refused


def _refused_columns(columns: list[str], shown: str) -> tuple[Attention, ...]:
    refused = []
    for needed in ("instrument", "stage"):
        if needed not in columns:
            what = f"found no column called {needed}, so no rows are used"
            refused.append(Attention(where=shown, what=what, remedy=f"expected the columns {', '.join(COLUMNS)}"))
    for i, column in enumerate(columns):
        if not column:
            continue
        if column in columns[:i]:
            what = f"column {i + 1}: found {column} a second time; only the first is used"
            refused.append(Attention(where=shown, what=what, remedy="expected each column once; remove one"))
        elif column not in COLUMNS:
            nearest = difflib.get_close_matches(column, COLUMNS, n=1, cutoff=0.0)[0]
            what = f"column {i + 1}: found {column!r}, an unknown column; the other columns are used"
            remedy = f"did you mean {nearest}? Put other text in remark"
            refused.append(Attention(where=shown, what=what, remedy=remedy))
    return tuple(refused)


# ---------------------------------------------------------------- a row


def _note(columns: list[str], row: list[str], place: str, shown: str) -> Note:
    if any(row[len(columns) :]):
        what = f"{place}: found {len(row)} values for {len(columns)} columns"
        raise SettingsError(shown, what, "expected values with commas in quotes, or semicolons between columns")
    cells: dict[str, str] = {}
    for column, cell in zip(columns, row, strict=False):
        if column in COLUMNS:
            cells.setdefault(column, plain_cell(" ".join(cell.split())))
    for needed in ("instrument", "stage"):
        if not identity(cells.get(needed, "")):
            raise SettingsError(shown, f"{place}, {needed}: found nothing", f"expected the name of the {needed}")
    numbers = {c: _number(cells.get(c, ""), c, f"{place}, {c}", shown) for c in _RANGES}
    return Note(
        instrument=identity(cells["instrument"]),
        stage=identity(cells["stage"]),
        date=_date(cells.get("date", ""), f"{place}, date", shown),
        work=cells.get("work", ""),
        thickness_mm=_thickness(cells.get("thickness_mm", ""), f"{place}, thickness_mm", shown),
        strings=cells.get("strings", ""),
        place=cells.get("place", ""),
        remark=cells.get("remark", ""),
        **numbers,
    )


def _refuse_two_way(columns: list[str], row: list[str], delimiter: str, place: str, shown: str) -> None:
    """Refuse numbers like 1,234 in files separated by commas or tabs: the comma may mark thousands or decimals."""
    for column, cell in zip(columns, row, strict=False):
        if column in _RANGES and delimiter != ";" and re.fullmatch(r"[0-9]{1,3},[0-9]{3}", cell, re.ASCII):
            remedy = f"expected a number with only one meaning, {cell.replace(',', '')} or {cell.replace(',', '.')}"
            raise SettingsError(shown, f"{place}, {column}: found {cell!r}", remedy)


def _thickness(cell: str, place: str, shown: str) -> tuple[float, ...]:
    """Return one reading or several, with spaces, semicolons or slashes between."""
    readings = [_within(one, _THICKNESS, place, shown) for one in re.split(r"[\s;/]+", cell) if one]
    return tuple(reading for reading in readings if reading is not None)


def _number(cell: str, column: str, place: str, shown: str) -> float | None:
    return _within(cell, _RANGES[column], place, shown)


def _within(cell: str, limits: tuple[float, float, str], place: str, shown: str) -> float | None:
    if not cell:
        return None
    low, high, expected = limits
    text = _SPACES.sub("", cell).replace("−", "-")
    # If both marks occur, the last is the decimal mark and the other separates thousands.
    if "," in text and "." in text:
        text = text.replace("," if text.rindex(".") > text.rindex(",") else ".", "")
    text = text.replace(",", ".")
    number = float(text) if re.fullmatch(r"[+-]?[0-9]{1,15}(\.[0-9]{0,15})?", text, re.ASCII) else math.nan
    if not low <= number <= high:
        raise SettingsError(shown, f"{place}: found {cell!r}", f"expected {expected}")
    return number


def _date(cell: str, place: str, shown: str) -> str:
    """Return a date in ISO 8601, with the time if the cell gives one; ambiguous dates are refused, not guessed."""
    if not cell:
        return ""
    clock = _CLOCK.search(cell)
    day = cell[: clock.start()] if clock else cell
    iso = _day(day.strip())
    if iso and clock:
        try:
            iso += "T" + time(int(clock["H"]), int(clock["M"]), int(clock["S"] or 0)).isoformat()
        except ValueError:
            iso = ""
    if not iso:
        raise SettingsError(
            shown, f"{place}: found {cell!r}", "expected a date with only one meaning, like 2026-03-14"
        )
    return iso


def _day(text: str) -> str:
    match = _YEAR_FIRST.fullmatch(text)
    if match:
        return _iso(match["y"], match["m"], match["d"])
    match = _YEAR_LAST.fullmatch(text)
    if match is None:
        return ""
    # With dots the day always comes first; with slashes or hyphens both orders are in use.
    day_first = _iso(match["y"], match["b"], match["a"])
    if match["sep"] == ".":
        return day_first
    month_first = _iso(match["y"], match["a"], match["b"])
    both = {day_first, month_first} - {""}
    return both.pop() if len(both) == 1 else ""


def _iso(year: str, month: str, day: str) -> str:
    try:
        moment = date(int(year), int(month), int(day))
    except ValueError:
        return ""
    return moment.isoformat() if 1900 <= moment.year <= 2100 else ""
