"""Which instruments need their tables or reports made anew, and what it takes to make them.

Conventions: an instrument needs it when the fingerprint of what its tables rest on differs from that in its mark, or
when a file is not as it was left.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from tapbatch.compare.across import Common, Learned, common, liked_by, sets_up_anew
from tapbatch.model.history import Note
from tapbatch.results.files import REPORT
from tapbatch.results.marks import Mark, read_marks
from tapbatch.results.readings import ReadingStore
from tapbatch.run.instrument import Drawn, Due, Inputs, Item, Standing, Task, lend
from tapbatch.run.inventory import Inventory, is_missing
from tapbatch.shop.folder import Shop
from tapbatch.shop.notes import NoteKey
from tapbatch.show.tables.columns import TABLE_FILES
from tapbatch.show.tables.workbook import workbook_name


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is to be made anew: ``stale`` instruments have old tables, those to be ``drawn`` an old report.

    ``plain`` are the fingerprints of the instruments' own bases, ``prints`` those with what others tell; ``lent`` is
    what those tell that are asked, ``common`` all of it together.

    ``undrawn`` are all whose report is old, also those that are left for later; ``ready`` are those reports that were
    drawn beside and rest on what is there now; ``workbooks`` are those that have or get a workbook.
    """

    bases: Mapping[str, Inputs]
    plain: Mapping[str, str]
    prints: Mapping[str, str]
    lent: Mapping[str, Learned]
    common: Common
    marks: Mapping[str, Mark]
    stale: tuple[str, ...]
    undrawn: tuple[str, ...]
    drawn: tuple[str, ...]
    ready: Mapping[str, Standing]
    workbooks: frozenset[str] = frozenset()

    def reports_due(self, store: ReadingStore) -> tuple[Due, ...]:
        """Return the reports that are left for later."""
        later = [name for name in self.undrawn if name not in self.drawn and name not in self.ready]
        return tuple(
            Due(instrument=n, fingerprint=self.prints[n], wanted=self.wanted(n, store, report=True)) for n in later
        )

    def wanted(self, name: str, store: ReadingStore, *, report: bool, history: bool = False) -> Task:
        """Return what it takes to work out where an instrument stands."""
        basis = self.bases[name]
        return Task(
            basis=basis, store=store, report=report, workbook=name in self.workbooks, history=history,
            common=self.common.of(basis.settings),
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
    """Find the instruments whose basis changed, or whose files are not as they were left.

    ``reports`` is how many reports may be drawn now; ``None`` for all. ``excel`` asks for a workbook of each; one
    that is there is kept up to date in any case, since one that stays behind its tables would mislead.
    ``drawn_beside`` are reports that are drawn already; what rests on an older basis is passed over.
    """
    marks = read_marks(shop.results_dir)
    bases = {basis.instrument: basis for basis in _bases(shop, stock)}
    plain = {name: basis.fingerprint for name, basis in bases.items()}
    lent = _lent(bases, plain, marks, store)
    together = common(lent)
    prints = {name: f"{plain[name]} {together.of(basis.settings).fingerprint}" for name, basis in bases.items()}
    books = frozenset(n for n in bases if excel or (shop.results_dir / n / workbook_name(n)).exists())
    made = {n: {workbook_name(n)} if n in books else set[str]() for n in bases}
    stale = tuple(n for n in bases if not _holds(shop, marks.get(n), n, prints[n], made[n]))
    # A workbook that is missing is no reason to draw a report.
    undrawn = tuple(n for n in bases if not _holds(shop, marks.get(n), n, prints[n], {REPORT}))
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
        bases=bases, plain=plain, prints=prints, lent=lent, common=together, marks=marks, stale=stale,
        undrawn=undrawn, drawn=left if reports is None else left[:reports], ready=ready, workbooks=books,
    )  # fmt: skip


def _lent(
    bases: Mapping[str, Inputs], plain: Mapping[str, str], marks: Mapping[str, Mark], store: ReadingStore
) -> dict[str, Learned]:
    """Return what those instruments tell that have something to tell, from their marks where nothing changed."""
    liked = {name for basis in bases.values() for name in liked_by(basis.settings)}
    lent = {}
    for name, basis in bases.items():
        if name not in liked and not sets_up_anew(recording for recording, _, _ in basis.items):
            continue
        mark = marks.get(name)
        known = mark.lent if mark is not None and mark.basis == plain[name] else None
        lent[name] = known if known is not None else lend(Task(basis=basis, store=store))
    return lent


def _holds(shop: Shop, mark: Mark | None, name: str, fingerprint: str, besides: set[str]) -> bool:
    return mark is not None and mark.holds(shop.results_dir / name, fingerprint, TABLE_FILES | besides)


def _bases(shop: Shop, stock: Inventory) -> Iterator[Inputs]:
    items: dict[str, list[Item]] = defaultdict(list)
    for shown, entry in sorted(stock.ledger.items()):
        recording = stock.recordings[shown]
        items[recording.instrument].append((recording, entry.key, is_missing(entry)))
    notes: dict[str, dict[NoteKey, Note]] = defaultdict(dict)
    for key, note in shop.notes.items():
        notes[key[0]][key] = note
    for instrument, of_instrument in sorted(items.items()):
        settings = shop.settings_of(instrument)
        yield Inputs(
            instrument=instrument, items=tuple(of_instrument), settings=settings, notes=notes.get(instrument, {})
        )
