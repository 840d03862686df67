"""A shop under watch for the tests: the clock and the hints are passed in, the folder and the runs are real."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from tapbatch.model.history import History
from tapbatch.model.notice import Notice
from tapbatch.model.reading import Attention
from tapbatch.run.one_pass import Outcome
from tapbatch.shop.folder import Shop, open_shop
from tapbatch.show.say.notices import notice_text
from tapbatch.watch.drawing import Drawer, Here
from tapbatch.watch.feed import Feed, ToPhone
from tapbatch.watch.measuring import Here as MeasureHere
from tapbatch.watch.measuring import Measurer
from tapbatch.watch.watching import LOOK_EVERY_S, Watch
from tests.shops import bytes_below, rows_of, tapbatch, write_wav

Sounds = dict[str, np.ndarray]


def kinds(told: list[str]) -> list[str]:
    """Return the kind of each thing that was reported: began, arrived, attention, note or closed."""
    return [line.partition(": ")[0] for line in told]


def renamed(before: str, now: str) -> str:
    return f"note: {notice_text(Notice('renamed', path=before, other_path=now))}"


class Bench:
    """A shop under watch, and all that it reported; ``wait`` lets time pass as the watch asks."""

    def __init__(
        self, root: Path, drawer: Drawer | None = None, measurer: Measurer | None = None, feed: Feed | None = None
    ) -> None:
        self.root, self.now_s = root, 1000.0
        self.told: list[str] = []
        self.feed = feed or Feed()
        self.watch = Watch(
            opened=lambda: open_shop(root), root=root, hints=self, clock=lambda: self.now_s,
            teller=ToPhone(self, feed) if feed else self, drawer=drawer or Here(), measurer=measurer or MeasureHere(),
            awaited=self.feed.sent.__contains__,
        )  # fmt: skip

    def until_quiet(self, least_s: float = 0.0) -> list[str]:
        """Step until the watch only waits for its timer, for at least ``least_s``; return what it reported."""
        before, start_s = len(self.told), self.now_s
        for _ in range(200):
            wait_s = self.watch.step()
            if wait_s >= LOOK_EVERY_S and self.now_s - start_s >= least_s:
                return self.told[before:]
            self.now_s += max(wait_s, 0.001)
        raise AssertionError("it never comes to rest")

    def put(self, name: str, samples: np.ndarray) -> Path:
        return write_wav(self.root / "recordings" / name, samples)

    def modes(self, instrument: str) -> list[dict[str, str]]:
        return rows_of(self.root / "results" / instrument / "modes.csv")

    # what a teller and hints are

    def began(self, outcome: Outcome) -> None:
        self.told.append(f"began: {outcome.measured}")

    def arrived(self, history: History, path: str, shop: Shop) -> None:
        assert (shop.results_dir / history.instrument / "modes.csv").exists()
        self.told.append(f"arrived: {path}")

    def aimed(self, history: History, shop: Shop) -> None:
        self.told.append(f"aimed: {history.instrument}")

    def attention(self, items: tuple[Attention, ...]) -> None:
        self.told += [f"attention: {item.where}: {item.what}" for item in items]

    def note(self, text: str) -> None:
        self.told.append(f"note: {text}")

    def wait(self, timeout_s: float) -> bool:
        self.now_s += timeout_s
        return False

    def rouse(self) -> None: ...

    def close(self) -> None:
        self.told.append("closed")


def as_a_run(bench: Bench, folder: Path) -> bool:
    """Return whether the watch left the same results as a run that finds everything at once."""
    # In this process, because another one would not have the stand-in for drawing.
    tapbatch("run", bench.root, "--results", folder, "--jobs", "1")
    return bytes_below(bench.root / "results") == bytes_below(folder)
