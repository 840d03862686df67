"""Measuring what has no reading yet, and keeping each reading as it comes.

Conventions: recordings of the same bytes and settings have one reading and are measured once. A recording that cannot
be measured is taken out of the stock and told; the others go on. Readings are kept one by one, so that a run that is
killed has lost no more than the recordings in hand.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field

from tapbatch.model.errors import TapbatchError
from tapbatch.model.names import parse_name
from tapbatch.model.notice import Notice
from tapbatch.results.store import Entry, ReadingStore
from tapbatch.run.inventory import Inventory, is_missing
from tapbatch.run.job import Job, measure_to_text
from tapbatch.run.workers import Crew
from tapbatch.shop.folder import Shop
from tapbatch.shop.listing import Facts

Advance = Callable[[str], None]
Progress = Callable[[int], AbstractContextManager[Advance]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Elsewhere:
    """What was measured before a run, by processes of a watch; what is not there yet is left to them.

    Attributes
    ----------
    hashed
        Entries of the files that were hashed, by path.
    answers
        By the key of a reading: the reading as text, or why there is none.
    leave
        Called with each job that has neither a reading nor an answer; its recording counts as not fully arrived.
    """

    leave: Callable[[Job], None]
    hashed: Mapping[str, Entry] = field(default_factory=dict)
    answers: Mapping[str, str | TapbatchError] = field(default_factory=dict)


Jobs = dict[str, list[Job]]
"""Jobs by the key of their reading: recordings of the same bytes and settings stand together."""


def jobs_of(shop: Shop, store: ReadingStore, stock: Inventory, instruments: Collection[str] | None = None) -> Jobs:
    """Return a job for each recording that is there and has no reading.

    Parameters
    ----------
    shop, store, stock
        As opened, and as it was found.
    instruments
        Those whose recordings are wanted; default all.
    """
    jobs: Jobs = defaultdict(list)
    kept: dict[str, bool] = {}
    for shown, entry in stock.ledger.items():
        recording = stock.recordings[shown]
        if is_missing(entry) or (instruments is not None and recording.instrument not in instruments):
            continue
        if entry.key not in kept:
            kept[entry.key] = store.has(entry.key)
        if kept[entry.key]:
            continue
        settings = shop.settings_of(recording.instrument).of_measuring(recording.kind)
        job = Job(
            path=(shop.recordings_dir / shown).absolute(), recording=recording, key=entry.key, settings=settings,
            size=entry.size, mtime_ns=entry.mtime_ns,
        )  # fmt: skip
        jobs[entry.key].append(job)
    return dict(jobs)


def job_of(shop: Shop, shown: str, facts: Facts) -> Job:
    """Return the job for a file that has arrived and is not hashed yet.

    Raises
    ------
    NamingError
        If the name does not say whose recording it is.
    """
    recording = parse_name(shown, shop.extra_parts)
    settings = shop.settings_of(recording.instrument).of_measuring(recording.kind)
    path = (shop.recordings_dir / shown).absolute()
    return Job(path=path, recording=recording, key="", settings=settings, size=facts.size, mtime_ns=facts.mtime_ns)


def left_elsewhere(jobs: Jobs, store: ReadingStore, elsewhere: Elsewhere) -> set[str]:
    """Leave each job that nobody has answered yet, and return the paths of their recordings."""
    open_jobs = [same for key, same in jobs.items() if key not in elsewhere.answers and key not in store.refused]
    for same in open_jobs:
        elsewhere.leave(same[0])
    return {job.recording.path for same in open_jobs for job in same}


def measure(
    jobs: Jobs,
    stock: Inventory,
    store: ReadingStore,
    crew: Crew,
    progress: Progress | None,
    answers: Mapping[str, str | TapbatchError] | None = None,
) -> int:
    """Measure recordings and keep each reading as it comes.

    Parameters
    ----------
    jobs
        From :func:`jobs_of`.
    stock
        Loses the recordings that cannot be measured.
    store
        Keeps the readings.
    crew
        Measures.
    progress
        Called with the number of readings; gives a context that yields a function to be called with the path of each
        recording that is done.
    answers
        Those that are known already, by key; default none.

    Returns
    -------
    int
        How many readings were kept.
    """
    if not jobs:
        return 0
    broken = 0
    with progress(len(jobs)) if progress else nullcontext(_nothing) as done:
        for job, result in _answers(jobs, store, crew, answers or {}):
            if isinstance(result, str):
                _set_aside_cut(job, stock, store)
                owners = {same.recording.path: stock.ledger[same.recording.path] for same in jobs[job.key]}
                store.put(job.key, result, owners)
                store.refused.pop(job.key, None)
            else:
                broken += 1
                store.refused[job.key] = result
                for same in jobs[job.key]:
                    stock.refuse(same.recording.path, result.what, result.remedy)
            done(job.recording.path)
    return len(jobs) - broken


def _set_aside_cut(job: Job, stock: Inventory, store: ReadingStore) -> None:
    """Set aside what is kept under the key of a job: it is cut, or there would be no job."""
    name = store.set_aside(job.key)
    if name:
        notice = Notice("set aside", path=job.recording.path, other_path=name, text="has a kept reading that is cut")
        stock.notices.append(notice)


def _answers(
    jobs: Jobs, store: ReadingStore, crew: Crew, answers: Mapping[str, str | TapbatchError]
) -> Iterator[tuple[Job, str | TapbatchError]]:
    """Yield the answers, known ones first: a watch does not decode a broken file at every pass."""
    known = {**store.refused, **answers}
    firsts = [same[0] for same in jobs.values()]
    for job in firsts:
        if job.key in known:
            yield job, known[job.key]
    yield from crew.each(measure_to_text, [job for job in firsts if job.key not in known])


def _nothing(_path: str) -> None:
    return None
