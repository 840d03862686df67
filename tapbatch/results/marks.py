"""The marks of the instruments: what was made of each, when, and of what, so that nothing is made twice.

Conventions: a mark is kept as ``results/.readings/standing-HASH.json``; the name is hashed, for names may be as long
as a file system allows. It holds the fingerprints of what tables and report were made of, and size and time of each
file.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Set
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from tapbatch.compare.across import Learned
from tapbatch.model.reading import Attention
from tapbatch.results.files import REPORT, facts_of, put_file
from tapbatch.results.readings import FOLDER


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """What was made of an instrument when: fingerprints, size and time of each file, and what was said of it.

    ``card`` is the hash, size and time of its part of the page.
    ``basis`` is the fingerprint of the instrument's own basis, ``lent`` what it tells the others, if it was asked.
    """

    instrument: str
    basis: str
    lent: Learned | None
    tables: str
    report: str
    card: tuple[str, int, int]
    files: Mapping[str, tuple[int, int]]
    lines: tuple[str, ...]
    notices: tuple[str, ...]
    attention: tuple[Attention, ...]

    def holds(self, folder: Path, fingerprint: str, files: Set[str]) -> bool:
        """Tell whether ``files`` are there as they were left, and rest on what this fingerprint stands for."""
        if self.tables != fingerprint or (REPORT in files and self.report != fingerprint):
            return False
        if facts_of(card_path(folder.parent, self.instrument)) != self.card[1:]:
            return False
        return files <= set(self.files) and all(facts_of(folder / name) == self.files[name] for name in files)


def read_marks(results: Path) -> dict[str, Mark]:
    """Return the marks of all instruments, by instrument; those that cannot be read are as not there."""
    marks = {}
    for path in sorted((results / FOLDER).glob("standing-*.json")):
        with suppress(OSError, ValueError, KeyError, TypeError, AttributeError):
            mark = _mark(json.loads(path.read_text(encoding="utf-8")))
            marks[mark.instrument] = mark
    return marks


def is_known(results: Path, instrument: str) -> bool:
    """Tell whether anything was made of an instrument of this identity."""
    return _mark_path(results, instrument).is_file()


def _mark(data: dict[str, Any]) -> Mark:
    return Mark(
        instrument=data["instrument"],
        basis=data["basis"],
        lent=None if data["lent"] is None else Learned.from_json(data["lent"]),
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


def files_as_left(folder: Path, names: list[str]) -> dict[str, tuple[int, int]]:
    """Return size and time of those files of a folder that are there."""
    found = {name: facts_of(folder / name) for name in names}
    return {name: facts for name, facts in found.items() if facts is not None}
