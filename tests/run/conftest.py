"""A shop of two instruments that was run once, and one with an inbox."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.run.inbox_day import Day
from tests.shops import LYRE, NA, make_shop, tapbatch, taps


@pytest.fixture(scope="session")
def sounds() -> dict[str, np.ndarray]:
    return {LYRE: taps(81, count=2), NA: taps(82, count=2)}


@pytest.fixture
def shop(sounds: dict[str, np.ndarray], tmp_path: Path) -> Path:
    root = make_shop(tmp_path / "shop", sounds)
    tapbatch("run", root)
    return root


@pytest.fixture
def day(tmp_path: Path) -> Day:
    return Day(tmp_path / "shop")
