"""Where an instrument stands: all that follows from its readings, and the mark that says it was made.

Conventions: what is made of an instrument is a pure function of its readings, its settings and its bench notes, and
of the version of the tool. Their fingerprint is kept in a mark, ``results/.readings/standing-HASH.json`` (a hash, for
names may be as long as a file system allows), with size and time of each file made and what was said of it. Where the
fingerprint holds and the files are as they were left, nothing is made anew. The report has a fingerprint of its own,
since a watch draws it later than the tables.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any

from tapbatch.bench_notes import NoteKey
from tapbatch.compare.history import compare_stages, gather_history
from tapbatch.compare.targets import with_landings
from tapbatch.errors import UNFORESEEN, TapbatchError
from tapbatch.findings import History, Note
from tapbatch.lending import Common, Lent, lent_by
from tapbatch.readings import FOLDER, METHOD, ReadingStore
from tapbatch.settings import InstrumentSettings
from tapbatch.show.outputs import put_file
from tapbatch.show.rows import history_to_tables
from tapbatch.show.tables import SCHEMA, table_bytes
from tapbatch.show.workbook import workbook_bytes, workbook_name, workbook_notices
from tapbatch.values import Attention, Reading, Recording

Item = tuple[Recording, str, bool]
"""A recording, the key of its reading, and whether it is missing."""

REPORT = "report.pdf"


@dataclass(frozen=True, slots=True, kw_only=True)
class Basis:
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
class Wanted:
    """A standing to be worked out from a store of readings; the history is given back if asked for.

    ``common`` is what the other instruments tell.
    """

    basis: Basis
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


def work_out(wanted: Wanted) -> Standing:
    """Work out where an instrument stands; a fault in it is told as attention, and the other instruments go on."""
    try:
        return _worked_out(wanted)
    except TapbatchError as error:
        what, remedy = error.what, error.remedy
    except UNFORESEEN as error:
        what = f"its tables cannot be made ({type(error).__name__}: {error})"
        remedy = "keep its recordings and report it; the other instruments go on"
    return not_worked_out(wanted.basis.instrument, what, remedy)


def lend(wanted: Wanted) -> Lent:
    """Return what an instrument tells the others; nothing where its stages cannot be gathered.

    What is wrong with it is told when its own standing is worked out.
    """
    basis = wanted.basis
    try:
        items, _, _ = _read_back(basis, wanted.store)
        return lent_by(gather_history(basis.instrument, items, basis.settings, basis.notes)[0])
    except (TapbatchError, *UNFORESEEN):
        return Lent()


def not_worked_out(instrument: str, what: str, remedy: str) -> Standing:
    """Return what is left to say where an instrument's tables could not be made: they stay as they are."""
    told = Attention(where=instrument, what=" ".join(what.split()), remedy=remedy)
    return Standing(instrument=instrument, attention=(told,), failed=True)


def _worked_out(wanted: Wanted) -> Standing:
    from tapbatch.show.browser.article import card_of
    from tapbatch.show.terminal import history_lines

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
        from tapbatch.show import report

        files[REPORT] = report.report_bytes(history, basis.settings)
    return Standing(
        instrument=basis.instrument,
        files=files,
        card=card_of(history, basis.settings).to_bytes(),
        lines=tuple(history_lines(history)),
        notices=tuple(
            f"{basis.instrument}: {notice}"
            for notice in (*history.notices, *(workbook_notices(tables) if wanted.workbook else ()))
        ),
        attention=(*attention, *unresolved, *_cut(items), *lost),
        damaged=damaged,
        history=history if wanted.history else None,
    )


def _read_back(
    basis: Basis, store: ReadingStore
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
    return replace(reading, notices=(*reading.notices, f"older method: version {reading.method}"))


def _cut(items: list[tuple[Recording, Reading, bool]]) -> list[Attention]:
    """Return what needs attention of recordings that lack a part: they are measured as far as they go."""
    return [
        Attention(where=recording.path, what=notice, remedy="copy it again from the recorder")
        for recording, reading, missing in items
        for notice in reading.notices
        if notice.startswith("the file is cut") and not missing
    ]


# ------------------------------------------------------------------ marks


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """What was made of an instrument when: fingerprints, size and time of each file, and what was said of it.

    ``card`` is the hash, size and time of its part of the page.
    ``basis`` is the fingerprint of the instrument's own basis, ``lent`` what it tells the others, if it was asked.
    """

    instrument: str
    basis: str
    lent: Lent | None
    tables: str
    report: str
    card: tuple[str, int, int]
    files: Mapping[str, tuple[int, int]]
    lines: tuple[str, ...]
    notices: tuple[str, ...]
    attention: tuple[Attention, ...]

    def holds(self, folder: Path, fingerprint: str, besides: set[str]) -> bool:
        """Tell whether the tables and other files ``besides`` are there as they were left, and rest on this basis."""
        if self.tables != fingerprint or (REPORT in besides and self.report != fingerprint):
            return False
        if facts_of(card_path(folder.parent, self.instrument)) != self.card[1:]:
            return False
        wanted = {f"{name}.csv" for name in SCHEMA if name != "attention"} | besides
        return wanted <= set(self.files) and all(facts_of(folder / name) == self.files[name] for name in wanted)


def facts_of(path: Path) -> tuple[int, int] | None:
    """Return size and time of a file, ``None`` where it is not there."""
    with suppress(OSError):
        facts = path.stat()
        return facts.st_size, facts.st_mtime_ns
    return None


def read_marks(results: Path) -> dict[str, Mark]:
    """Return the marks of all instruments, by instrument; those that cannot be read are as not there."""
    marks = {}
    for path in sorted((results / FOLDER).glob("standing-*.json")):
        with suppress(OSError, ValueError, KeyError, TypeError, AttributeError):
            mark = _mark(json.loads(path.read_text(encoding="utf-8")))
            marks[mark.instrument] = mark
    return marks


def _mark(data: dict[str, Any]) -> Mark:
    return Mark(
        instrument=data["instrument"],
        basis=data["basis"],
        lent=None if data["lent"] is None else Lent.from_json(data["lent"]),
        tables=data["tables"],
        report=data["report"],
        card=_card(*data["card"]),
        files={name: (int(size), int(mtime_ns)) for name, (size, mtime_ns) in data["files"].items()},
        lines=tuple(data["lines"]),
        notices=tuple(data["notices"]),
        attention=tuple(Attention(**item) for item in data["attention"]),
    )


def _card(digest: str, size: int, mtime_ns: int) -> tuple[str, int, int]:
    return str(digest), int(size), int(mtime_ns)


def write_mark(results: Path, mark: Mark) -> None:
    """Keep the mark of an instrument."""
    # Names that are not text come through JSON as codes: ASCII carries any.
    lent = None if mark.lent is None else mark.lent.to_json()
    put_file(_mark_path(results, mark.instrument), json.dumps({**asdict(mark), "lent": lent}, indent=1).encode())


def drop_mark(results: Path, instrument: str) -> None:
    """Let go of the mark of an instrument, and of its part of the page."""
    card_path(results, instrument).unlink(missing_ok=True)
    _mark_path(results, instrument).unlink(missing_ok=True)


def put_card(results: Path, instrument: str, card: bytes) -> tuple[str, int, int]:
    """Keep an instrument's part of the page, and return what its mark says of it: hash, size and time."""
    path = card_path(results, instrument)
    put_file(path, card)
    size, mtime_ns = facts_of(path) or (0, 0)
    return hashlib.sha256(card).hexdigest()[:16], size, mtime_ns


def card_path(results: Path, instrument: str) -> Path:
    """Return where an instrument's part of the page is kept."""
    return results / FOLDER / f"card-{_digest(instrument)}.json"


def _mark_path(results: Path, instrument: str) -> Path:
    return results / FOLDER / f"standing-{_digest(instrument)}.json"


def _digest(instrument: str) -> str:
    return hashlib.sha256(instrument.encode("utf-8", "backslashreplace")).hexdigest()[:16]


@cache
def _version() -> str:
    """Return the version of the tool, with a stamp of its files: from a checkout both may differ by a line only."""
    from tapbatch import __version__

    stamp = hashlib.sha256(__version__.encode())
    house = Path(__file__).parent
    for path in sorted(house.rglob("*.py")):
        stamp.update(f"{path.relative_to(house).as_posix()} {facts_of(path)}".encode())
    return f"{__version__}-{stamp.hexdigest()[:16]}"


def files_as_left(folder: Path, names: list[str]) -> dict[str, tuple[int, int]]:
    """Return size and time of those files of a folder that are there."""
    found = {name: facts_of(folder / name) for name in names}
    return {name: facts for name, facts in found.items() if facts is not None}
