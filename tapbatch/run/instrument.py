"""Where an instrument stands: all that follows from its readings, and the mark that says it was made.

Conventions: what is made of an instrument is a pure function of its readings, its settings and its bench notes, and
of the version of the tool. Their fingerprint is kept in a mark, ``results/.readings/standing-HASH.json`` (a hash, for
names may be as long as a file system allows), with size and time of each file made and what was said of it. Where the
fingerprint holds and the files are as they were left, nothing is made anew. The report has a fingerprint of its own,
since a watch draws it later than the tables.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

from tapbatch.compare.across import Common, Learned, lent_by
from tapbatch.compare.history import compare_stages, gather_history
from tapbatch.compare.targets import with_landings
from tapbatch.measure.method import METHOD
from tapbatch.model.errors import UNFORESEEN, TapbatchError
from tapbatch.model.history import History, Note
from tapbatch.model.notice import Notice
from tapbatch.model.reading import Attention, Reading, Recording
from tapbatch.model.settings import InstrumentSettings
from tapbatch.results.files import REPORT, facts_of
from tapbatch.results.readings import ReadingStore
from tapbatch.shop.notes import NoteKey
from tapbatch.show.say.notices import notice_text
from tapbatch.show.tables.columns import table_bytes
from tapbatch.show.tables.rows import history_to_tables
from tapbatch.show.tables.workbook import workbook_bytes, workbook_name, workbook_notices

Item = tuple[Recording, str, bool]
"""A recording, the key of its reading, and whether it is missing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Inputs:
    """All on which an instrument's tables and report rest."""

    instrument: str
    items: tuple[Item, ...]
    settings: InstrumentSettings
    notes: Mapping[NoteKey, Note]

    @property
    def fingerprint(self) -> str:
        """Hash of the basis and of the version of the tool."""
        notes = sorted(self.notes.items())
        told = (METHOD, _version(), self.instrument, self.items, self.settings.model_dump_json(), notes)
        return hashlib.sha256(repr(told).encode("utf-8", "backslashreplace")).hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """A standing to be worked out from a store of readings; the history is given back if asked for.

    ``common`` is what the other instruments tell.
    """

    basis: Inputs
    store: ReadingStore
    report: bool = False
    workbook: bool = False
    history: bool = False
    common: Common = field(default_factory=Common)


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What is made of an instrument: its files as bytes, and what is to be said.

    ``card`` is its part of the page; ``lines`` say where it stands, for the terminal. ``damaged`` are keys of
    readings that could not be read back and whose sound is there to be measured anew.
    """

    instrument: str
    files: Mapping[str, bytes] = field(default_factory=dict)
    card: bytes = b""
    lines: tuple[str, ...] = ()
    notices: tuple[str, ...] = ()
    attention: tuple[Attention, ...] = ()
    damaged: tuple[str, ...] = ()
    history: History | None = None
    failed: bool = False


def work_out(wanted: Task) -> Standing:
    """Work out where an instrument stands; a fault in it is told as attention, and the other instruments go on."""
    try:
        return _worked_out(wanted)
    except TapbatchError as error:
        what, remedy = error.what, error.remedy
    except UNFORESEEN as error:
        what = f"its tables cannot be made ({type(error).__name__}: {error})"
        remedy = "keep its recordings and report it; the other instruments go on"
    return not_worked_out(wanted.basis.instrument, what, remedy)


def lend(wanted: Task) -> Learned:
    """Return what an instrument tells the others; nothing where its stages cannot be gathered.

    What is wrong with it is told when its own standing is worked out.
    """
    basis = wanted.basis
    try:
        items, _, _ = _read_back(basis, wanted.store)
        return lent_by(gather_history(basis.instrument, items, basis.settings, basis.notes)[0])
    except (TapbatchError, *UNFORESEEN):
        return Learned()


def not_worked_out(instrument: str, what: str, remedy: str) -> Standing:
    """Return what is left to say where an instrument's tables could not be made: they stay as they are."""
    told = Attention(where=instrument, what=" ".join(what.split()), remedy=remedy)
    return Standing(instrument=instrument, attention=(told,), failed=True)


def _worked_out(wanted: Task) -> Standing:
    from tapbatch.show.browser.article import card_of
    from tapbatch.show.terminal.readings import history_lines

    basis = wanted.basis
    items, damaged, lost = _read_back(basis, wanted.store)
    gathered, attention = gather_history(basis.instrument, items, basis.settings, basis.notes)
    compared = compare_stages(gathered, basis.settings, wanted.common.scatter)
    history, unresolved = with_landings(compared, basis.settings, wanted.common.rests)
    tables = history_to_tables(history)
    files = {f"{name}.csv": table_bytes(name, rows) for name, rows in tables.items()}
    if wanted.workbook:
        files[workbook_name(basis.instrument)] = workbook_bytes(tables)
    if wanted.report:
        from tapbatch.show.pdf import report

        files[REPORT] = report.report_bytes(history, basis.settings)
    return Standing(
        instrument=basis.instrument,
        files=files,
        card=card_of(history, basis.settings).to_bytes(),
        lines=tuple(history_lines(history)),
        notices=tuple(
            f"{basis.instrument}: {notice_text(notice)}"
            for notice in (*history.notices, *(workbook_notices(tables) if wanted.workbook else ()))
        ),
        attention=(*attention, *unresolved, *_cut(items), *lost),
        damaged=damaged,
        history=history if wanted.history else None,
    )


def _read_back(
    basis: Inputs, store: ReadingStore
) -> tuple[list[tuple[Recording, Reading, bool]], tuple[str, ...], list[Attention]]:
    """Return what could be read back, and what not: to be measured anew, or where the sound is gone to be told."""
    items: list[tuple[Recording, Reading, bool]] = []
    damaged: list[str] = []
    told: list[Attention] = []
    for recording, key, missing in basis.items:
        reading = store.get(key)
        if reading is not None:
            items.append((recording, _with_method(reading), missing))
            continue
        what, remedy = "its kept reading cannot be read", "run again to measure it anew"
        if missing:
            remedy = "bring the recording back, or let go of it with tapbatch forget"
        else:
            damaged.append(key)
        told.append(Attention(where=recording.path, what=what, remedy=remedy))
    return items, tuple(damaged), told


def _with_method(reading: Reading) -> Reading:
    if reading.method == METHOD:
        return reading
    return replace(reading, notices=(*reading.notices, Notice("older method", method=reading.method)))


def _cut(items: list[tuple[Recording, Reading, bool]]) -> list[Attention]:
    """Return what needs attention of recordings that lack a part: they are measured as far as they go."""
    return [
        Attention(where=recording.path, what=notice_text(notice), remedy="copy it again from the recorder")
        for recording, reading, missing in items
        for notice in reading.notices
        if notice.kind == "cut" and not missing
    ]


@cache
def _version() -> str:
    """Return the version of the tool, with a stamp of its files: from a checkout both may differ by a line only."""
    from tapbatch import __version__

    stamp = hashlib.sha256(__version__.encode())
    house = Path(__file__).parent.parent
    for path in sorted(house.rglob("*.py")):
        stamp.update(f"{path.relative_to(house).as_posix()} {facts_of(path)}".encode())
    return f"{__version__}-{stamp.hexdigest()[:16]}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """A report that is due: of which instrument, for which basis, and all it takes to draw it."""

    instrument: str
    fingerprint: str
    wanted: Task


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """A report that was drawn, with the tables that belong to it; ``standing`` may have failed."""

    instrument: str
    fingerprint: str
    standing: Standing
