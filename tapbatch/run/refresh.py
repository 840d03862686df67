"""Remake and write the tables and reports of the instruments that need it.

Conventions: :mod:`~tapbatch.run.plan` finds the instruments whose inputs or files have changed. The files of an
instrument are written one by one, then its mark. So after a kill the mark is old, and everything is made again. A new
instrument has a mark from the start, so its files can be deleted if it is gone by the next run. An instrument with a
file that could not be replaced stays out of date.
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
from tapbatch.results.files import OWN_PAGE, REPORT, put_file
from tapbatch.results.marks import Mark, drop_mark, files_as_left, put_card, write_mark
from tapbatch.results.store import ReadingStore
from tapbatch.run.blanks import rows_of
from tapbatch.run.instrument import Standing, not_worked_out, work_out
from tapbatch.run.plan import Plan
from tapbatch.run.workers import Crew
from tapbatch.shop.folder import Shop
from tapbatch.show.say.notices import notice_text
from tapbatch.show.tables.columns import BLANK_FILES, TABLE_FILES
from tapbatch.show.tables.workbook import workbook_name

_ROOM_ENDS = {errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EIO}


@dataclass(slots=True)
class Refreshed:
    """What to report about all instruments.

    Attributes
    ----------
    marks
        The marks of all instruments that have one, by instrument, including those that failed now.
    instruments, lines, notices, attention
        The instruments, and what each of them reports.
    damaged, lost
        Keys of readings that could not be read: of recordings that are present, and of recordings that are gone.
    """

    marks: dict[str, Mark]
    instruments: list[str] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    attention: list[Attention] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)

    def add(self, said: Mark | Standing) -> None:
        """Add what one instrument reports, from now or from when it was last made."""
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
    """Make and write the tables and reports that are out of date, and collect what all instruments report.

    Parameters
    ----------
    shop, store, plan, crew
        The shop, its readings, what to make, and the crew that makes it.
    shown
        Called with the history of each instrument whose tables were remade, once they are in place.
    last
        Whether to write the files of an instrument with a damaged reading, default yes; otherwise its files are left
        alone, so that the reading can be measured first.
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
    """Write the files of an instrument, then its mark; a file that cannot be replaced is tried again next time."""
    if standing.failed:
        return standing
    name, folder = standing.instrument, shop.results_dir / standing.instrument
    fingerprint, before = plan.prints[name], plan.marks.of.get(name)
    try:
        if folder.is_symlink():
            what = "this is a link, and nothing is written through a link"
            raise ShopError(str(folder), what, "remove the link; the next run makes a folder")
        card = put_card(shop.results_dir, name, standing.card)
        if before is None:
            # After a kill the mark tells whose tables these are, even if the last recording was renamed meanwhile.
            write_mark(shop.results_dir, _begun(standing, plan, card))
        refused = [n for n in (put_file(folder / file, data) for file, data in standing.files.items()) if n]
    except ShopError as error:
        if _ends_all(error):
            raise
        told = Attention(where=error.where, what=error.what, remedy=error.remedy)
        return Standing(instrument=name, lines=standing.lines, attention=(*standing.attention, told), failed=True)
    for file in BLANK_FILES - set(standing.files):
        with suppress(OSError):
            (folder / file).unlink()
    drawn = fingerprint if REPORT in standing.files else before.report if before else ""
    mark = Mark(
        instrument=name,
        inputs=plan.known.own[name],
        learned=None if standing.damaged else plan.known.learned.get(name),
        tables="" if refused or standing.damaged else fingerprint,
        report="" if refused or standing.damaged else drawn,
        card=card,
        files=files_as_left(folder, [*TABLE_FILES, *BLANK_FILES, REPORT, OWN_PAGE, workbook_name(name)]),
        lines=standing.lines,
        notices=(*standing.notices, *map(notice_text, refused)),
        attention=standing.attention,
        forecasts=standing.forecasts,
        wood=rows_of(standing.files.get("wood.csv")),
    )
    write_mark(shop.results_dir, mark)
    return mark


def _begun(standing: Standing, plan: Plan, card: tuple[str, int, int]) -> Mark:
    """Return the mark of an instrument whose files are about to be written for the first time."""
    return Mark(
        instrument=standing.instrument,
        inputs=plan.known.own[standing.instrument],
        learned=None,
        tables="",
        report="",
        card=card,
        files={},
        lines=standing.lines,
        notices=standing.notices,
        attention=standing.attention,
    )


def _ends_all(error: ShopError) -> bool:
    """Return whether an error in writing one file affects every file, such as a full or missing drive."""
    return isinstance(error.__cause__, OSError) and error.__cause__.errno in _ROOM_ENDS


def clear_forgotten(shop: Shop, marks: Mapping[str, Mark], known: set[str]) -> None:
    """Delete the tables and the report of instruments that have a mark and whose last reading was forgotten."""
    for instrument in marks:
        if instrument in known or instrument in shop.refused_instruments:
            continue
        folder = shop.results_dir / instrument
        if folder.is_symlink():
            # What it leads to is not the tool's to delete.
            drop_mark(shop.results_dir, instrument)
            continue
        for name in (*TABLE_FILES, *BLANK_FILES, REPORT, OWN_PAGE, workbook_name(instrument)):
            with suppress(OSError):
                (folder / name).unlink()
        with suppress(OSError):
            folder.rmdir()
        drop_mark(shop.results_dir, instrument)
