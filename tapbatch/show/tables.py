r"""The tables: one place that knows each column's type and digits, for writing and for reading.

Conventions: CSV, UTF-8 without a mark, comma, decimal point, ``\n`` after each row, one header line, empty where
unknown, booleans ``true`` and ``false``, rows in the order of the history (parts, stages, then path, tap, frequency).

*Digits.* A number with an uncertainty keeps three significant digits of it: the two that are said to people and one
more, so that arithmetic on a table does not round twice. A number without keeps the digits its column declares.

*Text that a spreadsheet would run.* A text cell that begins with ``=``, ``+``, ``-``, ``@``, a tab or a return is a
formula to a spreadsheet, and file names come from anywhere. Such text is written with an apostrophe in front, as
spreadsheets themselves mark text, and read back without it. Numbers are never touched: a negative number is a number.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from tapbatch.errors import ShopError
from tapbatch.show.outputs import put_file
from tapbatch.values import Attention, Drift, Heard, History, Mode, Stage, StageDecay, StageMode

if TYPE_CHECKING:
    import pandas as pd

Cell = str | bool | int | float | None
Row = Mapping[str, Cell]

GUARDED_DIGITS = 3
_FORMULA = re.compile(r"'*[=+\-@\t\r]")
_GUARDED = re.compile(r"'+[=+\-@\t\r]")


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
    ),
    "drift": (
        *_texts("part mode from_stage to_stage"),
        *_floats("freq_change_hz", 4),
        *_floats("freq_change_cents cents_low cents_high", 3, "cents_low", "cents_high"),
        *_floats("t60_change_pct t60_low_pct t60_high_pct", 2, "t60_low_pct", "t60_high_pct"),
        *_texts("verdict caution"),
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


def history_to_tables(history: History) -> dict[str, list[Row]]:
    """Lay out the history of one instrument as the rows of its six tables.

    Parameters
    ----------
    history
        Stages in order, with identities; missing recordings are marked so in their notice.

    Returns
    -------
    dict
        ``recordings``, ``taps``, ``tap_modes``, ``modes``, ``drift``, ``sustain``: a list of rows each.

    Examples
    --------
    >>> sorted(history_to_tables(History(instrument="na", instrument_shown="NA", stages=(), drifts=())))
    ['drift', 'modes', 'recordings', 'sustain', 'tap_modes', 'taps']
    """
    tables: dict[str, list[Row]] = {name: [] for name in SCHEMA if name != "attention"}
    for stage in history.stages:
        for heard in sorted(stage.heard, key=lambda h: h.recording.path):
            tables["recordings"].append(_recording_row(stage, heard))
            tables["taps"].extend(_tap_rows(stage, heard))
            tables["tap_modes"].extend(_tap_mode_rows(stage, heard))
        tables["modes"].extend(mode_rows(stage))
        tables["sustain"].extend(sustain_rows(stage))
    shown = {(s.part, s.stage): s.stage_shown for s in history.stages}
    tables["drift"].extend(_drift_row(d, shown) for d in history.drifts)
    return tables


def attention_rows(items: Sequence[Attention]) -> list[Row]:
    """Lay out what needs attention as the rows of ``attention.csv``, once each, sorted.

    Examples
    --------
    >>> attention_rows([Attention(where="a.wav", what="the file is empty", remedy="copy it again")])
    [{'where': 'a.wav', 'problem': 'the file is empty', 'remedy': 'copy it again'}]
    """
    cells = sorted({(item.where, item.what, item.remedy) for item in items})
    return [{"where": where, "problem": what, "remedy": remedy} for where, what, remedy in cells]


def mode_rows(stage: Stage) -> list[Row]:
    """Lay out the modes of one stage as rows of ``modes.csv``, by frequency."""
    return [_mode_row(stage, mode) for mode in sorted(stage.modes, key=lambda m: m.freq_hz)]


def sustain_rows(stage: Stage) -> list[Row]:
    """Lay out the decays of one stage as rows of ``sustain.csv``, the whole before the bands."""
    return [_sustain_row(stage, d) for d in sorted(stage.decays, key=lambda d: (d.kind, d.band_low_hz or 0.0))]


def write_table(path: Path, name: str, rows: Sequence[Row]) -> str:
    """Write one table in one step; the file is left alone where its bytes would not change.

    Parameters
    ----------
    path
        Where the table belongs.
    name
        A key of ``SCHEMA``.
    rows
        By column name; a column that a row lacks is empty.

    Returns
    -------
    str
        Empty, or a notice in one line where the old file could not be replaced and the new one lies beside it.

    Raises
    ------
    ShopError
        Where the folder cannot be written.
    KeyError
        Where ``name`` is no table, or a row has a column that the table has not.
    """
    return put_file(path, table_bytes(name, rows))


def table_bytes(name: str, rows: Sequence[Row]) -> bytes:
    r"""Return a table as the bytes of its CSV file.

    Examples
    --------
    >>> table_bytes("attention", [{"where": "=1+1.wav", "problem": "no name", "remedy": "rename"}])
    b"where,problem,remedy\n'=1+1.wav,no name,rename\n"
    """
    columns = SCHEMA[name]
    known = {column.name for column in columns}
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([column.name for column in columns])
    for row in rows:
        if not known.issuperset(row):
            raise KeyError(f"{name}.csv has no column {sorted(set(row) - known)}")
        writer.writerow([cell_text(column, row) for column in columns])
    # A file name need not be valid Unicode; what cannot be written is shown as its code, and the run goes on.
    return text.getvalue().encode("utf-8", "backslashreplace")


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
        text = str(value)
        return f"'{text}" if _FORMULA.match(text) else text
    if column.kind == "bool":
        return "true" if value else "false"
    if column.kind == "int":
        return str(int(value))
    number = float(value)
    return f"{number:z.{_decimals(column, row)}f}" if math.isfinite(number) else ""


def _decimals(column: Column, row: Row) -> int:
    known = [float(v) for v in (row.get(name) for name in column.unsure) if v is not None]
    if not known or len(known) < len(column.unsure):
        return column.decimals
    half_width = abs(known[1] - known[0]) / 2 if len(known) == 2 else known[0]
    if not (math.isfinite(half_width) and half_width > 0):
        return column.decimals
    return min(max(GUARDED_DIGITS - 1 - math.floor(math.log10(half_width)), 0), 9)


def read_table(path: Path) -> pd.DataFrame:
    """Read a table that was written here, each column with its type.

    Parameters
    ----------
    path
        A file named after its table, such as ``results/cittern-07/modes.csv``.

    Returns
    -------
    pandas.DataFrame
        Text columns as strings (``"NA"`` is a name, not a gap; unknown text is empty), ``boolean``, ``Int64`` and
        ``float64`` columns with gaps where unknown. Columns that the table does not know stay text.

    Raises
    ------
    ShopError
        Where the file is missing, is no table of the tool, or lacks columns.
    """
    import pandas as pd

    name = path.stem.removesuffix(" (new)")
    if name not in SCHEMA:
        raise ShopError(str(path), "no table of this name is known", f"expected one of {', '.join(SCHEMA)}")
    try:
        frame = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8")
    except (OSError, ValueError) as error:
        raise ShopError(str(path), f"cannot be read as a table ({error})", "run again to write it anew") from error
    missing = [column.name for column in SCHEMA[name] if column.name not in frame]
    if missing:
        raise ShopError(str(path), f"lacks {', '.join(missing)}", "run again to write it anew")
    for column in SCHEMA[name]:
        frame[column.name] = _typed(frame[column.name], column, path)
    return frame


def _typed(cells: pd.Series, column: Column, path: Path) -> pd.Series:
    import pandas as pd

    if column.kind == "text":
        return cells.map(lambda text: text[1:] if _GUARDED.match(text) else text)
    known = cells.where(cells != "")
    try:
        if column.kind == "bool":
            return known.map({"true": True, "false": False}).astype("boolean")
        return pd.to_numeric(known).astype("Int64" if column.kind == "int" else "float64")
    except (ValueError, TypeError) as error:
        what = f"{column.name} is not a column of numbers ({error})"
        raise ShopError(str(path), what, "run again to write it anew") from error


# ------------------------------------------------------------------ rows


def _recording_row(stage: Stage, heard: Heard) -> Row:
    recording, reading = heard.recording, heard.reading
    notices = [*reading.notices]
    if heard.missing and "missing" not in notices:
        notices.insert(0, "missing")
    return {
        "recording": recording.path,
        "sha256": recording.sha256,
        "part": heard.part,
        "state": heard.state,
        "stage": stage.stage_shown,
        "point": recording.point,
        "kind": recording.kind,
        "take": recording.take,
        "recorded_at": reading.recorded_at,
        "duration_s": reading.duration_s,
        "sample_rate_hz": reading.sample_rate_hz,
        "taps_found": len(reading.taps),
        "taps_used": len(reading.used_taps),
        "notice": "; ".join(notices),
    }


def _tap_rows(stage: Stage, heard: Heard) -> list[Row]:
    return [
        {
            "recording": heard.recording.path,
            "stage": stage.stage_shown,
            "tap": read.tap.number,
            "onset_s": read.tap.onset_s,
            "peak_dbfs": read.tap.peak_dbfs,
            "snr_db": read.tap.snr_db,
            "used": read.tap.used,
            "reason": read.tap.reason,
        }
        for read in heard.reading.taps
    ]


def _tap_mode_rows(stage: Stage, heard: Heard) -> list[Row]:
    rows: list[Row] = []
    lead = stage.lead.mode if stage.lead else ""
    for index, read in enumerate(heard.reading.used_taps):
        names = heard.mode_names[index] if index < len(heard.mode_names) else ("",) * len(read.modes)
        named = sorted(zip(read.modes, names, strict=True), key=lambda pair: pair[0].freq_hz)
        # The level is that above the lead of the stage in this very tap, and unknown where the tap does not show it.
        top_db = next((mode.energy_db for mode, name in named if name and name == lead), None)
        rows.extend(_tap_mode_row(stage, heard, read.tap.number, mode, name, top_db) for mode, name in named)
    return rows


def _tap_mode_row(stage: Stage, heard: Heard, tap: int, mode: Mode, name: str, top_db: float | None) -> Row:
    return {
        "recording": heard.recording.path,
        "stage": stage.stage_shown,
        "tap": tap,
        "mode": name,
        "freq_hz": mode.freq_hz,
        "freq_se_hz": mode.freq_se_hz,
        "t60_s": mode.t60_s,
        "t60_se_s": mode.t60_se_s,
        "q": mode.q,
        "level_db": None if top_db is None else mode.energy_db - top_db,
    }


def _mode_row(stage: Stage, mode: StageMode) -> Row:
    return {
        "part": stage.part,
        "state": stage.state,
        "stage": stage.stage_shown,
        "stage_order": stage.order,
        "mode": mode.mode,
        "lead": mode.lead,
        "freq_hz": mode.freq_hz,
        "freq_low_hz": mode.freq_low_hz,
        "freq_high_hz": mode.freq_high_hz,
        "note": mode.note,
        "cents": mode.cents,
        "concert_pitch_hz": stage.concert_pitch_hz,
        "t60_s": mode.t60_s,
        "t60_low_s": mode.t60_low_s,
        "t60_high_s": mode.t60_high_s,
        "q": mode.q,
        "level_db": mode.level_db,
        "taps": mode.taps,
        "flags": ";".join(dict.fromkeys((*mode.flags, *stage.flags))),
    }


def _sustain_row(stage: Stage, decay: StageDecay) -> Row:
    return {
        "part": stage.part,
        "stage": stage.stage_shown,
        "kind": decay.kind,
        "band_low_hz": decay.band_low_hz,
        "band_high_hz": decay.band_high_hz,
        "edt_s": decay.edt_s,
        "t20_s": decay.t20_s,
        "t30_s": decay.t30_s,
        "t60_s": decay.t60_s,
        "t60_low_s": decay.t60_low_s,
        "t60_high_s": decay.t60_high_s,
        "recordings": decay.recordings,
        "flags": ";".join(dict.fromkeys((*decay.flags, *stage.flags))),
    }


def _drift_row(drift: Drift, shown: Mapping[tuple[str, str], str]) -> Row:
    return {
        "part": drift.part,
        "mode": drift.mode,
        "from_stage": shown.get((drift.part, drift.from_stage), drift.from_stage),
        "to_stage": shown.get((drift.part, drift.to_stage), drift.to_stage),
        "freq_change_hz": drift.freq_change_hz,
        "freq_change_cents": drift.freq_change_cents,
        "cents_low": drift.cents_low,
        "cents_high": drift.cents_high,
        "t60_change_pct": drift.t60_change_pct,
        "t60_low_pct": drift.t60_low_pct,
        "t60_high_pct": drift.t60_high_pct,
        "verdict": drift.verdict,
        "caution": drift.caution,
    }
