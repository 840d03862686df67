"""What a phone may ask, and what it is answered: one function for each request, whatever carries it.

Conventions: a request comes as a path, a query and a JSON object, and leaves as a status and a JSON object. Values
are checked here once, before anything is done with them. What changes the shop is done in ``run``, waits for a pass
that holds the results, and then rouses the watch. An error is answered with ``what`` and ``remedy``, for the person
at the bench.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from http import HTTPStatus
from pathlib import Path
from threading import Lock
from typing import Any

from tapbatch.model.bench_log import OnBench
from tapbatch.model.errors import ShopError, SoundError, TapbatchError
from tapbatch.results.lock import A_PHONE
from tapbatch.results.uploads import CrowdedError, OffsetError, UnknownUploadError, Upload, Uploads
from tapbatch.run.destinations import (
    Destination,
    asked_of,
    begin_step,
    bench_for,
    give_place,
    refuse_odd,
    reword,
    take_back,
)
from tapbatch.run.inbox import utc_now
from tapbatch.run.noting import note, notes_of, tidy
from tapbatch.run.now import LikelySlipError, answer
from tapbatch.run.sent import Taken, cleaned_name, take
from tapbatch.run.sound_check import SoundCheck
from tapbatch.shop.folder import Shop
from tapbatch.show.say.phone import full_text, place_text, refused_text, size_text
from tapbatch.watch.feed import Feed
from tapbatch.watch.phone_state import LEAST_ROOM_BYTES, as_destination, cautions_at, room_in, state_of

WAIT_S = 20.0
"""How long a request for readings waits for a newer one."""

PATIENCE_S = 15.0
"""How long a request waits for a recording that is being taken, before it is told to come back."""

Answer = tuple[HTTPStatus, dict[str, Any]]

_MEGA = 1_000_000
_REMEMBERED = 50
_COPIES = 2
"""What is sent lies on the disk twice, in the inbox and in its place."""

_AHEAD = timedelta(minutes=5)
_MOST_TEXT = 1000


class BadRequestError(ShopError):
    """A request that the page would never make."""


class TooLargeError(ShopError):
    """More than may be sent."""


class FullError(ShopError):
    """The disk has no room for it."""


_STATUS: tuple[tuple[type[TapbatchError], HTTPStatus], ...] = (
    (BadRequestError, HTTPStatus.BAD_REQUEST),
    (UnknownUploadError, HTTPStatus.NOT_FOUND),
    (CrowdedError, HTTPStatus.SERVICE_UNAVAILABLE),
    (TooLargeError, HTTPStatus.REQUEST_ENTITY_TOO_LARGE),
    (FullError, HTTPStatus.INSUFFICIENT_STORAGE),
    (SoundError, HTTPStatus.UNSUPPORTED_MEDIA_TYPE),
)


def refused(error: TapbatchError) -> Answer:
    """Return the answer to a request that could not be met."""
    status = next((status for kind, status in _STATUS if isinstance(error, kind)), HTTPStatus.CONFLICT)
    what, remedy = refused_text(error)
    told: dict[str, Any] = {"what": what, "remedy": remedy}
    if isinstance(error, OffsetError):
        told["offset"] = error.offset
    if isinstance(error, LikelySlipError):
        told |= {"like": error.like, "which": error.kind}
    return status, told


@dataclass(slots=True)
class Desk:
    """Where phones ask.

    Parameters
    ----------
    opened
        Opens the shop.
    feed
        The readings of the watch.
    rouse
        Lets the watch look at once.
    note
        Tells one line at the terminal.
    clock, room
        Return the time and how many bytes are free in a folder; passed in so that tests can replace them.
    """

    opened: Callable[[], Shop]
    feed: Feed
    rouse: Callable[[], None] = lambda: None
    note: Callable[[str], None] = lambda _line: None
    clock: Callable[[], datetime] = utc_now
    room: Callable[[Path], int] = room_in
    wait_s: float = WAIT_S
    patience_s: float = PATIENCE_S
    uploads: Uploads = field(init=False)
    _check: SoundCheck = field(default_factory=SoundCheck)
    _beginning: Any = field(default_factory=Lock)
    _finishing: Any = field(default_factory=Lock)
    _finished: dict[str, dict[str, Any]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.uploads = Uploads(lambda: self.opened().results_dir, self.clock)

    # ------------------------------------------------------------- asking

    def get(self, path: str, query: Mapping[str, str]) -> Answer | None:
        """Answer a request that changes nothing; ``None`` if there is nothing of that name."""
        if path == "state":
            return HTTPStatus.OK, self.state() | {"latest": self.feed.latest} | self._mine(query)
        if path == "readings":
            latest, readings = self.feed.after(_number(query.get("after", "0"), "after"), self.wait_s)
            return HTTPStatus.OK, {"latest": latest, "readings": readings}
        if path == "notes":
            instrument, stage = query.get("instrument", ""), query.get("stage", "")
            refuse_odd(Destination(instrument=instrument, stage=stage))
            return HTTPStatus.OK, dict(notes_of(self.opened(), instrument, stage))
        folder, _, number = path.partition("/")
        if folder != "uploads" or not number:
            return None
        if number in self._finished:
            return HTTPStatus.OK, self._finished[number]
        try:
            upload = self.uploads.find(number)
            offset = self.uploads.offset(upload)
        except UnknownUploadError:
            # Another request may have finished it just now.
            if number in self._finished:
                return HTTPStatus.OK, self._finished[number]
            raise
        return HTTPStatus.OK, self.finish(upload) if offset >= upload.size else {"offset": offset}

    def post(self, path: str, asked: Mapping[str, Any]) -> Answer | None:
        """Answer a request that changes something; ``None`` if there is nothing of that name."""
        does: dict[str, Callable[[Mapping[str, Any]], Answer]] = {
            "now": self._now,
            "next": self._next,
            "undo": self._undo,
            "give": self._give,
            "words": self._words,
            "notes": self._notes,
            "uploads": self._begin,
        }
        if path not in does:
            return None
        answered = does[path](asked)
        if path != "uploads":
            self.rouse()
        return answered

    def delete(self, path: str) -> Answer | None:
        """Delete an unfinished upload; ``None`` if there is nothing of that name."""
        folder, _, number = path.partition("/")
        if folder != "uploads" or not number:
            return None
        self.uploads.drop(self.uploads.find(number))
        return HTTPStatus.OK, {"offset": 0}

    def state(self) -> dict[str, Any]:
        """Return all that the page shows."""
        shop = self.opened()
        return state_of(shop, shop.log, self.room(shop.results_dir), self.clock())

    def _mine(self, query: Mapping[str, str]) -> dict[str, Any]:
        """Return what the page says of the destination of the phone that asks, if it names one."""
        instrument, stage = query.get("instrument", ""), query.get("stage", "")
        if not instrument or not stage:
            return {}
        words = tuple(filter(None, query.get("words", "").split("/")))
        bench = OnBench(instrument=instrument, stage=stage, words=words, step=_number(query.get("step", "0"), "step"))
        return {"mine": {"cautions": cautions_at(self.opened(), bench)}}

    # ------------------------------------------------------------ changing

    def _now(self, asked: Mapping[str, Any]) -> Answer:
        said = asked_of(_destination({"destination": asked}), new=_flag(asked, "new"))
        answered = answer(self.opened(), said, self.clock, doing=A_PHONE)
        return HTTPStatus.OK, self.state() | {"is_new": answered.is_new}

    def _next(self, asked: Mapping[str, Any]) -> Answer:
        bench = begin_step(self.opened(), _destination(asked), self.clock)
        return HTTPStatus.OK, {"destination": as_destination(bench), "state": self.state()}

    def _undo(self, asked: Mapping[str, Any]) -> Answer:
        event = take_back(self.opened(), _text(asked, "recording"), self.clock)
        self.note(f"taken out: {event.recording}; its original stays in the inbox")
        return HTTPStatus.OK, self.state()

    def _give(self, asked: Mapping[str, Any]) -> Answer:
        name = _text(asked, "recording", "") or _text(asked, "original")
        event = give_place(self.opened(), name, _destination(asked), self.clock, new=_flag(asked, "new"))
        self.note(f"{event.original} is now {event.recording}")
        return HTTPStatus.OK, self.state()

    def _words(self, asked: Mapping[str, Any]) -> Answer:
        spot, resets = _text(asked, "spot", ""), _flag(asked, "resets")
        event = reword(self.opened(), _text(asked, "recording"), resets=resets, spot=spot, clock=self.clock)
        self.note(f"{event.original} is now {event.recording}")
        return HTTPStatus.OK, self.state()

    def _notes(self, asked: Mapping[str, Any]) -> Answer:
        instrument, stage = _text(asked, "instrument"), _text(asked, "stage")
        refuse_odd(Destination(instrument=instrument, stage=stage))
        fields, seen = _texts(asked, "fields"), _texts(asked, "seen")
        return HTTPStatus.OK, dict(note(self.opened(), instrument, stage, fields, seen))

    # ------------------------------------------------------------- sending

    def _begin(self, asked: Mapping[str, Any]) -> Answer:
        """Begin an upload, or say before the first byte why it cannot be taken."""
        shop = self.opened()
        name = cleaned_name(_text(asked, "name"))
        size = asked.get("size")
        if not isinstance(size, int) or isinstance(size, bool) or size < 0:
            raise BadRequestError("size", "is not a number of bytes", "send the recording again")
        if size == 0:
            raise SoundError(name, "the file is empty", "record again")
        recorded_at = _moment(asked, self.clock())
        bench = bench_for(shop, _destination(asked))
        # One at a time: what the first may send is no longer there for the second.
        with self._beginning:
            self.uploads.sweep()
            self._refuse_too_much(shop, name, size)
            upload = self.uploads.begin(name, size, bench, recorded_at)
            self._check.prepare()
        return HTTPStatus.CREATED, {"id": upload.id, "offset": 0}

    def _refuse_too_much(self, shop: Shop, name: str, size: int) -> None:
        most, day = shop.settings.phone_file_mb * _MEGA, shop.settings.phone_day_mb * _MEGA
        if size > most:
            what = f"is {size_text(size)}, and a phone may send {size_text(most)} at most"
            raise TooLargeError(name, what, "cut the recording, or copy it to the inbox at the computer")
        promised, arrived = self.uploads.promised_bytes(), self.uploads.arrived_bytes()
        if self.uploads.sent_today_bytes() + promised + size > day:
            what = f"would be more than the {size_text(day)} that phones may send in a day"
            raise TooLargeError(name, what, "copy it to the inbox at the computer, or raise phone_day_mb")
        for folder in (shop.results_dir, shop.inbox_dir, shop.recordings_dir):
            room = self.room(folder)
            told = full_text(room, LEAST_ROOM_BYTES + _COPIES * (promised + size) + (_COPIES - 1) * arrived)
            if told:
                raise FullError(name, told, "make room on the computer, then send it again")

    def finish(self, upload: Upload) -> dict[str, Any]:
        """Take a recording whose last byte has arrived; one that is no sound leaves nothing."""
        # Whoever waits holds a connection, and a run may hold the results for long.
        if not self._finishing.acquire(timeout=self.patience_s):
            raise CrowdedError("the computer", "is busy with another recording", "try again in a minute")
        try:
            if upload.id in self._finished:
                return self._finished[upload.id]
            told = self._taken(upload)
            # A phone that did not get the answer asks once more.
            self._finished[upload.id] = told
            self.uploads.drop(upload)
            for old in list(self._finished)[:-_REMEMBERED]:
                del self._finished[old]
        finally:
            self._finishing.release()
        self.rouse()
        return told

    def _taken(self, upload: Upload) -> dict[str, Any]:
        source = self.uploads.data(upload)
        try:
            self._check.refuse_unless_sound(source)
        except SoundError as error:
            self.uploads.drop(upload)
            raise SoundError(upload.name, error.what, error.remedy) from error
        taken = take(self.opened(), upload, source, self.clock)
        self.feed.sent.add(taken.recording)
        if not taken.already:
            self.note(f"inbox/{taken.original}: {taken.recording or taken.why} (sent by a phone)")
        return {
            "offset": upload.size,
            "done": True,
            "original": taken.original,
            "recording": taken.recording,
            "note": _noted(taken, upload.bench),
        }

    def take_up(self) -> None:
        """Finish what had wholly arrived before a kill, and sweep away what it left and what is too old."""
        self.uploads.sweep()
        tidy(self.opened())
        for upload in self.uploads.unfinished():
            try:
                if self.uploads.offset(upload) >= upload.size:
                    self.finish(upload)
            except TapbatchError as error:
                self.note(str(error))


def _noted(taken: Taken, bench: OnBench) -> str:
    if taken.already:
        return f"was sent already: {taken.recording.rpartition('/')[0]}"
    return f"{place_text(bench)}: {taken.why}" if taken.why else ""


# ------------------------------------------------------------- what is asked


def _destination(asked: Mapping[str, Any]) -> Destination:
    said = asked.get("destination")
    if not isinstance(said, dict):
        raise BadRequestError("destination", "is missing", "choose instrument and stage")
    step = said.get("step", 0)
    if not isinstance(step, int) or isinstance(step, bool) or not 0 <= step <= 9999:
        raise BadRequestError("step", "is not the number of a step", "choose the step again")
    return Destination(
        instrument=_text(said, "instrument"),
        stage=_text(said, "stage"),
        words=_list(said, "words"),
        step=step,
        on=_list(said, "on"),
    )


def _text(asked: Mapping[str, Any], key: str, default: str | None = None) -> str:
    said = asked.get(key, default)
    if not isinstance(said, str) or len(said) > _MOST_TEXT or (default is None and not said):
        raise BadRequestError(key, "is missing, or is not text", "choose it again")
    if any("\ud800" <= c <= "\udfff" for c in said):
        raise BadRequestError(key, "holds characters that are not text", "write it again")
    return said


def _list(asked: Mapping[str, Any], key: str) -> tuple[str, ...]:
    said = asked.get(key) or []
    if not isinstance(said, list) or len(said) > 20:
        raise BadRequestError(key, "is not a list of words", "choose them again")
    return tuple(_text({key: word}, key) for word in said)


def _texts(asked: Mapping[str, Any], key: str) -> dict[str, str]:
    said = asked.get(key) or {}
    if not isinstance(said, dict) or len(said) > 40:
        raise BadRequestError(key, "are missing", "write them again")
    return {name: _text(said, name, "") for name in said}


def _flag(asked: Mapping[str, Any], key: str) -> bool:
    said = asked.get(key, False)
    if not isinstance(said, bool):
        raise BadRequestError(key, "is neither true nor false", "choose it again")
    return said


def _number(text: str, key: str) -> int:
    if not (text.isascii() and text.isdecimal() and len(text) <= 15):
        raise BadRequestError(key, "is not a number", "load the page again")
    return int(text)


def _moment(asked: Mapping[str, Any], now: datetime) -> datetime | None:
    """Return when a phone says that a recording was made; ``None`` where it does not say so, or cannot know."""
    said = asked.get("recorded_at")
    if said is None or said == "":
        return None
    try:
        when = datetime.fromisoformat(_text(asked, "recorded_at"))
        when = when.astimezone(UTC)
    except (ValueError, OverflowError, OSError):
        raise BadRequestError("recorded_at", "is not a time", "send the recording again") from None
    return when if datetime(2000, 1, 1, tzinfo=UTC) < when <= now + _AHEAD else None
