"""The page: one HTML file with all instruments, put together from their cards.

Conventions: self-contained, so that it opens from the disk and goes to a telephone as one file: style and script are
in it, nothing is fetched. Its content security policy names the two by their hashes and allows nothing else, so that
even markup that slipped through could not act. The same cards give the same bytes.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from importlib.resources import files

from tapbatch.model.reading import Attention
from tapbatch.show.browser.article import Card
from tapbatch.show.browser.markup import Markup, tag
from tapbatch.show.browser.sheets import framed, sheet
from tapbatch.show.view.tables import Cell

COLUMNS = ("Instrument", "Note", "How sure", "Moved", "How far", "Latest stage")

_ARTICLES = Markup("<!-- articles -->")

FOOTER = (
    "A dot is a reading and its bar the 95 % interval; hollow and pale means unsure. = stood still; ? cannot tell. "
    "Broken line, or figure in orange: something besides the wood differed."
)

LIVE_MARK = b"<html lang="
"""Where a served page is told that it may ask for newer readings (:func:`as_served`)."""


def page_pieces(rows: Sequence[str], cards: Iterable[Card], attention: Sequence[Attention]) -> Iterator[bytes]:
    """Yield the page in pieces, an article at a time, so that no more than one of many cards is held.

    ``rows`` are those of the list of all instruments, from their cards.

    Examples
    --------
    >>> next(page_pieces([], [], ()))[:15]
    b'<!DOCTYPE html>'
    """
    before, _, after = _shell(rows, attention).partition(_ARTICLES)
    yield before.encode()
    for card in cards:
        yield _article(card).encode()
    yield after.encode()


def _shell(rows: Sequence[str], attention: Sequence[Attention]) -> str:
    """Return the page with a mark where the articles belong; all text is escaped, so no name can be such a mark."""
    views = tag("nav", tag("a", "Bench card", href="#bench"), aria_label="Views", id="views", hidden=True)
    body = tag(
        "body",
        tag("a", "Skip to the readings", href="#readings", class_="skip"),
        tag("header", tag("h1", "Bench readings"), tag("p", "", id="live", role="status"), views, class_="top"),
        tag("main", _overview(rows), _attention(attention), _ARTICLES, id="readings", tabindex=-1),
        tag("footer", tag("p", FOOTER)),
        Markup(f"<script>{_part('page.js')}</script>"),
    )
    return f"<!DOCTYPE html>\n{tag('html', _head(), body, lang='en')}\n"


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


def _head() -> Markup:
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
        tag("title", "Bench readings"),
        # No icon: without this a browser asks its server for one.
        tag("link", rel="icon", href="data:,"),
        Markup(f"<style>{_part('page.css')}</style>"),
    )


def _overview(rows: Sequence[str]) -> Markup:
    if not rows:
        return tag("p", "No readings yet: drop recordings into the recordings folder.", class_="silence")
    return framed("All instruments", COLUMNS, map(Markup, rows), class_="scroll overview", id_="all")


def _attention(items: Sequence[Attention]) -> Markup:
    if not items:
        return Markup()
    rows = [[Cell(item.where), Cell(item.what), Cell(item.remedy)] for item in items]
    table = sheet("Needs attention", ("Where", "What", "What to do"), rows)
    link = tag("p", tag("a", "attention.csv", href="attention.csv"))
    return tag("section", table, link, class_="attention", aria_label="Needs attention", id="attention")


def _article(card: Card) -> Markup:
    """Mark an article with a hash of its content, so that an open page knows whether to replace it."""
    made = hashlib.sha256(card.article.encode()).hexdigest()[:16]
    marks = tag("article", data_made=made, data_recorded=card.recorded).removesuffix("></article>")
    return Markup(card.article.replace("<article", marks, 1))


@cache
def _part(name: str) -> str:
    return (files("tapbatch.show.browser") / name).read_text(encoding="utf-8")


def _hash(name: str) -> str:
    return f"sha256-{base64.b64encode(hashlib.sha256(_part(name).encode()).digest()).decode()}"
