"""Kept taps on disk: they come back equal, are dropped with their reading, and damage is found."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tapbatch.measure.kept_taps import KeptNoise, KeptTap, KeptTaps
from tapbatch.results.readings import reading_to_json
from tapbatch.results.store import ReadingStore
from tapbatch.results.tap_codec import taps_from_json, taps_to_json
from tests.results.test_store import ENTRY, KEY, OTHER, PATH, READING

TAP = KeptTap(
    number=3, zone=0, noise=0, samples=np.array([1, -32767, 5], dtype=np.int16), step=0.25,
    poles=np.array([0.9 + 0.1j]), excess=np.array([1.5]), first=12, at_s=1.25, scale=0.5,
)  # fmt: skip
KEPT = KeptTaps(48000, 50.0, 1500.0, (TAP,), (KeptNoise(np.array([1.0, -0.5]), (50.0,), 1.5),))


def _plain(kept: KeptTaps) -> str:
    return taps_to_json(kept)


@pytest.fixture
def store(tmp_path: Path) -> ReadingStore:
    store = ReadingStore(tmp_path)
    store.put(KEY, f"{reading_to_json(READING)}\n{taps_to_json(KEPT)}", {PATH: ENTRY})
    return store


def test_what_is_written_comes_back() -> None:
    back = taps_from_json(taps_to_json(KEPT))
    assert _plain(back) == _plain(KEPT)
    assert back.grid == KEPT.grid
    assert back.taps[0].samples.tolist() == [1, -32767, 5]
    assert back.taps[0].poles.tolist() == [0.9 + 0.1j]


@pytest.mark.parametrize("change", [
    ('"zone":0', '"zone":1'), ('"noise":0', '"noise":-1'), ('"taps"', '"tups"'), ('"number":3,', ""),
    ('"samples":"', '"samples":"AAA'), ('"samples":"AQAB', '"samples":"*QAB'),
])  # fmt: skip
def test_what_does_not_fit_is_refused(change: tuple[str, str]) -> None:
    text = taps_to_json(KEPT)
    assert change[0] in text
    with pytest.raises(ValueError, match=r"not kept taps|base64|padding|buffer size"):
        taps_from_json(text.replace(*change))


def test_taps_are_kept_beside_the_reading_and_go_with_it(store: ReadingStore) -> None:
    assert store.get(KEY) == READING
    found = store.taps(KEY)
    assert found is not None
    assert _plain(found) == _plain(KEPT)
    store.sweep({PATH: ENTRY})
    assert store.taps(KEY) is not None
    store.sweep({})
    assert (store.taps(KEY), list(store.folder.glob("*.taps"))) == (None, [])


def test_an_older_reading_has_none(store: ReadingStore) -> None:
    store.put(OTHER, reading_to_json(READING), {PATH: ENTRY})
    assert store.taps(OTHER) is None


def test_damage_is_found_and_so_is_another_ones_file(store: ReadingStore) -> None:
    path = store.folder / f"{KEY}.taps"
    whole = path.read_bytes()
    (store.folder / f"{OTHER}.taps").write_bytes(whole)
    assert store.taps(OTHER) is None
    for at in range(0, len(whole), 7):
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :])
        assert store.taps(KEY) is None, at
