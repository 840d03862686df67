"""Make the page of all instruments, ``results/index.html``, from their cards; their own pages come with their tables.

Conventions: the card of an instrument is made with its tables and kept as ``results/.readings/card-HASH.json``; its
mark records the card's size and time. The page is remade only if a card, the attention list or the tool changed; what
it was made from is kept in ``page.json`` beside the cards. So a run that finds nothing new reads no card and writes
nothing, and a new recording only costs the drawings of its own instrument. A damaged card is left out and reported,
so that the run can remake it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from tapbatch.model.forecast import ForecastCame
from tapbatch.model.notice import Notice
from tapbatch.model.reading import Attention
from tapbatch.results.files import facts_of, put_file
from tapbatch.results.marks import Mark, read_card
from tapbatch.results.readings import FOLDER
from tapbatch.results.sealed import RefusedError, load, refuse, seal

if TYPE_CHECKING:
    from tapbatch.show.browser.article import Card

PAGE = "index.html"


@dataclass(frozen=True, slots=True)
class PageSaid:
    """What to report about the page, and whether it lacks an instrument because its card was refused."""

    notices: tuple[Notice, ...] = ()
    lacks: bool = False


def refresh_page(
    results: Path, marks: Iterable[Mark], attention: Sequence[Attention], *, has_store: bool = False
) -> PageSaid:
    """Write the page if it is out of date.

    Parameters
    ----------
    results
        The results folder.
    marks
        The marks of the instruments that the page shows.
    attention
        What the builder must deal with, in the order to show.
    has_store
        Whether there is a page of the wood store to lead to; default no.

    Returns
    -------
    PageSaid
        Has a notice if the page could not be replaced, and one for each kept file that was refused and set aside.

    Raises
    ------
    ShopError
        If the results cannot be written.
    """
    from tapbatch.show.browser.page import index_bytes

    shown = sorted(marks, key=lambda mark: mark.instrument)
    basis = _basis(shown, attention, has_store=has_store)
    page, kept = results / PAGE, results / FOLDER / "page.json"
    notices: list[Notice] = []
    if as_left(kept, notices) == (basis, facts_of(page)):
        return PageSaid()
    refused: list[Notice] = []
    cards = _cards(results, shown, refused)
    notice = put_file(page, index_bytes(cards, attention, _forecasts(shown), has_store=has_store))
    if notice is None and not refused:
        put_file(kept, seal(json.dumps({"basis": basis, "facts": facts_of(page)})))
    return PageSaid((*notices, *refused, *([] if notice is None else [notice])), bool(refused))


def _cards(results: Path, marks: Sequence[Mark], refused: list[Notice]) -> Iterator[Card]:
    from tapbatch.show.browser.article import Card

    for mark in marks:
        # A card that was deleted in the meantime is remade by the next run.
        with suppress(OSError):
            try:
                card = Card.from_bytes(read_card(results, mark.instrument))
            except RefusedError as error:
                refused.append(refuse(error))
            else:
                yield card


def _forecasts(marks: Sequence[Mark]) -> list[ForecastCame]:
    return [one for mark in marks for one in mark.forecasts]


def _basis(marks: Sequence[Mark], attention: Sequence[Attention], *, has_store: bool) -> str:
    from tapbatch.show.browser.page import look

    told = (look(), [(mark.instrument, mark.card) for mark in marks], attention, _forecasts(marks), has_store)
    return hashlib.sha256(repr(told).encode("utf-8", "backslashreplace")).hexdigest()


def as_left(kept: Path, notices: list[Notice]) -> tuple[str, tuple[int, int] | None] | None:
    """Return what a kept file says of a page: what it was made from, and its size and time; ``None`` without.

    A file that cannot be trusted is set aside, with a notice.
    """
    from tapbatch.results.kept import KeptPage

    with suppress(OSError):
        try:
            told = load(kept, KeptPage)
        except RefusedError as error:
            notices.append(refuse(error))
        else:
            return told.basis, told.facts
    return None
