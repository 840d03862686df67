"""Measure the recordings that have no reading yet, and keep each reading as soon as it is ready.

Conventions: recordings with the same bytes and settings share one reading and are measured once. A recording that
cannot be measured is removed from the inventory and reported; the others continue. Readings are kept one by one, so a
run that is killed loses only the recordings being measured.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field

from tapbatch.model.errors import TapbatchError
from tapbatch.model.names import parse_name
from tapbatch.model.notice import Notice
from tapbatch.model.reading import Recording
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
"""Jobs by the key of their reading; recordings with the same bytes and settings share a key."""


def jobs_of(shop: Shop, store: ReadingStore, stock: Inventory, instruments: Collection[str] | None = None) -> Jobs:
    """Return a job for each recording that is present and has no reading.

    Parameters
    ----------
    shop, store, stock
        The shop, as opened, its readings and its inventory.
    instruments
        Identities of the instruments whose recordings to measure; default all.
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
        jobs[entry.key].append(_job(shop, recording, entry, entry.key))
    return dict(jobs)


def job_of(shop: Shop, shown: str, facts: Facts) -> Job:
    """Return the job for a file that has arrived and is not hashed yet.

    Parameters
    ----------
    shop
        The shop, as opened.
    shown
        The path of the file, relative to ``recordings/``.
    facts
        The size and time of the file.

    Raises
    ------
    NamingError
        If the name does not say whose recording it is.
    SettingsError
        If the settings of its instrument are refused.
    """
    return _job(shop, parse_name(shown, shop.extra_parts), facts)


def _job(shop: Shop, recording: Recording, file: Entry | Facts, key: str = "") -> Job:
    settings = shop.settings_of(recording.instrument).of_measuring(recording.kind)
    path = (shop.recordings_dir / recording.path).absolute()
    return Job(path=path, recording=recording, key=key, settings=settings, size=file.size, mtime_ns=file.mtime_ns)


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
        The inventory; recordings that cannot be measured are removed from it.
    store
        The store that keeps the readings.
    crew
        The crew that measures.
    progress
        Called with the number of readings to measure; returns a context manager that yields a function, which is
        called with the path of each recording that is done. ``None`` shows nothing.
    answers
        Answers that are known already, by key; default none.

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
    """Set aside a cut file that is kept under the key of a job; a whole one is replaced, its kept taps are lost."""
    name = store.set_aside(job.key) if store.is_damaged(job.key) else ""
    if name:
        notice = Notice("set aside", path=job.recording.path, other_path=name, text="has a kept reading that is cut")
        stock.notices.append(notice)


def _answers(
    jobs: Jobs, store: ReadingStore, crew: Crew, answers: Mapping[str, str | TapbatchError]
) -> Iterator[tuple[Job, str | TapbatchError]]:
    """Yield the answers, known ones first, so that a watch does not decode a broken file again at every pass."""
    known = {**store.refused, **answers}
    firsts = [same[0] for same in jobs.values()]
    for job in firsts:
        if job.key in known:
            yield job, known[job.key]
    yield from crew.each(measure_to_text, [job for job in firsts if job.key not in known])


def _nothing(_path: str) -> None:
    return None
