"""Find the instruments whose tables or reports must be remade, and the tasks that remake them.

Conventions: tables or a report must be remade if the fingerprint of their inputs differs from the one in the
instrument's mark, or if a file has changed since it was written. An instrument whose own inputs are the same may
only have something new to learn from another; such followers can be left for later.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from tapbatch.results.files import REPORT
from tapbatch.results.marks import Mark, Marks, read_marks
from tapbatch.results.store import ReadingStore
from tapbatch.run.histories import Known, what_is_known
from tapbatch.run.instrument import Drawn, Due, Standing, Task
from tapbatch.run.inventory import Inventory
from tapbatch.shop.folder import Shop
from tapbatch.show.tables.columns import BLANK_FILES, TABLE_FILES
from tapbatch.show.tables.workbook import workbook_name


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What must be remade.

    Attributes
    ----------
    known
        The inputs of all instruments, and what they learn from one another.
    prints
        The fingerprint of the inputs of each instrument and of what it learns from the shop, by instrument.
    marks
        The marks as they were read.
    stale
        Instruments whose tables are out of date.
    undrawn, drawn
        Instruments whose report is out of date, and those of them to draw now; the others are left for later.
    ready
        Reports drawn outside the run whose inputs are still current, by instrument.
    workbooks
        Instruments that have a workbook or are to get one.
    followers
        Instruments that are left for later, because only what they learn from others changed.
    """

    known: Known
    prints: Mapping[str, str]
    marks: Marks
    stale: tuple[str, ...]
    undrawn: tuple[str, ...]
    drawn: tuple[str, ...]
    ready: Mapping[str, Standing]
    workbooks: frozenset[str] = frozenset()
    followers: tuple[str, ...] = ()

    def reports_due(self, store: ReadingStore) -> tuple[Due, ...]:
        """Return the reports that are left for later."""
        later = [name for name in self.undrawn if name not in self.drawn and name not in self.ready]
        return tuple(
            Due(instrument=n, fingerprint=self.prints[n], task=self.task(n, store, report=True)) for n in later
        )

    def task(self, name: str, store: ReadingStore, *, report: bool, history: bool = False) -> Task:
        """Return the task that makes the output of an instrument."""
        inputs = self.known.inputs[name]
        return Task(
            inputs=inputs, store=store, report=report, workbook=name in self.workbooks, history=history,
            shared=self.known.common.of(inputs.settings, name),
        )  # fmt: skip


def look_over(
    shop: Shop,
    stock: Inventory,
    store: ReadingStore,
    reports: int | None,
    *,
    excel: bool = False,
    drawn_beside: Iterable[Drawn] = (),
    follow: bool = True,
) -> Plan:
    """Find the instruments whose inputs changed, or whose files changed since they were written.

    Parameters
    ----------
    shop, stock, store
        The shop, as opened, its inventory and its readings.
    reports
        How many reports may be drawn now; ``None`` for all.
    excel
        Whether each instrument gets a workbook, default no. An existing workbook is always updated, because one older
        than its tables would mislead.
    drawn_beside
        Reports that were drawn outside the run; those with older inputs are ignored.
    follow
        Whether instruments that only learn something new from others are remade now, default yes.
    """
    marks = read_marks(shop.results_dir)
    known = what_is_known(shop, stock, store, marks.of)
    names = tuple(known.inputs)
    prints = {
        n: f"{known.own[n]} {known.common.of(each.settings, n).fingerprint}" for n, each in known.inputs.items()
    }
    books = frozenset(n for n in names if excel or (shop.results_dir / n / workbook_name(n)).exists())
    made = {n: {workbook_name(n)} if n in books else set[str]() for n in names}
    old = tuple(n for n in names if n in known.hurt or not _holds(shop, marks.of.get(n), n, prints[n], made[n]))
    followers = () if follow else tuple(n for n in old if _only_learns(shop, marks.of.get(n), known, n, made[n]))
    stale = tuple(n for n in old if n not in followers)
    # A workbook that is missing is no reason to draw a report.
    due = tuple(n for n in names if not _holds(shop, marks.of.get(n), n, prints[n], {REPORT}))
    undrawn = tuple(n for n in due if n not in followers)
    ready = {
        d.instrument: d.standing
        for d in drawn_beside
        if d.instrument in undrawn
        and d.fingerprint == prints[d.instrument]
        # If only the report failed, the tables can still be made.
        and not (d.standing.failed and d.instrument in stale)
    }
    left = tuple(n for n in undrawn if n not in ready)
    return Plan(
        known=known, prints=prints, marks=marks, stale=stale, undrawn=undrawn,
        drawn=left if reports is None else left[:reports], ready=ready, workbooks=books, followers=followers,
    )  # fmt: skip


def _only_learns(shop: Shop, mark: Mark | None, known: Known, name: str, besides: set[str]) -> bool:
    """Return whether the tables are as they were written, from the same inputs of the instrument's own."""
    if mark is None or name in known.hurt or mark.tables.partition(" ")[0] != known.own[name]:
        return False
    return _holds(shop, mark, name, mark.tables, besides)


def _holds(shop: Shop, mark: Mark | None, name: str, fingerprint: str, besides: set[str]) -> bool:
    # The table of a blank is there only where one was made.
    files = TABLE_FILES | besides | (BLANK_FILES & set(mark.files) if mark is not None else set())
    return mark is not None and mark.holds(shop.results_dir / name, fingerprint, files)
