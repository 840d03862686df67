"""From readings to tables and reports in their places, for those instruments that need it.

Conventions: an instrument needs it when the fingerprint of what its tables rest on differs from that in its mark, or
when a file is not as it was left (:mod:`~tapbatch.run.instrument`). Files are put in place one by one, then the mark;
so after a kill the mark is old, and all is made once more. A file that cannot be replaced keeps its instrument stale.
"""

from __future__ import annotations

import errno
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from itertools import chain

from tapbatch.model.errors import ShopError, TapbatchError
from tapbatch.model.history import History
from tapbatch.model.reading import Attention
from tapbatch.results.files import REPORT, put_file
from tapbatch.results.marks import Mark, drop_mark, files_as_left, put_card, read_marks, write_mark
from tapbatch.results.readings import ReadingStore
from tapbatch.run.instrument import Standing, not_worked_out, work_out
from tapbatch.run.plan import Plan
from tapbatch.run.workers import Crew
from tapbatch.shop.folder import Shop
from tapbatch.show.say.notices import notice_text
from tapbatch.show.tables.columns import TABLE_FILES
from tapbatch.show.tables.workbook import workbook_name

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


def refresh(
    shop: Shop, store: ReadingStore, over: Plan, crew: Crew, shown: Callable[[History], None] | None
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


def _put_in_place(shop: Shop, standing: Standing, over: Plan) -> Mark | Standing:
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
        files=files_as_left(folder, [*TABLE_FILES, REPORT, workbook_name(name)]),
        lines=standing.lines,
        notices=(*standing.notices, *map(notice_text, refused)),
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
        for name in (*TABLE_FILES, REPORT, workbook_name(instrument)):
            with suppress(OSError):
                (folder / name).unlink()
        with suppress(OSError):
            folder.rmdir()
        drop_mark(shop.results_dir, instrument)
