"""Make the output of one instrument: its tables, report, card and lines, as bytes and text ready to be written.

Conventions: the output depends only on the instrument's history, and so on its inputs and on what was learned from
the shop (:mod:`~tapbatch.run.histories`). Any process can make it, because nothing is written here. The report has
its own fingerprint, because a watch draws it later than the tables.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from tapbatch.compare.across import Common
from tapbatch.model.errors import UNFORESEEN, TapbatchError
from tapbatch.model.forecast import ForecastCame
from tapbatch.model.history import History
from tapbatch.model.reading import Attention
from tapbatch.results.files import OWN_PAGE, REPORT
from tapbatch.results.store import ReadingStore
from tapbatch.run.histories import Inputs, history_of
from tapbatch.run.lines import KeptLines
from tapbatch.show.say.notices import notice_text
from tapbatch.show.tables.columns import table_bytes
from tapbatch.show.tables.rows import history_to_tables, table_rows, tables_of
from tapbatch.show.tables.workbook import workbook_bytes, workbook_name, workbook_notices


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """An instrument whose output is to be made from a store of readings.

    Attributes
    ----------
    inputs, shared
        The instrument's own inputs, and what was learned from all instruments of the shop.
    store
        The readings.
    report, workbook, history
        Whether to make each of these in addition to tables, card and lines; default no.
    """

    inputs: Inputs
    store: ReadingStore
    report: bool = False
    workbook: bool = False
    history: bool = False
    shared: Common = field(default_factory=Common)


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """The output of an instrument: its files as bytes, and what to report.

    Attributes
    ----------
    files
        The contents of its files, by name.
    card
        Its part of the page.
    lines
        The lines that summarise it in the terminal.
    notices, attention
        What is good to know, and what the builder must deal with.
    damaged, lost
        Keys of readings that could not be read: of recordings that are present, and of recordings that are gone.
    history
        Its history, if it was asked for.
    forecasts
        The forecasts of its steps, and what came of them.
    failed
        Whether nothing could be made; ``attention`` says why.
    """

    instrument: str
    files: Mapping[str, bytes] = field(default_factory=dict)
    card: bytes = b""
    lines: tuple[str, ...] = ()
    notices: tuple[str, ...] = ()
    attention: tuple[Attention, ...] = ()
    damaged: tuple[str, ...] = ()
    lost: tuple[str, ...] = ()
    history: History | None = None
    forecasts: tuple[ForecastCame, ...] = ()
    failed: bool = False


def work_out(task: Task) -> Standing:
    """Make an instrument's output; an error in it is returned as attention, so that other instruments continue."""
    try:
        return _worked_out(task)
    except TapbatchError as error:
        what, remedy = error.what, error.remedy
    except UNFORESEEN as error:
        what = f"its tables cannot be made ({type(error).__name__}: {error})"
        remedy = "keep its recordings and report it; the other instruments go on"
    return not_worked_out(task.inputs.instrument, what, remedy)


def not_worked_out(instrument: str, what: str, remedy: str) -> Standing:
    """Return the output of an instrument whose tables could not be made: no files, only an attention."""
    told = Attention(where=instrument, what=" ".join(what.split()), remedy=remedy)
    return Standing(instrument=instrument, attention=(told,), failed=True)


def _worked_out(task: Task) -> Standing:
    from tapbatch.show.browser.article import card_of
    from tapbatch.show.browser.page import own_bytes
    from tapbatch.show.terminal.told import history_lines

    name, settings = task.inputs.instrument, task.inputs.settings
    worked = history_of(task.inputs, task.shared, task.store)
    history = worked.history
    lined = KeptLines(task.store, {recording.path: key for recording, key, _ in task.inputs.items})
    files = {f"{table}.csv": table_bytes(table, table_rows(table, history)) for table in tables_of(history)}
    notices = list(history.notices)
    if task.workbook:
        tables = history_to_tables(history)
        files[workbook_name(name)] = workbook_bytes(tables)
        notices += workbook_notices(tables)
        del tables
    if task.report:
        from tapbatch.show.pdf import report

        files[REPORT] = report.report_bytes(history, settings, lined)
    card = card_of(history, settings, lined)
    files[OWN_PAGE] = own_bytes(card, history.instrument_shown)
    return Standing(
        instrument=name,
        files=files,
        card=card.to_bytes(),
        lines=tuple(line for line, _ in history_lines(history, settings.steady_cents)),
        notices=tuple(f"{name}: {notice_text(notice)}" for notice in notices),
        attention=worked.attention,
        damaged=worked.damaged,
        lost=worked.lost,
        history=history if task.history else None,
        forecasts=history.forecasts,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """A report that is due: its instrument, the fingerprint of its inputs, and the task that draws it."""

    instrument: str
    fingerprint: str
    task: Task


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """A report that was drawn, with its tables, for inputs with this fingerprint; ``standing`` may have failed."""

    instrument: str
    fingerprint: str
    standing: Standing
