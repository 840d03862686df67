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
import io
import math
import re
from collections.abc import Iterable, Mapping
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


_TABLES: dict[str, str] = {
    "recordings": "recording sha256 part state stage point kind take recorded_at duration_s sample_rate_hz "
    "taps_found taps_used notice direct_db",
    "taps": "recording stage tap onset_s peak_dbfs snr_db used reason",
    "tap_modes": "recording stage tap mode freq_hz freq_se_hz t60_s t60_se_s q level_db",
    "modes": "part state stage stage_order mode lead freq_hz freq_low_hz freq_high_hz note cents concert_pitch_hz "
    "t60_s t60_low_s t60_high_s q level_db taps flags working_on freq_anew_low_hz freq_anew_high_hz "
    "playing_pitch_hz playing_note playing_cents",
    "drift": "part mode from_stage to_stage freq_change_hz freq_change_cents cents_low cents_high t60_change_pct "
    "t60_low_pct t60_high_pct verdict caution moved common_cents common_low_cents common_high_cents own_cents "
    "own_low_cents own_high_cents more_taps more_setups chance_pct t60_chance_pct first_stage first_change_cents "
    "first_cents_low first_cents_high first_verdict first_caution first_moved first_moved_cents "
    "first_moved_low_cents first_moved_high_cents setups_learned",
    "targets": "part mode stage freq_hz note cents landing landing_note landing_hz cents_to_go tolerance_cents "
    "on_target taps_within step_cents step_low_cents step_high_cents steps_seen steps_to_go overshoot_pct basis "
    "on_target_anew no_forecast faults work_way taps_to_sure opening_mm2 opening_needed_mm2 opening_needed_mm2_low "
    "opening_needed_mm2_high opening_reach_pct",
    "strings": "stage recording string expected_note expected_hz freq_hz freq_low_hz freq_high_hz cents_off "
    "pair_cents inharmonicity t60_s tension_n",
    "sustain": "part stage kind band_low_hz band_high_hz edt_s t20_s t30_s t60_s t60_low_s t60_high_s recordings "
    "flags",
    "attention": "where problem remedy",
    "forecasts": "instrument part mode stage work step_cents step_low_cents step_high_cents overshoot_pct came_cents "
    "came_over basis came_within",
}
WOOD = (
    "density_kg_m3", "e_along_gpa", "e_across_gpa", "g_gpa", "speed_along_m_s", "radiation_m4_kg_s",
    "stiffness_along_n_m", "stiffness_across_n_m", "loss_along", "loss_across", "loss_twist",
)  # fmt: skip
"""The figures of a blank; each has two more columns for its interval."""


def _bounds(name: str) -> tuple[str, str]:
    return f"{name}_low", f"{name}_high"


def _with_bounds(*names: str) -> str:
    return " ".join(each for name in names for each in (name, *_bounds(name)))


_TABLES["wood"] = (
    f"stage shape length_mm width_mm thickness_mm mass_g {_with_bounds(*WOOD)} modes_used flags reason to_record"
)

# What a column holds, in whatever table it stands. Columns that are named nowhere here hold text.
_BOOLS = "used lead working_on came_over came_within"
_INTS = (
    "take sample_rate_hz taps_found taps_used tap taps stage_order more_taps more_setups setups_learned steps_seen "
    "string recordings taps_to_sure modes_used"
)
_FLOATS: dict[int, str] = {
    0: _with_bounds("density_kg_m3", "speed_along_m_s"),
    1: f"{_with_bounds('opening_needed_mm2')} opening_mm2 opening_reach_pct length_mm width_mm mass_g "
    "peak_dbfs snr_db overshoot_pct direct_db",
    2: "thickness_mm q level_db concert_pitch_hz playing_pitch_hz t60_change_pct t60_low_pct t60_high_pct chance_pct "
    "t60_chance_pct tolerance_cents steps_to_go cents_off pair_cents tension_n band_low_hz band_high_hz",
    3: "duration_s cents playing_cents common_cents common_low_cents common_high_cents own_cents own_low_cents "
    "own_high_cents freq_change_cents cents_low cents_high first_change_cents first_cents_low "
    "first_cents_high first_moved_cents first_moved_low_cents first_moved_high_cents "
    "cents_to_go step_cents step_low_cents step_high_cents came_cents strings.t60_s",
    4: f"{_with_bounds(*WOOD[1:4], *WOOD[5:8])} freq_hz freq_low_hz freq_high_hz freq_anew_low_hz freq_anew_high_hz "
    "freq_se_hz freq_change_hz landing_hz expected_hz t60_s t60_low_s t60_high_s t60_se_s edt_s t20_s t30_s",
    5: f"{_with_bounds(*WOOD[8:])} onset_s",
    7: "inharmonicity",
}
"""Numbers by their decimals; ``table.column`` where a column has others in one table."""

_UNSURE: tuple[tuple[str, ...], ...] = (
    ("freq_hz", "freq_se_hz"),
    ("t60_s", "t60_se_s"),
    ("freq_hz", "freq_low_hz", "freq_high_hz"),
    ("t60_s", "t60_low_s", "t60_high_s"),
    ("freq_change_cents", "cents_low", "cents_high"),
    ("t60_change_pct", "t60_low_pct", "t60_high_pct"),
    ("common_cents", "common_low_cents", "common_high_cents"),
    ("own_cents", "own_low_cents", "own_high_cents"),
    ("first_change_cents", "first_cents_low", "first_cents_high"),
    ("first_moved_cents", "first_moved_low_cents", "first_moved_high_cents"),
    ("step_cents", "step_low_cents", "step_high_cents"),
    ("opening_needed_mm2", *_bounds("opening_needed_mm2")),
    *((name, *_bounds(name)) for name in WOOD),
)
"""Numbers, each with its standard error or the two ends of its interval."""


def _column(table: str, name: str) -> Column:
    if name in _BOOLS.split():
        return Column(name, "bool")
    if name in _INTS.split():
        return Column(name, "int")
    decimals = {each: count for count, names in _FLOATS.items() for each in names.split()}
    if name not in decimals:
        return Column(name)
    columns = _TABLES[table].split()
    unsure = next((group[1:] for group in _UNSURE if name in group and set(group) <= set(columns)), ())
    return Column(name, "float", decimals.get(f"{table}.{name}", decimals[name]), unsure)


SCHEMA: dict[str, tuple[Column, ...]] = {
    table: tuple(_column(table, name) for name in names.split()) for table, names in _TABLES.items()
}

OF_SHOP = ("attention", "forecasts")
"""The tables that the shop has once, in its results folder."""

OF_BLANKS = ("wood",)
"""The tables that only instruments with a blank have."""

OF_INSTRUMENT = tuple(name for name in SCHEMA if name not in (*OF_SHOP, *OF_BLANKS))
"""The tables that each instrument has."""

TABLE_FILES = frozenset(f"{name}.csv" for name in OF_INSTRUMENT)
"""Their files in the instrument's folder."""

BLANK_FILES = frozenset(f"{name}.csv" for name in OF_BLANKS)
"""The files that only instruments with a blank have there."""


_QUOTED = ";\t\r\n"


def table_bytes(name: str, rows: Iterable[Row]) -> bytes:
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
    # A file name need not be valid Unicode; what cannot be written is shown as its code, and the run goes on.
    file = io.BytesIO()

    def write(line: str) -> None:
        file.write(f"{line.removesuffix(_QUOTED)}\n".encode("utf-8", "backslashreplace"))

    writer = csv.writer(SimpleNamespace(write=write), lineterminator=_QUOTED)
    writer.writerow([column.name for column in columns])
    for row in rows:
        if not known.issuperset(row):
            raise KeyError(f"{name}.csv has no column {sorted(set(row) - known)}")
        writer.writerow([cell_text(column, row) for column in columns])
    return file.getvalue()


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
        return _FORMULA.sub(r"\1'\2", _STEERING.sub(_code, str(value)))
    if column.kind == "bool":
        return "true" if value else "false"
    if column.kind == "int":
        return str(int(value))
    number = float(value)
    return f"{number:z.{_decimals(column, row)}f}" if math.isfinite(number) else ""


def _code(match: re.Match[str]) -> str:
    code = ord(match[0])
    return f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}"


def unguarded(text: str) -> str:
    r"""Return the text of a cell as it was before it was guarded.

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
    decimals = min(max(GUARDED_DIGITS - 1 - math.floor(math.log10(half_width)), 0), 9)
    size = abs(float(row[column.name]))  # type: ignore[arg-type]
    if len(known) == 2 and known[0] * known[1] > 0.0 and 0.0 < size < 0.5 * 10.0**-decimals:
        # An interval without zero has none when it is written, either.
        return min(math.ceil(-math.log10(size)), 9)
    return decimals
