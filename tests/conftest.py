"""What all tests share: the sample shop, real recordings, drawing replaced by text, and one linear-algebra thread."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from shutil import copytree, ignore_patterns

import hypothesis
import pytest

# Set before numpy is imported: nested threads slow small matrices down, and several processes measure at once.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# How long an example takes says more of the machine and of its other work than of the code.
hypothesis.settings.register_profile("untimed", deadline=None)
hypothesis.settings.load_profile("untimed")

ROOT = Path(__file__).parent.parent

SLOW_S = 1.5
"""Processor seconds from which a test is marked ``slow``; its fixtures and the processes that it starts count."""


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--slow-report", action="store_true", help=f"list tests whose mark 'slow' misses {SLOW_S:g} s")


def pytest_configure(config: pytest.Config) -> None:
    if config.getoption("--slow-report"):
        config.pluginmanager.register(_SlowReport(), "slow-report")


class _SlowReport:
    """Processor seconds of each test, printed at the end; no test fails because of them, since machines differ."""

    def __init__(self) -> None:
        self.took_s: dict[str, float] = {}
        self.marked: set[str] = set()

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        before = _processor_s()
        result = yield
        self.took_s[item.nodeid] = _processor_s() - before
        if item.get_closest_marker("slow"):
            self.marked.add(item.nodeid)
        return result

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        told = terminalreporter.write_line
        quick_s = sum(took for name, took in self.took_s.items() if name not in self.marked)
        told(f"processor: {sum(self.took_s.values()):.0f} s, of which {quick_s:.0f} s not marked slow")
        for name, took in sorted(self.took_s.items(), key=lambda item: -item[1]):
            if (took >= SLOW_S) != (name in self.marked):
                told(f"{took:6.1f} s {'marked' if name in self.marked else 'not marked'}: {name}")


def _processor_s() -> float:
    return sum(os.times()[:4])


@pytest.fixture(scope="session", autouse=True)
def _flushed_at_once() -> Iterator[None]:
    """Do not wait for the disk: a flush takes milliseconds, a run makes dozens, and no test can tell what it kept.

    What a lost flush would do is tried in ``tests/survival``, where runs are stopped at each of them.
    """
    with pytest.MonkeyPatch.context() as patch:
        # A descriptor that is not open is still an error.
        patch.setattr(os, "fsync", os.fstat)
        yield


@pytest.fixture(scope="session")
def sample_shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the sample shop, run once for all tests that look at its results."""
    from tests.shops import bytes_below, tapbatch

    shop = Path(
        copytree(
            ROOT / "sample_data", tmp_path_factory.mktemp("sample") / "sample_data", ignore=ignore_patterns("results")
        )
    )
    before = bytes_below(shop, hidden=True)
    result = tapbatch("run", shop)
    (shop.parent / "said.txt").write_text(f"{result.status}\n{result.out}{result.err}", encoding="utf-8")
    after = bytes_below(shop, hidden=True)
    assert {name: data for name, data in after.items() if not name.startswith("results/")} == before
    return shop


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Replace the drawing of reports by text, and return the instruments for which one was drawn."""
    from tapbatch.model.history import History
    from tapbatch.show.pdf import report

    noted: list[str] = []

    def draw(history: History, *_: object) -> bytes:
        noted.append(history.instrument)
        return b"%PDF " + repr(history).encode()

    monkeypatch.setattr(report, "report_bytes", draw)
    return noted


@pytest.fixture(scope="session")
def real_recordings() -> Path:
    """The folder of recordings of real struck objects."""
    return ROOT / "tests" / "recordings"
