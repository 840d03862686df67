"""The tables as pandas frames, for a notebook or a script of one's own; no command needs them.

Conventions: each column has its type: text (``"NA"`` is a name, and unknown text is empty), ``boolean``, ``Int64``
and ``float64``, with gaps where a value is unknown. pandas comes with the extra ``tapbatch[notebook]``, so this
module is imported by the functions that need it; where pandas is missing, importing it raises a ``ShopError``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from tapbatch.model.errors import ShopError
from tapbatch.show.tables.columns import SCHEMA, Column, Row, unguarded

try:
    import pandas as pd
except ImportError as error:
    raise ShopError("pandas", "it is not installed", "pip install 'tapbatch[notebook]'") from error


def read_table(path: Path) -> pd.DataFrame:
    """Read a table from a file that is named after it, such as ``results/cittern-07/modes.csv``.

    Each column has its type; those that the table does not know stay text. A file that is missing, is no table of the
    tool, or lacks columns raises a ``ShopError``.
    """
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


def rows_to_frame(name: str, rows: Sequence[Row]) -> pd.DataFrame:
    """Return rows as the table that :func:`read_table` would give, but with unrounded numbers.

    Examples
    --------
    >>> frame = rows_to_frame("attention", [{"where": "NA", "problem": "no name"}])
    >>> frame.to_numpy().tolist()
    [['NA', 'no name', '']]
    """
    kinds = {"text": "str", "bool": "boolean", "int": "Int64", "float": "float64"}
    columns = {}
    for column in SCHEMA[name]:
        cells = [row.get(column.name) for row in rows]
        known = ["" if cell is None else str(cell) for cell in cells] if column.kind == "text" else cells
        columns[column.name] = pd.Series(known, dtype=kinds[column.kind])
    return pd.DataFrame(columns)


def numbers_to_frame(rows: Sequence[Sequence[float]], units: Mapping[str, str]) -> pd.DataFrame:
    """Return rows of numbers as a table with the given columns and units.

    Examples
    --------
    >>> numbers_to_frame([(220.0, 0.4)], {"freq_hz": "Hz", "t60_s": "s"}).attrs["units"]
    {'freq_hz': 'Hz', 't60_s': 's'}
    """
    frame = pd.DataFrame(rows, columns=list(units))
    frame.attrs["units"] = dict(units)
    return frame


# Of the table of blanks, whose units are made of several words; the longer endings first.
_ENDINGS = {
    "_m4_kg_s": "m4/(kg s)",
    "_kg_m3": "kg/m3",
    "_m_s": "m/s",
    "_n_m": "N m",
    "_gpa": "GPa",
    "_mm": "mm",
    "_g": "g",
}
_UNITS = {"hz": "Hz", "cents": "cents", "s": "s", "db": "dB", "dbfs": "dBFS", "pct": "%", "n": "N"}


def units_of(name: str) -> dict[str, str]:
    """Return the unit of each column that has one, read from the column's name.

    Examples
    --------
    >>> units_of("targets")["cents_to_go"], units_of("modes")["freq_low_hz"], "q" in units_of("modes")
    ('cents', 'Hz', False)
    >>> units_of("wood")["speed_along_m_s_low"], "loss_along" in units_of("wood")
    ('m/s', False)
    """
    names = [column.name for column in SCHEMA[name] if column.kind != "text"]
    units = {each: [_UNITS[word] for word in each.split("_") if word in _UNITS] for each in names}
    told = {each: found[-1] for each, found in units.items() if found}
    return told if name != "wood" else _units_of_wood(names)


def _units_of_wood(names: Sequence[str]) -> dict[str, str]:
    found: dict[str, str] = {}
    for each in names:
        base = each.removesuffix("_low").removesuffix("_high")
        unit = next((unit for ending, unit in _ENDINGS.items() if base.endswith(ending)), "")
        found |= {each: unit} if unit else {}
    return found


def _typed(cells: pd.Series, column: Column, path: Path) -> pd.Series:
    if column.kind == "text":
        return cells.map(unguarded)
    known = cells.where(cells != "")
    try:
        if column.kind == "bool":
            return known.map({"true": True, "false": False}).astype("boolean")
        return pd.to_numeric(known).astype("Int64" if column.kind == "int" else "float64")
    except (ValueError, TypeError) as error:
        what = f"{column.name} is not a column of numbers ({error})"
        raise ShopError(str(path), what, "run again to write it anew") from error
