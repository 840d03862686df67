"""From readings to tables and reports in their places, for those instruments that need it.

Conventions: an instrument needs it when the fingerprint of what its tables rest on differs from that in its mark, or
when a file is not as it was left (:mod:`~tapbatch.standing`). Files are put in place one by one, then the mark; so
after a kill the mark is old, and all is made once more. A file that cannot be replaced keeps its instrument stale.
"""

from __future__ import annotations

import errno
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from itertools import chain

from tapbatch.bench_notes import NoteKey
from tapbatch.drawing import Drawn, Due
from tapbatch.errors import ShopError, TapbatchError
from tapbatch.findings import History, Note
from tapbatch.inventory import Inventory, is_missing
from tapbatch.lending import Common, Lent, common, liked_by, sets_up_anew
from tapbatch.readings import ReadingStore
from tapbatch.shop import Shop
from tapbatch.show.outputs import put_file
from tapbatch.show.tables import SCHEMA
from tapbatch.show.workbook import workbook_name
from tapbatch.standing import (
    REPORT,
    Basis,
    Item,
    Mark,
    Standing,
    Wanted,
    drop_mark,
    files_as_left,
    lend,
    not_worked_out,
    put_card,
    read_marks,
    work_out,
    write_mark,
)
from tapbatch.values import Attention
from tapbatch.workers import Crew

_ROOM_ENDS = {errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EIO}


@dataclass(slots=True)
class Refreshed:
    """What the instruments say, gathered; ``marks`` are those of all that have one, also of such as failed now."""

    instruments: list[str]
    lines: list[str]
    notices: list[str]
    attention: list[Attention]
    marks: dict[str, Mark]

    def add(self, said: Mark | Standing) -> None:
        """Add what one instrument says, now or when it was last made."""
        if isinstance(said, Mark):
            self.marks[said.instrument] = said
        self.instruments.append(said.instrument)
        self.lines += said.lines
        self.notices += said.notices
        self.attention += said.attention


@dataclass(frozen=True, slots=True, kw_only=True)
class Stale:
    """What is to be made anew: ``stale`` instruments have old tables, those to be ``drawn`` an old report.

    ``plain`` are the fingerprints of the instruments' own bases, ``prints`` those with what others tell; ``lent`` is
    what those tell that are asked, ``common`` all of it together.

    ``undrawn`` are all whose report is old, also those that are left for later; ``ready`` are those reports that were
    drawn beside and rest on what is there now; ``workbooks`` are those that have or get a workbook.
    """

    bases: Mapping[str, Basis]
    plain: Mapping[str, str]
    prints: Mapping[str, str]
    lent: Mapping[str, Lent]
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

    def wanted(self, name: str, store: ReadingStore, *, report: bool, history: bool = False) -> Wanted:
        """Return what it takes to work out where an instrument stands."""
        basis = self.bases[name]
        return Wanted(
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
) -> Stale:
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
    return Stale(
        bases=bases, plain=plain, prints=prints, lent=lent, common=together, marks=marks, stale=stale,
        undrawn=undrawn, drawn=left if reports is None else left[:reports], ready=ready, workbooks=books,
    )  # fmt: skip


def _lent(
    bases: Mapping[str, Basis], plain: Mapping[str, str], marks: Mapping[str, Mark], store: ReadingStore
) -> dict[str, Lent]:
    """Return what those instruments tell that have something to tell, from their marks where nothing changed."""
    liked = {name for basis in bases.values() for name in liked_by(basis.settings)}
    lent = {}
    for name, basis in bases.items():
        if name not in liked and not sets_up_anew(recording for recording, _, _ in basis.items):
            continue
        mark = marks.get(name)
        known = mark.lent if mark is not None and mark.basis == plain[name] else None
        lent[name] = known if known is not None else lend(Wanted(basis=basis, store=store))
    return lent


def _holds(shop: Shop, mark: Mark | None, name: str, fingerprint: str, besides: set[str]) -> bool:
    return mark is not None and mark.holds(shop.results_dir / name, fingerprint, besides)


def refresh(
    shop: Shop, store: ReadingStore, over: Stale, crew: Crew, shown: Callable[[History], None] | None
) -> Refreshed:
    """Make tables and reports of what is stale, and gather what all instruments say.

    ``shown`` is called with the history of each instrument whose tables were made anew, when they are in place.
    """
    named = (set(over.stale) | set(over.drawn)) - set(over.ready)
    told = shown is not None
    wanted = [over.wanted(n, store, report=n in over.drawn, history=told) for n in over.bases if n in named]
    said: dict[str, Mark | Standing] = {n: mark for n, mark in over.marks.items() if n in over.bases}
    worked_out = ((want.basis.instrument, standing) for want, standing in crew.each(work_out, wanted))
    for name, standing in chain(over.ready.items(), worked_out):
        if isinstance(standing, TapbatchError):
            standing = not_worked_out(name, standing.what, standing.remedy)
        said[name] = _put_in_place(shop, standing, over)
        for key in standing.damaged:
            store.drop(key)
        if shown is not None and standing.history is not None and name in over.stale:
            shown(standing.history)
    refreshed = Refreshed([], [], [], [], dict(over.marks))
    for name in sorted(said):
        refreshed.add(said[name])
    return refreshed


def _bases(shop: Shop, stock: Inventory) -> Iterator[Basis]:
    items: dict[str, list[Item]] = defaultdict(list)
    for shown, entry in sorted(stock.ledger.items()):
        recording = stock.recordings[shown]
        items[recording.instrument].append((recording, entry.key, is_missing(entry)))
    notes: dict[str, dict[NoteKey, Note]] = defaultdict(dict)
    for key, note in shop.notes.items():
        notes[key[0]][key] = note
    for instrument, of_instrument in sorted(items.items()):
        settings = shop.settings_of(instrument)
        yield Basis(
            instrument=instrument, items=tuple(of_instrument), settings=settings, notes=notes.get(instrument, {})
        )


def _put_in_place(shop: Shop, standing: Standing, over: Stale) -> Mark | Standing:
    """Put the files of an instrument in place, then its mark; what could not be replaced is tried again next time."""
    if standing.failed:
        return standing
    name, folder = standing.instrument, shop.results_dir / standing.instrument
    fingerprint, before = over.prints[name], over.marks.get(name)
    try:
        card = put_card(shop.results_dir, name, standing.card)
        refused = [n for n in (put_file(folder / file, data) for file, data in standing.files.items()) if n]
    except ShopError as error:
        if _ends_all(error):
            raise
        told = Attention(where=error.where, what=error.what, remedy=error.remedy)
        return Standing(instrument=name, lines=standing.lines, attention=(*standing.attention, told), failed=True)
    drawn = fingerprint if REPORT in standing.files else before.report if before else ""
    mark = Mark(
        instrument=name,
        basis=over.plain[name],
        lent=None if standing.damaged else over.lent.get(name),
        tables="" if refused or standing.damaged else fingerprint,
        report="" if refused or standing.damaged else drawn,
        card=card,
        files=files_as_left(
            folder, [*(f"{table}.csv" for table in SCHEMA if table != "attention"), REPORT, workbook_name(name)]
        ),
        lines=standing.lines,
        notices=(*standing.notices, *refused),
        attention=standing.attention,
    )
    write_mark(shop.results_dir, mark)
    return mark


def _ends_all(error: ShopError) -> bool:
    """Tell whether what kept one file from being written keeps all: no room, no drive."""
    return isinstance(error.__cause__, OSError) and error.__cause__.errno in _ROOM_ENDS


def clear_forgotten(shop: Shop, known: set[str]) -> None:
    """Take away the tables and the report of instruments whose last reading was forgotten."""
    for instrument in read_marks(shop.results_dir):
        if instrument in known or instrument in shop.refused_instruments:
            continue
        folder = shop.results_dir / instrument
        for name in (*(f"{table}.csv" for table in SCHEMA), REPORT, workbook_name(instrument)):
            with suppress(OSError):
                (folder / name).unlink()
        with suppress(OSError):
            folder.rmdir()
        drop_mark(shop.results_dir, instrument)
