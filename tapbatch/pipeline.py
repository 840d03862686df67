"""The corridor: recordings -> readings -> histories -> tables and reports.

Conventions: everything is derived, nothing edited. A run looks at what is there, measures what it has no reading for,
and writes what follows from all readings. What cannot be used becomes :class:`~tapbatch.values.Attention`, and the
rest goes on. No recording is ever touched.
"""

from __future__ import annotations

import hashlib
import os
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, nullcontext, suppress
from dataclasses import dataclass, replace
from pathlib import Path

from tapbatch.compare.history import build_history, compare_stages, gather_history
from tapbatch.compare.order import Item
from tapbatch.compare.setups import learn_setups
from tapbatch.compare.targets import resting_places, with_landings
from tapbatch.errors import NamingError, ShopError, SoundError, TapbatchError
from tapbatch.listen.naming import hash_file, is_passing_name, is_sound_name, parse_name
from tapbatch.readings import FOLDER, METHOD, Entry, ReadingStore, reading_key
from tapbatch.settings import InstrumentSettings
from tapbatch.shop import Shop
from tapbatch.show.outputs import put_file
from tapbatch.show.rows import attention_rows, history_to_tables
from tapbatch.show.tables import SCHEMA, write_table
from tapbatch.values import Attention, BandSettings, History, Reading, Recording

Advance = Callable[[str], None]
Progress = Callable[[int], AbstractContextManager[Advance]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A recording to be measured."""

    path: Path
    recording: Recording
    key: str
    settings: BandSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a run did: ``measured`` recordings, all ``histories`` by instrument, what needs the builder, notices."""

    measured: int
    histories: tuple[History, ...]
    attention: tuple[Attention, ...]
    notices: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """What lies in the shop: recordings by path with their ledger entries, and what was refused.

    ``unseen`` is what the ledger remembers of recordings that cannot be used at present, for the day they can again.
    """

    recordings: dict[str, Recording]
    ledger: dict[str, Entry]
    unseen: dict[str, Entry]
    attention: list[Attention]


def run_shop(
    shop: Shop,
    *,
    jobs: int = 1,
    progress: Progress | None = None,
) -> Outcome:
    """Measure what is new or changed in a shop, then refresh its tables and reports.

    Parameters
    ----------
    shop
        As opened.
    jobs
        Processes that measure, 1 by default: in this one.
    progress
        Called with the number of recordings to measure; gives a context that yields a function to be called with the
        name of each when it is done.

    Raises
    ------
    ShopError
        Where results cannot be written.
    """
    store = ReadingStore(shop.results_dir)
    found = _look(shop, store)
    refused = _measure_new(shop, store, found, jobs, progress)
    store.write_ledger({**found.unseen, **found.ledger})
    attention = [*shop.refused, *found.attention, *refused[1]]
    histories, notices = [], []
    for history in _histories(shop, store, found, attention):
        notices += [f"{history.instrument}: {n}" for n in history.notices]
        notices += _show(shop, history, shop.settings_of(history.instrument))
        histories.append(history)
    unusable = _instruments_of(shop, [*found.unseen, *(a.where for a in attention)])
    _clear_forgotten(shop, {h.instrument for h in histories} | unusable)
    attention.sort(key=lambda a: (a.where, a.what))
    if not found.ledger and not attention:
        notices.append(f"no recordings yet: drop them into {shop.recordings_dir}, named by instrument and stage")
    notices.append(write_table(shop.results_dir / "attention.csv", "attention", attention_rows(attention)))
    return Outcome(
        measured=refused[0],
        histories=tuple(histories),
        attention=tuple(attention),
        notices=tuple(n for n in notices if n),
    )


def items_of(shop: Shop, instruments: set[str]) -> tuple[dict[str, list[Item]], list[Attention]]:
    """Return the recordings of some instruments with their readings, measured where there is none; write no table.

    Returns
    -------
    tuple
        By instrument, those that have any; and what could not be measured.
    """
    store = ReadingStore(shop.results_dir)
    found = _look(shop, store)
    for shown, recording in list(found.recordings.items()):
        if recording.instrument not in instruments:
            del found.recordings[shown], found.ledger[shown]
    refused = _measure_new(shop, store, found, 1, None)[1]
    return dict(_by_instrument(shop, store, found)), refused


def sound_files(folder: Path, refused: Callable[[OSError], None] | None = None) -> Iterator[Path]:
    """Yield the sound files below a folder, sorted; hidden and temporary names are passed over.

    Links to folders are not followed: one could lead out of the shop, or round in a circle. ``refused`` is called
    with the error of each folder that cannot be listed.
    """
    for root, folders, files in os.walk(folder, onerror=refused, followlinks=False):
        folders[:] = sorted(d for d in folders if not is_passing_name(d))
        for name in sorted(files):
            if is_sound_name(name):
                yield Path(root) / name


def _look(shop: Shop, store: ReadingStore) -> _Found:
    """Read all names and hash what changed; add what the ledger remembers and is gone."""
    before = store.read_ledger()
    found = _Found(recordings={}, ledger={}, unseen={}, attention=[])
    unlisted: list[OSError] = []
    for path in sound_files(shop.recordings_dir, unlisted.append):
        shown = path.relative_to(shop.recordings_dir).as_posix()
        try:
            recording = parse_name(shown, shop.extra_parts)
            entry = _entry(path, before.get(shown))
        except (NamingError, SoundError) as error:
            found.attention.append(Attention(where=shown, what=error.what, remedy=error.remedy))
            continue
        if recording.instrument in shop.refused_instruments:
            continue
        settings = shop.settings_of(recording.instrument).of_measuring(recording.kind)
        found.recordings[shown] = replace(recording, sha256=entry.sha256)
        found.ledger[shown] = replace(entry, key=reading_key(entry.sha256, settings))
    found.attention.extend(_unlisted(shop, error) for error in unlisted)
    for shown, entry in before.items():
        if shown not in found.ledger:
            _remember(shop, found, shown, entry)
    return found


def _remember(shop: Shop, found: _Found, shown: str, entry: Entry) -> None:
    """Keep what the ledger knows of a recording that is gone, or that is there and cannot be used at present."""
    if _is_there(shop.recordings_dir / shown):
        found.unseen[shown] = entry
        return
    gone = replace(entry, mtime_ns=-1)
    try:
        found.recordings[shown] = replace(parse_name(shown, shop.extra_parts), sha256=entry.sha256)
    except NamingError:
        # The part that its name gives may be set in a file that is not understood at present.
        found.unseen[shown] = gone
    else:
        found.ledger[shown] = gone


def _is_there(path: Path) -> bool:
    try:
        return path.exists()
    except OSError:
        # What may not be looked at is not known to be gone.
        return True


def _unlisted(shop: Shop, error: OSError) -> Attention:
    folder = Path(error.filename or shop.recordings_dir)
    where = folder.relative_to(shop.recordings_dir).as_posix() if folder != shop.recordings_dir else folder.name
    what = f"the folder cannot be read ({error.strerror or 'no reason given'})"
    return Attention(where=where, what=what, remedy="check that you may read what is in it")


def _entry(path: Path, before: Entry | None) -> Entry:
    try:
        facts = path.stat()
    except OSError as error:
        reason = error.strerror or "no reason given"
        raise SoundError(path.name, f"cannot be read ({reason})", "check that it may be read") from error
    if before is not None and (before.size, before.mtime_ns) == (facts.st_size, facts.st_mtime_ns):
        return before
    return Entry(sha256=hash_file(path), size=facts.st_size, mtime_ns=facts.st_mtime_ns, key="")


def is_missing(entry: Entry) -> bool:
    """Tell whether a ledger entry stands for a recording that is gone."""
    return entry.mtime_ns == -1


def _measure_new(
    shop: Shop,
    store: ReadingStore,
    found: _Found,
    jobs: int,
    progress: Progress | None,
) -> tuple[int, list[Attention]]:
    """Measure every recording that has no reading; return how many, and those that could not be."""
    wanted = []
    copies: dict[str, list[str]] = defaultdict(list)
    for shown, entry in found.ledger.items():
        if is_missing(entry) or store.get(entry.key) is not None:
            continue
        copies[entry.key].append(shown)
        if len(copies[entry.key]) > 1:
            continue
        recording = found.recordings[shown]
        settings = shop.settings_of(recording.instrument).of_measuring(recording.kind)
        wanted.append(Job(path=shop.recordings_dir / shown, recording=recording, key=entry.key, settings=settings))
    if not wanted:
        return 0, []
    refused: list[Attention] = []
    broken = 0
    with progress(len(wanted)) if progress else nullcontext(_nothing) as done:
        for job, result in measure_all(wanted, jobs):
            if isinstance(result, Reading):
                store.put(job.key, result)
            else:
                same_bytes = copies[job.key]
                refused += [Attention(where=shown, what=result.what, remedy=result.remedy) for shown in same_bytes]
                broken += 1
            done(job.recording.path)
    for attention in refused:
        found.ledger.pop(attention.where, None)
        found.recordings.pop(attention.where, None)
    return len(wanted) - broken, refused


def _nothing(_name: str) -> None:
    return None


def measure_all(wanted: list[Job], jobs: int) -> Iterator[tuple[Job, Reading | TapbatchError]]:
    """Yield each job with its reading, or with the error that says why there is none, in the order given."""
    if jobs <= 1 or len(wanted) < 2:
        for job in wanted:
            yield job, measure_job(job)
        return
    from concurrent.futures import ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool
    from multiprocessing import get_context

    # One linear-algebra thread a process: nested threads slow small matrices down.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    try:
        with ProcessPoolExecutor(min(jobs, len(wanted)), mp_context=get_context("spawn")) as pool:
            yield from zip(wanted, pool.map(measure_job, wanted), strict=True)
    except BrokenProcessPool as error:
        what = "a process that measured was ended from outside, perhaps for lack of memory; what was measured is kept"
        raise ShopError("--jobs", what, "run again with fewer jobs") from error


def measure_job(job: Job) -> Reading | TapbatchError:
    """Measure one recording; an expected error is returned, not raised, so that it crosses processes whole."""
    from tapbatch.reading import measure_recording

    try:
        return measure_recording(job.path, job.recording.sha256, job.settings)
    except TapbatchError as error:
        return error


def _by_instrument(shop: Shop, store: ReadingStore, found: _Found) -> Iterable[tuple[str, list[Item]]]:
    items: dict[str, list[Item]] = defaultdict(list)
    for shown, entry in sorted(found.ledger.items()):
        recording, reading = found.recordings[shown], store.get(entry.key)
        if reading is not None and recording.instrument not in shop.refused_instruments:
            items[recording.instrument].append((recording, reading, is_missing(entry)))
    return sorted(items.items())


def _histories(shop: Shop, store: ReadingStore, found: _Found, attention: list[Attention]) -> list[History]:
    """Build all histories; what needs the builder is added to ``attention``. Instruments refer to one another."""
    gathered = []
    for instrument, items in _by_instrument(shop, store, found):
        history, asked = gather_history(instrument, items, shop.settings_of(instrument), shop.notes)
        attention += asked
        gathered.append(history)
    # What setting up anew moves is the shop's own: one hand, one bench.
    scatter = learn_setups(stage for history in gathered for stage in history.stages)
    rests = resting_places(gathered)
    histories = []
    for history in gathered:
        settings = shop.settings_of(history.instrument)
        landed, asked = with_landings(compare_stages(history, settings, scatter), settings, rests)
        attention += asked
        histories.append(landed)
    return histories


def _show(shop: Shop, history: History, settings: InstrumentSettings) -> list[str]:
    """Write the tables and the report of an instrument; the report only where what it shows has changed."""
    folder = shop.results_dir / history.instrument
    notices = [write_table(folder / f"{name}.csv", name, rows) for name, rows in history_to_tables(history).items()]
    digest = hashlib.sha256(repr((METHOD, _version(), history, settings)).encode()).hexdigest()
    mark = _mark_of(shop, history.instrument)
    report = folder / "report.pdf"
    with suppress(OSError):
        if report.exists() and mark.read_text(encoding="ascii") == digest:
            return notices
    from tapbatch.show.report import write_report

    notices.append(write_report(report, history, settings))
    put_file(mark, digest.encode())
    return notices


def _mark_of(shop: Shop, instrument: str) -> Path:
    return shop.results_dir / FOLDER / f"report-{instrument}.txt"


def _instruments_of(shop: Shop, names: Iterable[str]) -> set[str]:
    instruments = set()
    for shown in names:
        with suppress(NamingError):
            instruments.add(parse_name(shown, shop.extra_parts).instrument)
    return instruments


def _clear_forgotten(shop: Shop, known: set[str]) -> None:
    """Take away the tables and the report of instruments whose last reading was forgotten."""
    for mark in sorted((shop.results_dir / FOLDER).glob("report-*.txt")):
        instrument = mark.stem.removeprefix("report-")
        if instrument in known or instrument in shop.refused_instruments:
            continue
        folder = shop.results_dir / instrument
        for name in (*(f"{table}.csv" for table in SCHEMA), "report.pdf"):
            with suppress(OSError):
                (folder / name).unlink()
        with suppress(OSError):
            folder.rmdir()
        mark.unlink(missing_ok=True)


def _version() -> str:
    from tapbatch import __version__

    return __version__


def forget(shop: Shop, names: list[str]) -> tuple[list[str], list[Attention]]:
    """Let go of the readings of recordings that are gone.

    Parameters
    ----------
    shop
        As opened.
    names
        Paths below ``recordings/``, as ``recordings.csv`` shows them.

    Returns
    -------
    tuple
        Those forgotten, and those that could not be: unknown, or still there.
    """
    store = ReadingStore(shop.results_dir)
    ledger = store.read_ledger()
    gone, refused = [], []
    for name in names:
        shown = name.replace("\\", "/").removeprefix("recordings/")
        if _is_there(shop.recordings_dir / shown):
            what, remedy = "the recording is still there", "take it out of recordings/ first; nothing is forgotten"
            refused.append(Attention(where=shown, what=what, remedy=remedy))
        elif shown not in ledger:
            what, remedy = "no reading of it is kept", "name it as recordings.csv does"
            refused.append(Attention(where=shown, what=what, remedy=remedy))
        else:
            entry = ledger.pop(shown)
            if all(other.key != entry.key for other in ledger.values()):
                store.drop(entry.key)
            gone.append(shown)
    if gone:
        store.write_ledger(ledger)
    return gone, refused


def _is_text(name: str) -> bool:
    try:
        name.encode()
    except UnicodeEncodeError:
        return False
    return True


def read_files(files: list[Path], settings: InstrumentSettings) -> Iterator[tuple[Path, History | TapbatchError]]:
    """Measure files outside any shop; each gives a history of one stage, or the error that says why not."""
    for path in files:
        try:
            if not path.is_file():
                what = "is a folder" if path.is_dir() else "there is no such file"
                raise SoundError(str(path), what, "name a recording; for a whole shop there is tapbatch run")
            if not _is_text(path.name):
                raise SoundError(str(path), "its name holds bytes that are not text", "rename the file")
            recording = Recording(
                path=path.name, sha256=hash_file(path), instrument="file", instrument_shown=path.name,
                stage="read", stage_shown=path.stem,
            )  # fmt: skip
            job = Job(path=path, recording=recording, key="", settings=settings.of_measuring("tap"))
            result = measure_job(job)
            if isinstance(result, TapbatchError):
                yield path, result
                continue
            yield path, build_history("file", [(recording, result, False)], settings, {})[0]
        except TapbatchError as error:
            yield path, error
