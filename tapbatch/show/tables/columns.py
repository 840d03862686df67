r"""The tables: one place that knows each column's type and digits, for writing and for reading.

Conventions: CSV, UTF-8 without a mark, comma, decimal point, ``\n`` after each row, one header line, empty where
unknown, booleans ``true`` and ``false``, rows in the order of the history (parts, stages, then path, tap, frequency).

*Digits.* A number with an uncertainty keeps three significant digits of it: the two that are said to people and one
more, so that arithmetic on a table does not round twice. A number without keeps the digits its column declares.

*Text that a spreadsheet would run.* A cell that begins with ``=``, ``+``, ``-`` or ``@`` is a formula to a
spreadsheet, and file names come from anywhere. Such text is written with an apostrophe in front, as spreadsheets
themselves mark text, and read back without it. A program that parts columns at semicolons sees a cell begin behind
each of them, so an apostrophe stands there too. Numbers are never touched: a negative number is a number.

*Characters that steer.* Control characters and marks that turn the direction of writing are written as their codes,
such as ``\x1b``, and read back as what they were. So a table never steers a terminal, and a tab parts no columns.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Literal

Cell = str | bool | int | float | None
Row = Mapping[str, Cell]

GUARDED_DIGITS = 3
_FORMULA = re.compile(r"((?:^|;) *)('*[=+\-@])")
_GUARDED = re.compile(r"((?:^|;) *)'('*[=+\-@])")
# A backslash that would be taken for the beginning of a code is itself written as one.
_STEERING = re.compile(r"[\x00-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069]|\\(?=x[0-9a-f]{2}|u[0-9a-f]{4})")
_CODE = re.compile(r"\\(?:x([0-9a-f]{2})|u([0-9a-f]{4}))")


@dataclass(frozen=True, slots=True)
class Column:
    """A column: its type, and the decimals of its numbers.

    ``unsure`` names the column of a standard error, or the two that bound an interval; where those are known they
    settle the decimals, else ``decimals`` does.
    """

    name: str
    kind: Literal["text", "bool", "int", "float"] = "text"
    decimals: int = 3
    unsure: tuple[str, ...] = ()


def _texts(names: str) -> tuple[Column, ...]:
    return tuple(Column(name) for name in names.split())


def _ints(names: str) -> tuple[Column, ...]:
    return tuple(Column(name, "int") for name in names.split())


def _floats(names: str, decimals: int, *unsure: str) -> tuple[Column, ...]:
    return tuple(Column(name, "float", decimals, unsure) for name in names.split())


_T60 = _floats("t60_s t60_low_s t60_high_s", 4, "t60_low_s", "t60_high_s")

SCHEMA: dict[str, tuple[Column, ...]] = {
    "recordings": (
        *_texts("recording sha256 part state stage point kind"),
        *_ints("take"),
        *_texts("recorded_at"),
        *_floats("duration_s", 3),
        *_ints("sample_rate_hz taps_found taps_used"),
        *_texts("notice"),
        *_floats("direct_db", 1),
    ),
    "taps": (
        *_texts("recording stage"),
        *_ints("tap"),
        *_floats("onset_s", 5),
        *_floats("peak_dbfs snr_db", 1),
        Column("used", "bool"),
        *_texts("reason"),
    ),
    "tap_modes": (
        *_texts("recording stage"),
        *_ints("tap"),
        *_texts("mode"),
        *_floats("freq_hz freq_se_hz", 4, "freq_se_hz"),
        *_floats("t60_s t60_se_s", 4, "t60_se_s"),
        *_floats("q", 2),
        *_floats("level_db", 2),
    ),
    "modes": (
        *_texts("part state stage"),
        *_ints("stage_order"),
        *_texts("mode"),
        Column("lead", "bool"),
        *_floats("freq_hz freq_low_hz freq_high_hz", 4, "freq_low_hz", "freq_high_hz"),
        *_texts("note"),
        *_floats("cents", 3),
        *_floats("concert_pitch_hz", 2),
        *_T60,
        *_floats("q", 2),
        *_floats("level_db", 2),
        *_ints("taps"),
        *_texts("flags"),
        *_floats("playing_pitch_hz", 2),
        *_texts("playing_note"),
        *_floats("playing_cents", 3),
    ),
    "drift": (
        *_texts("part mode from_stage to_stage"),
        *_floats("freq_change_hz", 4),
        *_floats("freq_change_cents cents_low cents_high", 3, "cents_low", "cents_high"),
        *_floats("t60_change_pct t60_low_pct t60_high_pct", 2, "t60_low_pct", "t60_high_pct"),
        *_texts("verdict caution"),
        *_floats("chance_pct", 2),
        *_ints("more_taps"),
        *_texts("first_stage"),
        *_floats("first_change_cents first_cents_low first_cents_high", 3, "first_cents_low", "first_cents_high"),
        *_texts("first_verdict first_caution"),
    ),
    "targets": (
        *_texts("part mode stage"),
        *_floats("freq_hz", 4),
        *_texts("note"),
        *_floats("cents", 3),
        *_texts("landing landing_note"),
        *_floats("landing_hz", 4),
        *_floats("cents_to_go", 3),
        *_floats("tolerance_cents", 2),
        *_texts("on_target taps_within"),
        *_floats("step_cents step_low_cents step_high_cents", 3, "step_low_cents", "step_high_cents"),
        *_ints("steps_seen"),
        *_floats("steps_to_go", 2),
        *_floats("overshoot_pct", 1),
        *_texts("basis"),
    ),
    "strings": (
        *_texts("stage recording"),
        *_ints("string"),
        *_texts("expected_note"),
        *_floats("expected_hz", 4),
        *_floats("freq_hz freq_low_hz freq_high_hz", 4, "freq_low_hz", "freq_high_hz"),
        *_floats("cents_off", 2),
        *_floats("pair_cents", 2),
        *_floats("inharmonicity", 7),
        *_floats("t60_s", 3),
        *_floats("tension_n", 2),
    ),
    "sustain": (
        *_texts("part stage kind"),
        *_floats("band_low_hz band_high_hz", 2),
        *_floats("edt_s t20_s t30_s", 4),
        *_T60,
        *_ints("recordings"),
        *_texts("flags"),
    ),
    "attention": _texts("where problem remedy"),
}

OF_INSTRUMENT = tuple(name for name in SCHEMA if name != "attention")
"""The tables that each instrument has."""

TABLE_FILES = frozenset(f"{name}.csv" for name in OF_INSTRUMENT)
"""Their files in the instrument's folder."""


_QUOTED = ";\t\r\n"


def table_bytes(name: str, rows: Sequence[Row]) -> bytes:
    r"""Return a table as the bytes of its CSV file.

    Examples
    --------
    >>> table_bytes("attention", [{"where": "=1+1.wav", "problem": "no name", "remedy": "rename"}])
    b"where,problem,remedy\n'=1+1.wav,no name,rename\n"
    """
    columns = SCHEMA[name]
    known = {column.name for column in columns}
    # What a row ends in until rows are joined is quoted in cells: besides ends of lines the semicolon and the tab, at
    # which an office parts columns, too, when a table is opened with a double click.
    lines: list[str] = []
    writer = csv.writer(SimpleNamespace(write=lines.append), lineterminator=_QUOTED)
    writer.writerow([column.name for column in columns])
    for row in rows:
        if not known.issuperset(row):
            raise KeyError(f"{name}.csv has no column {sorted(set(row) - known)}")
        writer.writerow([cell_text(column, row) for column in columns])
    # A file name need not be valid Unicode; what cannot be written is shown as its code, and the run goes on.
    text = "".join(line.removesuffix(_QUOTED) + "\n" for line in lines)
    return text.encode("utf-8", "backslashreplace")


def cell_text(column: Column, row: Row) -> str:
    """Return one cell as it is written.

    Examples
    --------
    >>> freq = SCHEMA["modes"][6]
    >>> cell_text(freq, {"freq_hz": 234.76543, "freq_low_hz": 234.71, "freq_high_hz": 234.82})
    '234.7654'
    >>> cell_text(freq, {"freq_hz": float("nan")})
    ''
    """
    value = row.get(column.name)
    if value is None:
        return ""
    if column.kind == "text":
        return _guarded(str(value))
    if column.kind == "bool":
        return "true" if value else "false"
    if column.kind == "int":
        return str(int(value))
    number = float(value)
    return f"{number:z.{_decimals(column, row)}f}" if math.isfinite(number) else ""


def _guarded(text: str) -> str:
    coded = _STEERING.sub(_code, text)
    return _FORMULA.sub(r"\1'\2", coded)


def _code(match: re.Match[str]) -> str:
    code = ord(match[0])
    return f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}"


def unguarded(text: str) -> str:
    r"""Return the text that a cell stands for.

    Examples
    --------
    >>> unguarded(r"'=1+1;\x1b")
    '=1+1;\x1b'
    """
    plain = _GUARDED.sub(r"\1\2", text)
    return _CODE.sub(lambda match: chr(int(match[1] or match[2], 16)), plain)


def _decimals(column: Column, row: Row) -> int:
    known = [float(v) for v in (row.get(name) for name in column.unsure) if v is not None]
    if not known or len(known) < len(column.unsure):
        return column.decimals
    half_width = abs(known[1] - known[0]) / 2 if len(known) == 2 else known[0]
    if not (math.isfinite(half_width) and half_width > 0):
        return column.decimals
    return min(max(GUARDED_DIGITS - 1 - math.floor(math.log10(half_width)), 0), 9)
