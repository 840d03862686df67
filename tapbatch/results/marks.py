"""Read and write the marks of the instruments, which record what was made from what, so that nothing is made twice.

Conventions: a mark is kept as ``results/.readings/standing-HASH.json``. The instrument's name is hashed, because it
may be as long as the file system allows. A mark has the fingerprints of the inputs of tables and report, and the size
and time of each file. The card of an instrument, its part of the page, is kept beside it as ``card-HASH.json``.
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
from tapbatch.compare.bench import SetupEvidence
from tapbatch.model.forecast import ForecastCame
from tapbatch.model.reading import Attention
from tapbatch.results.files import REPORT, facts_of, put_file
from tapbatch.results.readings import FOLDER
from tapbatch.results.sealed import RefusedError, load, read_sealed, seal


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """What was made for an instrument: fingerprints, size and time of each file, and what was reported.

    Attributes
    ----------
    inputs
        The fingerprint of the instrument's own inputs.
    learned
        What other instruments learn from it; ``None`` if that was not worked out.
    tables, report
        The fingerprint of what each was made from; empty if it must be remade.
    card
        Hash, size in bytes and time in nanoseconds of its part of the page.
    files
        Size in bytes and time in nanoseconds of each file, by name.
    lines, notices, attention
        What was reported about it.
    forecasts
        The forecasts of its steps, and what came of them.
    wood
        The rows of the table of its blank, as lines; none if it has none.
    """

    instrument: str
    inputs: str
    learned: Learned | None
    tables: str
    report: str
    card: tuple[str, int, int]
    files: Mapping[str, tuple[int, int]]
    lines: tuple[str, ...]
    notices: tuple[str, ...]
    attention: tuple[Attention, ...]
    forecasts: tuple[ForecastCame, ...] = ()
    wood: tuple[str, ...] = ()

    def holds(self, folder: Path, fingerprint: str, files: Set[str]) -> bool:
        """Return whether ``files`` exist, are unchanged since they were written, and were made from these inputs.

        Parameters
        ----------
        folder
            The folder of the instrument's tables.
        fingerprint
            The fingerprint of the current inputs.
        files
            Names of the files to check.
        """
        if self.tables != fingerprint or (REPORT in files and self.report != fingerprint):
            return False
        if facts_of(card_path(folder.parent, self.instrument)) != self.card[1:]:
            return False
        return files <= set(self.files) and all(facts_of(folder / name) == self.files[name] for name in files)


@dataclass(frozen=True, slots=True)
class Marks:
    """The marks of all instruments, by instrument, and the mark files that were refused."""

    of: Mapping[str, Mark]
    refused: tuple[RefusedError, ...] = ()


def read_marks(results: Path) -> Marks:
    """Return the marks of all instruments; a mark that cannot be opened counts as missing."""
    marks, refused = {}, []
    for path in sorted((results / FOLDER).glob("standing-*.json")):
        try:
            mark = _read_mark(path)
        except RefusedError as error:
            refused.append(error)
        except OSError:
            continue
        else:
            marks[mark.instrument] = mark
    return Marks(marks, tuple(refused))


def is_known(results: Path, instrument: str) -> bool:
    """Return whether anything was made for an instrument with this identity."""
    return _mark_path(results, instrument).is_file()


def _read_mark(path: Path) -> Mark:
    from tapbatch.results.kept import KeptMark

    kept = load(path, KeptMark)
    if path.name != _mark_name(kept.instrument):
        raise RefusedError(path, f"does not fit (it names {kept.instrument})")
    return Mark(
        instrument=kept.instrument,
        inputs=kept.basis,
        learned=None if kept.lent is None else kept.lent.value(),
        tables=kept.tables,
        report=kept.report,
        card=kept.card,
        files=kept.files,
        lines=kept.lines,
        notices=kept.notices,
        attention=tuple(Attention(where=a.where, what=a.what, remedy=a.remedy) for a in kept.attention),
        forecasts=tuple(f.value() for f in kept.forecasts),
        wood=kept.wood,
    )


def write_mark(results: Path, mark: Mark) -> None:
    """Write the mark of an instrument."""
    # The names in the file are those of version 0.1, whose marks are still read.
    told = {
        "instrument": mark.instrument,
        "basis": mark.inputs,
        "lent": None if mark.learned is None else _learned(mark.learned),
        "tables": mark.tables,
        "report": mark.report,
        "card": mark.card,
        "files": dict(mark.files),
        "lines": mark.lines,
        "notices": mark.notices,
        "attention": [asdict(item) for item in mark.attention],
        "forecasts": [asdict(item) for item in mark.forecasts],
        "wood": mark.wood,
    }
    put_file(_mark_path(results, mark.instrument), seal(json.dumps(told, indent=1, ensure_ascii=False)))


def _learned(learned: Learned) -> dict[str, Any]:
    of_setups = [
        [[[c.between, c.taps, c.dof, c.modes] for c in stage] for stage in stages]
        for stages in (learned.setups.freq, learned.setups.t60)
    ]
    return {
        "setups": of_setups,
        "rests": learned.rests,
        "evidence": _evidence(learned.evidence),
        "sittings": [asdict(sitting) for sitting in learned.sittings],
        "then": [
            {"until": t.until, "evidence": _evidence(t.evidence), "sittings": [asdict(s) for s in t.sittings]}
            for t in learned.then
        ],
        "steps": [asdict(steps) for steps in learned.steps],
        "stages": [asdict(stage) for stage in learned.stages],
    }


def _evidence(evidence: SetupEvidence) -> list[Any]:
    return [[[e.own, e.common] for e in each] for each in (evidence.freq, evidence.t60)]


def drop_mark(results: Path, instrument: str) -> None:
    """Delete the mark of an instrument and its part of the page."""
    for path in (card_path(results, instrument), _mark_path(results, instrument)):
        # What cannot be deleted, such as a folder in its place, is left; it is never read as a mark or a card.
        with suppress(OSError):
            path.unlink()


def put_card(results: Path, instrument: str, card: bytes) -> tuple[str, int, int]:
    """Write an instrument's part of the page, and return its hash, size and time for the mark."""
    path = card_path(results, instrument)
    put_file(path, seal(card.decode()))
    size, mtime_ns = facts_of(path) or (0, 0)
    return hashlib.sha256(card).hexdigest()[:16], size, mtime_ns


def read_card(results: Path, instrument: str) -> bytes:
    """Return an instrument's part of the page as it was written.

    Raises
    ------
    OSError
        If it is missing or cannot be opened.
    RefusedError
        If its checksum or content is invalid.
    """
    from tapbatch.results.kept import KeptCard

    path = card_path(results, instrument)
    if load(path, KeptCard).instrument != instrument:
        raise RefusedError(path, "does not fit (it is another instrument's)")
    return read_sealed(path)[0]


def card_path(results: Path, instrument: str) -> Path:
    """Return the path of an instrument's part of the page."""
    return results / FOLDER / f"card-{_digest(instrument)}.json"


def _mark_path(results: Path, instrument: str) -> Path:
    return results / FOLDER / _mark_name(instrument)


def _mark_name(instrument: str) -> str:
    return f"standing-{_digest(instrument)}.json"


def _digest(instrument: str) -> str:
    return hashlib.sha256(instrument.encode("utf-8", "backslashreplace")).hexdigest()[:16]


def files_as_left(folder: Path, names: list[str]) -> dict[str, tuple[int, int]]:
    """Return the size in bytes and time in nanoseconds of those of the named files that exist, by name."""
    found = {name: facts_of(folder / name) for name in names}
    return {name: facts for name, facts in found.items() if facts is not None}
