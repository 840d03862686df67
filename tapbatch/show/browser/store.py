"""The page of the wood store: all boards beside one another, as charts and as tables.

Conventions: as in :mod:`tapbatch.show.browser.page`, whose style it has; the page stands alone.
"""

from __future__ import annotations

from collections.abc import Sequence

from tapbatch.show.browser.figures import figure
from tapbatch.show.browser.markup import Markup, joined, tag
from tapbatch.show.browser.page import standing_page
from tapbatch.show.browser.sheets import sheet
from tapbatch.show.draw.chart import SCREEN
from tapbatch.show.draw.store import store_charts
from tapbatch.show.view.store import (
    EXPLAINED,
    HEADINGS,
    MOIST,
    MOIST_EXPLAINED,
    MOIST_HEADINGS,
    MOIST_TABLE,
    PAIR_HEADINGS,
    PAIRS,
    PAIRS_EXPLAINED,
    PAIRS_TABLE,
    TITLE,
    StoredBoard,
    moist_rows,
    pair_rows,
    store_row,
)


def store_bytes(boards: Sequence[StoredBoard]) -> bytes:
    """Return the page of the wood store.

    Examples
    --------
    >>> store_bytes([])[:15]
    b'<!DOCTYPE html>'
    """
    drawn = [figure(chart, name, name) for name, chart in store_charts(boards, SCREEN)]
    charts = tag("div", *drawn, class_="figures") if drawn else Markup()
    table = sheet(TITLE, HEADINGS, map(store_row, boards))
    moist = _told(MOIST, MOIST_EXPLAINED, sheet(MOIST_TABLE, MOIST_HEADINGS, moist_rows(boards)))
    pairs = _told(PAIRS, PAIRS_EXPLAINED, sheet(PAIRS_TABLE, PAIR_HEADINGS, pair_rows(boards)))
    links = tag(
        "p", tag("a", "The wood store, PDF", href="blanks.pdf"), " ", tag("a", "blanks.csv", href="blanks.csv")
    )
    content = tag(
        "section", tag("h2", TITLE), tag("p", EXPLAINED), charts, table, moist, pairs, links, aria_label=TITLE
    )
    return standing_page(TITLE, content)


def _told(title: str, explained: str, table: Markup) -> Markup:
    """Return a table with its title and what it means; nothing if it has no rows."""
    return joined([tag("h3", title), tag("p", explained), table]) if table else Markup()
