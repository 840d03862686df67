"""Watching a shop: a look now and then, and a pass over it whenever something arrived, went, or was set anew.

Conventions: what a look finds is the truth; hints only say when to look. A pass is an ordinary run whose listing is
what has wholly arrived; it holds the results for as long as it takes, and lets go of them in between. Tables come at
once; reports when nothing has moved for ``QUIET_S``, one at a time and by somebody else
(:mod:`~tapbatch.watch.drawing`), so that no arrival waits for one. What goes wrong is told and tried again: nothing
but Ctrl-C ends a watch. The clock, the hints and who draws are handed in.
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
"""How often to look where no hint comes: a look at a thousand recordings costs a few milliseconds."""

QUIET_S = 3.0
"""How long nothing must have moved before reports are drawn."""

AGAIN_S = 10.0
"""After how long a pass that could not be done is tried again."""

_AT_ONCE = 3


class Teller(Protocol):
    """Whom a watch tells what happened."""

    def began(self, outcome: Outcome) -> None:
        """Tell what was there at the start."""

    def arrived(self, history: History, path: str, shop: Shop) -> None:
        """Tell the reading of a recording that arrived, whose tables are in place."""

    def attention(self, items: tuple[Attention, ...]) -> None:
        """Tell what needs the builder and was not told before."""

    def note(self, text: str) -> None:
        """Tell anything else, in a line."""


@dataclass(slots=True)
class Watch:
    """A shop under watch.

    Parameters
    ----------
    opened
        Opens the shop, and raises what :func:`~tapbatch.shop.folder.open_shop` does.
    root
        The shop folder, whose settings and notes are looked at as well.
    hints, clock
        From outside: replaced in tests.
    teller
        Is told what happened.
    look_every_s
        Seconds from one look to the next where no hint comes.
    progress
        Shows how far the first pass is.
    drawer
        Draws reports; it rouses the hints when one is drawn.
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
        """Where the results lie, as the shop was last opened; ``None`` while it is not."""
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
        """Look once, do what follows from it, and return the seconds after which to look again at the latest."""
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
        """Tell whether to wait at the start: nearly all is there already, and has only to be seen twice."""
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
        """Return the shop, opened anew where its settings or notes changed or its recordings went."""
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
        """Run over what has arrived: all of it at the start or where it is much, else a few, to show them soon."""
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
            # Else what keeps a report from its place is still to be mended, and was told.
            self._trouble = ""
        self._after(outcome, look)

    def _after(self, outcome: Outcome, look: Look) -> None:
        self._reports_due = outcome.reports_due
        if not self._begun:
            self._begun = True
            # What measuring takes is fetched now, not when the first recording waits for it.
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
        # What was mended and breaks again is told again.
        self._attention = frozenset(outcome.attention)
        if new:
            self.teller.attention(new)

    def _tell_once(self, notice: str) -> None:
        if notice not in self._told:
            self._told.add(notice)
            self.teller.note(notice)

    # ------------------------------------------------------------- reports

    def _next_report(self) -> Due | None:
        """Return the report to be drawn next, ``None`` while another is in hand; what failed is not tried again."""
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
        """Put a report in its place, unless what it rests on has changed; one that failed stays told."""
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
        # A reading that could not be read back is measured anew.
        self._due = bool(drawn.standing.damaged)
        self._trouble = ""
        self._reports_due = outcome.reports_due
        self._tell(outcome)


def _without(listing: Listing, later: list[str]) -> Listing:
    """Return a listing with some files left for later, as if they had not wholly arrived."""
    if not later:
        return listing
    held = frozenset(later)
    files = {path: facts for path, facts in listing.files.items() if path not in held}
    return replace(listing, files=files, waiting=listing.waiting | held)


def _paths_of(history: History) -> set[str]:
    return {heard.recording.path for stage in history.stages for heard in stage.heard}


def _settings_facts(root: Path) -> tuple[object, ...]:
    """Return size and time of all files that the builder may edit beside the recordings."""
    try:
        own = sorted((root / "instruments").glob("*.toml"))
    except OSError:
        own = []
    return tuple((path, facts_of(path)) for path in (root / "shop.toml", root / "notes.csv", *own))
