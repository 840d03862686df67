"""All blanks of a shop side by side: ``results/blanks.csv``, and its page ``results/blanks.html``.

Conventions: the columns of ``wood.csv`` behind ``instrument``, ``species``, ``part`` and ``into``: which instrument a
blank went into, and as which part, from ``blank`` in the settings of that instrument. A row is a stage of a blank.
It is kept with the mark of its instrument, as in ``wood.csv``, so a run need not work out the others anew.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from contextlib import suppress

from tapbatch.model.names import identity
from tapbatch.model.notice import Notice
from tapbatch.model.wood import Figure
from tapbatch.results.files import put_file
from tapbatch.results.marks import Mark
from tapbatch.shop.folder import Shop
from tapbatch.show.draw.store import StoredBoard
from tapbatch.show.tables.columns import SCHEMA, WOOD, Column, cell_text

BLANKS, STORE = "blanks.csv", "blanks.html"
_FIRST = tuple(Column(name) for name in ("instrument", "species", "part", "into"))


def put_blanks(shop: Shop, marks: Iterable[Mark]) -> Notice | None:
    """Write the table of all blanks, or delete it where there are none; return a notice if it is in use elsewhere."""
    of_blanks = [mark for mark in marks if mark.wood]
    path = shop.results_dir / BLANKS
    page = shop.results_dir / STORE
    if of_blanks:
        from tapbatch.show.browser.store import store_bytes

        species, into = species_of(shop), went_into(shop)
        refused = put_file(path, blanks_bytes(of_blanks, species, into))
        return refused or put_file(page, store_bytes(stored_boards(of_blanks, species, into)))
    for gone in (path, page):
        with suppress(OSError):
            gone.unlink()
    return None


def stored_boards(
    marks: Iterable[Mark], species: Mapping[str, str], into: Mapping[str, list[tuple[str, str]]]
) -> list[StoredBoard]:
    """Return the boards as they are now: the last row of each."""
    names = [column.name for column in SCHEMA["wood"]]
    boards = []
    for mark in sorted(marks, key=lambda m: m.instrument):
        (cells,) = csv.reader([mark.wood[-1]])
        row = dict(zip(names, cells, strict=False))
        ends = {name: [row.get(f"{name}{end}", "") for end in ("", "_low", "_high")] for name in WOOD}
        used = into.get(mark.instrument, [])
        length, width, thickness = (float(row[name] or 0.0) for name in ("length_mm", "width_mm", "thickness_mm"))
        boards.append(
            StoredBoard(
                instrument=mark.instrument,
                stage=row["stage"],
                species=species.get(mark.instrument, ""),
                part=", ".join(part for part, _ in used if part),
                into=", ".join(name for _, name in used),
                figures={name: Figure(*map(float, three)) for name, three in ends.items() if all(three)},
                sizes_mm=(length, width, thickness) if length and width and thickness else None,
            )
        )
    return boards


def species_of(shop: Shop) -> dict[str, str]:
    """Return the species that the settings name, by instrument."""
    return {name: settings.species for name, settings in shop.instruments.items() if settings.species}


def went_into(shop: Shop) -> dict[str, list[tuple[str, str]]]:
    """Return, by blank, the part that it became and the instrument.

    A blank may serve twice, as two halves of a top do; without a part its own word is empty.
    """
    found: dict[str, list[tuple[str, str]]] = {}
    for name, settings in sorted(shop.instruments.items()):
        parts = {"": settings.blank} if isinstance(settings.blank, str) else settings.blank
        for part, blanks in sorted(parts.items()):
            for blank in filter(None, map(identity, blanks.split(","))):
                found.setdefault(blank, []).append((identity(part), name))
    return found


def blanks_bytes(
    marks: Iterable[Mark], species: Mapping[str, str], into: Mapping[str, list[tuple[str, str]]]
) -> bytes:
    """Return the table as bytes, blanks in the order of their names.

    Examples
    --------
    >>> blanks_bytes([], {}, {})[:36]
    b'instrument,species,part,into,stage,s'
    """
    lines = [",".join(column.name for column in (*_FIRST, *SCHEMA["wood"]))]
    for mark in sorted(marks, key=lambda m: m.instrument):
        used = into.get(mark.instrument, [])
        cells = {
            "instrument": mark.instrument,
            "species": species.get(mark.instrument, ""),
            "part": ";".join(part for part, _ in used if part),
            "into": ";".join(name for _, name in used),
        }
        first = _line([cell_text(column, cells) for column in _FIRST])
        lines += [f"{first},{line}" for line in mark.wood]
    return "".join(f"{line}\n" for line in lines).encode("utf-8", "backslashreplace")


def _line(cells: list[str]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="").writerow(cells)
    return text.getvalue()


def rows_of(wood_csv: bytes | None) -> tuple[str, ...]:
    r"""Return the rows of a ``wood.csv`` as lines, without its header; none if there is no such file.

    Examples
    --------
    >>> rows_of(b"stage,shape\n01-bought,plate\n"), rows_of(None)
    (('01-bought,plate',), ())
    """
    return tuple(wood_csv.decode("utf-8", "replace").split("\n")[1:-1]) if wood_csv else ()
