"""The file ``now.csv`` of a shop, in which the log of ``tapbatch now`` is kept.

Conventions: one event a row, the oldest first, with one header row; times are ISO 8601 with their zone. Rows are only
ever added, each with one write that is flushed to disk. A last row that a kill cut short is not counted and is ended
by the next one. Any other row that is not understood is reported, and the others are used.
"""

from __future__ import annotations

import csv
import io
import os
from datetime import datetime
from pathlib import Path
from typing import cast, get_args

from tapbatch.listen.files import refuse_special
from tapbatch.model.bench_log import BenchLog, Event, OnBench, What
from tapbatch.model.errors import ShopError
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


def read_log(root: Path) -> tuple[BenchLog, tuple[Attention, ...]]:
    """Return the log of a shop, and what was not understood in it.

    Examples
    --------
    >>> read_log(Path("nowhere"))
    (BenchLog(events=()), ())
    """
    path = root / NAME
    try:
        refuse_special(path)
        if path.stat().st_size > _MOST_BYTES:
            return BenchLog(), (_refused(NAME, "is far too large to be the log", "move it out of the shop"),)
        text = path.read_bytes().decode("utf-8", "replace")
    except FileNotFoundError:
        return BenchLog(), ()
    except OSError as error:
        reason = error.strerror or "no reason given"
        return BenchLog(), (_refused(NAME, f"cannot be read ({reason})", "check that you are allowed to read it"),)
    whole = text[: text.rfind("\n") + 1]
    events: list[Event] = []
    refused: list[Attention] = []
    for number, line in enumerate(whole.splitlines(), start=1):
        if number == 1 or not line.strip():
            continue
        try:
            events.append(_event(next(csv.reader([line], strict=True))))
        except (ValueError, csv.Error, StopIteration):
            where = f"{NAME}, row {number}"
            refused.append(_refused(where, "is not a row of the log", "mend the row, or delete it"))
    return BenchLog(tuple(events)), tuple(refused)


def append(root: Path, event: Event) -> None:
    """Add an event to the log of a shop, and flush it to disk.

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
            file.write((b"\n" if begun else b"") + head + _row(_cells(event)))
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        reason = (error.strerror or type(error).__name__).lower()
        raise ShopError(str(path), reason, "make room or let the file be written, then try again") from error


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


def _aware(text: str) -> datetime:
    when = datetime.fromisoformat(text)
    return when if when.tzinfo else when.astimezone()


def _row(cells: tuple[str, ...]) -> bytes:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow([_harmless(c) for c in cells])
    return out.getvalue().encode("utf-8", "replace")


def _harmless(text: str) -> str:
    """Return a cell in which a spreadsheet finds no formula, and which stays on one line."""
    text = "".join(c if c.isprintable() else " " for c in text)
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "'") else text


def _plain(text: str) -> str:
    return text.removeprefix("'")


def _refused(where: str, what: str, remedy: str) -> Attention:
    return Attention(where=where, what=what, remedy=remedy)
