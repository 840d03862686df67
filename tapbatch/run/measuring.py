"""Measure the recordings that have no reading yet, and keep each reading as soon as it is ready.

Conventions: recordings with the same bytes and settings share one reading and are measured once. A recording that
cannot be measured is removed from the inventory and reported; the others continue. Readings are kept one by one, so a
run that is killed loses only the recordings being measured.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterator
from contextlib import AbstractContextManager, nullcontext

from tapbatch.model.errors import TapbatchError
from tapbatch.model.notice import Notice
from tapbatch.results.store import ReadingStore
from tapbatch.run.inventory import Inventory, is_missing
from tapbatch.run.job import Job, measure_to_text
from tapbatch.run.workers import Crew
from tapbatch.shop.folder import Shop

Advance = Callable[[str], None]
Progress = Callable[[int], AbstractContextManager[Advance]]
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
        settings = shop.settings_of(recording.instrument).of_measuring(recording.kind)
        job = Job(
            path=(shop.recordings_dir / shown).absolute(), recording=recording, key=entry.key, settings=settings,
            size=entry.size, mtime_ns=entry.mtime_ns,
        )  # fmt: skip
        jobs[entry.key].append(job)
    return dict(jobs)


def measure(jobs: Jobs, stock: Inventory, store: ReadingStore, crew: Crew, progress: Progress | None) -> int:
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
        called with the path of each recording that is done.

    Returns
    -------
    int
        How many readings were kept.
    """
    if not jobs:
        return 0
    broken = 0
    with progress(len(jobs)) if progress else nullcontext(_nothing) as done:
        for job, result in _answers(jobs, store, crew):
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
    """Set aside a file kept under the key of a job; it must be cut, otherwise there would be no job."""
    name = store.set_aside(job.key)
    if name:
        notice = Notice("set aside", path=job.recording.path, other_path=name, text="has a kept reading that is cut")
        stock.notices.append(notice)


def _answers(jobs: Jobs, store: ReadingStore, crew: Crew) -> Iterator[tuple[Job, str | TapbatchError]]:
    """Yield the answers, known errors first, so that a watch does not decode a broken file again at every pass."""
    firsts = [same[0] for same in jobs.values()]
    for job in firsts:
        if job.key in store.refused:
            yield job, store.refused[job.key]
    yield from crew.each(measure_to_text, [job for job in firsts if job.key not in store.refused])


def _nothing(_path: str) -> None:
    return None
