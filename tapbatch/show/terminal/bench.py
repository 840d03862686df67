"""What is on the bench, as lines for the terminal: where recordings go, what came last, and what waits."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from tapbatch.model.bench_log import Event, OnBench


def bench_line(bench: OnBench | None, lapsed: OnBench | None, lapses_at: datetime | None) -> str:
    """Return what is on the bench, and until when.

    Examples
    --------
    >>> bench_line(None, None, None)
    'nothing is on the bench: say tapbatch now INSTRUMENT STAGE'
    """
    if bench is None:
        was = f"; {lapsed.folder} lapsed" if lapsed is not None else ""
        return f"nothing is on the bench{was}: say tapbatch now INSTRUMENT STAGE"
    on = f", working on {' and '.join(bench.on)}" if bench.on else ""
    until = f"; lapses at {_clock(lapses_at)}" if lapses_at is not None else ""
    return f"on the bench: {bench.folder}{on}{until}"


def last_lines(last: Sequence[Event]) -> list[str]:
    """Return where the last recordings were put, the latest first."""
    if not last:
        return []
    listed = [f"  {_clock(event.counts_from)}  {event.original}: {event.recording}" for event in last]
    return ["last recordings:", *listed]


def moved_lines(taken_out: Event | None, given: Sequence[Event]) -> list[str]:
    """Return what was taken out of its place or given another."""
    lines = [f"{event.original} is now {event.recording}" for event in given]
    if taken_out is not None:
        lines.append(f"taken out: {taken_out.recording}; its original stays in the inbox")
    return lines


def _clock(when: datetime | None) -> str:
    return f"{when.astimezone():%H:%M}" if when is not None else ""
