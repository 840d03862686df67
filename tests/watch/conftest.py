"""The shop that is watched, and a stand-in for drawing its reports."""

from __future__ import annotations

from pathlib import Path

import pytest

from tapbatch.model.history import History
from tapbatch.show.pdf import report
from tests.shops import make_shop, taps
from tests.watch.bench import LYRE, NA, Bench, Sounds


@pytest.fixture(scope="module")
def sounds() -> Sounds:
    return {LYRE: taps(71, count=2), NA: taps(72, count=2)}


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Replace drawing, and return the instruments for which a report was drawn."""
    noted: list[str] = []

    def draw(history: History, *_: object) -> bytes:
        noted.append(history.instrument)
        return b"%PDF " + repr(history).encode()

    monkeypatch.setattr(report, "report_bytes", draw)
    return noted


@pytest.fixture
def bench(drawn: list[str], sounds: Sounds, tmp_path: Path) -> Bench:
    bench = Bench(make_shop(tmp_path / "shop", sounds))
    assert bench.until_quiet(10.0) == ["began: 2"]
    return bench
