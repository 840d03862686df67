"""Copy what has arrived in the inbox to its place, once, and take copies out of their places again.

Conventions: a file in the inbox is never moved, renamed or changed. It is copied below ``recordings/`` under its own
name, in one step, and then written into the log, so a kill between the two leaves a copy that the next look finds and
writes down. A copy is deleted only if the same bytes are in the inbox or in its new place. Whoever calls holds the
lock of the results.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cached_property, lru_cache
from pathlib import Path

from tapbatch.listen.files import hash_file
from tapbatch.listen.header import read_header
from tapbatch.listen.streams import stated_date
from tapbatch.model.bench_log import BenchLog, Event, OnBench
from tapbatch.model.errors import ShopError, SoundError, reason_of
from tapbatch.model.names import date_in_name
from tapbatch.model.notice import Notice
from tapbatch.model.reading import Attention
from tapbatch.run.copies import copy_to_place, delete_copy, holds
from tapbatch.shop.folder import Shop
from tapbatch.shop.listing import Facts, is_folder, list_folder
from tapbatch.shop.now_file import append, read_log
from tapbatch.shop.placing import Found, Waits, Why, place_of

_LATELY = timedelta(days=1)
"""How long before the first word a recording may have been made and still be asked about."""

Clock = Callable[[], datetime]


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """A recording in the inbox that has no place, and why; ``what`` says more about one that cannot be used."""

    original: str
    why: Why | None = None
    what: str = ""
    remedy: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """What a look into the inbox did: the recordings it placed, those that wait, and the log as it is now."""

    placed: tuple[Event, ...] = ()
    waiting: tuple[Waiting, ...] = ()
    log: BenchLog

    @property
    def notices(self) -> list[Notice]:
        """A notice for each recording that was placed."""
        return [Notice("placed", path=e.recording, other_path=e.original) for e in self.placed]


def utc_now() -> datetime:
    """Return the time of this moment."""
    return datetime.now(UTC)


def look_into(shop: Shop, clock: Clock = utc_now, arrived: Iterable[str] | None = None) -> Looked:
    """Place every recording in the inbox that has a place, in the order in which they were recorded.

    Parameters
    ----------
    shop
        The shop, as opened; its log is read again.
    clock
        Returns the time; default that of the system.
    arrived
        The files that have fully arrived, by path below the inbox; default all that keep what their headers promise.

    Raises
    ------
    ShopError
        If the log cannot be read or written.
    """
    log, _ = read_log(shop.root)
    here = _Inbox(shop, log, clock())
    if not is_folder(shop.inbox_dir):
        here.is_missing()
        return Looked(waiting=tuple(here.waiting), log=log)
    here.place(here.found(None if arrived is None else frozenset(arrived)))
    return Looked(placed=tuple(here.placed), waiting=tuple(here.waiting), log=here.log)


def look_at(shop: Shop, log: BenchLog, now: datetime) -> tuple[Waiting, ...]:
    """Return which recordings in the inbox wait, and why; nothing is placed or written.

    Parameters
    ----------
    shop
        The shop, as opened.
    log
        Its log, as it is now.
    now
        The time, aware.
    """
    if not is_folder(shop.inbox_dir):
        return ()
    here = _Inbox(shop, log, now)
    for file in here.found(None):
        here.note_why(file, place_of(file, log, now))
    return tuple(here.waiting)


def take_out(shop: Shop, event: Event, clock: Clock = utc_now) -> None:
    """Take the copy of a recording out of its place; the original stays in the inbox.

    A copy that is gone already is written into the log as taken out.

    Raises
    ------
    ShopError
        If the copy is not what was placed, if the original is no longer in the inbox, or if it cannot be deleted.
    """
    original = shop.inbox_dir / event.original
    if not holds(original, event.sha256):
        what = f"its original {event.original} is not in the inbox as it was, and the copy would be the last"
        raise ShopError(event.recording, what, "move the recording by hand")
    delete_copy(shop, event)
    append(shop.root, replace(event, at=clock(), what="taken out"))


def give(shop: Shop, event: Event, bench: OnBench, clock: Clock = utc_now) -> Event:
    """Give a recording another place: a new copy first, then the old one is deleted.

    Parameters
    ----------
    event
        The recording as it was placed; or, if it has no place yet, an event without ``recording``.
    bench
        What it belongs to.

    Returns
    -------
    Event
        The recording as it is placed now.

    Raises
    ------
    ShopError
        If the recording cannot be copied or the old copy cannot be deleted.
    """
    original, old = shop.inbox_dir / event.original, shop.recordings_dir / event.recording
    source = old if event.recording and holds(old, event.sha256) else original
    try:
        sha256 = event.sha256 or hash_file(source)
        path = copy_to_place(shop, source, sha256, bench)
    except (OSError, SoundError) as error:
        raise ShopError(event.original, reason_of(error), "try again when it can be read") from error
    placed = replace(event, at=clock(), what="placed", bench=bench, recording=path, sha256=sha256)
    append(shop.root, placed)
    # All other places, and not only the last: a kill may have come before the last one was cleared.
    for other in read_log(shop.root)[0].placed.values():
        if other.sha256 == sha256 and other.recording != path:
            delete_copy(shop, other)
            append(shop.root, replace(other, at=clock(), what="taken out"))
    return placed


def waiting_event(shop: Shop, original: str, clock: Clock = utc_now) -> Event:
    """Return a recording of the inbox that has no place, for :func:`give`.

    Raises
    ------
    ShopError
        If there is no such file in the inbox, or if it is a link.
    """
    facts = list_folder(shop.inbox_dir).files.get(original)
    if facts is None:
        raise ShopError(
            original, "is neither in the inbox nor among the last recordings", "name one that `now` lists"
        )
    if (shop.inbox_dir / original).is_symlink():
        raise ShopError(original, "is a link", "put the recording itself into the inbox")
    found = _found(shop.inbox_dir, original, facts)
    return Event(at=clock(), what="seen", original=original, mark=found.mark, recorded_at=found.recorded_at)


class _Inbox:
    """One look into the inbox; ``log``, ``placed`` and ``waiting`` grow as it goes on."""

    def __init__(self, shop: Shop, log: BenchLog, now: datetime) -> None:
        self.shop, self.log, self.now = shop, log, now
        self.placed: list[Event] = []
        self.waiting: list[Waiting] = []

    def is_missing(self) -> None:
        """Note that there is no inbox, if one is expected or something else is in its place."""
        if self.log.on_bench(self.now) is not None or _is_in_the_way(self.shop.inbox_dir):
            self._cannot("", "cannot be reached, or is no folder", "make that folder, or name another in shop.toml")

    def found(self, arrived: frozenset[str] | None) -> list[Found]:
        """Return the files that were not handled yet, in the order of their times, those without a time last."""
        found = []
        listing = list_folder(self.shop.inbox_dir)
        for error in listing.unlisted:
            folder = Path(error.filename or self.shop.inbox_dir)
            below = folder.relative_to(self.shop.inbox_dir) if folder.is_relative_to(self.shop.inbox_dir) else ""
            self._cannot(f"{below}".strip("."), f"cannot be listed ({reason_of(error)})", "let the folder be read")
        for original, facts in listing.files.items():
            if (original, _mark(facts)) in self.log.handled_files:
                continue
            if arrived is not None and original not in arrived:
                continue
            path = self.shop.inbox_dir / original
            if path.is_symlink():
                self._cannot(original, "is a link", "put the recording itself into the inbox")
                continue
            try:
                file = _found(self.shop.inbox_dir, original, facts)
                if not facts.size or (arrived is None and not _is_whole(path, facts)):
                    self._cannot(original, "has not fully arrived", "wait, or copy it again")
                    continue
                found.append(file)
            except (OSError, ValueError, SoundError) as error:
                self._cannot(original, reason_of(error), "copy it again from the phone")
        latest = datetime.max.replace(tzinfo=UTC)
        return sorted(found, key=lambda f: (f.recorded_at or latest, f.original))

    def place(self, found: list[Found]) -> None:
        """Copy each file to its place, or note why it waits."""
        unplaced: list[Event] = []
        for file in found:
            sent = self._sent(file.original)
            if sent is not None and sent.bench is not None:
                self._place(replace(file, recorded_at=file.recorded_at or sent.recorded_at), sent.bench)
                continue
            bench = place_of(file, self.log, self.now)
            if isinstance(bench, OnBench):
                self._place(file, bench)
            elif self.note_why(file, bench) and bench.why == "nothing now":
                # From now on it is one that was there before anything was said.
                unplaced.append(Event(at=self.now, what="seen", original=file.original, mark=file.mark))
        self._write(*unplaced)

    def note_why(self, file: Found, place: OnBench | Waits) -> bool:
        """Note why a file waits; return whether it does: long before the first word, it is left alone."""
        waits = isinstance(place, Waits) and (place.why != "before" or self._is_late(file))
        if isinstance(place, Waits) and waits:
            self.waiting.append(Waiting(original=file.original, why=place.why))
        return waits

    def _sent(self, original: str) -> Event | None:
        """Return what a phone said of a file that it sent; ``None`` if the file came in another way."""
        if original not in self.log.sent_names:
            return None
        try:
            return self.log.sent.get((original, hash_file(self.shop.inbox_dir / original)))
        except SoundError:
            # Why it cannot be read is said where it is placed.
            return None

    def _is_late(self, file: Found) -> bool:
        begins = self.log.begins or self.now
        return file.recorded_at is not None and file.recorded_at > begins - _LATELY

    def _place(self, file: Found, bench: OnBench) -> None:
        source = self.shop.inbox_dir / file.original
        try:
            sha256 = hash_file(source)
            if sha256 in self.log.handled or self._is_elsewhere(source.stat().st_size, sha256, bench.folder):
                return
            path = copy_to_place(self.shop, source, sha256, bench)
        except (OSError, SoundError) as error:
            remedy = "make room, or let recordings/ be written"
            self._cannot(file.original, f"cannot be copied ({reason_of(error)})", remedy)
            return
        event = Event(
            at=self.now,
            what="placed",
            bench=bench,
            recording=path,
            sha256=sha256,
            original=file.original,
            mark=file.mark,
            recorded_at=file.recorded_at,
        )
        self._write(event)
        self.placed.append(event)

    def _is_elsewhere(self, size: int, sha256: str, folder: str) -> bool:
        """Tell whether the same bytes are elsewhere; those in ``folder`` may be a copy of a killed run."""
        there = self._present.items()
        same = [path for path, facts in there if facts.size == size and path.rpartition("/")[0] != folder]
        return any(holds(self.shop.recordings_dir / path, sha256) for path in same)

    @cached_property
    def _present(self) -> Mapping[str, Facts]:
        placed = {event.recording for event in self.log.events}
        listed = list_folder(self.shop.recordings_dir).files
        return {path: facts for path, facts in listed.items() if path not in placed}

    def _write(self, *events: Event) -> None:
        if events:
            append(self.shop.root, *events)
            self.log = self.log.with_events(*events)

    def _cannot(self, original: str, what: str, remedy: str) -> None:
        self.waiting.append(Waiting(original=original, what=what, remedy=remedy))


def attention_of(waiting: Iterable[Waiting]) -> list[Attention]:
    """Return what needs the builder's attention in the inbox."""
    return [
        Attention(where=f"inbox/{w.original}".rstrip("/"), what=w.what or _WHY[w.why], remedy=w.remedy or _REMEDY)
        for w in waiting
        if w.what or w.why is not None
    ]


_REMEDY = "say where it belongs: tapbatch now INSTRUMENT STAGE --give NAME"
_WHY: dict[Why | None, str] = {
    "before": "was recorded before anything was on the bench",
    "nothing then": "was recorded when nothing was on the bench",
    "lapsed": "was recorded after what was on the bench had lapsed",
    "late": "does not say when it was recorded, and was there before",
    "nothing now": "does not say when it was recorded, and nothing is on the bench",
    "ahead": "says that it was recorded later than now: check the phone's clock",
}


# A watch looks again and again, and a cloud folder may hold thousands of old recordings.
@lru_cache(maxsize=50_000)
def _is_whole(path: Path, _facts: Facts) -> bool:
    return read_header(path).whole


@lru_cache(maxsize=50_000)
def _found(inbox: Path, original: str, facts: Facts) -> Found:
    stated = stated_date(inbox / original) or date_in_name(original)
    return Found(original=original, recorded_at=_moment(stated, facts.mtime_ns / 1e9), mark=_mark(facts))


def _moment(stated: str, written_s: float) -> datetime | None:
    """Return a date with a time of day as a moment; local where no zone is given; ``None`` for a mere date.

    In autumn an hour comes twice: that nearer to ``written_s`` counts, when the file was written.
    """
    if len(stated) <= len("2026-03-14"):
        return None
    when = datetime.fromisoformat(stated)
    if when.tzinfo:
        return when
    return min((when.replace(fold=n).astimezone() for n in (0, 1)), key=lambda w: abs(w.timestamp() - written_s))


def _is_in_the_way(path: Path) -> bool:
    """Tell whether something is at a path, or may be: one that cannot be asked about is not known to be free."""
    try:
        return path.is_symlink() or path.exists()
    except OSError:
        return True


def _mark(facts: Facts) -> str:
    # A letter in between, because a spreadsheet would round a number.
    return f"{facts.size}b{facts.mtime_ns}"
