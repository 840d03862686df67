"""The shop that is watched."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.shops import LYRE, NA, make_shop, tapbatch, taps
from tests.watch.bench import Bench, Sounds
from tests.watch.desk import Served
from tests.watch.phones import Phone
from tests.watch.program import Watch


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


@pytest.fixture(scope="module")
def phones() -> Iterator[Callable[[int], Phone]]:
    """Phones by number; each is started when it is first asked for."""
    started: dict[int, Phone] = {}
    yield lambda n: started.setdefault(n, started.get(n) or Phone())
    for phone in started.values():
        phone.close()


@pytest.fixture
def phone(phones: Callable[[int], Phone]) -> Iterator[Phone]:
    """The first phone; asked for behind a watch, it closes its page before the watch ends."""
    first = phones(1)
    first.blank()
    yield first
    first.network()
    first.light(dark=False)
    first.blank()


@pytest.fixture
def other(watch: Watch, phones: Callable[[int], Phone]) -> Iterator[Phone]:
    """The second phone."""
    second = phones(2)
    second.blank()
    yield second
    second.blank()


@pytest.fixture
def watch(tmp_path: Path) -> Iterator[Watch]:
    """A watch on a shop that ``tapbatch init`` made from nothing."""
    shop = tmp_path / "my-shop"
    assert tapbatch("init", shop).status == 0
    begun = Watch(shop)
    yield begun
    begun.close()
