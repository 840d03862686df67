"""Which instruments need their tables or reports made anew, and what it takes to make them.

Conventions: an instrument needs it when the fingerprint of what its tables rest on differs from that in its mark, or
when a file is not as it was left.
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
from tapbatch.show.tables.columns import TABLE_FILES
from tapbatch.show.tables.workbook import workbook_name


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is to be made anew.

    Attributes
    ----------
    known
        The inputs of all instruments, and what they teach one another.
    prints
        By instrument, the fingerprint of its inputs and of what the shop teaches it.
    marks
        The marks as they were found.
    stale
        Instruments whose tables are old.
    undrawn, drawn
        Instruments whose report is old, and those of them to be drawn now; the rest is left for later.
    ready
        Reports that were drawn beside and rest on what is there now.
    workbooks
        Instruments that have a workbook or are to get one.
    """

    known: Known
    prints: Mapping[str, str]
    marks: Marks
    stale: tuple[str, ...]
    undrawn: tuple[str, ...]
    drawn: tuple[str, ...]
    ready: Mapping[str, Standing]
    workbooks: frozenset[str] = frozenset()

    def reports_due(self, store: ReadingStore) -> tuple[Due, ...]:
        """Return the reports that are left for later."""
        later = [name for name in self.undrawn if name not in self.drawn and name not in self.ready]
        return tuple(
            Due(instrument=n, fingerprint=self.prints[n], task=self.task(n, store, report=True)) for n in later
        )

    def task(self, name: str, store: ReadingStore, *, report: bool, history: bool = False) -> Task:
        """Return what it takes to work out an instrument."""
        inputs = self.known.inputs[name]
        return Task(
            inputs=inputs, store=store, report=report, workbook=name in self.workbooks, history=history,
            shared=self.known.common.of(inputs.settings),
        )  # fmt: skip


def look_over(
    shop: Shop,
    stock: Inventory,
    store: ReadingStore,
    reports: int | None,
    *,
    excel: bool = False,
    drawn_beside: Iterable[Drawn] = (),
) -> Plan:
    """Find the instruments whose inputs changed, or whose files are not as they were left.

    Parameters
    ----------
    shop, stock, store
        As opened, and as it was found.
    reports
        How many reports may be drawn now; ``None`` for all.
    excel
        Whether each instrument gets a workbook. One that is there is kept up to date in any case, since one that
        stays behind its tables would mislead.
    drawn_beside
        Reports that are drawn already; one that rests on older inputs is passed over.
    """
    marks = read_marks(shop.results_dir)
    known = what_is_known(shop, stock, store, marks.of)
    names = tuple(known.inputs)
    prints = {n: f"{known.own[n]} {known.common.of(each.settings).fingerprint}" for n, each in known.inputs.items()}
    books = frozenset(n for n in names if excel or (shop.results_dir / n / workbook_name(n)).exists())
    made = {n: {workbook_name(n)} if n in books else set[str]() for n in names}
    stale = tuple(n for n in names if n in known.hurt or not _holds(shop, marks.of.get(n), n, prints[n], made[n]))
    # A workbook that is missing is no reason to draw a report.
    undrawn = tuple(n for n in names if not _holds(shop, marks.of.get(n), n, prints[n], {REPORT}))
    ready = {
        d.instrument: d.standing
        for d in drawn_beside
        if d.instrument in undrawn
        and d.fingerprint == prints[d.instrument]
        # Where a report cannot be drawn there may be tables all the same.
        and not (d.standing.failed and d.instrument in stale)
    }
    left = tuple(n for n in undrawn if n not in ready)
    return Plan(
        known=known, prints=prints, marks=marks, stale=stale, undrawn=undrawn,
        drawn=left if reports is None else left[:reports], ready=ready, workbooks=books,
    )  # fmt: skip


def _holds(shop: Shop, mark: Mark | None, name: str, fingerprint: str, besides: set[str]) -> bool:
    return mark is not None and mark.holds(shop.results_dir / name, fingerprint, TABLE_FILES | besides)
