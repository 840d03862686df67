"""Keep readings, and the ledger that says which recording has which reading.

Conventions: ``results/.readings/KEY.json`` has one reading and is replaced in one step. Its head names the recordings
to which the reading belongs::

    {"checksum": ..., "key": KEY, "recordings": [{"path", "sha256", "size", "mtime_ns"}, ...], "reading": {...}}

so ``ledger.json`` can be restored from the readings if it is lost, and a recording that is gone keeps its reading in
any case. A reading depends only on bytes and settings, not on the path, so one reading may belong to several
recordings. Version 0.1 kept the reading without a head; the next run adds one.

Beside it, ``KEY.taps`` has what a second pass over the stage needs (:mod:`tapbatch.results.tap_codec`), sealed in the
same way: about 6 kB a tap, at most 550 kB a recording and zone. It is written before the reading. If it is damaged or
missing, the recording is not asked, and its notice says so.
"""

from __future__ import annotations

import json
import os
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tapbatch.measure.method import METHOD
from tapbatch.model.errors import TapbatchError
from tapbatch.model.interrupts import interrupts_held
from tapbatch.model.reading import Reading
from tapbatch.results.files import put_file
from tapbatch.results.readings import FOLDER, check_types, reading_from_json
from tapbatch.results.sealed import MOST_BYTES, RefusedError, is_aside, is_sealed, load, read_sealed, seal, set_aside

if TYPE_CHECKING:
    from tapbatch.measure.kept_taps import KeptTaps
    from tapbatch.results.kept import KeptOwners

_KEY = re.compile(r"[0-9a-f]{40}")
_MOST_HELD = 300
_READING = b',"reading":'
_TAPS = ".taps"

GONE = -1
"""The time that the ledger gives a recording that is gone."""


@dataclass(frozen=True, slots=True)
class Entry:
    """The ledger entry of a recording: its hash, the size and time that reveal a change, and its reading's key."""

    sha256: str
    size: int
    mtime_ns: int
    key: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Ledger:
    """The ledger of all recordings.

    Attributes
    ----------
    recordings
        The entries, by path.
    method
        The version of the method of the run that wrote it; empty if unknown.
    refused
        Why the ledger file was refused; ``None`` if it was not.
    rebuilt
        Whether the ledger file was lost or refused and the entries come from the readings.
    """

    recordings: dict[str, Entry] = field(default_factory=dict)
    method: str = ""
    refused: RefusedError | None = None
    rebuilt: bool = False


class ReadingStore:
    """The readings on disk, by key, and the ledger.

    Parameters
    ----------
    results
        The results folder; the readings are in its subfolder ``.readings``.

    Attributes
    ----------
    refused
        The errors of recordings that could not be measured, by key. They last as long as this object and are not
        kept on disk, because the cause may pass.
    """

    def __init__(self, results: Path) -> None:
        self.folder = results / FOLDER
        self.refused: dict[str, TapbatchError] = {}
        self._lately: dict[str, Reading] = {}
        self._bare: set[str] = set()
        self._owners: dict[str, frozenset[str]] = {}
        self._lacking: set[str] = set()

    def __reduce__(self) -> tuple[type[ReadingStore], tuple[Path]]:
        """Pickle the path only, without cached readings."""
        return ReadingStore, (self.folder.parent,)

    # -------------------------------------------------------- readings

    def get(self, key: str) -> Reading | None:
        """Return the reading kept under a key, or ``None`` if it is missing or invalid."""
        if key not in self._lately:
            try:
                reading = self._read(key)
            except (OSError, ValueError):
                return None
            self._remember(key, reading)
        return self._lately[key]

    def _read(self, key: str) -> Reading:
        text, sealed = read_sealed(self._path(key))
        if not sealed:
            reading = reading_from_json(text.decode())
            check_types(reading)
            return reading
        head, found, rest = text.partition(_READING)
        if not found or not head.startswith(f'{{"key":"{key}",'.encode()):
            raise RefusedError(self._path(key), "is another reading")
        return reading_from_json(rest[:-1].decode())

    def taps(self, key: str) -> KeptTaps | None:
        """Return what is kept of the taps of a recording, ``None`` if it is missing or invalid."""
        from tapbatch.results.tap_codec import taps_from_json

        try:
            text, sealed = read_sealed(self._path(key).with_suffix(_TAPS))
            head, found, rest = text.partition(b',"taps":')
            return taps_from_json(rest[:-1]) if sealed and found and head == f'{{"key":"{key}"'.encode() else None
        except (OSError, ValueError):
            return None

    def has(self, key: str) -> bool:
        """Return whether a complete reading is kept under a key, judged from its first and last bytes."""
        try:
            if key in self._lacking or not self._path(key).is_file():
                return False
            with self._path(key).open("rb") as file:
                first = file.read(16)
                file.seek(-1, os.SEEK_END)
                whole = first[:1] + file.read(1) == b"{}" and file.tell() > 2
        except OSError:
            return False
        if whole and not is_sealed(first):
            self._bare.add(key)
        return whole

    def measure_again(self, key: str) -> None:
        """Have a recording measured again because its kept taps are lost; its reading stays until then."""
        self._lacking.add(key)

    def was_kept(self, key: str) -> bool:
        """Return whether anything was ever kept under a key, even if it is damaged or was set aside."""
        return self._path(key).exists() or is_aside(self._path(key))

    def is_damaged(self, key: str) -> bool:
        """Return whether the file kept under a key is invalid."""
        self._lately.pop(key, None)
        return self._path(key).exists() and self.get(key) is None

    def put(self, key: str, text: str, owners: Mapping[str, Entry]) -> None:
        """Keep a reading.

        Parameters
        ----------
        key
            The key of the reading.
        text
            The reading as JSON, from :func:`~tapbatch.results.readings.reading_to_json`; on a second line, if any,
            what is kept of its taps, from :func:`~tapbatch.results.tap_codec.taps_to_json`.
        owners
            The ledger entries of the recordings to which it belongs, by path.
        """
        self._lately.pop(key, None)
        self._bare.discard(key)
        self._lacking.discard(key)
        rows = [
            {"path": path, "sha256": e.sha256, "size": e.size, "mtime_ns": e.mtime_ns}
            for path, e in sorted(owners.items())
        ]
        head = json.dumps({"key": key, "recordings": rows}, ensure_ascii=False, separators=(",", ":"))
        text, _, taps = text.partition("\n")
        if taps:
            put_file(self._path(key).with_suffix(_TAPS), seal(f'{{"key":"{key}","taps":{taps}}}'))
        put_file(self._path(key), seal(f"{head[:-1]}{_READING.decode()}{text}}}"))
        self._owners[key] = frozenset(owners)

    def claim(self, ledger: Mapping[str, Entry], before: Mapping[str, Entry]) -> None:
        """Update the heads of the readings whose recordings changed, or that version 0.1 wrote without a head.

        Parameters
        ----------
        ledger, before
            The ledger entries by path, now and before.
        """
        was = {key: frozenset(owners) for key, owners in _by_key(before).items()}
        for key, owners in _by_key(ledger).items():
            changed = frozenset(owners) not in (was.get(key), self._owners.get(key))
            if changed or key in self._bare:
                self._rewrite(key, owners)

    def _rewrite(self, key: str, owners: Mapping[str, Entry]) -> None:
        try:
            self._read(key)
            text, sealed = read_sealed(self._path(key))
        except (OSError, ValueError):
            # Missing or damaged: reported when the reading is needed.
            return
        head, _, rest = text.partition(_READING)
        if sealed and {row["path"] for row in json.loads(head + b"}")["recordings"]} == set(owners):
            return
        self.put(key, (rest[:-1] if sealed else text).decode(), owners)

    def set_aside(self, key: str) -> str:
        """Set a reading aside and return its new name; empty if there is none."""
        self._lately.pop(key, None)
        return set_aside(self._path(key)) if self._path(key).exists() else ""

    def drop(self, key: str) -> None:
        """Delete a reading, and what is kept of its taps."""
        self._lately.pop(key, None)
        for path in (self._path(key), self._path(key).with_suffix(_TAPS)):
            if not path.is_dir():
                path.unlink(missing_ok=True)

    def sweep(self, ledger: Mapping[str, Entry]) -> None:
        """Delete every reading that no ledger entry refers to."""
        keys = {entry.key for entry in ledger.values()}
        for key in {*self._keys(), *self._keys(_TAPS)}:
            if key not in keys:
                self.drop(key)

    def set_unclaimed_aside(self, ledger: Mapping[str, Entry]) -> dict[str, str]:
        """Set aside readings that may belong to recordings that are gone, after the ledger was lost.

        These are the readings that no ledger entry refers to, that have no valid head, and whose sound matches no
        known recording.

        Returns
        -------
        dict of str to str
            The new names of the files, by key.
        """
        keys = {entry.key for entry in ledger.values()}
        sounds = {entry.sha256 for entry in ledger.values()}
        aside = {}
        for key in self._keys():
            if key not in keys and self._head(key) is None:
                reading = self.get(key)
                if reading is None or reading.sha256 not in sounds:
                    self._lately.pop(key, None)
                    aside[key] = set_aside(self._path(key), "unclaimed")
        return aside

    def _keys(self, suffix: str = ".json") -> list[str]:
        return sorted(path.stem for path in self.folder.glob(f"*{suffix}") if _KEY.fullmatch(path.stem))

    def _remember(self, key: str, reading: Reading) -> None:
        # A watch reads the readings of one instrument repeatedly; of a whole archive only the latest are cached.
        while len(self._lately) >= _MOST_HELD:
            self._lately.pop(next(iter(self._lately)))
        self._lately[key] = reading

    # ---------------------------------------------------------- ledger

    def read_ledger(self) -> Ledger:
        """Return the ledger.

        If the file is missing or invalid, the entries are restored from the readings and from those entries of the
        file that are valid. Entries from an invalid file count as gone, so recordings that exist are hashed again.
        A valid ledger may be an older one, put back by a cloud folder or a backup: readings that it does not know
        tell whose they are, and count where the reading that it names is no longer there.
        """
        from tapbatch.results.kept import KeptLedger

        path = self.folder / "ledger.json"
        try:
            kept = load(path, KeptLedger)
        except FileNotFoundError:
            found = dict(self._restored(self._keys()))
            return Ledger(recordings=found, rebuilt=any(self._keys()))
        except RefusedError as error:
            found = {**dict(self._fitting()), **dict(self._restored(self._keys()))}
            return Ledger(recordings=found, refused=error, rebuilt=True)
        except OSError as error:
            refused = RefusedError(path, f"cannot be opened ({error.strerror or 'no reason given'})")
            return Ledger(recordings=dict(self._restored(self._keys())), refused=refused, rebuilt=True)
        entries = {path: Entry(e.sha256, e.size, e.mtime_ns, e.key) for path, e in kept.recordings.items()}
        known = {entry.key for entry in entries.values()}
        unknown = dict(self._restored(key for key in self._keys() if key not in known))
        there = {path: entry for path, entry in entries.items() if path not in unknown or self.has(entry.key)}
        return Ledger(recordings={**unknown, **there}, method=kept.method)

    def _restored(self, keys: Iterable[str]) -> Iterator[tuple[str, Entry]]:
        """Yield the ledger entries in the heads of readings, oldest reading first, so the latest wins."""
        times: dict[str, int] = {}
        for key in keys:
            # Another run may delete a reading meanwhile, and a link may lead nowhere.
            with suppress(OSError):
                times[key] = self._path(key).stat().st_mtime_ns
        for key in sorted(times, key=lambda key: times[key]):
            head = self._head(key)
            for owner in head.recordings if head is not None else ():
                yield owner.path, Entry(owner.sha256, owner.size, owner.mtime_ns, key)

    def _fitting(self) -> Iterator[tuple[str, Entry]]:
        """Yield the valid entries of a refused ledger, with the time of recordings that are gone."""
        from pydantic import ValidationError

        from tapbatch.results.kept import KeptLedger

        try:
            path = self.folder / "ledger.json"
            readable = path.is_file() and path.stat().st_size <= MOST_BYTES
            data: Any = json.loads(path.read_bytes()) if readable else {}
            rows = list(data["recordings"].items())
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
            return
        for path, row in rows:
            try:
                with interrupts_held():
                    kept = KeptLedger.model_validate({"method": "", "recordings": {path: row}})
            except ValidationError:
                continue
            entry = kept.recordings[path]
            yield path, Entry(entry.sha256, entry.size, GONE, entry.key)

    def _head(self, key: str) -> KeptOwners | None:
        """Return the head of a reading, ``None`` if it has none or is invalid."""
        from tapbatch.results.kept import KeptOwners

        try:
            text, sealed = read_sealed(self._path(key))
            with interrupts_held():
                head = KeptOwners.model_validate_json(text.partition(_READING)[0] + b"}") if sealed else None
        except (OSError, ValueError):
            return None
        return head if head is not None and head.key == key else None

    def write_ledger(self, ledger: Mapping[str, Entry]) -> None:
        """Write the ledger; ``ledger`` has the entries by path."""
        rows = {
            path: {"sha256": e.sha256, "size": e.size, "mtime_ns": e.mtime_ns, "key": e.key}
            for path, e in sorted(ledger.items())
        }
        data = {"method": METHOD, "recordings": rows}
        put_file(self.folder / "ledger.json", seal(json.dumps(data, indent=1, ensure_ascii=False)))

    def _path(self, key: str) -> Path:
        return self.folder / f"{key}.json"


def _by_key(ledger: Mapping[str, Entry]) -> dict[str, dict[str, Entry]]:
    owners: dict[str, dict[str, Entry]] = defaultdict(dict)
    for path, entry in ledger.items():
        owners[entry.key][path] = entry
    return owners
