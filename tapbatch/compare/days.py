"""On which day something was recorded, and on which day a stage was done.

Conventions: days are those of the clock on the wall: the date as the recorder wrote it, in its own time zone. Order
goes by moments (:func:`tapbatch.compare.order.recorded_when`), days by this.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from typing import Protocol

from tapbatch.model.history import Heard, Note
from tapbatch.model.names import date_in_name


class Dated(Protocol):
    """What has a day: a place or a stage."""

    @property
    def heard(self) -> tuple[Heard, ...]:
        """Its recordings."""

    @property
    def note(self) -> Note | None:
        """Its row of the notes, if it has one."""


def recorded_day(heard: Heard) -> date | None:
    """Return the day on which a recording was made, by its metadata, else by a date in its name."""
    return _day(heard.reading.recorded_at) or _day(date_in_name(heard.recording.path))


def noted_day(note: Note | None) -> date | None:
    """Return the date of a row of the notes.

    Examples
    --------
    >>> noted_day(Note(instrument="c", stage="s", date="2026-11-30")), noted_day(None)
    (datetime.date(2026, 11, 30), None)
    """
    return _day(note.date) if note is not None else None


def done_day(heard: Iterable[Heard], note: Note | None) -> date | None:
    """Return the day from which a stage is there: the later of its note and its first recording.

    Returns
    -------
    date or None
        ``None`` if neither tells.

    Examples
    --------
    >>> done_day([], Note(instrument="c", stage="s", date="2026-11-30"))
    datetime.date(2026, 11, 30)
    """
    recorded = [day for day in map(recorded_day, heard) if day is not None]
    known = [day for day in (noted_day(note), min(recorded, default=None)) if day is not None]
    return max(known, default=None)


def undated(places: Iterable[Dated]) -> tuple[str, ...]:
    """Return the stages, as they are spelled, that were tapped but have no day; each once, in the order given.

    Examples
    --------
    >>> undated([])
    ()
    """
    tapped = [p for p in places if any(h.recording.kind == "tap" for h in p.heard)]
    names = [p.heard[0].recording.stage_shown for p in tapped if done_day(p.heard, p.note) is None]
    return tuple(dict.fromkeys(names))


def _day(text: str) -> date | None:
    try:
        return datetime.fromisoformat(text).date()
    except ValueError:
        return None
