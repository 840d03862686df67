"""Putting tables and reports in their places, for those instruments that need it.

Conventions: an instrument needs it when the fingerprint of what its tables rest on differs from that in its mark, or
when a file is not as it was left (:mod:`~tapbatch.run.plan`). Files are put in place one by one, then the mark; so
after a kill the mark is old, and everything is made again. An instrument with a file that cannot be replaced stays
stale.
"""

from __future__ import annotations

import errno
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import chain

from tapbatch.model.errors import ShopError, TapbatchError
from tapbatch.model.history import History
from tapbatch.model.reading import Attention
from tapbatch.results.files import REPORT, put_file
from tapbatch.results.marks import Mark, drop_mark, files_as_left, put_card, write_mark
from tapbatch.results.store import ReadingStore
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
    """What the instruments say, gathered.

    Attributes
    ----------
    marks
        Those of all instruments that have one, also of such as failed now.
    damaged, lost
        Keys of readings that could not be read: of recordings that are there, and of such as are gone.
    """

    marks: dict[str, Mark]
    instruments: list[str] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    attention: list[Attention] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)

    def add(self, said: Mark | Standing) -> None:
        """Add what one instrument says, now or when it was last made."""
        if isinstance(said, Mark):
            self.marks[said.instrument] = said
        self.instruments.append(said.instrument)
        self.lines += said.lines
        self.notices += said.notices
        self.attention += said.attention


def refresh(
    shop: Shop,
    store: ReadingStore,
    plan: Plan,
    crew: Crew,
    shown: Callable[[History], None] | None,
    *,
    last: bool = True,
) -> Refreshed:
    """Make tables and reports of what is stale, and gather what all instruments say.

    Parameters
    ----------
    shop, store, plan, crew
        What is to be made, and who does it.
    shown
        Called with the history of each instrument whose tables were made anew, when they are in place.
    last
        Whether an instrument is put in place though a reading of it is damaged; else that reading can be measured
        first.
    """
    named = (set(plan.stale) | set(plan.drawn)) - set(plan.ready)
    told = shown is not None
    tasks = [plan.task(n, store, report=n in plan.drawn, history=told) for n in plan.known.inputs if n in named]
    said: dict[str, Mark | Standing] = {n: mark for n, mark in plan.marks.of.items() if n in plan.known.inputs}
    refreshed = Refreshed(marks=dict(plan.marks.of))
    worked_out = ((task.inputs.instrument, standing) for task, standing in crew.each(work_out, tasks))
    for name, standing in chain(plan.ready.items(), worked_out):
        if isinstance(standing, TapbatchError):
            standing = not_worked_out(name, standing.what, standing.remedy)
        refreshed.damaged += standing.damaged
        refreshed.lost += standing.lost
        if standing.damaged and not last:
            continue
        said[name] = _put_in_place(shop, standing, plan)
        if shown is not None and standing.history is not None and name in plan.stale:
            shown(standing.history)
    for name in sorted(said):
        refreshed.add(said[name])
    return refreshed


def _put_in_place(shop: Shop, standing: Standing, plan: Plan) -> Mark | Standing:
    """Put the files of an instrument in place, then its mark; what could not be replaced is tried again next time."""
    if standing.failed:
        return standing
    name, folder = standing.instrument, shop.results_dir / standing.instrument
    fingerprint, before = plan.prints[name], plan.marks.of.get(name)
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
        inputs=plan.known.own[name],
        learned=None if standing.damaged else plan.known.learned.get(name),
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
    """Tell whether what kept one file from being written keeps every file from it: no room, no drive."""
    return isinstance(error.__cause__, OSError) and error.__cause__.errno in _ROOM_ENDS


def clear_forgotten(shop: Shop, marks: Mapping[str, Mark], known: set[str]) -> None:
    """Take away the tables and the report of instruments that have a mark and whose last reading was forgotten."""
    for instrument in marks:
        if instrument in known or instrument in shop.refused_instruments:
            continue
        folder = shop.results_dir / instrument
        for name in (*TABLE_FILES, REPORT, workbook_name(instrument)):
            with suppress(OSError):
                (folder / name).unlink()
        with suppress(OSError):
            folder.rmdir()
        drop_mark(shop.results_dir, instrument)
