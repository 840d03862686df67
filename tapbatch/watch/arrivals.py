"""Which recordings have wholly arrived: a folder looked at again and again, and what became of it in between.

Conventions: paths lie below the folder of recordings and use ``/``; times are seconds of the clock that is handed in,
never the file system's, for copying programs set those as they like. What a look finds is the truth; what the system
tells of changes only says when to look.

A file has *arrived* when its size, time and identity on disk have been still for a while, and what its header
promises is there. Where the header promises nothing (many compressed formats), or the file ends in zeros that may be
room kept for what is still to come, the stillness must be longer. A promise that is not kept is waited for: cables
are pulled, and a cloud folder may take minutes. When nothing has moved for ``patience_s`` the file arrives as it is,
to be measured as far as it goes and named among what needs attention. What bears another name but is the same on
disk, and had arrived, arrives at once: a move copies nothing.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from tapbatch.listen.header import read_header
from tapbatch.shop.listing import Facts, Listing

STILL_S = 0.3
"""How long a file must be still that is as long as its header promises."""

STILL_WITHOUT_PROMISE_S = 2.0
"""How long a file must be still whose header promises nothing: phones and cables pause for a second at a time."""

PATIENCE_S = 60.0
"""How long a file must be still before it is taken as it is, although part of it is missing."""


_TAIL_BYTES = 1024


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What one look found: all that is there, and what is ``new`` among it or ``gone`` from it, each sorted."""

    listing: Listing
    new: tuple[str, ...]
    gone: tuple[str, ...]

    @property
    def changed(self) -> bool:
        """Whether anything arrived or went."""
        return bool(self.new or self.gone)


def keeps_promise(path: Path) -> bool | None:
    """Tell whether all that a file's header promises is there; ``None`` where it promises nothing.

    A file that ends in zeros is as good as one that promises nothing: some copying programs and servers make a file
    as long as it will be before they fill it.
    """
    try:
        header = read_header(path)
        if header.promised_bytes is None or (header.whole and _ends_in_zeros(path)):
            return None
    except (OSError, ValueError):
        return None
    return header.whole


def _ends_in_zeros(path: Path) -> bool:
    with path.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        file.seek(max(0, size - _TAIL_BYTES))
        return not any(file.read(_TAIL_BYTES))


@dataclass(slots=True)
class _Seen:
    facts: Facts
    since_s: float
    arrived: bool = False
    kept: bool | None = None


@dataclass(slots=True)
class Arrivals:
    """Looks at a folder and tells what has arrived and what has gone since the look before.

    Parameters
    ----------
    listing
        Lists the folder, as :func:`list_folder` does.
    promise
        Tells of a path whether its header's promise is kept, ``None`` where there is none (:func:`keeps_promise`).
    clock
        Seconds that never go back (``time.monotonic``).
    still_s, still_without_promise_s, patience_s
        How long a file must be still: where its promise is kept, where there is none, and where it is broken.

    Examples
    --------
    >>> now, there = [0.0], {"a.wav": Facts(100, 1)}
    >>> arrivals = Arrivals(lambda: Listing(files=dict(there)), lambda path: True, lambda: now[0])
    >>> arrivals.look().new, arrivals.next_in_s()
    ((), 0.3)
    >>> now[0] = 0.4
    >>> arrivals.look().new
    ('a.wav',)
    """

    listing: Callable[[], Listing]
    promise: Callable[[str], bool | None]
    clock: Callable[[], float]
    still_s: float = STILL_S
    still_without_promise_s: float = STILL_WITHOUT_PROMISE_S
    patience_s: float = PATIENCE_S
    _seen: dict[str, _Seen] = field(default_factory=dict)

    def look(self) -> Look:
        """Look once."""
        found, now_s = self.listing(), self.clock()
        settled = {s.facts for path, s in self._seen.items() if s.arrived and path not in found.files}
        seen: dict[str, _Seen] = {}
        new = []
        for path, facts in found.files.items():
            seen[path] = self._seen_now(path, facts, now_s, settled)
            if not seen[path].arrived and self._has_arrived(path, seen[path], now_s):
                seen[path].arrived = True
                new.append(path)
        gone = []
        for path, before in self._seen.items():
            if path in seen:
                continue
            if found.unlisted:
                # What lies in a folder that cannot be listed is not known to be gone.
                seen[path] = before
            elif before.arrived:
                gone.append(path)
        self._seen = seen
        arrived = {path: s.facts for path, s in seen.items() if s.arrived and path in found.files}
        waiting = frozenset(path for path in found.files if path not in arrived)
        listing = Listing(files=arrived, unlisted=found.unlisted, waiting=waiting)
        return Look(listing=listing, new=tuple(sorted(new)), gone=tuple(sorted(gone)))

    def next_in_s(self) -> float | None:
        """Return in how many seconds a file that is waited for may have arrived; ``None`` where none is."""
        now_s = self.clock()
        times = [s.since_s + self._needed_s(s) - now_s for s in self._seen.values() if not s.arrived]
        return max(0.0, min(times)) if times else None

    def _seen_now(self, path: str, facts: Facts, now_s: float, settled: set[Facts]) -> _Seen:
        before = self._seen.get(path)
        if before is not None and before.facts == facts:
            return before
        moved = before is None and facts.inode != 0 and facts in settled
        # An empty file is one of which nothing has come yet. What was moved has been still under its other name.
        kept = self.promise(path) if facts.size else False
        return _Seen(facts, now_s - (self.patience_s if moved else 0.0), kept=kept)

    def _needed_s(self, seen: _Seen) -> float:
        if seen.kept is None:
            return self.still_without_promise_s
        return self.still_s if seen.kept else self.patience_s

    def _has_arrived(self, path: str, seen: _Seen, now_s: float) -> bool:
        # Ten nanoseconds of grace, since sums of seconds are rounded.
        return now_s - seen.since_s >= self._needed_s(seen) - 1e-8
