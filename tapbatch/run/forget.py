"""Delete the readings of recordings that are gone, when the builder asks for it.

Conventions: a recording that still exists is never forgotten; the next run updates the tables.
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
    """Delete the readings of recordings that are gone.

    Parameters
    ----------
    shop
        The shop, as opened.
    names
        Paths relative to ``recordings/``, as ``recordings.csv`` shows them.
    say
        Called with one line if it has to wait for a run to end.

    Returns
    -------
    gone : list of str
        The recordings that were forgotten.
    refused : list of Attention
        One for each name that could not be forgotten, because it is unknown or the recording still exists.
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
        # On some systems a file's own name may hold a backslash.
        shown = name if name in ledger else name.replace("\\", "/").removeprefix("recordings/")
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
        # Write the ledger first: a reading without an entry is deleted later, but an entry needs its reading.
        store.claim(ledger, found.recordings)
        store.sweep(ledger)
    return gone, refused
