"""Run once over a shop, from its recordings to tables, reports and the page.

Conventions: all results are derived from the recordings and settings; nothing is edited in place. A run locks the
results, lists the recordings, measures those without a reading, and remakes what depends on something that changed. A
recording that cannot be used becomes :class:`~tapbatch.model.reading.Attention`, and the run continues. No recording
is ever modified. Readings are written one by one, then the tables. So a run that is killed at any moment loses only
the recordings being measured, and the next run ends with the same tables.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from tapbatch.measure.method import METHOD
from tapbatch.model.errors import ShopError
from tapbatch.model.forecast import ForecastCame
from tapbatch.model.history import History
from tapbatch.model.notice import Notice
from tapbatch.model.reading import Attention
from tapbatch.results.files import put_file
from tapbatch.results.lock import hold, name_of_command
from tapbatch.results.sealed import refuse, set_aside
from tapbatch.results.store import ReadingStore
from tapbatch.run.blanks import put_blanks
from tapbatch.run.inbox import attention_of, look_into
from tapbatch.run.instrument import Drawn, Due
from tapbatch.run.inventory import Inventory, instruments_of, is_missing, take_stock, unknown_notes
from tapbatch.run.measuring import Elsewhere, Progress, jobs_of, left_elsewhere, measure
from tapbatch.run.page import refresh_page
from tapbatch.run.plan import Plan, look_over
from tapbatch.run.refresh import Refreshed, clear_forgotten, refresh
from tapbatch.run.workers import WORTH_A_CREW, Alone, Crew, Processes, cores
from tapbatch.shop.folder import Shop
from tapbatch.shop.listing import Listing, list_folder
from tapbatch.show.say.notices import notice_text
from tapbatch.show.tables.columns import table_bytes
from tapbatch.show.tables.rows import attention_rows, forecast_rows

Say = Callable[[str], None]

_REPORT_COSTS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a run did, and what to report about all instruments.

    Attributes
    ----------
    measured
        How many recordings were measured.
    instruments, lines
        The instruments that have tables, and the lines that summarise them.
    attention, notices
        What the builder must deal with, and what is good to know.
    reports_due
        The reports that are older than their tables.
    new
        Paths of recordings that are new, or were found under a new name.
    missing
        Paths of recordings that are gone and whose readings are kept.
    renamed
        A notice for each recording that moved, with its old and new path.
    followers
        Instruments whose tables are left for later, because only what they learn from others changed.
    forecasts
        The forecasts of all steps of the shop, and what came of them.
    """

    measured: int
    instruments: tuple[str, ...]
    lines: tuple[str, ...]
    attention: tuple[Attention, ...]
    notices: tuple[str, ...]
    reports_due: tuple[Due, ...] = ()
    new: tuple[str, ...] = ()
    missing: frozenset[str] = frozenset()
    renamed: tuple[Notice, ...] = ()
    followers: tuple[str, ...] = ()
    forecasts: tuple[ForecastCame, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class How:
    """Options of a run.

    Attributes
    ----------
    jobs, crew
        The number of processes that measure, default 1, ``None`` for as many as are worthwhile; or a crew that
        measures instead.
    listing
        The recordings to take as present; default all in the folder.
    excel
        Whether each instrument gets a workbook, default no. An existing workbook is always updated.
    reports, drawn
        How many reports may be drawn, default all that are due; and reports already drawn outside the run.
    progress
        Called with the number of readings to measure; returns a context manager that yields a function, which is
        called with the path of each recording that is done.
    say
        Called with one line if the run has to wait for another run.
    shown
        Called with the history of each instrument that was remade, once its tables are in place.
    store
        The readings; default those in the results folder.
    elsewhere
        What was measured before this run, and who measures the rest; default the run measures all.
    inbox
        The files of the inbox that have fully arrived; default all that keep what their headers promise.
    follow
        Whether to remake instruments that only learn something new from others, default yes.
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
    inbox: frozenset[str] | None = None
    follow: bool = True


def run_shop(shop: Shop, how: How | None = None) -> Outcome:
    """Measure what is new or changed in a shop, then refresh its tables and reports.

    Parameters
    ----------
    shop
        The shop, as opened.
    how
        Options; by default the run measures one recording after the other in this process.

    Raises
    ------
    ShopError
        If the results cannot be written.
    """
    how = how or How()
    store = how.store or ReadingStore(shop.results_dir)
    with hold(shop.results_dir, name_of_command(), how.say):
        shop, placed, waiting = _from_inbox(shop, how)
        stock = _stock(shop, store, how)
        stock.attention.extend(waiting)
        stock.notices.extend(placed)
        with Processes(how.jobs or cores()) as here:
            this = _Pass(shop, how, store, here, stock)
            try:
                return this.go()
            except ShopError:
                # Said now, because the next run will not find these files under their names.
                for notice in (n for n in (*this.notices, *stock.notices) if n.kind == "set aside"):
                    how.say(notice_text(notice))
                raise


def _from_inbox(shop: Shop, how: How) -> tuple[Shop, list[Notice], list[Attention]]:
    """Place what is in the inbox; return the shop with its log, what was placed, and what needs attention there."""
    try:
        looked = look_into(shop, arrived=how.inbox)
    except ShopError as error:
        # The inbox waits; what is in its place is measured all the same.
        told = Attention(where=error.where, what=error.what, remedy=error.remedy)
        return shop, [], [told] if told not in shop.refused else []
    return replace(shop, log=looked.log), looked.notices, attention_of(looked.waiting)


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
    """One run, while the results are locked; ``notices`` and ``measured`` are filled in as it proceeds."""

    shop: Shop
    how: How
    store: ReadingStore
    here: Processes
    stock: Inventory
    plan: Plan | None = None
    forecasts: Mapping[str, tuple[ForecastCame, ...]] = field(default_factory=dict)
    measured: int = 0
    notices: list[Notice] = field(default_factory=list)

    def go(self) -> Outcome:
        """Measure, remake what is stale, write it, and collect what to report."""
        stock = self.stock
        self._restore()
        self._measure()
        refreshed = self._refresh()
        if stock.before:
            self.store.sweep(stock.remembered)
        attention, lacks = self._put_lists(refreshed)
        if lacks:
            # An instrument whose card was set aside has no valid mark: remake it, once.
            refreshed = self._refresh()
            attention, _ = self._put_lists(refreshed)
        if not stock.ledger and not attention and not stock.is_waited_for:
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
            missing=frozenset(path for path, entry in stock.ledger.items() if is_missing(entry)),
            renamed=tuple(stock.renamed),
            followers=self.plan.followers if self.plan else (),
            forecasts=tuple(one for of_one in self.forecasts.values() for one in of_one),
        )

    def _restore(self) -> None:
        """Set aside a refused ledger, and the readings that only it listed, before a new one is written."""
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
            # Write before measuring, so that a recording that is measured and then deleted has an entry even if this
            # run is killed. An older entry of a path stays until there is a better one.
            store.write_ledger({**stock.remembered, **stock.before})
        crew = self.how.crew or self._crew(len(jobs))
        answers = self.how.elsewhere.answers if self.how.elsewhere else None
        self.measured += measure(jobs, stock, store, crew, self.how.progress, answers)
        if jobs or stock.remembered != stock.before or stock.found.method != METHOD:
            store.write_ledger(stock.remembered)
        store.claim(stock.remembered, stock.before)

    def _refresh(self) -> Refreshed:
        """Remake what is stale; if a reading turns out to be damaged, measure it again and check once more."""
        refreshed = self._refreshed(self.how.drawn, last=False)
        lost = refreshed.lost
        if refreshed.damaged:
            for key in dict.fromkeys(refreshed.damaged):
                if self.store.is_damaged(key):
                    self._set_reading_aside(key)
                elif self.store.taps(key) is None:
                    self.store.measure_again(key)
            self._measure()
            refreshed = self._refreshed((), last=True)
        for key in dict.fromkeys([*lost, *refreshed.lost]):
            if self.store.is_damaged(key):
                self._set_reading_aside(key)
        return refreshed

    def _refreshed(self, drawn: tuple[Drawn, ...], *, last: bool) -> Refreshed:
        how = self.how
        self.plan = plan = look_over(
            self.shop, self.stock, self.store, how.reports, excel=how.excel, drawn_beside=drawn, follow=how.follow
        )
        self.notices += map(refuse, plan.marks.refused)
        # Comparing an instrument and drawing its report takes as long as measuring two recordings.
        crew = self._crew(_REPORT_COSTS * len(plan.undrawn))
        return refresh(self.shop, self.store, plan, crew, how.shown, last=last)

    def _put_lists(self, refreshed: Refreshed) -> tuple[list[Attention], bool]:
        """Write the attention list and the page; return the list, and whether the page lacks an instrument.

        The files of instruments that were forgotten are deleted.
        """
        shop, results = self.shop, self.shop.results_dir
        attention = [*shop.refused, *self.stock.attention, *refreshed.attention, *unknown_notes(shop, self.stock)]
        unusable = instruments_of(shop, [*self.stock.unseen, *(a.where for a in attention)])
        known = set(refreshed.instruments) | unusable
        clear_forgotten(shop, refreshed.marks, known)
        attention.sort(key=lambda a: (a.where, a.what))
        refused = put_file(results / "attention.csv", table_bytes("attention", attention_rows(attention)))
        of_blanks = [mark for name, mark in refreshed.marks.items() if name in known and mark.wood]
        blanks = put_blanks(shop, of_blanks)
        marks = [m for name, m in refreshed.marks.items() if name in known or name in shop.refused_instruments]
        self.forecasts = {mark.instrument: mark.forecasts for mark in marks}
        late = put_file(results / "forecasts.csv", table_bytes("forecasts", forecast_rows(self.forecasts)))
        self.notices += [*blanks, *(notice for notice in (refused, late) if notice is not None)]
        said = refresh_page(results, marks, attention, has_store=bool(of_blanks))
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
    """Return a notice of how many recordings were measured again because the method has a new version.

    The ledger names the version of the last run.
    """
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
