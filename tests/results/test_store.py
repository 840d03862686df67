"""Kept readings and the ledger: damage is found, and a lost ledger is restored from the readings."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapbatch.measure.method import METHOD
from tapbatch.model.notice import Notice
from tapbatch.results.readings import reading_to_json
from tapbatch.results.store import GONE, Entry, ReadingStore
from tests.results.test_readings import EMPTY

KEY, OTHER = "0" * 40, "1" * 40
SOUND = "ab" * 32
PATH = "NA/01 Säge/a.wav"
ENTRY = Entry(sha256=SOUND, size=3, mtime_ns=1_700_000_000_123_456_789, key=KEY)
READING = replace(EMPTY, sha256=SOUND, notices=(Notice("other", text='ü,"reading":'),))


def kept(store: ReadingStore, key: str = KEY) -> Path:
    return store.folder / f"{key}.json"


@pytest.fixture
def store(tmp_path: Path) -> ReadingStore:
    """Return a store of one reading, with its ledger."""
    store = ReadingStore(tmp_path)
    store.put(KEY, reading_to_json(READING), {PATH: ENTRY})
    store.write_ledger({PATH: ENTRY})
    return store


def test_a_reading_is_kept_and_dropped(store: ReadingStore) -> None:
    again = ReadingStore(store.folder.parent)
    assert (again.get(KEY), again.has(KEY), again.get(OTHER), again.has(OTHER)) == (READING, True, None, False)
    again.drop(KEY)
    again.drop(KEY)
    assert (again.get(KEY), again.has(KEY)) == (None, False)


def test_any_byte_that_differs_is_found(store: ReadingStore) -> None:
    whole = kept(store).read_bytes()
    for at in range(len(whole)):
        kept(store).write_bytes(whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :])
        assert ReadingStore(store.folder.parent).get(KEY) is None, at
    kept(store).write_bytes(whole)
    assert ReadingStore(store.folder.parent).get(KEY) == READING


def test_a_reading_copied_over_another_is_found(store: ReadingStore) -> None:
    kept(store, OTHER).write_bytes(kept(store).read_bytes())
    assert store.get(OTHER) is None
    assert store.is_damaged(OTHER)


def test_a_bare_reading_of_0_1_is_taken_and_given_a_head(store: ReadingStore) -> None:
    kept(store).write_text(reading_to_json(READING), encoding="utf-8")
    again = ReadingStore(store.folder.parent)
    assert again.has(KEY)
    assert again.get(KEY) == READING
    again.claim({PATH: ENTRY}, {PATH: ENTRY})
    (store.folder / "ledger.json").unlink()
    assert ReadingStore(store.folder.parent).read_ledger().recordings == {PATH: ENTRY}


def test_a_bare_reading_with_a_value_of_another_type_is_none(store: ReadingStore) -> None:
    kept(store).write_text(reading_to_json(replace(READING, duration_s="long")), encoding="utf-8")  # type: ignore[arg-type]
    assert store.get(KEY) is None


def test_the_ledger_comes_back(store: ReadingStore) -> None:
    ledger = ReadingStore(store.folder.parent).read_ledger()
    assert (ledger.recordings, ledger.method, ledger.refused, ledger.rebuilt) == ({PATH: ENTRY}, METHOD, None, False)


def test_where_nothing_is_kept_the_ledger_is_empty(tmp_path: Path) -> None:
    ledger = ReadingStore(tmp_path).read_ledger()
    assert (ledger.recordings, ledger.refused, ledger.rebuilt) == ({}, None, False)


def test_an_older_ledger_does_not_hide_the_reading_that_replaced_its_own(store: ReadingStore) -> None:
    """Other settings gave the recording another key; then it was removed, and a cloud folder put the old ledger back.

    Without the entry for the new reading, the next run would sweep it: the last that is left of the recording.
    """
    newer = replace(ENTRY, key=OTHER)
    store.put(OTHER, reading_to_json(READING), {PATH: newer})
    store.drop(KEY)
    assert ReadingStore(store.folder.parent).read_ledger().recordings == {PATH: newer}


def test_of_two_kept_readings_the_one_that_the_ledger_names_counts(store: ReadingStore) -> None:
    store.put(OTHER, reading_to_json(READING), {PATH: replace(ENTRY, key=OTHER)})
    assert ReadingStore(store.folder.parent).read_ledger().recordings == {PATH: ENTRY}


ROW = {"sha256": SOUND, "size": 3, "mtime_ns": 5, "key": KEY}


@pytest.mark.parametrize(
    "text",
    [
        "", "[]", "[" * 100_000, '{"recordings": []}', '{"method": "15", "recordings": {"a.wav": 1}}',
        *(
            json.dumps({"method": "15", "recordings": {"a.wav": {**ROW, **wrong}}})
            for wrong in ({"size": "3"}, {"size": -2}, {"size": 2**70}, {"sha256": "x"}, {"key": "../k"}, {"more": 1})
        ),
        *(json.dumps({"method": "15", "recordings": {path: ROW}}) for path in ("../a.wav", "/a.wav", "a/../b", "")),
    ],
)  # fmt: skip
def test_a_ledger_that_does_not_fit_is_restored_from_the_readings(text: str, store: ReadingStore) -> None:
    (store.folder / "ledger.json").write_text(text)
    ledger = store.read_ledger()
    assert (ledger.recordings, ledger.rebuilt) == ({PATH: ENTRY}, True)
    assert ledger.refused is not None


def test_of_a_refused_ledger_the_entries_that_fit_are_kept(store: ReadingStore) -> None:
    rows = {"gone.wav": {**ROW, "key": OTHER}, "wrong.wav": {**ROW, "size": "3"}}
    (store.folder / "ledger.json").write_text(json.dumps({"method": "15", "recordings": rows}))
    restored = Entry(sha256=SOUND, size=3, mtime_ns=GONE, key=OTHER)
    assert store.read_ledger().recordings == {"gone.wav": restored, PATH: ENTRY}


def test_of_two_readings_of_one_path_the_later_restores_it(store: ReadingStore) -> None:
    later = replace(ENTRY, key=OTHER, sha256="cd" * 32)
    store.put(OTHER, reading_to_json(READING), {PATH: later})
    os.utime(kept(store), ns=(1, 1))
    (store.folder / "ledger.json").unlink()
    assert store.read_ledger().recordings == {PATH: later}


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="no links here")
@pytest.mark.parametrize("lost", [False, True])
def test_a_link_to_nothing_in_place_of_a_reading_is_no_reading(store: ReadingStore, lost: bool) -> None:
    kept(store, OTHER).symlink_to(store.folder / "nowhere")
    if lost:
        (store.folder / "ledger.json").unlink()
    assert store.read_ledger().recordings == {PATH: ENTRY}
    store.sweep({PATH: ENTRY})
    assert not kept(store, OTHER).is_symlink()


def test_a_renamed_recording_takes_its_reading_along(store: ReadingStore) -> None:
    store.claim({"new.wav": ENTRY, "copy.wav": ENTRY}, {PATH: ENTRY})
    (store.folder / "ledger.json").unlink()
    again = ReadingStore(store.folder.parent)
    assert again.read_ledger().recordings == {"new.wav": ENTRY, "copy.wav": ENTRY}
    assert again.get(KEY) == READING


def test_claims_that_are_written_already_write_nothing(store: ReadingStore) -> None:
    before = kept(store).stat().st_ino
    ReadingStore(store.folder.parent).claim({PATH: ENTRY}, {})
    store.claim({PATH: ENTRY}, {PATH: ENTRY})
    assert kept(store).stat().st_ino == before


def test_sweeping_lets_go_of_what_nothing_needs(store: ReadingStore) -> None:
    store.put(OTHER, reading_to_json(READING), {PATH: ENTRY})
    store.sweep({PATH: ENTRY})
    assert (kept(store).exists(), kept(store, OTHER).exists()) == (True, False)


@pytest.mark.parametrize(
    ("text", "left"),
    [
        (reading_to_json(replace(EMPTY, sha256="cd" * 32)), [f"unclaimed-{OTHER}.json"]),
        (reading_to_json(replace(EMPTY, sha256=SOUND)), []),
        ("{}", [f"unclaimed-{OTHER}.json"]),
    ],
    ids=["of a sound that is gone", "of a sound that is there", "damaged"],
)
def test_without_a_ledger_a_reading_without_a_head_is_set_aside(
    text: str, left: list[str], store: ReadingStore
) -> None:
    kept(store, OTHER).write_text(text, encoding="utf-8")
    assert list(store.set_unclaimed_aside({PATH: ENTRY}).values()) == left
    store.sweep({PATH: ENTRY})
    assert [(store.folder / name).read_text("utf-8") for name in left] == [text] * len(left)
    assert not kept(store, OTHER).exists()


def test_what_was_set_aside_is_remembered_and_never_written_over(store: ReadingStore) -> None:
    for number in ("", "2-", "3-"):
        kept(store).write_text(f"damaged {number}")
        assert store.set_aside(KEY) == f"refused-{number}{KEY}.json"
    for number in ("", "2-", "3-"):
        assert (store.folder / f"refused-{number}{KEY}.json").read_text() == f"damaged {number}"
    assert (store.has(KEY), store.get(KEY), store.was_kept(KEY), store.set_aside(KEY)) == (False, None, True, "")


# What a file system allows below a folder, half characters aside.
PARTS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="/\0"), min_size=1, max_size=20).filter(
    lambda name: name not in (".", "..")
)
PATHS = st.lists(PARTS, min_size=1, max_size=3).map("/".join)
ENTRIES = st.builds(
    Entry,
    sha256=st.binary(min_size=32, max_size=32).map(bytes.hex),
    size=st.integers(-1, 2**50),
    mtime_ns=st.integers(-(2**62), 2**62),
    key=st.binary(min_size=20, max_size=20).map(bytes.hex),
)


@settings(max_examples=50)
@given(ledger=st.dictionaries(PATHS, ENTRIES, max_size=4))
def test_whatever_is_written_is_read_back(ledger: dict[str, Entry], tmp_path_factory: pytest.TempPathFactory) -> None:
    store = ReadingStore(tmp_path_factory.mktemp("results"))
    for key in {entry.key for entry in ledger.values()}:
        owners = {path: entry for path, entry in ledger.items() if entry.key == key}
        store.put(key, reading_to_json(EMPTY), owners)
    store.write_ledger(ledger)
    assert store.read_ledger().recordings == ledger
    (store.folder / "ledger.json").unlink()
    assert store.read_ledger().recordings == ledger
