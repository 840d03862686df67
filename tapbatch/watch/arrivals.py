"""Find which recordings have fully arrived, by looking at a folder repeatedly and comparing the looks.

Conventions: paths are relative to the recordings folder and use ``/``. Times are in seconds of the clock passed in,
never file-system times, because copying programs set those as they like. What a look finds is the truth; change
events from the system only say when to look.

A file has *arrived* when its size, time and identity on disk have not changed for a while and it holds all the data
its header promises. The wait is longer if the header promises nothing (many compressed formats), or if the file ends
in zeros, which may be space reserved for data still to come. If data are missing, the watch waits for them: a cable
may have been pulled, and a cloud folder may take minutes. After ``patience_s`` without change the file counts as
arrived as it is; it is measured as far as possible and listed among the things that need attention. A file that had
arrived and now has another name, but is the same file on disk, arrives at once, because a move copies nothing. What
the tool itself put there in one step arrives at once too.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from tapbatch.listen.header import read_header
from tapbatch.shop.listing import Facts, Listing

STILL_S = 0.3
"""How long a file must stay unchanged if it is as long as its header promises."""

STILL_WITHOUT_PROMISE_S = 2.0
"""How long a file must stay unchanged if its header promises nothing; transfers can pause for a second at a time."""

PATIENCE_S = 60.0
"""How long an incomplete file must stay unchanged before it is accepted as it is."""


_TAIL_BYTES = 1024


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What one look found: the listing, and the sorted paths that are ``new`` in it or ``gone`` from it."""

    listing: Listing
    new: tuple[str, ...]
    gone: tuple[str, ...]

    @property
    def changed(self) -> bool:
        """Whether any file arrived or disappeared."""
        return bool(self.new or self.gone)


def keeps_promise(path: Path) -> bool | None:
    """Return whether a file holds all the data its header promises; ``None`` if the header promises nothing.

    A file that ends in zeros is treated as one that promises nothing, because some copying programs and servers
    create a file at its full length before they fill it.
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
    """Looks at a folder and finds what has arrived and what has disappeared since the previous look.

    Parameters
    ----------
    listing
        Lists the folder, as :func:`list_folder` does.
    promise
        Takes a path and returns whether the file is as long as its header promises; ``None`` if the header promises
        nothing (:func:`keeps_promise`).
    clock
        Returns seconds that never go backwards (``time.monotonic``).
    whole
        Takes a path and tells whether it is known to have been put there whole, in one step; default none is.
    still_s, still_without_promise_s, patience_s
        How long a file must stay unchanged, in seconds: if it is complete, if its header promises nothing, and if
        data are missing.

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
    whole: Callable[[str], bool] = lambda _path: False
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
                # A file in a folder that cannot be listed may still be there.
                seen[path] = before
            elif before.arrived:
                gone.append(path)
        self._seen = seen
        arrived = {path: s.facts for path, s in seen.items() if s.arrived and path in found.files}
        waiting = frozenset(path for path in found.files if path not in arrived)
        listing = Listing(files=arrived, unlisted=found.unlisted, waiting=waiting)
        return Look(listing=listing, new=tuple(sorted(new)), gone=tuple(sorted(gone)))

    def next_in_s(self) -> float | None:
        """Return the seconds until the next pending file may have arrived; ``None`` if no file is pending."""
        now_s = self.clock()
        times = [s.since_s + self._needed_s(s) - now_s for s in self._seen.values() if not s.arrived]
        return max(0.0, min(times)) if times else None

    def _seen_now(self, path: str, facts: Facts, now_s: float, settled: set[Facts]) -> _Seen:
        before = self._seen.get(path)
        if before is not None and before.facts == facts:
            return before
        moved = before is None and ((facts.inode != 0 and facts in settled) or self.whole(path))
        # An empty file has received no data yet. A moved file was already unchanged under its old name, and what the
        # tool itself put there is whole.
        kept = self.promise(path) if facts.size else False
        return _Seen(facts, now_s - (self.patience_s if moved else 0.0), kept=kept)

    def _needed_s(self, seen: _Seen) -> float:
        if seen.kept is None:
            return self.still_without_promise_s
        return self.still_s if seen.kept else self.patience_s

    def _has_arrived(self, path: str, seen: _Seen, now_s: float) -> bool:
        # Allow ten nanoseconds, since sums of seconds are rounded.
        return now_s - seen.since_s >= self._needed_s(seen) - 1e-8
