"""All blanks of a shop side by side: ``results/blanks.csv``, its page ``blanks.html``, and on paper ``blanks.pdf``.

Conventions: the columns of ``wood.csv`` behind ``instrument``, ``species``, ``part`` and ``into``: which instrument a
blank went into, and as which part, from ``blank`` in the settings of that instrument. A row is a stage of a blank.
It is kept with the mark of its instrument, as in ``wood.csv``, so a run need not work out the others anew. Behind
them are the moisture of the wood and the figures at 12 % (``_at_12``), from the humidity in the notes.
The PDF is drawn again only if its boards, the paper or the tool changed; ``results/.readings/store.json`` says what
it was drawn from.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass

from tapbatch.model.history import Note
from tapbatch.model.names import identity
from tapbatch.model.notice import Notice
from tapbatch.model.wood import Figure
from tapbatch.results.files import facts_of, put_file
from tapbatch.results.marks import Mark
from tapbatch.results.readings import FOLDER
from tapbatch.results.sealed import seal
from tapbatch.run.page import as_left
from tapbatch.run.stamp import tool_stamp
from tapbatch.shop.folder import Shop
from tapbatch.shop.notes import NoteKey
from tapbatch.show.tables.columns import SCHEMA, WOOD, Cell, Column, cell_text, unguarded
from tapbatch.show.view.store import StoredBoard
from tapbatch.wood.moisture import CORRECTED, ROOM_C, at_standard, moisture_pct

BLANKS, STORE, STORE_PDF = "blanks.csv", "blanks.html", "blanks.pdf"
_KEPT = "store.json"
_FIRST = tuple(Column(name) for name in ("instrument", "species", "part", "into"))
_ENDS = ("", "_low", "_high")
_AT_12 = {name: [f"{name}_at_12{end}" for end in _ENDS] for name in CORRECTED}
_WIDTHS = {column.name: column.decimals for column in SCHEMA["wood"]}
LAST = (
    Column("moisture_pct", "float", 1),
    *(Column(each, "float", _WIDTHS[name], (low, high)) for name, (mid, low, high) in _AT_12.items()
      for each in (mid, low, high)),
)  # fmt: skip
"""The columns behind those of ``wood.csv``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What settings and notes tell of the blanks of a shop.

    ``species`` are by instrument, ``into`` are the parts that a blank became and in which instruments, and ``notes``
    the bench notes, by identity of instrument and stage.
    """

    species: Mapping[str, str]
    into: Mapping[str, list[tuple[str, str]]]
    notes: Mapping[NoteKey, Note]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """A row of ``wood.csv``, read back: its cells by column, its figures, and those at 12 % moisture."""

    cells: Mapping[str, str]
    figures: dict[str, Figure]
    moisture_pct: float | None
    at_standard: dict[str, Figure]


def put_blanks(shop: Shop, marks: Iterable[Mark]) -> list[Notice]:
    """Write the table of all blanks and its pages, or delete them where there are none.

    Returns notices of files that are in use elsewhere, or that were set aside.
    """
    of_blanks = [mark for mark in marks if mark.wood]
    results = shop.results_dir
    if of_blanks:
        from tapbatch.show.browser.store import store_bytes

        told = Told(species=species_of(shop), into=went_into(shop), notes=shop.notes)
        boards = stored_boards(of_blanks, told)
        written = [put_file(results / BLANKS, blanks_bytes(of_blanks, told))]
        written += [put_file(results / STORE, store_bytes(boards)), *_put_on_paper(shop, boards)]
        return [notice for notice in written if notice is not None]
    for gone in (results / BLANKS, results / STORE, results / STORE_PDF, results / FOLDER / _KEPT):
        with suppress(OSError):
            gone.unlink()
    return []


def _put_on_paper(shop: Shop, boards: Sequence[StoredBoard]) -> Iterator[Notice | None]:
    """Draw the boards on paper if they are not there already, and yield notices."""
    pdf, kept, paper = shop.results_dir / STORE_PDF, shop.results_dir / FOLDER / _KEPT, shop.settings.paper
    told = repr((tool_stamp(), paper, boards))
    basis = hashlib.sha256(told.encode("utf-8", "backslashreplace")).hexdigest()
    aside: list[Notice] = []
    if as_left(kept, aside) != (basis, facts_of(pdf)):
        from tapbatch.show.pdf.store import store_pdf_bytes

        notice = put_file(pdf, store_pdf_bytes(boards, paper))
        yield notice
        if notice is None:
            put_file(kept, seal(json.dumps({"basis": basis, "facts": facts_of(pdf)})))
    yield from aside


def stored_boards(marks: Iterable[Mark], told: Told) -> list[StoredBoard]:
    """Return the boards as they are now: the last row of each."""
    boards = []
    for mark in sorted(marks, key=lambda m: m.instrument):
        row = _read(mark.instrument, mark.wood[-1], told.notes)
        length, width, thick = (
            float(row.cells.get(name) or 0.0) for name in ("length_mm", "width_mm", "thickness_mm")
        )
        used = told.into.get(mark.instrument, [])
        boards.append(
            StoredBoard(
                instrument=mark.instrument,
                stage=row.cells["stage"],
                species=told.species.get(mark.instrument, ""),
                into=", ".join(f"{name} {part}".rstrip() for part, name in used),
                figures=row.figures,
                sizes_mm=(length, width, thick) if length and width and thick else None,
                moisture_pct=row.moisture_pct,
                at_standard=row.at_standard,
            )
        )
    return boards


def _read(instrument: str, line: str, notes: Mapping[NoteKey, Note]) -> _Row:
    (found,) = csv.reader([line])
    cells = dict(zip((column.name for column in SCHEMA["wood"]), map(unguarded, found), strict=False))
    ends = {name: [cells.get(f"{name}{end}", "") for end in _ENDS] for name in WOOD}
    figures = {name: Figure(*map(float, three)) for name, three in ends.items() if all(three)}
    pct = _moisture(instrument, cells["stage"], notes)
    return _Row(
        cells=cells,
        figures=figures,
        moisture_pct=pct,
        at_standard={} if pct is None else at_standard(figures, pct),
    )


def _moisture(instrument: str, stage: str, notes: Mapping[NoteKey, Note]) -> float | None:
    """Return the moisture of a blank by the note of its stage, or of its series; ``None`` if none notes humidity."""
    names = (identity(stage), identity(stage.rpartition(" step ")[0] or stage))
    note = next((notes[instrument, name] for name in names if (instrument, name) in notes), None)
    if note is None or note.humidity_pct is None:
        return None
    return moisture_pct(ROOM_C if note.temperature_c is None else note.temperature_c, note.humidity_pct)


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


def blanks_bytes(marks: Iterable[Mark], told: Told) -> bytes:
    """Return the table as bytes, blanks in the order of their names.

    Examples
    --------
    >>> blanks_bytes([], Told(species={}, into={}, notes={}))[:36]
    b'instrument,species,part,into,stage,s'
    """
    lines = [",".join(column.name for column in (*_FIRST, *SCHEMA["wood"], *LAST))]
    for mark in sorted(marks, key=lambda m: m.instrument):
        used = told.into.get(mark.instrument, [])
        cells = {
            "instrument": mark.instrument,
            "species": told.species.get(mark.instrument, ""),
            # The same places as in ``into``, even where one says no part.
            "part": ";".join(part for part, _ in used) if any(part for part, _ in used) else "",
            "into": ";".join(name for _, name in used),
        }
        first = _line([cell_text(column, cells) for column in _FIRST])
        lines += [f"{first},{line},{_corrected(mark.instrument, line, told.notes)}" for line in mark.wood]
    return "".join(f"{line}\n" for line in lines).encode("utf-8", "backslashreplace")


def _corrected(instrument: str, line: str, notes: Mapping[NoteKey, Note]) -> str:
    """Return the cells behind a row of ``wood.csv``."""
    row = _read(instrument, line, notes)
    cells: dict[str, Cell] = {"moisture_pct": row.moisture_pct}
    for name, figure in row.at_standard.items():
        cells |= dict(zip(_AT_12[name], (figure.value, figure.low, figure.high), strict=True))
    return _line([cell_text(column, cells) for column in LAST])


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
