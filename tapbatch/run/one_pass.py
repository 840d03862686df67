"""The corridor: recordings -> readings -> standings, that is tables and reports.

Conventions: everything is derived, nothing edited. A run holds the results for itself, looks at what is there,
measures what it has no reading for, and makes anew what rests on something that changed. What cannot be used becomes
:class:`~tapbatch.model.reading.Attention`, and the rest goes on. No recording is ever touched. Readings are put in
place one by one as they come, then the tables; so a run that is killed at any moment has lost the work in hand and no
more, and the next ends with the same tables.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, nullcontext
from dataclasses import dataclass
from pathlib import Path

from tapbatch.compare.history import build_history
from tapbatch.compare.order import Item
from tapbatch.listen.files import hash_file
from tapbatch.measure.method import METHOD
from tapbatch.model.errors import SoundError, TapbatchError
from tapbatch.model.history import History
from tapbatch.model.notice import Notice
from tapbatch.model.reading import Attention, Recording
from tapbatch.model.settings import InstrumentSettings
from tapbatch.results.files import put_file
from tapbatch.results.lock import hold, name_of_command
from tapbatch.results.readings import FOLDER, ReadingStore
from tapbatch.run.instrument import Drawn, Due
from tapbatch.run.inventory import Inventory, instruments_of, is_missing, is_there, take_stock
from tapbatch.run.job import Job, measure_job, measure_to_text
from tapbatch.run.page import refresh_page
from tapbatch.run.plan import look_over
from tapbatch.run.refresh import clear_forgotten, refresh
from tapbatch.run.workers import WORTH_A_CREW, Alone, Crew, Processes, cores
from tapbatch.shop.folder import Shop
from tapbatch.shop.listing import Listing
from tapbatch.show.say.notices import notice_text
from tapbatch.show.tables.columns import table_bytes
from tapbatch.show.tables.rows import attention_rows

Advance = Callable[[str], None]
Progress = Callable[[int], AbstractContextManager[Advance]]
Say = Callable[[str], None]

_REPORT_COSTS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a run did: ``measured`` recordings, and of all instruments what is to be said.

    ``lines`` say where each of ``instruments`` stands; ``reports_due`` are the reports that are older than their
    tables, and ``new`` the paths of recordings that were measured or are known under a new name; ``renamed`` says of
    each recording that moved where it was and where it is.
    """

    measured: int
    instruments: tuple[str, ...]
    lines: tuple[str, ...]
    attention: tuple[Attention, ...]
    notices: tuple[str, ...]
    reports_due: tuple[Due, ...] = ()
    new: tuple[str, ...] = ()
    renamed: tuple[Notice, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class How:
    """How a run goes about it.

    ``jobs`` is the number of processes that measure, ``None`` for as many as pay; ``crew`` measures instead of them.
    ``listing`` is what counts as being there (default all), ``reports`` how many reports may be drawn (default all
    that are due), and ``drawn`` those that were drawn beside. ``excel`` asks for a workbook of each instrument; one
    that is there is refreshed in any case. ``progress`` is called with the number of recordings to measure and gives
    a context that yields a function to be called with the name of each; ``say`` with a line while something is waited
    for; ``shown`` with the history of each instrument that was made anew, when its tables are in place.
    """

    jobs: int | None = 1
    crew: Crew | None = None
    listing: Listing | None = None
    excel: bool = False
    reports: int | None = None
    drawn: tuple[Drawn, ...] = ()
    progress: Progress | None = None
    say: Say = lambda _line: None
    shown: Callable[[History], None] | None = None
    store: ReadingStore | None = None


def run_shop(shop: Shop, how: How | None = None) -> Outcome:
    """Measure what is new or changed in a shop, then refresh its tables and reports.

    Parameters
    ----------
    shop
        As opened.
    how
        In this process, one recording after the other, where it is left out.

    Raises
    ------
    ShopError
        Where results cannot be written.
    """
    how = how or How()
    with hold(shop.results_dir, name_of_command(), how.say), ExitStack() as crews:
        return _run(shop, how, how.store or ReadingStore(shop.results_dir), crews)


def _run(shop: Shop, how: How, store: ReadingStore, crews: ExitStack) -> Outcome:
    stock = take_stock(shop, store, how.listing)
    wanted = _to_measure(shop, store, stock)
    if wanted:
        # Before any work, so that after a kill what was measured and is then gone has a name. What was known of a
        # path stays until there is something better.
        store.write_ledger({**stock.remembered, **stock.before})
    here = crews.enter_context(Processes(how.jobs or cores()))
    crew = how.crew or _crew(how, here, len(wanted))
    measured = _measure(wanted, stock, store, crew, how.progress)
    if wanted or stock.remembered != stock.before or stock.method_before != METHOD:
        store.write_ledger(stock.remembered)
    stale = look_over(shop, stock, store, how.reports, excel=how.excel, drawn_beside=how.drawn)
    # To compare an instrument and to draw its report costs as much as two recordings.
    refreshed = refresh(shop, store, stale, _crew(how, here, _REPORT_COSTS * len(stale.undrawn)), how.shown)
    if stock.before:
        store.drop_all_but({entry.key for entry in stock.remembered.values()})
    attention = [*shop.refused, *stock.attention, *refreshed.attention]
    unusable = instruments_of(shop, [*stock.unseen, *(a.where for a in attention)])
    known = set(refreshed.instruments) | unusable
    clear_forgotten(shop, known)
    attention.sort(key=lambda a: (a.where, a.what))
    notices = [*map(notice_text, (*_method_notices(stock), *stock.renamed)), *refreshed.notices]
    if not stock.ledger and not attention:
        notices.append(notice_text(Notice("no recordings", path=str(shop.recordings_dir))))
    refused = [put_file(shop.results_dir / "attention.csv", table_bytes("attention", attention_rows(attention)))]
    marks = [m for name, m in refreshed.marks.items() if name in known or name in shop.refused_instruments]
    refused.append(refresh_page(shop.results_dir, marks, attention))
    notices += [notice_text(n) for n in refused if n is not None]
    return Outcome(
        measured=measured,
        instruments=tuple(refreshed.instruments),
        lines=tuple(refreshed.lines),
        attention=tuple(attention),
        notices=tuple(notices),
        reports_due=stale.reports_due(store),
        new=tuple(sorted(path for path in stock.ledger if path not in stock.before)),
        renamed=tuple(stock.renamed),
    )


def _crew(how: How, here: Processes, recordings: int) -> Crew:
    pays = here.number > 1 and (how.jobs is not None or recordings >= WORTH_A_CREW)
    return here if pays and recordings > 1 else Alone()


# -------------------------------------------------------------- measuring


def _to_measure(shop: Shop, store: ReadingStore, stock: Inventory) -> dict[str, list[Job]]:
    """Return the jobs for all recordings that have no reading, those of the same bytes and settings together."""
    wanted: dict[str, list[Job]] = defaultdict(list)
    kept: dict[str, bool] = {}
    for shown, entry in stock.ledger.items():
        if is_missing(entry):
            continue
        if entry.key not in kept:
            kept[entry.key] = store.has(entry.key)
        if kept[entry.key]:
            continue
        recording = stock.recordings[shown]
        settings = shop.settings_of(recording.instrument).of_measuring(recording.kind)
        job = Job(
            path=(shop.recordings_dir / shown).absolute(), recording=recording, key=entry.key, settings=settings,
            size=entry.size, mtime_ns=entry.mtime_ns,
        )  # fmt: skip
        wanted[entry.key].append(job)
    return wanted


def _measure(
    wanted: dict[str, list[Job]], stock: Inventory, store: ReadingStore, crew: Crew, progress: Progress | None
) -> int:
    """Measure what is wanted and keep each reading as it comes; return how many there are."""
    if not wanted:
        return 0
    broken = 0
    with progress(len(wanted)) if progress else nullcontext(_nothing) as done:
        for job, result in _answers(wanted, store, crew):
            if isinstance(result, str):
                store.put(job.key, result)
                store.refused.pop(job.key, None)
            else:
                broken += 1
                store.refused[job.key] = result
                for same in wanted[job.key]:
                    stock.refuse(same.recording.path, result.what, result.remedy)
            done(job.recording.path)
    return len(wanted) - broken


def _answers(
    wanted: dict[str, list[Job]], store: ReadingStore, crew: Crew
) -> Iterator[tuple[Job, str | TapbatchError]]:
    """Yield the answers, first those that were had before: a watch does not decode a broken file at every pass."""
    firsts = [jobs[0] for jobs in wanted.values()]
    for job in firsts:
        if job.key in store.refused:
            yield job, store.refused[job.key]
    yield from crew.each(measure_to_text, [job for job in firsts if job.key not in store.refused])


def _nothing(_name: str) -> None:
    return None


def _method_notices(stock: Inventory) -> list[Notice]:
    """Return what a newer version of the method did; the ledger knows which version it was written by."""
    if not stock.before or stock.method_before == METHOD:
        return []
    anew = sum(
        not is_missing(e) and stock.before[path].sha256 == e.sha256 and stock.before[path].key != e.key
        for path, e in stock.ledger.items()
        if path in stock.before
    )
    kept = sum(map(is_missing, stock.ledger.values()))
    before = stock.method_before
    return [Notice("new method", method=METHOD, method_before=before, count=anew, kept_count=kept)]


def forget(shop: Shop, names: list[str], say: Say = lambda _line: None) -> tuple[list[str], list[Attention]]:
    """Let go of the readings of recordings that are gone.

    Parameters
    ----------
    shop
        As opened.
    names
        Paths below ``recordings/``, as ``recordings.csv`` shows them.
    say
        Called with one line where another run is waited for.

    Returns
    -------
    tuple
        Those forgotten, and those that could not be: unknown, or still there.
    """
    if not (shop.results_dir / FOLDER).is_dir():
        return _forget(shop, names)
    with hold(shop.results_dir, name_of_command(), say):
        return _forget(shop, names)


def _forget(shop: Shop, names: list[str]) -> tuple[list[str], list[Attention]]:
    store = ReadingStore(shop.results_dir)
    ledger = store.read_ledger()
    gone, refused = [], []
    for name in names:
        shown = name.replace("\\", "/").removeprefix("recordings/")
        if is_there(shop.recordings_dir / shown):
            what, remedy = "the recording is still there", "take it out of recordings/ first; nothing is forgotten"
            refused.append(Attention(where=shown, what=what, remedy=remedy))
        elif shown not in ledger:
            what, remedy = "no reading of it is kept", "name it as recordings.csv does"
            refused.append(Attention(where=shown, what=what, remedy=remedy))
        else:
            del ledger[shown]
            gone.append(shown)
    if gone:
        store.write_ledger(ledger)
        # The ledger first: a reading without an entry is swept, an entry without a reading would be a riddle.
        store.drop_all_but({entry.key for entry in ledger.values()})
    return gone, refused


def items_of(
    shop: Shop, instruments: set[str], say: Say = lambda _line: None
) -> tuple[dict[str, list[Item]], list[Attention]]:
    """Return the recordings of some instruments with their readings, measured where there is none; write no table.

    Returns
    -------
    tuple
        By instrument, those that have any; and what could not be measured.
    """
    store = ReadingStore(shop.results_dir)
    stock = take_stock(shop, store)
    for shown, recording in list(stock.recordings.items()):
        if recording.instrument not in instruments:
            del stock.recordings[shown], stock.ledger[shown]
    known = len(stock.attention)
    wanted = _to_measure(shop, store, stock)
    if wanted:
        with hold(shop.results_dir, name_of_command(), say):
            _measure(wanted, stock, store, Alone(), None)
    items: dict[str, list[Item]] = defaultdict(list)
    for shown, entry in sorted(stock.ledger.items()):
        recording, reading = stock.recordings[shown], store.get(entry.key)
        if reading is not None:
            items[recording.instrument].append((recording, reading, is_missing(entry)))
    return dict(items), stock.attention[known:]


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
