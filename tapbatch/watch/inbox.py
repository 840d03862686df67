"""The inbox under watch: which of its files have fully arrived, and whether any is new."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from tapbatch.shop.listing import Listing, is_folder, list_folder
from tapbatch.watch.arrivals import Arrivals, keeps_promise


@dataclass(slots=True)
class InboxWatch:
    """Looks into an inbox, which need not be there; ``arrived`` are the files of the last look, by path.

    Examples
    --------
    >>> inbox = InboxWatch(lambda: 0.0)
    >>> inbox.take_up(Path("nowhere"))
    >>> inbox.look(), inbox.arrived, inbox.next_in_s()
    (False, frozenset(), None)
    """

    clock: Callable[[], float]
    arrived: frozenset[str] = frozenset()
    _folder: Path | None = None
    _arrivals: Arrivals | None = field(default=None)

    def take_up(self, folder: Path) -> None:
        """Look into this folder from now on."""
        if self._folder == folder:
            return
        self._folder = folder
        self._arrivals = Arrivals(
            lambda: list_folder(folder) if is_folder(folder) else Listing(files={}),
            lambda path: keeps_promise(folder / path),
            self.clock,
        )

    def look(self) -> bool:
        """Look once; return whether a file has fully arrived since the last look."""
        if self._arrivals is None:
            return False
        look = self._arrivals.look()
        self.arrived = frozenset(look.listing.files)
        return bool(look.new)

    def next_in_s(self) -> float | None:
        """Return the seconds until the next file may have arrived; ``None`` if none is pending."""
        return self._arrivals.next_in_s() if self._arrivals else None
