"""What is known of one recording, and where it is kept.

A reading is a pure function of a recording's bytes, the settings that matter (band, mains, kind) and the version of
the method. It is kept under the hash of those, in ``results/.readings/``, one JSON file each, written beside and put
in place in one step. A ledger beside them says which recording had which reading, so that one that disappears keeps
its reading. Tables are always derived from readings and never read back.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
import re
from collections.abc import Container
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

from tapbatch.measure.method import METHOD
from tapbatch.model.errors import TapbatchError
from tapbatch.model.notice import Notice
from tapbatch.model.reading import (
    BandSettings,
    Coupling,
    Decay,
    DecayTrace,
    Mode,
    Reading,
    Spectrum,
    StringTone,
    Tap,
    TapReading,
)
from tapbatch.results.files import put_file
from tapbatch.results.kept_notices import notice_from_plain, notice_to_plain

FOLDER = ".readings"

_KEY = re.compile(r"[0-9a-f]{40}")
_MOST_HELD = 300


def reading_key(sha256: str, settings: BandSettings) -> str:
    """Return the name under which a reading is kept.

    Examples
    --------
    >>> a = reading_key("00" * 32, BandSettings())
    >>> a == reading_key("00" * 32, BandSettings()), a == reading_key("00" * 32, BandSettings(mains_hz=60.0))
    (True, False)
    """
    text = json.dumps([sha256, METHOD, asdict(settings)], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:40]


def reading_to_json(reading: Reading) -> str:
    """Return a reading as JSON; :func:`reading_from_json` gives back an equal one."""
    # Field by field and not through ``asdict``, whose deep copies take longer than the writing.
    return json.dumps(reading, default=_fields, separators=(",", ":"), sort_keys=True)


def _fields(value: Any) -> dict[str, Any]:
    if isinstance(value, Notice):
        return notice_to_plain(value)
    return {field.name: getattr(value, field.name) for field in fields(value)}


def reading_from_json(text: str) -> Reading:
    """Return the reading written by :func:`reading_to_json`.

    Raises
    ------
    ValueError
        Where the text is not a reading.
    """
    try:
        data = json.loads(text, parse_float=_NUMBERS.__getitem__)
        data["taps"] = tuple(_tap_reading(t) for t in data["taps"])
        data["notices"] = tuple(map(notice_from_plain, data["notices"]))
        data["spectrum"] = None if data["spectrum"] is None else Spectrum(**_tupled(data["spectrum"]))
        data["trace"] = None if data["trace"] is None else DecayTrace(**_tupled(data["trace"]))
        return Reading(**data)
    except (KeyError, TypeError, AttributeError) as error:
        msg = f"not a reading: {error}"
        raise ValueError(msg) from error


def _tap_reading(data: dict[str, Any]) -> TapReading:
    return TapReading(
        tap=Tap(**data["tap"]),
        modes=tuple(Mode(**_tupled(m)) for m in data["modes"]),
        decays=tuple(Decay(**_tupled(d)) for d in data["decays"]),
        couplings=tuple(Coupling(**c) for c in data.get("couplings", ())),
        # What a version of the method did not measure yet is not known; its readings are kept all the same.
        tone=None if data.get("tone") is None else StringTone(**data["tone"]),
    )


def _tupled(data: dict[str, Any]) -> dict[str, Any]:
    return {key: tuple(value) if isinstance(value, list) else value for key, value in data.items()}


class _Numbers(dict[str, float]):
    """Numbers by their text, those of few digits one object each.

    The lines of charts are most of a reading, rounded to what the eye can see: some thousands of numbers make up
    those of a thousand recordings, which so take a third of the memory.
    """

    def __missing__(self, text: str) -> float:
        number = float(text)
        if len(text) <= _FEW_DIGITS:
            self[text] = number
        return number


_FEW_DIGITS = 7
_NUMBERS = _Numbers()


@dataclass(frozen=True, slots=True)
class Entry:
    """What the ledger knows of a recording: its bytes, and the size and time by which a change is noticed."""

    sha256: str
    size: int
    mtime_ns: int
    key: str


class ReadingStore:
    """Readings on disk, by key, and the ledger of which recording had which.

    Parameters
    ----------
    results
        The results folder; the readings lie in ``.readings`` below it.

    Attributes
    ----------
    refused
        What could not be measured, by key, for as long as this object lives: not kept, since a disk may recover.
    """

    def __init__(self, results: Path) -> None:
        self.folder = results / FOLDER
        self.refused: dict[str, TapbatchError] = {}
        self._lately: dict[str, Reading] = {}

    def __reduce__(self) -> tuple[type[ReadingStore], tuple[Path]]:
        """Cross to another process without what was read lately."""
        return ReadingStore, (self.folder.parent,)

    def get(self, key: str) -> Reading | None:
        """Return the reading kept under a key, or ``None``; one that cannot be read counts as not there."""
        if key not in self._lately:
            try:
                reading = reading_from_json(self._path(key).read_text(encoding="utf-8"))
            except (OSError, ValueError):
                return None
            self._remember(key, reading)
        return self._lately[key]

    def has(self, key: str) -> bool:
        """Tell whether a reading is kept under a key, from its first and last byte: a cut one is none."""
        try:
            with self._path(key).open("rb") as file:
                first = file.read(1)
                file.seek(-1, os.SEEK_END)
                return (first, file.read(1)) == (b"{", b"}") and file.tell() > 2
        except OSError:
            return False

    def put(self, key: str, text: str) -> None:
        """Keep a reading, as :func:`reading_to_json` gives it."""
        self._lately.pop(key, None)
        put_file(self._path(key), text.encode())

    def drop(self, key: str) -> None:
        """Let go of a reading."""
        self._lately.pop(key, None)
        self._path(key).unlink(missing_ok=True)

    def drop_all_but(self, keys: Container[str]) -> None:
        """Let go of every reading that is not among ``keys``."""
        for path in self.folder.glob("*.json"):
            if _KEY.fullmatch(path.stem) and path.stem not in keys:
                self.drop(path.stem)

    def _remember(self, key: str, reading: Reading) -> None:
        # A watch reads those of one instrument again and again; of a whole archive only the latest are held.
        while len(self._lately) >= _MOST_HELD:
            self._lately.pop(next(iter(self._lately)))
        self._lately[key] = reading

    def read_ledger(self) -> dict[str, Entry]:
        """Return the ledger, by recording path; empty where there is none yet."""
        try:
            return {path: Entry(**entry) for path, entry in self._ledger()["recordings"].items()}
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return {}

    def read_method(self) -> str:
        """Return the version of the method that the ledger was written by; empty where there is no ledger yet."""
        try:
            return str(self._ledger()["method"])
        except (OSError, ValueError, KeyError, TypeError):
            return ""

    def _ledger(self) -> Any:
        return json.loads((self.folder / "ledger.json").read_text(encoding="utf-8"))

    def write_ledger(self, ledger: dict[str, Entry]) -> None:
        """Write the ledger."""
        rows: dict[str, dict[str, object]] = {
            path: {"sha256": e.sha256, "size": e.size, "mtime_ns": e.mtime_ns, "key": e.key}
            for path, e in sorted(ledger.items())
        }
        data = {"method": METHOD, "recordings": rows}
        put_file(self.folder / "ledger.json", json.dumps(data, indent=1, ensure_ascii=False).encode())

    def _path(self, key: str) -> Path:
        return self.folder / f"{key}.json"


def same(a: Reading, b: Reading) -> bool:
    """Tell whether two readings are equal, NaN being equal to NaN."""
    return bool(_comparable(asdict(a)) == _comparable(asdict(b)))


def _comparable(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _comparable(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_comparable(v) for v in value]
    return "nan" if isinstance(value, float) and math.isnan(value) else value
