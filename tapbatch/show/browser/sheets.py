"""The page's tables: modes, drift, landings and strings of an instrument, to be read, heard and sorted.

Conventions: what a table says is decided in :mod:`tapbatch.show.view.tables`; here its columns are chosen. The number
by which a column sorts stands beside the text as ``data-sort``. A table that is wider than a telephone scrolls within
a region of its own, which the keyboard reaches.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from tapbatch.show.browser.markup import Markup, tag
from tapbatch.show.view.answers import capital
from tapbatch.show.view.tables import BESIDES, Cell, Kind, Table

COLUMNS: dict[Kind, tuple[str, ...]] = {
    "modes": ("note", "mode", "how sure", "trust", "moved", "T60 (s)", "Hz", "noticed"),
    "played": ("voiced", "mode", "played", "Hz"),
    "drift": ("stage", "mode", "moved", "rings", BESIDES),
    "first": ("since", "mode", "verdict", "cents", BESIDES),
    "landings": ("may settle at", "mode", "Hz", "to go", "there?", "one more step (c)", "steps", "past it (%)"),
    "strings": ("string", "expected", "off", "pair", "Hz", "T60 (s)"),
}


def table_sheet(table: Table) -> Markup:
    """Return a table for the page; nothing if it has no rows."""
    columns = COLUMNS[table.kind]
    rows = ([row[name] for name in columns] for row in table.rows)
    name = f"{capital(table.title)}. {table.once}" if table.once and table.rows else capital(table.title)
    return sheet(name, [*map(capital, columns)], rows)


def sheet(name: str, columns: Sequence[str], rows: Iterable[Sequence[Cell]]) -> Markup:
    """Return a table with a name; nothing if it has no rows. The first cell of a row is its heading."""
    body = []
    for first, *others in rows:
        cells = [tag("td", cell.text, data_sort=key_of(cell.number)) for cell in others]
        body.append(tag("tr", tag("th", first.text, scope="row", data_sort=key_of(first.number)), *cells))
    return framed(name, columns, body) if body else Markup()


def framed(
    name: str, columns: Sequence[str], rows: Iterable[Markup], class_: str = "scroll", id_: str | None = None
) -> Markup:
    """Return a table of rows of markup under its headings, with a name, in a region that scrolls."""
    head = tag("tr", *(tag("th", column, scope="col") for column in columns))
    table = tag("table", tag("caption", name), tag("thead", head), tag("tbody", *rows), id=id_)
    return tag("div", table, class_=class_, tabindex=0, role="region", aria_label=f"{name}; it can be scrolled")


def key_of(number: float | None) -> str | None:
    """Return a number as the key by which a column sorts.

    Examples
    --------
    >>> key_of(261.6255653), key_of(float("nan")), key_of(None)
    ('261.626', None, None)
    """
    return None if number is None or not math.isfinite(number) else f"{number:.6g}"
