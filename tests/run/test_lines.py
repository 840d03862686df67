"""The lines of charts: a history does without them, and whoever draws a stage reads those of one recording."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from tapbatch.api import load_readings
from tapbatch.model.history import History, Stage
from tapbatch.model.reading import DecayTrace, Reading, Spectrum
from tapbatch.results.marks import read_marks
from tapbatch.results.store import ReadingStore
from tapbatch.run.histories import Inputs, history_of, what_is_known
from tapbatch.run.inventory import take_stock
from tapbatch.run.lines import KeptLines
from tapbatch.shop.folder import open_shop
from tapbatch.show.browser.article import card_of
from tapbatch.show.pdf.report import report_bytes
from tests.shops import make_shop, tapbatch, taps

# Three recordings of one stage, the second with the most taps, and one of another.
SOUNDS = {
    "lyre-2_01-joined_top_1.wav": taps(72, count=2),
    "lyre-2_01-joined_top_2.wav": taps(73, count=4),
    "lyre-2_01-joined_top_3.wav": taps(74, count=4),
    "lyre-2_02-thinned_top_1.wav": taps(75, cents=-30),
}


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = make_shop(tmp_path_factory.mktemp("lines") / "shop", SOUNDS)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("tapbatch.show.pdf.report.report_bytes", lambda *_: b"%PDF stand-in")
        assert tapbatch("run", folder).status == 0
    return folder


@pytest.fixture
def store(shop: Path) -> ReadingStore:
    return ReadingStore(shop / "results")


@pytest.fixture
def inputs(shop: Path, store: ReadingStore) -> Inputs:
    opened = open_shop(shop)
    stock = take_stock(opened, store)
    return what_is_known(opened, stock, store, read_marks(opened.results_dir).of).inputs["lyre-2"]


def keys_of(inputs: Inputs) -> dict[str, str]:
    return {recording.path: key for recording, key, _ in inputs.items}


def readings_of(history: History) -> Iterator[Reading]:
    return (heard.reading for stage in history.stages for heard in stage.heard)


def lines_in(stage: Stage) -> list[tuple[Spectrum | None, DecayTrace | None]]:
    return [(heard.reading.spectrum, heard.reading.trace) for heard in stage.heard]


def with_lines(inputs: Inputs, store: ReadingStore, lines: bool) -> History:
    from tapbatch.compare.across import Common

    return history_of(inputs, Common(), store, lines=lines).history


def test_a_history_does_without_lines_unless_it_is_asked_for_them(
    shop: Path, inputs: Inputs, store: ReadingStore
) -> None:
    assert {(r.spectrum, r.trace) for r in readings_of(with_lines(inputs, store, False))} == {(None, None)}
    for whole in (with_lines(inputs, store, True), load_readings(shop)["lyre-2"]):
        assert all(r.spectrum and r.trace for r in readings_of(whole))


def test_one_recording_of_a_stage_gets_its_lines(inputs: Inputs, store: ReadingStore) -> None:
    bare, whole = (with_lines(inputs, store, lines).stages[0] for lines in (False, True))
    # Of those with the most taps the first in the order of the recordings.
    expected = [lines if n == 1 else (None, None) for n, lines in enumerate(lines_in(whole))]
    assert lines_in(KeptLines(store, keys_of(inputs))(bare)) == expected


def test_the_report_and_the_page_are_the_same_as_with_all_lines_at_hand(inputs: Inputs, store: ReadingStore) -> None:
    bare, whole = (with_lines(inputs, store, lines) for lines in (False, True))
    lined = KeptLines(store, keys_of(inputs))
    assert report_bytes(bare, inputs.settings, lined) == report_bytes(whole, inputs.settings)
    assert card_of(bare, inputs.settings, lined) == card_of(whole, inputs.settings)


def test_a_reading_that_is_gone_has_no_lines_and_the_next_stands_in(inputs: Inputs, store: ReadingStore) -> None:
    bare = with_lines(inputs, store, False).stages[0]
    keys = keys_of(inputs)
    gone = {path: "0" * 40 if path.endswith("_2.wav") else key for path, key in keys.items()}
    drawn = KeptLines(store, gone)(bare)
    assert [bool(spectrum) for spectrum, _ in lines_in(drawn)] == [False, False, True]
    nothing = KeptLines(store, dict.fromkeys(keys, "0" * 40))(bare)
    assert nothing == replace(bare, heard=bare.heard)
