"""What was on the bench, and when: the log of ``tapbatch now``, and what follows from it.

Conventions: times are aware. The log is a list of events in the order in which they were written; nothing is ever
taken out of it. What a recording belongs to follows from the log alone:

- it belongs to what was on the bench when it was recorded;
- what is on the bench lapses after ``IDLE`` without a word and without a recording, and at ``NIGHT_ENDS`` o'clock;
- in a ``step`` series it belongs to the step that had been begun by then.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, timedelta
from functools import cached_property
from typing import Literal

from tapbatch.model.names import identity

IDLE = timedelta(hours=4)
"""How long what is on the bench stays there without a word and without a recording."""

NIGHT_ENDS = time(4)
"""When a new day begins, in local time: late enough for those who work past midnight."""

_OF_ONE_RECORDING = re.compile(r"(again|resets)\Z|at-|spot-")
"""Words that tell recordings of one step apart."""

What = Literal["now", "next", "placed", "taken out", "seen", "sent"]
"""What an event says.

``now``: this is on the bench. ``next``: a new step begins. ``placed``: a recording was copied to its place. ``taken
out``: its copy was taken out of its place. ``seen``: a recording without a time of its own was there already.
``sent``: a phone sends a recording and says where it belongs, whatever is on the bench.
"""


def is_of_one_recording(word: str) -> bool:
    """Tell whether a word tells recordings of one step apart, such as ``resets`` or ``at-bridge``.

    Examples
    --------
    >>> is_of_one_recording("at-bridge"), is_of_one_recording("closed")
    (True, False)
    """
    return _OF_ONE_RECORDING.match(identity(word)) is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class OnBench:
    """What recordings belong to: an instrument and a stage as written, words, the step, and what is worked on.

    ``step`` counts from 1 and is 0 outside a series.
    """

    instrument: str
    stage: str
    words: tuple[str, ...] = ()
    step: int = 0
    on: tuple[str, ...] = ()

    @property
    def folder(self) -> str:
        """The folder below ``recordings/``, with ``/``.

        Examples
        --------
        >>> OnBench(instrument="cittern-12", stage="06-voicing", words=("closed",), step=3).folder
        'cittern-12/06-voicing/closed/step 3'
        """
        step = (f"step {self.step}",) if self.step else ()
        return "/".join((self.instrument, self.stage, *self.words, *step))

    @property
    def series(self) -> str:
        """What all steps of a series share, whatever point, spot and set-up; empty outside a series.

        Examples
        --------
        >>> OnBench(instrument="Lute-3", stage="voicing", words=("resets", "closed"), step=3).series
        'lute-3/voicing/closed'
        """
        words = sorted(identity(word) for word in self.words if not is_of_one_recording(word))
        return "/".join((identity(self.instrument), identity(self.stage), *words)) if self.step else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One line of the log; which fields an event has, the others leave as they are by default.

    ``now`` has ``bench``; ``placed`` and ``taken out`` have ``bench``, ``recording`` (below ``recordings/``),
    ``sha256``, ``original`` (below the inbox), ``mark`` and, where it is known, ``recorded_at``; ``seen`` has
    ``original`` and ``mark``, which tells a file from a later one of that name. ``next`` has a ``bench`` if it was
    said of one series, whose step that is. ``sent`` is written before the file is put into the inbox; it has
    ``bench``, ``sha256``, ``original`` and perhaps ``recorded_at``, and its ``mark`` names the sending.
    """

    at: datetime
    what: What
    bench: OnBench | None = None
    recording: str = ""
    sha256: str = ""
    original: str = ""
    mark: str = ""
    recorded_at: datetime | None = None

    @property
    def counts_from(self) -> datetime:
        """When it happened: a recording when it was made, everything else when it was said."""
        return self.recorded_at or self.at if self.what == "placed" else self.at


@dataclass(frozen=True)
class BenchLog:
    """The log, the oldest event first.

    Examples
    --------
    >>> from datetime import UTC
    >>> bench = OnBench(instrument="cittern-12", stage="06-voicing", step=1)
    >>> at = datetime(2026, 3, 14, 10, 0, tzinfo=UTC)
    >>> log = BenchLog((Event(at=at, what="now", bench=bench), Event(at=at + timedelta(hours=1), what="next")))
    >>> [log.on_bench(at + timedelta(minutes=m)).step for m in (30, 90)]
    [1, 2]
    >>> log.on_bench(at + timedelta(hours=6)) is None
    True
    """

    events: tuple[Event, ...] = field(default=())

    def with_events(self, *events: Event) -> BenchLog:
        """Return the log with these events at its end."""
        return BenchLog((*self.events, *events))

    @cached_property
    def begins(self) -> datetime | None:
        """When something was first said to be on the bench."""
        return next((when for when, e in self._by_time if e.what == "now"), None)

    @cached_property
    def _by_time(self) -> tuple[tuple[datetime, Event], ...]:
        """The events with their times; of two words, the one that was said later counts as later.

        If its time is earlier, the clock was ahead when the other was said.
        """
        latest = datetime.max.replace(tzinfo=UTC)
        timed = []
        for event in reversed(self.events):
            when = event.counts_from
            if event.what in ("now", "next"):
                when = latest = min(latest, when)
            timed.append((when, event))
        timed.reverse()
        return tuple(sorted(timed, key=lambda pair: pair[0]))

    def on_bench(self, at: datetime) -> OnBench | None:
        """Return what was on the bench at a time; ``None`` if nothing was, or if it had lapsed."""
        bench, lively = self._before(at)
        return bench if bench is not None and lively is not None and not _has_lapsed(lively, at) else None

    def lapses_at(self, at: datetime) -> datetime | None:
        """Return when what is on the bench will lapse if nothing more happens; ``None`` if nothing is there."""
        bench, lively = self._before(at)
        return min(lively + IDLE, _night_after(lively)) if bench is not None and lively is not None else None

    def lapsed(self, at: datetime) -> OnBench | None:
        """Return what was on the bench last, even if it has lapsed since."""
        return self._before(at)[0]

    def _before(self, at: datetime) -> tuple[OnBench | None, datetime | None]:
        """Return what was said last before a time, and when there was last a word or a recording."""
        bench: OnBench | None = None
        lively: datetime | None = None
        for when, event in self._by_time:
            if when > at:
                break
            if event.what == "now":
                bench, lively = event.bench, when
            elif event.what == "next" and bench is not None:
                if event.bench is None:
                    bench, lively = replace(bench, step=bench.step + 1), when
                elif event.bench.series == bench.series:
                    bench, lively = replace(bench, step=event.bench.step), when
            elif event.what == "placed" and bench is not None and lively is not None:
                # A recording keeps alive only what had not lapsed before it.
                lively = lively if _has_lapsed(lively, when) else when
        return bench, lively

    @cached_property
    def placed(self) -> dict[str, Event]:
        """The recordings that are in their places, by path below ``recordings/``, in the order of the log."""
        there: dict[str, Event] = {}
        for event in self.events:
            if event.what == "placed":
                there[event.recording] = event
            elif event.what == "taken out":
                there.pop(event.recording, None)
        return there

    @cached_property
    def handled(self) -> frozenset[str]:
        """The hashes of all contents that were ever placed; what was taken out does not come back by itself."""
        return frozenset(e.sha256 for e in self.events if e.what in ("placed", "taken out"))

    @cached_property
    def handled_files(self) -> frozenset[tuple[str, str]]:
        """The names and marks of the files in the inbox that were placed, whether or not they were taken out."""
        return frozenset((e.original, e.mark) for e in self.events if e.what in ("placed", "taken out"))

    @cached_property
    def seen(self) -> frozenset[tuple[str, str]]:
        """The names and marks of the files that were there before anything was said about them."""
        return frozenset((e.original, e.mark) for e in self.events if e.what == "seen")

    def last(self, number: int = 10) -> tuple[Event, ...]:
        """Return the recordings placed last, the latest first.

        Parameters
        ----------
        number
            At most this many; default 10.
        """
        return tuple(reversed(self.placed.values()))[:number]

    def said_of(self, instrument: str) -> tuple[tuple[str, int, tuple[str, ...]], ...]:
        """Return what was said to be worked on, as (stage, step, modes), in the order in which it was said.

        Parameters
        ----------
        instrument
            Identity (:func:`tapbatch.model.names.identity`); the stages are given by theirs, without a step's number.
        """
        return tuple(
            (identity(e.bench.stage), e.bench.step, e.bench.on)
            for e in self.events
            if e.what in ("now", "sent")
            and e.bench is not None
            and e.bench.on
            and identity(e.bench.instrument) == instrument
        )

    @cached_property
    def sent(self) -> dict[tuple[str, str], Event]:
        """What phones said of the recordings that they sent, by name and hash; of two words the later counts."""
        return {(e.original, e.sha256): e for e in self.events if e.what == "sent" and e.bench is not None}

    @cached_property
    def sent_names(self) -> frozenset[str]:
        """The names in the inbox of all recordings that phones sent."""
        return frozenset(name for name, _ in self.sent)

    @cached_property
    def steps(self) -> dict[str, OnBench]:
        """How far each series of steps is, as said last, by :attr:`OnBench.series`.

        Examples
        --------
        >>> from datetime import UTC
        >>> at, voicing = datetime(2026, 3, 14, tzinfo=UTC), OnBench(instrument="lute-3", stage="voicing", step=1)
        >>> said = Event(at=at, what="now", bench=voicing), Event(at=at, what="next", bench=replace(voicing, step=2))
        >>> [bench.step for bench in BenchLog(said).steps.values()]
        [2]
        """
        steps: dict[str, OnBench] = {}
        bench: OnBench | None = None
        for event in self.events:
            if event.what not in ("now", "next"):
                continue
            said = event.bench or (replace(bench, step=bench.step + 1) if bench is not None else None)
            # A step of another series leaves alone what is on the bench.
            if event.what == "now" or (said is not None and bench is not None and said.series == bench.series):
                bench = said
            if said is not None and said.step:
                # The series of which something was said last stands last.
                steps.pop(said.series, None)
                steps[said.series] = said
        return steps


def _has_lapsed(lively: datetime, at: datetime) -> bool:
    return at > lively + IDLE or at >= _night_after(lively)


def _night_after(when: datetime) -> datetime:
    """Return the end of the night that follows a time, in local time."""
    local = when.astimezone()
    ends = local.replace(hour=NIGHT_ENDS.hour, minute=0, second=0, microsecond=0)
    return ends if ends > local else ends + timedelta(days=1)
