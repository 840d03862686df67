"""The shop that is watched."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.shops import LYRE, NA, make_shop, taps
from tests.watch.bench import Bench, Sounds
from tests.watch.desk import Served


@pytest.fixture(scope="module")
def sounds() -> Sounds:
    return {LYRE: taps(71, count=2), NA: taps(72, count=2)}


@pytest.fixture
def bench(drawn: list[str], sounds: Sounds, tmp_path: Path) -> Bench:
    bench = Bench(make_shop(tmp_path / "shop", sounds))
    assert bench.until_quiet(10.0) == ["began: 2"]
    return bench


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    served = Served(tmp_path / "shop")
    yield served
    served.close()


@pytest.fixture
def own(served: Served) -> Served:
    """Return a shop that a test may change."""
    served.send("there.wav", served.sound(2))
    return served
