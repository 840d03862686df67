r"""The file ``now.csv`` of a shop, in which the log of ``tapbatch now`` is kept.

Conventions: one event a row, the oldest first, with one header row; times are ISO 8601 with their zone. Rows are only
ever added, each with one write that is flushed to disk. Characters that a line cannot hold are written as ``\u000a``.
A spreadsheet may have saved the file: commas, semicolons or tabs part the columns, and text is UTF-8 or Windows-1252.
A last row that a kill cut short is not counted and is ended by the next one. Any other row that is not understood is
reported, and the others are used.
"""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path, PurePath
from typing import cast, get_args

from tapbatch.listen.files import refuse_special
from tapbatch.model.bench_log import BenchLog, Event, OnBench, What
from tapbatch.model.errors import ShopError, reason_of
from tapbatch.model.reading import Attention

NAME = "now.csv"
COLUMNS = (
    "at",
    "what",
    "instrument",
    "stage",
    "words",
    "step",
    "on",
    "recording",
    "sha256",
    "original",
    "mark",
    "recorded_at",
)

_MOST_BYTES = 50_000_000
_PARTS = "/"
"""Parts several words in one cell; no word can hold it."""

_DELIMITERS = ",;\t"
_BLANK = ' ,;\t"'
_HEAD_ROWS = 2
_HEAD = re.compile(r'"?(at"?[,;\t]|sep=)')
"""The header, and the row in which a spreadsheet names its delimiter."""

_WRITTEN = re.compile(r"\\u([0-9a-f]{4})|\\U([0-9a-f]{8})")


def read_log(root: Path) -> tuple[BenchLog, tuple[Attention, ...]]:
    """Return the log of a shop, and what was not understood in it.

    Raises
    ------
    ShopError
        If the file as a whole cannot be read. It does not count as empty then: what was placed or taken out before
        would be placed again.

    Examples
    --------
    >>> read_log(Path("nowhere"))
    (BenchLog(events=()), ())
    """
    lines = _lines(root / NAME)
    events: list[Event] = []
    refused: list[Attention] = []
    for number, line in enumerate(lines, start=1):
        if not line.strip(_BLANK) or (number <= _HEAD_ROWS and _HEAD.match(line)):
            continue
        event, cells = _event_in(line)
        if event is None and number < len(lines):
            what, remedy = "is not a row of the log", "mend the row, or delete it"
            refused.append(Attention(where=f"{NAME}, row {number}", what=what, remedy=remedy))
        elif event is not None and (number < len(lines) or cells == _row_of(event)):
            # The last row counts if only its line end is missing, which an editor may have dropped.
            events.append(event)
    return BenchLog(tuple(events)), tuple(refused)


def _lines(path: Path) -> list[str]:
    """Return the rows as text, the last of them without a line end: empty, unless it was cut short."""
    try:
        refuse_special(path)
        if path.stat().st_size > _MOST_BYTES:
            raise ShopError(NAME, "is far too large to be the log", "move it out of the shop")
        raw = path.read_bytes()
    except FileNotFoundError:
        return []
    except OSError as error:
        raise ShopError(NAME, f"cannot be read ({reason_of(error)})", "move it away, or let it be read") from error
    if b"\0" in raw[:4]:
        raise ShopError(NAME, "is not text in UTF-8", "save it again as CSV in UTF-8")
    return [_decoded(line) for line in raw.split(b"\n")]


def _decoded(line: bytes) -> str:
    # Row by row, because rows are added in UTF-8 whatever a spreadsheet saved.
    try:
        return line.decode("utf-8-sig").rstrip("\r")
    except UnicodeDecodeError:
        return line.decode("cp1252", "replace").rstrip("\r")


def append(root: Path, *events: Event) -> None:
    """Add events to the log of a shop with one write, and flush it to disk.

    Raises
    ------
    ShopError
        If the file cannot be written.
    """
    path = root / NAME
    try:
        # A link is not followed: nothing outside the shop is written.
        flags = os.O_RDWR | os.O_CREAT | os.O_APPEND | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
        handle = os.open(path, flags, 0o666)
        with os.fdopen(handle, "r+b") as file:
            size = file.seek(0, os.SEEK_END)
            if size:
                file.seek(size - 1)
            begun = size and file.read(1) != b"\n"
            file.seek(0, os.SEEK_END)
            head = b"" if size else _row(COLUMNS)
            file.write((b"\n" if begun else b"") + head + b"".join(_row(_row_of(e)) for e in events))
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise ShopError(
            str(path), reason_of(error), "make room or let the file be written, then try again"
        ) from error


def _row_of(event: Event) -> list[str]:
    return [_harmless(cell) for cell in _cells(event)]


def _cells(event: Event) -> tuple[str, ...]:
    bench = event.bench or OnBench(instrument="", stage="")
    return (
        event.at.isoformat(),
        event.what,
        bench.instrument,
        bench.stage,
        _PARTS.join(bench.words),
        str(bench.step or ""),
        _PARTS.join(bench.on),
        event.recording,
        event.sha256,
        event.original,
        event.mark,
        event.recorded_at.isoformat() if event.recorded_at else "",
    )


def _event_in(line: str) -> tuple[Event | None, list[str]]:
    """Return the event in a row and its cells, whichever character parts them; ``None`` if it is not understood."""
    for delimiter in _DELIMITERS:
        try:
            cells = _split(line, delimiter)
            return _event(cells), cells
        except (ValueError, OverflowError, csv.Error):
            continue
    return None, []


def _split(line: str, delimiter: str) -> list[str]:
    cells = next(csv.reader([line], delimiter=delimiter, strict=True))
    # Spreadsheets may add empty columns.
    return cells[: len(COLUMNS)] if not any(cells[len(COLUMNS) :]) else cells


def _event(cells: list[str]) -> Event:
    at, what, instrument, stage, words, step, on, recording, sha256, original, mark, recorded = map(_plain, cells)
    if what not in get_args(What) or bool(instrument) != bool(stage) or (what == "now" and not instrument):
        raise ValueError(what)
    bench = OnBench(
        instrument=instrument,
        stage=stage,
        words=tuple(filter(None, words.split(_PARTS))),
        step=int(step or 0),
        on=tuple(filter(None, on.split(_PARTS))),
    )
    if bench.step < 0 or not all(map(_stays_below, (instrument, stage, words, recording, original))):
        raise ValueError(what)
    return Event(
        at=_aware(at),
        what=cast("What", what),
        bench=bench if instrument else None,
        recording=recording,
        sha256=sha256,
        original=original,
        mark=mark,
        recorded_at=_aware(recorded) if recorded else None,
    )


def _stays_below(path: str) -> bool:
    """Tell whether a path stays in the folder to which it belongs: a copy may be deleted there."""
    return ".." not in PurePath(path).parts and not PurePath(path).anchor


def _aware(text: str) -> datetime:
    when = datetime.fromisoformat(text)
    # At either end, such a time has no equal in other zones.
    if not datetime.min.year < when.year < datetime.max.year:
        raise ValueError(text)
    return when if when.tzinfo else when.astimezone()


def _row(cells: Sequence[str]) -> bytes:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow(cells)
    return out.getvalue().encode()


def _harmless(text: str) -> str:
    """Return a cell in which a spreadsheet finds no formula, and which stays on one line; see :func:`_plain`."""
    text = "".join(c if c.isprintable() and c != "\\" else _written(ord(c)) for c in text)
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "'") else text


def _written(code: int) -> str:
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"


def _plain(text: str) -> str:
    return _WRITTEN.sub(lambda m: chr(int(m[1] or m[2], 16)), text.removeprefix("'"))
