"""Where a recording in the inbox belongs, from the log of what was on the bench.

Conventions: nothing is read or written here; what is known of a file comes in, and its place goes out, or why it has
to wait. A recording with a time of its own belongs to what was on the bench at that time. One without a time belongs
to what is on the bench when it is first seen, unless it was already there when that was said.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from tapbatch.model.bench_log import BenchLog, OnBench
from tapbatch.model.errors import NamingError
from tapbatch.model.names import identity, parse_name, stage_number

_AHEAD = timedelta(minutes=5)
"""How far the clock of a phone may be ahead of this machine's."""

Why = Literal["before", "nothing then", "lapsed", "late", "nothing now", "ahead"]
"""Why a recording waits.

``before``: it was recorded before anything was ever said to be on the bench. ``nothing then`` and ``lapsed``: nothing
was on the bench when it was recorded, or that had lapsed. ``late``: it has no time of its own and was there already.
``nothing now``: it has no time of its own and nothing is on the bench. ``ahead``: its time is still to come.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A file in the inbox: its path there, when it was recorded, and a mark that tells it from a later file."""

    original: str
    recorded_at: datetime | None
    mark: str


@dataclass(frozen=True, slots=True)
class Waits:
    """A file that has no place yet, and why."""

    why: Why


def place_of(found: Found, log: BenchLog, now: datetime) -> OnBench | Waits:
    """Return what a recording belongs to, or why it waits.

    Parameters
    ----------
    found
        The file.
    log
        The log, with every recording that was placed before this one.
    now
        The time of this look, aware.

    Examples
    --------
    >>> from datetime import UTC
    >>> at = datetime(2026, 3, 14, 10, 0, tzinfo=UTC)
    >>> place_of(Found(original="a.m4a", recorded_at=at, mark=""), BenchLog(), at)
    Waits(why='before')
    """
    when = found.recorded_at
    if when is None:
        if (found.original, found.mark) in log.seen:
            return Waits("late")
        return log.on_bench(now) or Waits("nothing now")
    if when > now + _AHEAD:
        return Waits("ahead")
    if log.begins is None or when < log.begins:
        return Waits("before")
    bench = log.on_bench(when)
    if bench is not None:
        return bench
    return Waits("nothing then" if log.lapsed(when) is None else "lapsed")


def bench_of(fields: list[str], on: tuple[str, ...], extra_parts: tuple[str, ...]) -> OnBench:
    """Return what the words of ``tapbatch now`` put on the bench; ``step`` is 1 in a series.

    Parameters
    ----------
    fields
        Instrument, stage, then words.
    on
        The modes that are worked on, as written.
    extra_parts
        The parts that the settings add.

    Raises
    ------
    NamingError
        If they do not name a place for recordings.
    """
    if len(fields) < 2:
        raise NamingError("now", "the stage is missing", "say INSTRUMENT STAGE, as in cittern-12 06-voicing")
    for field in fields:
        if "/" in field or "\\" in field or field in (".", ".."):
            raise NamingError("now", f"'{field}' holds a character that parts folders", "write it without")
    named = parse_name("/".join((*fields, "x.wav")), extra_parts)
    words = tuple(w for w in fields[2:] if not _is_step(w))
    return OnBench(
        instrument=named.instrument_shown,
        stage=fields[1],
        words=words,
        step=(named.step_number or 1) if named.step else 0,
        on=on,
    )


def _is_step(word: str) -> bool:
    return word.strip().lower().replace("-", " ").split()[:1] == ["step"]


def slip_of(stage: str, known: tuple[str, ...]) -> str:
    """Return the known stage that a new one is likely a slip for; empty if it is known, or like none.

    Examples
    --------
    >>> slip_of("06-voicng", ("05-closed", "06-voicing")), slip_of("07-strung", ("06-voicing",))
    ('06-voicing', '')
    """
    names = {identity(name): name for name in known}
    key = identity(stage)
    if key in names:
        return ""
    near = difflib.get_close_matches(key, names, n=1, cutoff=0.8)
    # A stage with another number in front is another stage, however alike the words are.
    return next((names[n] for n in near if stage_number(n) == stage_number(key)), "")
