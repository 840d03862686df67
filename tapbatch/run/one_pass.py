"""One run over a shop, from its recordings to tables, reports and the page.

Conventions: everything is derived, nothing edited. A run holds the results for itself, looks at what is there,
measures what has no reading, and makes anew what rests on something that changed. What cannot be used becomes
:class:`~tapbatch.model.reading.Attention`, and the rest goes on. No recording is ever touched. Readings are put in
place one by one, then the tables. So a run that is killed at any moment loses the recordings in hand and no more, and
the next run ends with the same tables.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from tapbatch.measure.method import METHOD
from tapbatch.model.history import History
from tapbatch.model.notice import Notice
from tapbatch.model.reading import Attention
from tapbatch.results.files import put_file
from tapbatch.results.lock import hold, name_of_command
from tapbatch.results.sealed import refuse, set_aside
from tapbatch.results.store import ReadingStore
from tapbatch.run.instrument import Drawn, Due
from tapbatch.run.inventory import Inventory, instruments_of, is_missing, take_stock
from tapbatch.run.measuring import Elsewhere, Progress, jobs_of, left_elsewhere, measure
from tapbatch.run.page import refresh_page
from tapbatch.run.plan import Plan, look_over
from tapbatch.run.refresh import Refreshed, clear_forgotten, refresh
from tapbatch.run.workers import WORTH_A_CREW, Alone, Crew, Processes, cores
from tapbatch.shop.folder import Shop
from tapbatch.shop.listing import Listing, list_folder
from tapbatch.show.say.notices import notice_text
from tapbatch.show.tables.columns import table_bytes
from tapbatch.show.tables.rows import attention_rows

Say = Callable[[str], None]

_REPORT_COSTS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a run did, and what is to be said of all instruments.

    Attributes
    ----------
    measured
        How many recordings were measured.
    instruments, lines
        All that have tables, and where each of them stands.
    attention, notices
        What needs the builder, and what is good to know.
    reports_due
        Reports that are older than their tables.
    new
        Paths of recordings that were measured or are known under a new name.
    renamed
        For each recording that moved, where it was and where it is.
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
    """How a run is to be done.

    Attributes
    ----------
    jobs, crew
        The number of processes that measure, ``None`` for as many as pay; or who measures instead of them.
    listing
        The recordings that count as being there; default all that are.
    excel
        Whether each instrument gets a workbook. One that is there is refreshed in any case.
    reports, drawn
        How many reports may be drawn (default all that are due), and those that were drawn beside.
    progress
        Called with the number of recordings to measure; gives a context that yields a function to be called with the
        path of each.
    say
        Called with one line where another run is waited for.
    shown
        Called with the history of each instrument that was made anew, when its tables are in place.
    store
        The readings; default those in the results.
    elsewhere
        What was measured before this run, and who measures the rest; default the run measures all.
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
    elsewhere: Elsewhere | None = None


def run_shop(shop: Shop, how: How | None = None) -> Outcome:
    """Measure what is new or changed in a shop, then refresh its tables and reports.

    Parameters
    ----------
    shop
        As opened.
    how
        How it is to be done; default in this process, one recording after the other.

    Raises
    ------
    ShopError
        Where results cannot be written.
    """
    how = how or How()
    store = how.store or ReadingStore(shop.results_dir)
    with hold(shop.results_dir, name_of_command(), how.say):
        stock = _stock(shop, store, how)
        with Processes(how.jobs or cores()) as here:
            return _Pass(shop, how, store, here, stock).go()


def _stock(shop: Shop, store: ReadingStore, how: How) -> Inventory:
    """Take stock; leave out what is measured elsewhere and not answered yet."""
    elsewhere = how.elsewhere
    if elsewhere is None:
        return take_stock(shop, store, how.listing)
    listing = how.listing if how.listing is not None else list_folder(shop.recordings_dir)
    stock = take_stock(shop, store, listing, elsewhere.hashed)
    later = left_elsewhere(jobs_of(shop, store, stock), store, elsewhere)
    return take_stock(shop, store, listing.without(later), elsewhere.hashed) if later else stock


@dataclass(slots=True)
class _Pass:
    """One run, while the results are held; ``notices`` and ``measured`` grow on the way."""

    shop: Shop
    how: How
    store: ReadingStore
    here: Processes
    stock: Inventory
    plan: Plan | None = None
    measured: int = 0
    notices: list[Notice] = field(default_factory=list)

    def go(self) -> Outcome:
        """Measure, make anew, put in place, and gather what is to be said."""
        stock = self.stock
        self._restore()
        self._measure()
        refreshed = self._refresh()
        if stock.before:
            self.store.sweep(stock.remembered)
        attention, lacks = self._put_lists(refreshed)
        if lacks:
            # The mark of an instrument without its card does not hold: it is made anew, once.
            refreshed = self._refresh()
            attention, _ = self._put_lists(refreshed)
        if not stock.ledger and not attention:
            self.notices.append(Notice("no recordings", path=str(self.shop.recordings_dir)))
        before = map(notice_text, (*_method_notices(stock), *stock.renamed, *stock.notices))
        notices = (*before, *refreshed.notices, *map(notice_text, self.notices))
        return Outcome(
            measured=self.measured,
            instruments=tuple(refreshed.instruments),
            lines=tuple(refreshed.lines),
            attention=tuple(attention),
            notices=tuple(dict.fromkeys(notices)),
            reports_due=self.plan.reports_due(self.store) if self.plan else (),
            new=tuple(sorted(path for path in stock.ledger if path not in stock.before)),
            renamed=tuple(stock.renamed),
        )

    def _restore(self) -> None:
        """Set aside a ledger that was refused, and readings that only it knew, before a new one is written."""
        found = self.stock.found
        if found.refused is not None:
            name = set_aside(found.refused.path, leave=True)
            self._noticed_aside(found.refused.path.name, name, found.refused.why)
        if found.rebuilt:
            known = {**self.stock.before, **self.stock.remembered}
            for key, name in self.store.set_unclaimed_aside(known).items():
                why = "does not say whose reading it is, and the ledger that said so was lost"
                self._noticed_aside(f"{key}.json", name, why)

    def _measure(self) -> None:
        """Measure what has no reading, and write the ledger before and after."""
        stock, store = self.stock, self.store
        jobs = jobs_of(self.shop, store, stock)
        if jobs:
            # Before any work, so that after a kill what was measured and is then gone has a name. What was known of
            # a path stays until there is something better.
            store.write_ledger({**stock.remembered, **stock.before})
        crew = self.how.crew or self._crew(len(jobs))
        answers = self.how.elsewhere.answers if self.how.elsewhere else None
        self.measured += measure(jobs, stock, store, crew, self.how.progress, answers)
        if jobs or stock.remembered != stock.before or stock.found.method != METHOD:
            store.write_ledger(stock.remembered)
        store.claim(stock.remembered, stock.before)

    def _refresh(self) -> Refreshed:
        """Make anew what is stale; where a reading turns out to be damaged, measure it and look once more."""
        refreshed = self._refreshed(self.how.drawn, last=False)
        lost = refreshed.lost
        if refreshed.damaged:
            for key in dict.fromkeys(refreshed.damaged):
                if self.store.is_damaged(key):
                    self._set_reading_aside(key)
            self._measure()
            refreshed = self._refreshed((), last=True)
        for key in dict.fromkeys([*lost, *refreshed.lost]):
            if self.store.is_damaged(key):
                self._set_reading_aside(key)
        return refreshed

    def _refreshed(self, drawn: tuple[Drawn, ...], *, last: bool) -> Refreshed:
        how = self.how
        self.plan = plan = look_over(
            self.shop, self.stock, self.store, how.reports, excel=how.excel, drawn_beside=drawn
        )
        self.notices += map(refuse, plan.marks.refused)
        # To compare an instrument and to draw its report costs as much as two recordings.
        crew = self._crew(_REPORT_COSTS * len(plan.undrawn))
        return refresh(self.shop, self.store, plan, crew, how.shown, last=last)

    def _put_lists(self, refreshed: Refreshed) -> tuple[list[Attention], bool]:
        """Put the list of what needs attention in place, and the page; tell whether the page lacks an instrument.

        What was forgotten is taken away.
        """
        shop, results = self.shop, self.shop.results_dir
        attention = [*shop.refused, *self.stock.attention, *refreshed.attention]
        unusable = instruments_of(shop, [*self.stock.unseen, *(a.where for a in attention)])
        known = set(refreshed.instruments) | unusable
        clear_forgotten(shop, refreshed.marks, known)
        attention.sort(key=lambda a: (a.where, a.what))
        refused = put_file(results / "attention.csv", table_bytes("attention", attention_rows(attention)))
        self.notices += [] if refused is None else [refused]
        marks = [m for name, m in refreshed.marks.items() if name in known or name in shop.refused_instruments]
        said = refresh_page(results, marks, attention)
        self.notices += said.notices
        return attention, said.lacks

    def _set_reading_aside(self, key: str) -> None:
        name = self.store.set_aside(key)
        for path in (path for path, entry in self.stock.ledger.items() if entry.key == key):
            self._noticed_aside(path, name, "has a kept reading that cannot be trusted")

    def _noticed_aside(self, what: str, name: str, why: str) -> None:
        self.notices.append(Notice("set aside", path=what, other_path=name, text=why))

    def _crew(self, recordings: int) -> Crew:
        pays = self.here.number > 1 and (self.how.jobs is not None or recordings >= WORTH_A_CREW)
        return self.here if pays and recordings > 1 else Alone()


def _method_notices(stock: Inventory) -> list[Notice]:
    """Return how many recordings a newer version of the method measured; the ledger names the older version."""
    before = stock.found.method
    if not stock.before or before in ("", METHOD):
        return []
    anew = sum(
        not is_missing(e) and stock.before[path].sha256 == e.sha256 and stock.before[path].key != e.key
        for path, e in stock.ledger.items()
        if path in stock.before
    )
    kept = sum(map(is_missing, stock.ledger.values()))
    return [Notice("new method", method=METHOD, method_before=before, count=anew, kept_count=kept)]
