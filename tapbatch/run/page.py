"""The page of all instruments, ``results/index.html``, and the cards of which it is made.

Conventions: the card of an instrument is made with its tables and kept as ``results/.readings/card-HASH.json``; its
mark knows size and time of it. The page is put together anew only when a card, what needs attention, or the tool
changed: what it was made of is kept in ``page.json`` beside the cards. So a run that finds nothing new reads no card
and writes nothing, and one new recording costs the drawings of its own instrument.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path

from tapbatch.model.notice import Notice
from tapbatch.model.reading import Attention
from tapbatch.results.files import facts_of, put_file
from tapbatch.results.marks import Mark, card_path
from tapbatch.results.readings import FOLDER

PAGE = "index.html"


def refresh_page(results: Path, marks: Iterable[Mark], attention: Sequence[Attention]) -> Notice | None:
    """Put the page in its place where it is not as it should be.

    Parameters
    ----------
    results
        The folder of the results.
    marks
        Of the instruments that the page shows.
    attention
        What needs the builder, in order.

    Returns
    -------
    Notice or None
        That the old page could not be replaced; ``None`` where all went well.

    Raises
    ------
    ShopError
        Where the results cannot be written.
    """
    shown = sorted(marks, key=lambda mark: mark.instrument)
    basis = _basis(shown, attention)
    page, kept = results / PAGE, results / FOLDER / "page.json"
    if _as_left(kept) == (basis, facts_of(page)):
        return None
    notice = put_file(page, _page(results, shown, attention))
    if notice is None:
        put_file(kept, json.dumps({"basis": basis, "facts": facts_of(page)}).encode())
    return notice


def _page(results: Path, marks: Sequence[Mark], attention: Sequence[Attention]) -> bytes:
    from tapbatch.show.browser.article import Card
    from tapbatch.show.browser.page import page_bytes

    cards = []
    for mark in marks:
        # A card that went between the look and now is made by the next run.
        with suppress(OSError, ValueError, KeyError, TypeError):
            cards.append(Card.from_bytes(card_path(results, mark.instrument).read_bytes()))
    return page_bytes(cards, attention)


def _basis(marks: Sequence[Mark], attention: Sequence[Attention]) -> str:
    from tapbatch.show.browser.page import look

    told = (look(), [(mark.instrument, mark.card) for mark in marks], attention)
    return hashlib.sha256(repr(told).encode("utf-8", "backslashreplace")).hexdigest()


def _as_left(kept: Path) -> tuple[str, tuple[int, int]] | None:
    with suppress(OSError, ValueError, KeyError, TypeError):
        told = json.loads(kept.read_text(encoding="utf-8"))
        size, mtime_ns = told["facts"]
        return str(told["basis"]), (int(size), int(mtime_ns))
    return None
