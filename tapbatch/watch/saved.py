"""What the builder saved while a shop is under watch: settings and notes, by size and time, and targets."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from threading import Lock

from tapbatch.model.settings import TargetSetting
from tapbatch.results.files import facts_of
from tapbatch.shop.folder import Shop, open_shop
from tapbatch.shop.now_file import NAME as NOW_FILE


def targets_of(shop: Shop, instrument: str) -> tuple[TargetSetting, ...]:
    """Return the targets of an instrument; none if its settings were not understood."""
    return () if instrument in shop.refused_instruments else tuple(shop.settings_of(instrument).target)


def settings_facts(root: Path) -> tuple[object, ...]:
    """Return the size and time of every file, other than recordings, that the builder may edit."""
    try:
        own = sorted((root / "instruments").glob("*.toml"))
    except OSError:
        own = []
    return tuple((path, facts_of(path)) for path in (root / "shop.toml", root / "notes.csv", *own))


class ShopNow:
    """The shop as its files are now: opened anew whenever settings, notes or the log were saved; for any thread.

    Parameters
    ----------
    root
        The shop folder.
    opened
        Opens it; default :func:`~tapbatch.shop.folder.open_shop`.
    """

    def __init__(self, root: Path, opened: Callable[[Path], Shop] = open_shop) -> None:
        self._root, self._opened = root, opened
        self._lock = Lock()
        self._shop: Shop | None = None
        self._facts: tuple[object, ...] = ()

    def __call__(self) -> Shop:
        """Return the shop.

        Raises
        ------
        TapbatchError
            As :func:`~tapbatch.shop.folder.open_shop` does.
        """
        with self._lock:
            # Looked at before it is opened, so that what is saved meanwhile is seen the next time.
            facts = (*settings_facts(self._root), facts_of(self._root / NOW_FILE))
            if self._shop is None or facts != self._facts:
                self._shop = None
                self._shop, self._facts = self._opened(self._root), facts
            return self._shop
