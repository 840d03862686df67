"""Letting go of readings: those of recordings that are gone, when the builder asks for it.

Conventions: a recording that is still there is never forgotten; tables follow with the next run.
"""

from __future__ import annotations

from collections.abc import Callable

from tapbatch.model.reading import Attention
from tapbatch.results.lock import hold, name_of_command
from tapbatch.results.readings import FOLDER
from tapbatch.results.store import ReadingStore
from tapbatch.run.inventory import is_there
from tapbatch.shop.folder import Shop


def forget(
    shop: Shop, names: list[str], say: Callable[[str], None] = lambda _line: None
) -> tuple[list[str], list[Attention]]:
    """Let go of the readings of recordings that are gone.

    Parameters
    ----------
    shop
        As opened.
    names
        Paths below ``recordings/``, as ``recordings.csv`` shows them.
    say
        Called with one line where another run is waited for.

    Returns
    -------
    tuple
        Those forgotten, and those that could not be: unknown, or still there.
    """
    if not (shop.results_dir / FOLDER).is_dir():
        return _forget(shop, names)
    with hold(shop.results_dir, name_of_command(), say):
        return _forget(shop, names)


def _forget(shop: Shop, names: list[str]) -> tuple[list[str], list[Attention]]:
    store = ReadingStore(shop.results_dir)
    found = store.read_ledger()
    ledger = dict(found.recordings)
    gone, refused = [], []
    if found.rebuilt:
        what, remedy = "the list of kept readings was lost", "run tapbatch run, which restores it, then forget"
        return [], [Attention(where=str(shop.results_dir), what=what, remedy=remedy)]
    for name in names:
        shown = name.replace("\\", "/").removeprefix("recordings/")
        if is_there(shop.recordings_dir / shown):
            what, remedy = "the recording is still there", "take it out of recordings/ first; nothing is forgotten"
            refused.append(Attention(where=shown, what=what, remedy=remedy))
        elif shown not in ledger:
            what, remedy = "no reading of it is kept", "name it as recordings.csv does"
            refused.append(Attention(where=shown, what=what, remedy=remedy))
        else:
            del ledger[shown]
            gone.append(shown)
    if gone:
        store.write_ledger(ledger)
        # The ledger first: a reading without an entry is swept, an entry without a reading would be a riddle.
        store.claim(ledger, found.recordings)
        store.sweep(ledger)
    return gone, refused
