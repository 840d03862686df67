"""A target that is saved during a watch tells the new distance at once, and nothing else does."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.shops import make_shop, taps
from tests.watch.bench import Bench

pytestmark = pytest.mark.usefixtures("drawn")

LABEL = '[[mode]]\nlabel = "main"\nnear_hz = 268\n'
TARGET = '[[target]]\nmode = "main"\nnote = "{}"\n'
FILE = "instruments/lyre-2.toml"


@pytest.fixture
def aimed(tmp_path: Path) -> Bench:
    sounds = {"lyre-2_01-closed_1.wav": taps(71, count=2), "rote-1_01-closed_1.wav": taps(72, count=2)}
    bench = Bench(make_shop(tmp_path / "shop", sounds, {FILE: LABEL + TARGET.format("C4")}))
    assert bench.until_quiet(10.0) == ["began: 2"]
    return bench


def save(bench: Bench, text: str, name: str = FILE) -> list[str]:
    (bench.root / name).write_text(text, encoding="utf-8")
    return [line for line in bench.until_quiet(5.0) if line.startswith(("aimed", "arrived"))]


def test_a_new_target_is_told_of_its_own_instrument_once(aimed: Bench) -> None:
    assert save(aimed, LABEL + TARGET.format("C#4")) == ["aimed: lyre-2"]
    assert aimed.until_quiet(10.0) == []


def test_a_target_that_is_taken_away_is_told_too(aimed: Bench) -> None:
    assert save(aimed, LABEL) == ["aimed: lyre-2"]


def test_other_settings_tell_no_distance(aimed: Bench) -> None:
    assert save(aimed, 'spelling = "flat"\n' + LABEL + TARGET.format("C4")) == []
    assert save(aimed, "steady_cents = 4\n", "shop.toml") == []


def test_a_mistake_that_is_mended_tells_the_distance_of_what_is_new(aimed: Bench) -> None:
    assert save(aimed, LABEL + TARGET.format("H9")) == []
    assert save(aimed, LABEL + TARGET.format("D4")) == ["aimed: lyre-2"]


def test_an_arrival_has_just_told_it(aimed: Bench) -> None:
    (aimed.root / FILE).write_text(LABEL + TARGET.format("D4"), encoding="utf-8")
    aimed.put("lyre-2_02-thinned_1.wav", taps(73, count=2, cents=-20))
    told = [line for line in aimed.until_quiet(5.0) if line.startswith(("aimed", "arrived"))]
    assert told.count("arrived: lyre-2_02-thinned_1.wav") == 1
    assert told.count("aimed: lyre-2") <= 1
