"""Recordings that a phone is sending: kept in ``results/.uploads/`` until they are whole.

Conventions: an upload is two files named by its id, one with what is known of it (``ID.json``) and one with the bytes
that have arrived, in order and without gaps. So how far it is follows from the size of that file, and it goes on
there after a break, a restart of the watch or a kill. Sizes are in bytes. Nothing here is followed if it is a link.
Unfinished uploads are deleted after ``KEPT``, and earlier if there are ``MOST`` of them and one has been idle for
``IDLE``. One that is being received, or is whole and waits to be taken, is never deleted for its age: the clock may
jump, and the computer may have been off for days. What the clock puts into the future is old.
"""

from __future__ import annotations

import json
import math
import os
import re
import secrets
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path, PurePosixPath
from threading import RLock
from typing import Any, BinaryIO

from tapbatch.model.bench_log import OnBench
from tapbatch.model.errors import ShopError, reason_of
from tapbatch.model.names import is_sound_name

FOLDER = ".uploads"
KEPT = timedelta(days=1)
"""How long an unfinished upload is kept."""

IDLE = timedelta(minutes=10)
"""How long an upload must have received nothing before it makes room for another."""

MOST = 8
"""How many uploads may be unfinished at a time."""

_ID = re.compile(r"[0-9a-f]{24}")
_DAY = "day.json"
_MOST_JSON_BYTES = 65_536
_NO_LINK = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)


class UnknownUploadError(ShopError):
    """There is no upload of this id, or none any more."""


class OffsetError(ShopError):
    """Bytes come for a place at which the upload is not; ``offset`` is where it is."""

    def __init__(self, offset: int) -> None:
        self.offset = offset
        super().__init__("upload", f"it goes on at byte {offset}", "send the rest from there")


class CrowdedError(ShopError):
    """Too many uploads are unfinished."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Upload:
    """What is known of a recording that is being sent.

    ``name`` is the phone's name for it, cleaned; ``bench`` is where it belongs; ``recorded_at`` is when the phone
    says that it was made, if it says so.
    """

    id: str
    name: str
    size: int
    bench: OnBench
    begun: datetime
    recorded_at: datetime | None = None


@dataclass(slots=True)
class Uploads:
    """The uploads of a shop.

    Parameters
    ----------
    results
        Returns the results folder.
    clock
        Returns the time, aware.
    """

    results: Callable[[], Path]
    clock: Callable[[], datetime]
    _lock: Any = field(default_factory=RLock)
    _turns: dict[str, int] = field(default_factory=dict)
    _receiving: Counter[str] = field(default_factory=Counter)
    _sent: tuple[str, int] | None = None

    @property
    def folder(self) -> Path:
        """The folder in which they lie."""
        return self.results() / FOLDER

    # ------------------------------------------------------------ one upload

    def begin(self, name: str, size: int, bench: OnBench, recorded_at: datetime | None = None) -> Upload:
        """Begin an upload.

        Raises
        ------
        CrowdedError
            If too many are unfinished.
        ShopError
            If the folder cannot be written.
        """
        with self._lock:
            self.sweep()
            self._make_place()
            upload = Upload(
                id=secrets.token_hex(12),
                name=name,
                size=size,
                bench=bench,
                begun=self.clock(),
                recorded_at=recorded_at,
            )
            try:
                os.close(os.open(self.data(upload), os.O_WRONLY | os.O_CREAT | os.O_EXCL | _NO_LINK, 0o666))
                self._put(f"{upload.id}.json", _told(upload))
            except OSError as error:
                self.drop(upload)
                raise _refused(self.folder, error) from error
            return upload

    def find(self, number: str) -> Upload:
        """Return the upload of an id.

        Raises
        ------
        UnknownUploadError
            If there is none.
        """
        found = self._read(number) if _ID.fullmatch(number) else None
        if found is None:
            raise UnknownUploadError("upload", "is not there any more", "send the recording again")
        return found

    def data(self, upload: Upload) -> Path:
        """Return the file with the bytes that have arrived."""
        return self.folder / f"{upload.id}{PurePosixPath(upload.name).suffix}"

    def offset(self, upload: Upload) -> int:
        """Return how many bytes have arrived."""
        try:
            return self.data(upload).lstat().st_size
        except OSError as error:
            raise UnknownUploadError("upload", "is not there any more", "send the recording again") from error

    @contextmanager
    def receiving(self, upload: Upload, start: int) -> Iterator[Callable[[bytes], None]]:
        """Yield a function that adds bytes to an upload; an earlier one for the same upload ends then.

        Raises
        ------
        OffsetError
            If the upload is not at ``start``.
        OSError
            From the function, if the bytes cannot be written.
        """
        with self._lock:
            offset = self.offset(upload)
            if offset != start:
                raise OffsetError(offset)
            turn = self._turns[upload.id] = self._turns.get(upload.id, 0) + 1
            self._receiving[upload.id] += 1

        def add(piece: bytes) -> None:
            left = memoryview(piece)
            with self._lock:
                if self._turns.get(upload.id) != turn:
                    raise OffsetError(self.offset(upload))
                # A disk that is nearly full may take a part.
                while left:
                    written = file.write(left)
                    self._sent = (self._today(), self.sent_today_bytes() + written)
                    left = left[written:]

        try:
            handle = os.open(self.data(upload), os.O_WRONLY | os.O_APPEND | _NO_LINK)
            file: BinaryIO = os.fdopen(handle, "ab", buffering=0)
            with file:
                yield add
                os.fsync(file.fileno())
        finally:
            with self._lock:
                self._receiving -= Counter([upload.id])
                self._keep_day()

    def drop(self, upload: Upload) -> None:
        """Delete an upload; nothing of it is left."""
        with self._lock:
            self._turns.pop(upload.id, None)
            # What is known of it goes last, so that a kill in between leaves nothing that nobody knows.
            for path in (self.data(upload), self.folder / f"{upload.id}.json"):
                with suppress(OSError):
                    path.unlink()

    # ----------------------------------------------------------- all uploads

    def unfinished(self) -> list[Upload]:
        """Return all uploads that were begun and not dropped, the oldest first."""
        found = [upload for number in self._ids() if (upload := self._read(number)) is not None]
        return sorted(found, key=lambda upload: (upload.begun, upload.id))

    def sweep(self) -> None:
        """Delete what is older than ``KEPT``, and files that belong to no upload."""
        with self._lock:
            known = {_DAY}
            for upload in self.unfinished():
                # The bytes go first: a kill may have left what is known of an upload without them.
                old = abs(self.clock() - upload.begun) > KEPT
                if not self.data(upload).is_file() or (old and self._may_go(upload)):
                    self.drop(upload)
                else:
                    known |= {f"{upload.id}.json", self.data(upload).name}
            with suppress(OSError), os.scandir(self._own_folder()) as entries:
                for entry in entries:
                    if entry.name not in known and _ID.match(entry.name) and not entry.is_dir(follow_symlinks=False):
                        Path(entry.path).unlink()

    def promised_bytes(self) -> int:
        """Return how many bytes of the unfinished uploads are still to come."""
        return sum(max(upload.size - offset, 0) for upload, offset in self._offsets())

    def arrived_bytes(self) -> int:
        """Return how many bytes of the unfinished uploads have arrived."""
        return sum(offset for _, offset in self._offsets())

    def _offsets(self) -> Iterator[tuple[Upload, int]]:
        for upload in self.unfinished():
            # Another request may have finished or dropped it meanwhile.
            with suppress(UnknownUploadError):
                yield upload, self.offset(upload)

    def sent_today_bytes(self) -> int:
        """Return how many bytes have arrived today, by local time."""
        with self._lock:
            today = self._today()
            if self._sent is None:
                self._sent = self._read_day()
            return self._sent[1] if self._sent[0] == today else 0

    def _keep_day(self) -> None:
        day = (self._today(), self.sent_today_bytes())
        # If it cannot be written, the day's limit still holds until the watch ends.
        with suppress(OSError):
            self._put(_DAY, {"day": day[0], "bytes": day[1]})

    def _today(self) -> str:
        return self.clock().astimezone().date().isoformat()

    def _read_day(self) -> tuple[str, int]:
        found = self._json(_DAY)
        day, count = found.get("day"), found.get("bytes")
        return (day, count) if isinstance(day, str) and isinstance(count, int) and count >= 0 else ("", 0)

    def _make_place(self) -> None:
        there = self.unfinished()
        if len(there) < MOST:
            return
        quiet = max(filter(self._may_go, there), key=self._idle_s, default=None)
        if quiet is None or self._idle_s(quiet) < IDLE.total_seconds():
            raise CrowdedError("upload", f"{MOST} recordings are being sent already", "try again in a minute")
        self.drop(quiet)

    def _may_go(self, upload: Upload) -> bool:
        """Tell whether an upload is neither whole nor being received."""
        with suppress(UnknownUploadError):
            return not self._receiving[upload.id] and self.offset(upload) < upload.size
        return True

    def _idle_s(self, upload: Upload) -> float:
        """Return for how long nothing was received; a time in the future counts as one in the past."""
        try:
            return abs(self.clock().timestamp() - self.data(upload).lstat().st_mtime)
        except OSError:
            return math.inf

    # ----------------------------------------------------------------- files

    def _own_folder(self) -> Path:
        """Return the folder, made if it is missing; a link in its place is refused."""
        folder = self.folder
        folder.mkdir(parents=True, exist_ok=True)
        if folder.is_symlink():
            raise OSError(None, "it is a link", str(folder))
        return folder

    def _ids(self) -> list[str]:
        with suppress(OSError), os.scandir(self._own_folder()) as entries:
            return [entry.name[:24] for entry in entries if entry.name.endswith(".json") and _ID.match(entry.name)]
        return []

    def _put(self, name: str, value: dict[str, Any]) -> None:
        folder = self._own_folder()
        fresh = folder / f"{secrets.token_hex(12)}.new"
        with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _NO_LINK, 0o666), "wb") as file:
            file.write(json.dumps(value).encode())
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(folder / name)

    def _json(self, name: str) -> dict[str, Any]:
        try:
            with os.fdopen(os.open(self._own_folder() / name, os.O_RDONLY | _NO_LINK), "rb") as file:
                found = json.loads(file.read(_MOST_JSON_BYTES))
        except (OSError, ValueError, RecursionError):
            return {}
        return found if isinstance(found, dict) else {}

    def _read(self, number: str) -> Upload | None:
        found = self._json(f"{number}.json")
        try:
            bench = found["bench"]
            recorded_at = found["recorded_at"]
            upload = Upload(
                id=number,
                name=str(found["name"]),
                size=int(found["size"]),
                bench=OnBench(
                    instrument=str(bench["instrument"]),
                    stage=str(bench["stage"]),
                    words=tuple(map(str, bench["words"])),
                    step=int(bench["step"]),
                    on=tuple(map(str, bench["on"])),
                ),
                begun=datetime.fromisoformat(found["begun"]).astimezone(UTC),
                recorded_at=datetime.fromisoformat(recorded_at) if recorded_at else None,
            )
        except (KeyError, TypeError, ValueError, AttributeError):
            return None
        return upload if is_sound_name(upload.name) and "/" not in upload.name else None


def _told(upload: Upload) -> dict[str, Any]:
    times = {"begun": upload.begun.isoformat(), "recorded_at": ""}
    if upload.recorded_at is not None:
        times["recorded_at"] = upload.recorded_at.isoformat()
    return {**asdict(upload), **times}


def _refused(folder: Path, error: OSError) -> ShopError:
    return ShopError(str(folder), reason_of(error), "make room or let the folder be written, then send it again")
