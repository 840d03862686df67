"""Watch a shop: look at it regularly, and run a pass when a file arrives or disappears or the settings change.

Conventions: what a look finds is the truth; hints only say when to look. A pass is an ordinary run over the files
that have fully arrived. It locks the results while it runs and releases them afterwards. Tables are written at once.
Reports are drawn when nothing has changed for ``QUIET_S``, one at a time and by a separate drawer
(:mod:`~tapbatch.watch.drawing`), so that no new recording waits for a report. Errors are reported and the work is
retried: only Ctrl-C ends a watch. The clock, the hints and the drawer are passed in.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Protocol

from tapbatch.model.errors import TapbatchError
from tapbatch.model.history import History
from tapbatch.model.reading import Attention
from tapbatch.results.files import facts_of
from tapbatch.results.store import ReadingStore
from tapbatch.run.instrument import Drawn, Due
from tapbatch.run.measuring import Progress
from tapbatch.run.one_pass import How, Outcome, run_shop
from tapbatch.run.workers import WORTH_A_CREW
from tapbatch.shop.folder import Shop
from tapbatch.shop.listing import Listing, list_folder
from tapbatch.watch.arrivals import Arrivals, Look, keeps_promise
from tapbatch.watch.drawing import Drawer, Here
from tapbatch.watch.hints import Hints

LOOK_EVERY_S = 2.0
"""Time between looks when there are no hints. A look at a thousand recordings takes a few milliseconds."""

QUIET_S = 3.0
"""How long nothing must change before reports are drawn."""

AGAIN_S = 10.0
"""How long to wait before a failed pass is tried again."""

_AT_ONCE = 3


class Teller(Protocol):
    """Receives what happens during a watch."""

    def began(self, outcome: Outcome) -> None:
        """Report what was there at the start."""

    def arrived(self, history: History, path: str, shop: Shop) -> None:
        """Report the reading of a new recording whose tables have been written."""

    def attention(self, items: tuple[Attention, ...]) -> None:
        """Report what needs the builder's attention and has not been reported before."""

    def note(self, text: str) -> None:
        """Report anything else, in one line."""


@dataclass(slots=True)
class Watch:
    """A shop that is being watched.

    Parameters
    ----------
    opened
        Opens the shop, and raises the same errors as :func:`~tapbatch.shop.folder.open_shop`.
    root
        The shop folder. Its settings and notes are watched too.
    hints, clock
        Passed in so that tests can replace them.
    teller
        Receives what happens.
    look_every_s
        Seconds from one look to the next when there are no hints.
    progress
        Shows the progress of the first pass.
    drawer
        Draws reports, and rouses the hints when a report is finished.
    """

    opened: Callable[[], Shop]
    root: Path
    hints: Hints
    clock: Callable[[], float]
    teller: Teller
    look_every_s: float = LOOK_EVERY_S
    progress: Progress | None = None
    drawer: Drawer = field(default_factory=Here)
    _shop: Shop | None = None
    _settings: tuple[object, ...] = ()
    _folder: Path | None = None
    _arrivals: Arrivals | None = None
    _store: ReadingStore | None = None
    _queue: list[str] = field(default_factory=list)
    _begun: bool = False
    _due: bool = True
    _not_before_s: float = float("-inf")
    _moved_s: float = 0.0
    _reports_due: tuple[Due, ...] = ()
    _drawn: Drawn | None = None
    _failed: dict[str, Drawn] = field(default_factory=dict)
    _told: set[str] = field(default_factory=set)
    _attention: frozenset[Attention] = frozenset()
    _trouble: str = ""
    _settle_until_s: float | None = None

    @property
    def results_dir(self) -> Path | None:
        """The results folder of the shop as last opened; ``None`` while the shop is not open."""
        return self._shop.results_dir if self._shop else None

    def go_on(self) -> None:
        """Watch until interrupted."""
        try:
            while True:
                self.hints.wait(self.step())
        finally:
            self.drawer.close()
            self.hints.close()

    def step(self) -> float:
        """Look once, act on what was found, and return the longest time in seconds to wait before the next look."""
        try:
            return self._stepped()
        except TapbatchError as error:
            if str(error) != self._trouble:
                self._trouble = str(error)
                self.teller.note(self._trouble)
            self._due = True
            self._not_before_s = self.clock() + AGAIN_S
            return min(self.look_every_s, AGAIN_S)

    def _stepped(self) -> float:
        shop, arrivals = self._open()
        look = arrivals.look()
        now_s = self.clock()
        self._queue = sorted({*self._queue, *look.new} & set(look.listing.files))
        if look.changed:
            self._moved_s = now_s
        if self._settles(look, arrivals, now_s):
            return min(arrivals.next_in_s() or 0.0, self.look_every_s)
        self._drawn = self._drawn or self.drawer.take()
        if now_s >= self._not_before_s:
            if self._due or self._queue or look.gone:
                self._pass(shop, look)
            elif self._drawn is not None:
                self._put_in_place(shop, look, self._drawn)
            elif self._next_report() is not None and now_s - self._moved_s >= QUIET_S:
                self._begin_report()
        return self._next_s(arrivals)

    def _settles(self, look: Look, arrivals: Arrivals, now_s: float) -> bool:
        """Return whether to wait at the start: most files are already there and only need a second look."""
        if self._settle_until_s is None:
            self._settle_until_s = now_s + arrivals.still_without_promise_s
        soon = (arrivals.next_in_s() or 0.0) <= arrivals.still_without_promise_s
        return not self._begun and bool(look.listing.waiting) and soon and now_s < self._settle_until_s

    def _next_s(self, arrivals: Arrivals) -> float:
        now_s = self.clock()
        times = [self.look_every_s]
        if (self._queue or self._drawn or self.drawer.done) and now_s >= self._not_before_s:
            return 0.0
        waited = arrivals.next_in_s()
        if waited is not None:
            times.append(waited)
        if self._next_report() is not None:
            times.append(max(0.0, self._moved_s + QUIET_S - now_s, self._not_before_s - now_s))
        return min(times)

    # ------------------------------------------------------------- opening

    def _open(self) -> tuple[Shop, Arrivals]:
        """Return the shop; reopen it if its settings or notes changed or its recordings folder disappeared."""
        settings = _settings_facts(self.root)
        if self._shop is None or settings != self._settings or not self._shop.recordings_dir.is_dir():
            self._shop = None
            shop = self.opened()
            self._take_up(shop)
            if self._settings and settings != self._settings:
                self.teller.note("settings or notes were saved, and are taken up")
            self._settings, self._shop, self._due = settings, shop, True
            self._not_before_s = float("-inf")
        assert self._arrivals is not None
        return self._shop, self._arrivals

    def _take_up(self, shop: Shop) -> None:
        folder = shop.recordings_dir
        if self._store is None or self._store.folder.parent != shop.results_dir:
            self._store = ReadingStore(shop.results_dir)
        if self._arrivals is None or self._folder != folder:
            self._folder = folder
            self._arrivals = Arrivals(
                lambda: list_folder(folder), lambda path: keeps_promise(folder / path), self.clock
            )

    # -------------------------------------------------------------- passes

    def _pass(self, shop: Shop, look: Look) -> None:
        """Run over new files: all of them at the start or when there are many, else a few, to show them sooner."""
        self._due = False
        many = not self._begun or len(self._queue) >= WORTH_A_CREW
        taken = self._queue if many else self._queue[:_AT_ONCE]
        later = self._queue[len(taken) :]
        fresh = set(taken)

        def shown(history: History) -> None:
            if self._begun:
                for path in sorted(_paths_of(history) & fresh):
                    self.teller.arrived(history, path, shop)

        outcome = run_shop(
            shop,
            How(
                jobs=None if many else 1,
                listing=_without(look.listing, later),
                reports=0,
                drawn=tuple(self._failed.values()),
                progress=self.progress if many else None,
                say=self.teller.note,
                shown=shown,
                store=self._store,
            ),
        )
        self._queue = later
        self._moved_s = self.clock()
        if self._drawn is None:
            # Otherwise the problem that keeps a report from being saved remains, and has already been reported.
            self._trouble = ""
        self._after(outcome, look)

    def _after(self, outcome: Outcome, look: Look) -> None:
        self._reports_due = outcome.reports_due
        if not self._begun:
            self._begun = True
            # Import the measuring code now, so that the first new recording does not wait for it.
            import tapbatch.measure.recording  # noqa: F401

            self.teller.began(outcome)
            self._told.update(outcome.notices)
            self._attention = frozenset(outcome.attention)
            return
        renamed = {notice.path for notice in outcome.renamed}
        for path in look.gone:
            if path not in renamed:
                self.teller.note(f"{path} is gone; its reading is kept")
        self._tell(outcome)

    def _tell(self, outcome: Outcome) -> None:
        for notice in outcome.notices:
            self._tell_once(notice)
        new = tuple(item for item in outcome.attention if item not in self._attention)
        # A problem that was fixed and comes back is reported again.
        self._attention = frozenset(outcome.attention)
        if new:
            self.teller.attention(new)

    def _tell_once(self, notice: str) -> None:
        if notice not in self._told:
            self._told.add(notice)
            self.teller.note(notice)

    # ------------------------------------------------------------- reports

    def _next_report(self) -> Due | None:
        """Return the next report to draw; ``None`` while one is in progress. Failed reports are not retried."""
        if self.drawer.busy or self._drawn is not None:
            return None
        return next((due for due in self._reports_due if not self._has_failed(due)), None)

    def _has_failed(self, due: Due) -> bool:
        before = self._failed.get(due.instrument)
        return before is not None and before.fingerprint == due.fingerprint

    def _begin_report(self) -> None:
        due = self._next_report()
        if due is not None:
            self.drawer.begin(due)

    def _put_in_place(self, shop: Shop, look: Look, drawn: Drawn) -> None:
        """Save a finished report unless its source data have changed; a failed report stays listed as failed."""
        self._failed.pop(drawn.instrument, None)
        if drawn.standing.failed:
            self._failed[drawn.instrument] = drawn
        outcome = run_shop(
            shop,
            How(
                listing=_without(look.listing, self._queue),
                reports=0,
                drawn=tuple({**self._failed, drawn.instrument: drawn}.values()),
                say=self.teller.note,
                store=self._store,
            ),
        )
        self._drawn = None
        # A reading that could not be read back is measured again.
        self._due = bool(drawn.standing.damaged)
        self._trouble = ""
        self._reports_due = outcome.reports_due
        self._tell(outcome)


def _without(listing: Listing, later: list[str]) -> Listing:
    """Return a listing that leaves some files for later, as if they had not fully arrived."""
    if not later:
        return listing
    held = frozenset(later)
    files = {path: facts for path, facts in listing.files.items() if path not in held}
    return replace(listing, files=files, waiting=listing.waiting | held)


def _paths_of(history: History) -> set[str]:
    return {heard.recording.path for stage in history.stages for heard in stage.heard}


def _settings_facts(root: Path) -> tuple[object, ...]:
    """Return the size and time of every file, other than recordings, that the builder may edit."""
    try:
        own = sorted((root / "instruments").glob("*.toml"))
    except OSError:
        own = []
    return tuple((path, facts_of(path)) for path in (root / "shop.toml", root / "notes.csv", *own))
