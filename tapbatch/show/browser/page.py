"""The pages: a list of all instruments, and a page of its own for each, made from their cards.

Conventions: pages opened from the disk cannot load one another, so each is self-contained and goes to a telephone as
one file: style and script are in it, nothing is fetched. A served page asks its server for newer readings; its list
also fetches the newest reading for the bench card. A page's content security policy names style and script by their
hashes and allows nothing else, so that even markup that slipped through could not act. The same cards give the same
bytes.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Iterable, Sequence
from functools import cache
from importlib.resources import files

from tapbatch.model.forecast import ForecastCame, kept_of
from tapbatch.model.reading import Attention
from tapbatch.show.browser.article import Card, row_id
from tapbatch.show.browser.figures import forecasts_figure
from tapbatch.show.browser.markup import Markup, tag
from tapbatch.show.browser.sheets import framed, sheet
from tapbatch.show.say.forecasts import kept_text
from tapbatch.show.view.tables import Cell

COLUMNS = ("Instrument", "Note", "How sure", "Moved", "How far", "Latest stage")

FOOTER = (
    "A dot is a reading and its bar the 95 % interval; hollow and pale means unsure. = did not move; ? cannot tell. "
    "Broken line, or figure in orange: something besides the wood may have done it."
)

LIVE_MARK = b"<html lang="
"""Where a served page is told that it may ask for newer readings (:func:`as_served`)."""


def index_bytes(
    cards: Iterable[Card],
    attention: Sequence[Attention],
    forecasts: Sequence[ForecastCame] = (),
    *,
    has_store: bool = False,
) -> bytes:
    """Return the page of all instruments: a list that leads to their own pages, and how forecasts came out.

    No card is held. With ``has_store`` the page leads to that of the wood store, too; default no.

    Examples
    --------
    >>> index_bytes([], ())[:15]
    b'<!DOCTYPE html>'
    """
    to_store = (tag("a", "The wood store", href="blanks.html"), " ") if has_store else ()
    views = tag("nav", *to_store, _bench_link(), aria_label="Views", id="views")
    content = (_overview([_row(card) for card in cards]), _forecasts(forecasts), _attention(attention))
    return _page("Bench readings", views, content, own=False)


def own_bytes(card: Card, shown: str) -> bytes:
    """Return an instrument's own page; it lies in a folder beside the page of all instruments.

    Parameters
    ----------
    card
        What the pages hold of it.
    shown
        Its name as written.
    """
    to_all = tag("a", "All instruments", href="../index.html")
    views = tag("nav", to_all, " ", _bench_link(), aria_label="Views", id="views")
    return _page(shown, views, (_article(card),), own=True)


def standing_page(title: str, content: Markup) -> bytes:
    """Return a page beside that of all instruments, which leads back to it; it tells itself what its marks mean."""
    views = tag("nav", tag("a", "All instruments", href="index.html"), aria_label="Views", id="views")
    return _page(title, views, (content,), own=True, readings=False)


def _bench_link() -> Markup:
    # The script shows it where there is something for the bench.
    return tag("a", "Bench card", href="#bench", data_bench=True, hidden=True)


def _page(title: str, views: Markup, content: Sequence[Markup], *, own: bool, readings: bool = True) -> bytes:
    body = tag(
        "body",
        tag("a", "Skip to the readings", href="#readings", class_="skip"),
        tag("header", tag("h1", "Bench readings"), tag("p", "", id="live", role="status"), views, class_="top"),
        tag("main", *content, id="readings", tabindex=-1),
        tag("footer", tag("p", FOOTER)) if readings else "",
        Markup(f"<script>{_part('page.js')}</script>"),
        data_own=own,
    )
    return f"<!DOCTYPE html>\n{tag('html', _head(title), body, lang='en')}\n".encode()


def as_served(page: bytes) -> bytes:
    """Return a page that asks its server for newer readings; a page opened from the disk asks nobody.

    Examples
    --------
    >>> as_served(b'<!DOCTYPE html><html lang="en">')
    b'<!DOCTYPE html><html data-live lang="en">'
    """
    return page.replace(LIVE_MARK, b"<html data-live lang=", 1)


def look() -> str:
    """Return a hash of the page's style and script, whatever the page holds."""
    return hashlib.sha256((_part("page.css") + _part("page.js") + _head()).encode()).hexdigest()[:16]


def _head(title: str = "Bench readings") -> Markup:
    rules = (
        f"default-src 'none'; style-src '{_hash('page.css')}'; script-src '{_hash('page.js')}'; img-src data:; "
        "connect-src 'self'; base-uri 'none'; form-action 'none'"
    )
    return tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=Markup(rules)),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="color-scheme", content="light dark"),
        tag("title", title),
        # No icon: without this a browser asks its server for one.
        tag("link", rel="icon", href="data:,"),
        Markup(f"<style>{_part('page.css')}</style>"),
    )


def _overview(rows: Sequence[Markup]) -> Markup:
    if not rows:
        return tag("p", "No readings yet: drop recordings into the recordings folder.", class_="silence")
    return framed("All instruments", COLUMNS, rows, class_="scroll overview", id_="all")


def _forecasts(forecasts: Sequence[ForecastCame]) -> Markup:
    if not forecasts:
        return Markup()
    link = tag("p", tag("a", "forecasts.csv", href="forecasts.csv"))
    kept = kept_of(forecasts)
    few = tag("p", tag("b", "Forecasts"), f" {kept_text(kept)}")
    shown = tag("div", forecasts_figure(forecasts), class_="figures") if kept.enough else few
    return tag("section", shown, link, aria_label="How forecasts came out", id="forecasts")


def _attention(items: Sequence[Attention]) -> Markup:
    if not items:
        return Markup()
    rows = [[Cell(item.where), Cell(item.what), Cell(item.remedy)] for item in items]
    table = sheet("Needs attention", ("Where", "What", "What to do"), rows)
    link = tag("p", tag("a", "attention.csv", href="attention.csv"))
    return tag("section", table, link, class_="attention", aria_label="Needs attention", id="attention")


def _article(card: Card) -> Markup:
    """Mark an article with a hash of its content, so that an open page knows whether to replace it."""
    marks = tag("article", data_made=_made(card), data_recorded=card.recorded).removesuffix("></article>")
    return Markup(card.article.replace("<article", marks, 1))


def _row(card: Card) -> Markup:
    """Mark a row as its article is marked, so that the list changes when anything of an instrument does."""
    said = re.search(r'<article[^>]* data-said="([^"]*)"', card.article)
    marks = tag(
        "tr",
        id=row_id(card.instrument),
        data_made=_made(card),
        data_recorded=card.recorded,
        data_said=Markup(said[1]) if said else None,
    ).removesuffix("></tr>")
    return Markup(card.row.replace("<tr", marks, 1))


def _made(card: Card) -> str:
    return hashlib.sha256(card.article.encode()).hexdigest()[:16]


@cache
def _part(name: str) -> str:
    return (files("tapbatch.show.browser") / name).read_text(encoding="utf-8")


def _hash(name: str) -> str:
    return f"sha256-{base64.b64encode(hashlib.sha256(_part(name).encode()).digest()).decode()}"
