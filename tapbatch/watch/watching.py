"""Watch a shop: look at it regularly, and run a pass when a file arrives or disappears or the settings change.

Conventions: what a look finds is the truth; hints only say when to look. A pass is an ordinary run over the files
that have fully arrived. It locks the results while it runs and releases them afterwards. Recordings are measured in
processes beside the watch (:mod:`~tapbatch.watch.measuring`), so that none waits for a long one, and a pass takes the
answers that are there. The tables of the instruments that a pass has recordings of are written at once. Those of
others, which only learn something from them (what a set-up moves, say), follow when it is quiet: nothing has changed
for ``QUIET_S``, and nothing is waited for or being read.

Reports are drawn when nothing has changed for ``QUIET_S``, one at a time and by a separate drawer
(:mod:`~tapbatch.watch.drawing`), so that no new recording waits for a report. Errors are reported and the work is
retried: only Ctrl-C ends a watch. Clock, hints, measurer and drawer are
passed in.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Protocol

from tapbatch.model.errors import NamingError, SettingsError, ShopError, TapbatchError, reason_of
from tapbatch.model.history import History
from tapbatch.model.reading import Attention
from tapbatch.results.files import facts_of
from tapbatch.results.store import ReadingStore
from tapbatch.run.instrument import Drawn, Due
from tapbatch.run.job import Job
from tapbatch.run.measuring import Advance, Elsewhere, Progress, job_of
from tapbatch.run.one_pass import How, Outcome, run_shop
from tapbatch.shop.folder import Shop
from tapbatch.shop.listing import is_folder, list_folder
from tapbatch.shop.now_file import NAME as NOW_FILE
from tapbatch.watch.arrivals import Arrivals, Look, keeps_promise
from tapbatch.watch.drawing import Drawer, Here
from tapbatch.watch.hints import Hints
from tapbatch.watch.inbox import InboxWatch
from tapbatch.watch.measuring import LONG_S, Measured, Measurer
from tapbatch.watch.measuring import Here as MeasureHere
from tapbatch.watch.saved import settings_facts, targets_of

LOOK_EVERY_S = 2.0
"""Time between looks when there are no hints. A look at a thousand recordings takes a few milliseconds."""

QUIET_S = 3.0
"""How long nothing must change before the tables of other instruments follow, and before reports are drawn."""

AGAIN_S = 10.0
"""How long to wait before a failed pass is tried again."""

BATCH_S = 2.0
"""How long answers are gathered for one pass while many recordings are being measured."""

_MANY = 10


class Teller(Protocol):
    """Receives what happens during a watch."""

    def began(self, outcome: Outcome) -> None:
        """Report what was there at the start."""

    def arrived(self, history: History, path: str, shop: Shop) -> None:
        """Report the reading of a new recording whose tables have been written."""

    def aimed(self, history: History, shop: Shop) -> None:
        """Report where an instrument is, after its targets were saved anew."""

    def attention(self, items: tuple[Attention, ...]) -> None:
        """Report what needs the builder's attention and has not been reported before."""

    def note(self, text: str) -> None:
        """Report anything else, in one line."""


@dataclass(slots=True)
class _Start:
    """What is measured at the start of a watch: how many so far, and the display that shows it."""

    measured: int = 0
    _showing: ExitStack = field(default_factory=ExitStack)
    _advance: Advance | None = None
    _left: int = 0

    def show(self, progress: Progress | None, count: int) -> None:
        """Show the progress of ``count`` recordings, unless it is shown already."""
        if progress is not None and self._advance is None and count:
            self._advance, self._left = self._showing.enter_context(progress(count)), count

    def advance(self, path: str) -> None:
        """Count one recording."""
        if self._advance is not None and self._left:
            self._left -= 1
            self._advance(path)

    def close(self) -> None:
        """End the display."""
        self._showing.close()
        self._advance, self._left = None, 0


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
        Shows the progress of what is measured at the start.
    measurer
        Measures recordings, and rouses the hints when one is finished.
    drawer
        Draws reports, and rouses the hints when a report is finished.
    awaited
        Tells whether someone waits for the reading of a recording: it is told even if it arrives during the start.
    """

    opened: Callable[[], Shop]
    root: Path
    hints: Hints
    clock: Callable[[], float]
    teller: Teller
    look_every_s: float = LOOK_EVERY_S
    progress: Progress | None = None
    drawer: Drawer = field(default_factory=Here)
    measurer: Measurer = field(default_factory=MeasureHere)
    awaited: Callable[[str], bool] = lambda _path: False
    _shop: Shop | None = None
    _aimed_before: Shop | None = None
    _settings: tuple[object, ...] = ()
    _folder: Path | None = None
    _arrivals: Arrivals | None = None
    _inbox: InboxWatch = field(init=False)
    _log: object = None
    _store: ReadingStore | None = None
    _queue: dict[str, None] = field(default_factory=dict)
    _answers: dict[str, Measured] = field(default_factory=dict)
    _answers_since_s: float = 0.0
    _unlisted: frozenset[str] = frozenset()
    _start: _Start = field(default_factory=_Start)
    _begun: bool = False
    _due: bool = True
    _not_before_s: float = float("-inf")
    _moved_s: float = 0.0
    _reports_due: tuple[Due, ...] = ()
    _followers: tuple[str, ...] = ()
    _drawn: Drawn | None = None
    _failed: dict[str, Drawn] = field(default_factory=dict)
    _told: set[str] = field(default_factory=set)
    _attention: frozenset[Attention] = frozenset()
    _trouble: str = ""
    _settle_until_s: float | None = None

    def __post_init__(self) -> None:
        self._inbox = InboxWatch(self.clock)

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
            self._start.close()
            self.drawer.close()
            self.measurer.close()
            self.hints.close()

    def step(self) -> float:
        """Look once, act on what was found, and return the longest time in seconds to wait before the next look."""
        try:
            return self._stepped()
        except (TapbatchError, OSError) as error:
            told = error if isinstance(error, TapbatchError) else _as_trouble(error, self.root)
            if str(told) != self._trouble:
                self._trouble = str(told)
                self.teller.note(self._trouble)
            self._due = True
            self._not_before_s = self.clock() + AGAIN_S
            return min(self.look_every_s, AGAIN_S)

    def _stepped(self) -> float:
        shop, arrivals = self._open()
        look = arrivals.look()
        # What has arrived in the inbox is placed by the next pass.
        self._due = self._inbox.look() or self._due
        now_s = self.clock()
        self._sort_in(shop, look)
        self._take_answers(look, now_s)
        self._tell_long()
        if look.changed:
            self._moved_s = now_s
        if self._settles(look, arrivals, now_s):
            return min(arrivals.next_in_s() or 0.0, self.look_every_s)
        self._drawn = self._drawn or self.drawer.take()
        if now_s >= self._not_before_s:
            if self._due or look.gone or self._worth_a_pass(now_s):
                self._pass(shop, look)
            elif self._drawn is not None:
                self._put_in_place(shop, look, self._drawn)
            elif self._followers and self._is_quiet(look, now_s):
                self._pass(shop, look, follow=True)
            elif self._next_report() is not None and now_s - self._moved_s >= QUIET_S:
                self._begin_report()
        return self._next_s(look, arrivals)

    def _is_quiet(self, look: Look, now_s: float) -> bool:
        """Return whether nothing has changed for a while, and no arrival is near: what takes long is none."""
        return not self._is_busy(look) and now_s - self._moved_s >= QUIET_S

    def _is_busy(self, look: Look) -> bool:
        soon = any(ran_s < LONG_S for ran_s in self.measurer.pending.values())
        return bool(look.listing.waiting) or bool(self._queue) or soon

    def _settles(self, look: Look, arrivals: Arrivals, now_s: float) -> bool:
        """Return whether to wait at the start: most files are already there and only need a second look."""
        if self._settle_until_s is None:
            self._settle_until_s = now_s + arrivals.still_without_promise_s
        soon = (arrivals.next_in_s() or 0.0) <= arrivals.still_without_promise_s
        return not self._begun and bool(look.listing.waiting) and soon and now_s < self._settle_until_s

    def _next_s(self, look: Look, arrivals: Arrivals) -> float:
        now_s = self.clock()
        times = [self.look_every_s]
        ready = self._due or self._drawn or self.drawer.done or self.measurer.done or self._worth_a_pass(now_s)
        if ready and now_s >= self._not_before_s:
            return 0.0
        if self._queue:
            times.append(max(0.0, self._answers_since_s + BATCH_S - now_s, self._not_before_s - now_s))
        sources = (arrivals, self.measurer, self._inbox)
        times += [wait_s for source in sources if (wait_s := source.next_in_s()) is not None]
        if self._next_report() is not None or (self._followers and not self._is_busy(look)):
            times.append(max(0.0, self._moved_s + QUIET_S - now_s, self._not_before_s - now_s))
        return min(times)

    # ------------------------------------------------------------- opening

    def _open(self) -> tuple[Shop, Arrivals]:
        """Return the shop; reopen it if its settings or notes changed or its recordings folder disappeared."""
        settings = settings_facts(self.root)
        is_there = self._shop is not None and is_folder(self._shop.recordings_dir)
        if self._shop is not None and not is_there:
            self._let_go()
        log = facts_of(self.root / NOW_FILE)
        if self._shop is None or settings != self._settings or log != self._log or not is_there:
            self._aimed_before = self._aimed_before or self._shop
            self._shop = None
            shop = self.opened()
            self._take_up(shop)
            if self._settings and settings != self._settings:
                self.teller.note("settings or notes were saved and are now in use")
            self._settings, self._log, self._shop, self._due = settings, log, shop, True
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
                lambda: list_folder(folder),
                lambda path: keeps_promise(folder / path),
                self.clock,
                # Copies from the inbox are put in place in one step.
                whole=lambda path: self._shop is not None and path in self._shop.log.placed,
            )

        self._inbox.take_up(shop.inbox_dir)

    def _let_go(self) -> None:
        """Stop measuring files whose drive is gone; otherwise their readings would be errors when it is back."""
        for path in tuple(self.measurer.pending):
            self.measurer.drop(path)

    # ----------------------------------------------------------- measuring

    def _sort_in(self, shop: Shop, look: Look) -> None:
        """Have what arrived measured; what cannot or need not be measured goes into the next pass."""
        unlisted = frozenset(str(error.filename) for error in look.listing.unlisted)
        if unlisted != self._unlisted:
            # What arrived in a folder that could not be listed is measured when it can be listed again.
            self._unlisted, self._due = unlisted, True
        for path in (*look.gone, *look.listing.waiting):
            self.measurer.drop(path)
            self._answers.pop(path, None)
        for path in [path for path in self._queue if path not in look.listing.files]:
            del self._queue[path]
        if not look.new:
            return
        assert self._store is not None
        before = self._store.read_ledger().recordings
        for path in look.new:
            facts, entry = look.listing.files[path], before.get(path)
            if entry is not None and (entry.size, entry.mtime_ns) == (facts.size, facts.mtime_ns):
                self._queue[path] = None
                continue
            try:
                self._begin(job_of(shop, path, facts))
            except (NamingError, SettingsError):
                self._queue[path] = None

    def _begin(self, job: Job) -> None:
        assert self._store is not None
        self._queue.pop(job.recording.path, None)
        self._answers.pop(job.recording.path, None)
        self.measurer.begin(job, self._store.has)

    def _take_answers(self, look: Look, now_s: float) -> None:
        answers = self.measurer.take()
        if answers and not self._answers:
            self._answers_since_s = now_s
        for measured in answers:
            if measured.path in look.listing.files:
                self._answers[measured.path] = measured
                self._queue[measured.path] = None
            self._start.advance(measured.path)

    def _tell_long(self) -> None:
        for path, ran_s in self.measurer.pending.items():
            if ran_s >= LONG_S:
                self._tell_once(f"{path} takes long to read; others that arrive are read meanwhile")

    def _worth_a_pass(self, now_s: float) -> bool:
        """Return whether there is something for a pass; with many recordings in hand, it takes several at once."""
        many = len(self.measurer.pending) >= _MANY
        return bool(self._queue) and (not many or now_s - self._answers_since_s >= BATCH_S)

    # -------------------------------------------------------------- passes

    def _pass(self, shop: Shop, look: Look, *, follow: bool = False) -> None:
        """Run over everything that is measured by now, and tell what arrived, in order of arrival.

        With ``follow``, and at the start, the tables of instruments that only learn from others are written too.
        """
        self._due = False
        taken = tuple(self._queue)
        shown: dict[str, History] = {}

        def keep(history: History) -> None:
            shown.update(dict.fromkeys(_paths_of(history), history))

        try:
            outcome = run_shop(shop, self._how(look, shown=keep, follow=follow or not self._begun))
        finally:
            for path in taken:
                if path in shown and (self._begun or self.awaited(path)):
                    self._queue.pop(path, None)
                    self.teller.arrived(shown[path], path, shop)
        self._tell_aims(shop, shown, taken)
        self._queue, self._answers, self._aimed_before = {}, {}, None
        self._moved_s = self.clock()
        if self._drawn is None:
            # Otherwise the problem that keeps a report from being saved remains, and has already been reported.
            self._trouble = ""
        self._after(outcome, look)

    def _tell_aims(self, shop: Shop, shown: Mapping[str, History], arrived: Collection[str]) -> None:
        """Tell the new distance of each instrument whose targets were saved, unless an arrival has just told it."""
        before = self._aimed_before
        if before is None or not self._begun:
            return
        told = {shown[path].instrument for path in arrived if path in shown}
        for name, history in sorted({history.instrument: history for history in shown.values()}.items()):
            if name not in told and targets_of(before, name) != targets_of(shop, name):
                self.teller.aimed(history, shop)

    def _how(
        self,
        look: Look,
        drawn: tuple[Drawn, ...] | None = None,
        shown: Callable[[History], None] | None = None,
        *,
        follow: bool = False,
    ) -> How:
        """Return how a pass is done: over what is measured by now."""
        measured = self._answers.values()
        entries = {m.path: m.entry for m in measured if m.entry is not None}
        answers = {m.entry.key: m.answer for m in measured if m.entry is not None and m.answer is not None}
        return How(
            listing=look.listing.without(self.measurer.pending),
            reports=0,
            drawn=tuple(self._failed.values()) if drawn is None else drawn,
            say=self.teller.note,
            shown=shown,
            store=self._store,
            elsewhere=Elsewhere(leave=self._begin, hashed=entries, answers=answers),
            inbox=self._inbox.arrived,
            follow=follow,
        )

    def _after(self, outcome: Outcome, look: Look) -> None:
        self._reports_due, self._followers = outcome.reports_due, outcome.followers
        if not self._begun:
            self._begin_watch(outcome)
            return
        renamed = {notice.path for notice in outcome.renamed}
        for path in look.gone:
            if path not in renamed:
                kept = "; its reading is kept" if path in outcome.missing else ""
                self.teller.note(f"{path} is gone{kept}")
        self._tell(outcome)
        left = len(self.measurer.pending)
        if left >= _MANY:
            self.teller.note(f"{left} more recordings are being read")

    def _begin_watch(self, outcome: Outcome) -> None:
        """Tell what was there at the start, once nothing is left of it but what takes long."""
        self._start.measured += outcome.measured
        pending = self.measurer.pending
        if any(ran_s < LONG_S for ran_s in pending.values()):
            self._start.show(self.progress, len(pending))
            return
        self._start.close()
        self._begun = True
        self.teller.began(replace(outcome, measured=self._start.measured))
        self._told.update(outcome.notices)
        self._attention = frozenset(outcome.attention)

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
        outcome = run_shop(shop, self._how(look, tuple({**self._failed, drawn.instrument: drawn}.values())))
        self._drawn = None
        # A reading that could not be read back is measured again.
        self._due = bool(drawn.standing.damaged)
        self._trouble = ""
        self._reports_due, self._followers = outcome.reports_due, outcome.followers
        self._tell(outcome)


def _paths_of(history: History) -> set[str]:
    return {heard.recording.path for stage in history.every_stage for heard in stage.heard}


def _as_trouble(error: OSError, root: Path) -> ShopError:
    return ShopError(str(error.filename or root), reason_of(error), "check the drive; the watch tries again")
