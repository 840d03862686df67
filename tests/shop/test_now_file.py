"""The log is read back as it was written, whatever stands in it, and a kill costs at most the row in hand."""

from __future__ import annotations

import csv
import tempfile
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.model.bench_log import BenchLog, Event, OnBench
from tapbatch.model.errors import ShopError
from tapbatch.shop.now_file import NAME, append, read_log

AT = datetime(2026, 3, 14, 10, 11, 12, tzinfo=UTC)
BENCH = OnBench(instrument="cittern-12", stage="06-voicing", words=("closed", "at-bridge"), step=3, on=("air",))
EVENTS = (
    Event(at=AT, what="now", bench=BENCH),
    Event(at=AT, what="next"),
    Event(
        at=AT,
        what="placed",
        bench=BENCH,
        recording="a/b/x.m4a",
        sha256="0f",
        original="x.m4a",
        mark="4.1",
        recorded_at=AT,
    ),
    Event(at=AT, what="seen", original="=cmd.wav", mark="1.2"),
)
TEXT = st.text(st.characters(blacklist_categories=("C", "Z"), blacklist_characters="/"), min_size=1)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    for event in EVENTS:
        append(tmp_path, event)
    return tmp_path


def test_it_is_read_back(root: Path) -> None:
    assert read_log(root) == (BenchLog(EVENTS), ())


@given(name=TEXT, stage=TEXT, on=st.lists(TEXT, max_size=2))
def test_any_name_is_read_back(name: str, stage: str, on: list[str]) -> None:
    root = Path(tempfile.mkdtemp())
    event = Event(at=AT, what="now", bench=OnBench(instrument=name, stage=stage, on=tuple(on)), original=name)
    append(root, event)
    assert read_log(root) == (BenchLog((event,)), ())
    cells = next(iter(list(csv.reader((root / NAME).read_text(encoding="utf-8").splitlines()))[1:]))
    # A spreadsheet takes these for the beginning of a formula.
    assert not any(cell.startswith(("=", "+", "-", "@")) for cell in cells)


@pytest.mark.parametrize("cut", range(1, 40, 7))
def test_a_row_that_a_kill_cut_short_is_not_counted(root: Path, cut: int) -> None:
    path = root / NAME
    path.write_bytes(path.read_bytes()[:-cut])
    assert read_log(root) == (BenchLog(EVENTS[:-1]), ())
    append(root, EVENTS[1])
    log, refused = read_log(root)
    # The row that was cut short is a row of its own now; it counts if only its end was missing.
    assert log.events in ((*EVENTS[:-1], EVENTS[1]), (*EVENTS, EVENTS[1]))
    assert len(refused) == (cut > 1)


@pytest.mark.parametrize(
    "row", ["nonsense", "1,2,3", "2026-13-40,now,a,b,,,,,,,,", f"{AT.isoformat()},now,,,,,,,,,,"]
)
def test_a_row_that_is_not_understood_is_named_and_the_others_count(root: Path, row: str) -> None:
    path = root / NAME
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join([*lines[:2], row, *lines[2:]]) + "\n", encoding="utf-8")
    log, (refused,) = read_log(root)
    assert log.events == EVENTS
    assert refused.where == f"{NAME}, row 3"


def test_a_link_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").write_text("mine", encoding="utf-8")
    (tmp_path / NAME).symlink_to(tmp_path / "elsewhere")
    with pytest.raises(ShopError):
        append(tmp_path, EVENTS[0])
    assert (tmp_path / "elsewhere").read_text(encoding="utf-8") == "mine"


def test_a_folder_in_its_place_is_named(tmp_path: Path) -> None:
    (tmp_path / NAME).mkdir()
    log, (refused,) = read_log(tmp_path)
    assert (log.events, refused.where) == ((), NAME)
