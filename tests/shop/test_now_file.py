"""The log is read back as it was written, whatever stands in it, and a kill costs at most the row in hand."""

from __future__ import annotations

import csv
import io
import os
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

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
    Event(at=AT, what="next", bench=BENCH),
    Event(at=AT, what="sent", bench=BENCH, sha256="0f", original="y.m4a", mark="0a1b", recorded_at=AT),
)
TEXT = st.text(st.characters(blacklist_categories=("C", "Z"), blacklist_characters="/"), min_size=1).filter(
    lambda t: t != ".."
)


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
    # Without its line end alone a row is whole: an editor or a spreadsheet may drop that of the last one.
    assert read_log(root) == (BenchLog(EVENTS if cut == 1 else EVENTS[:-1]), ())
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


@pytest.mark.parametrize("what", ["folder", "pipe", "wide text", "huge"])
def test_one_that_cannot_be_read_does_not_count_as_empty(tmp_path: Path, what: str) -> None:
    path = tmp_path / NAME
    if what == "folder":
        path.mkdir()
    elif what == "pipe":
        os.mkfifo(path)
    else:
        with path.open("wb") as file:
            file.write("at,what".encode("utf-16") if what == "wide text" else b"at,what")
            file.truncate(100_000_000 if what == "huge" else 40)
    with pytest.raises(ShopError):
        read_log(tmp_path)


@pytest.mark.parametrize("last", ["\n", ""])
@pytest.mark.parametrize("ends", ["\n", "\r\n"])
@pytest.mark.parametrize("quoting", [csv.QUOTE_MINIMAL, csv.QUOTE_ALL])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("before", ["", "\ufeff", "sep={}\n"])
def test_a_spreadsheet_may_save_it(
    tmp_path: Path, delimiter: str, quoting: Literal[0, 1], ends: str, last: str, before: str
) -> None:
    # RFC 4180 for the quotes; ``sep=`` is how spreadsheets tell one another of another delimiter.
    for event in EVENTS:
        append(tmp_path, event)
    path = tmp_path / NAME
    rows = list(csv.reader(path.read_text(encoding="utf-8").splitlines()))
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, quoting=quoting, lineterminator=ends).writerows(rows)
    saved = before.format(delimiter) + out.getvalue().rstrip("\r\n") + last
    path.write_bytes(saved.encode())
    assert read_log(tmp_path) == (BenchLog(EVENTS), ())
    append(tmp_path, EVENTS[0])
    assert read_log(tmp_path) == (BenchLog((*EVENTS, EVENTS[0])), ())


def test_it_is_read_without_its_header_and_in_an_old_code_page(tmp_path: Path) -> None:
    event = Event(at=AT, what="now", bench=OnBench(instrument="Flöte", stage="01-x"))
    append(tmp_path, event)
    path = tmp_path / NAME
    head, row = path.read_text(encoding="utf-8").splitlines()
    assert head.startswith("at,")
    path.write_bytes(f"{row},,\n".encode("cp1252"))
    append(tmp_path, event)
    assert read_log(tmp_path) == (BenchLog((event, event)), ())


@given(st.text(min_size=1))
def test_a_name_of_any_characters_is_read_back(name: str) -> None:
    root = Path(tempfile.mkdtemp())
    name = f"x{name.replace('/', '')}"
    append(root, Event(at=AT, what="seen", original=name, mark="1b2"))
    assert read_log(root)[0].seen == {(name, "1b2")}
    assert len((root / NAME).read_bytes().splitlines()) == 2


@pytest.mark.parametrize("name", ["a\nb\u2028c\x07.wav", "\udcff.wav", r"a\u000a.wav", "\U0010ffff.wav"])
def test_a_name_that_is_no_text_is_read_back(tmp_path: Path, name: str) -> None:
    append(tmp_path, Event(at=AT, what="seen", original=name, mark="1b2"))
    assert read_log(tmp_path)[0].seen == {(name, "1b2")}


@pytest.mark.parametrize("path", ["../inbox/a.wav", "/etc/a.wav", "a/../../b.wav"])
def test_a_row_that_leads_out_of_its_folder_is_refused(tmp_path: Path, path: str) -> None:
    append(tmp_path, Event(at=AT, what="placed", bench=BENCH, recording=path, sha256="0f", original="a.wav"))
    log, refused = read_log(tmp_path)
    assert (log.events, len(refused)) == ((), 1)
