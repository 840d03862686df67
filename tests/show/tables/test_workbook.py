"""The workbook, read back by another library, and by an office that builders use."""

from __future__ import annotations

import io
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.model.history import History
from tapbatch.model.notice import Notice
from tapbatch.show.tables import workbook
from tapbatch.show.tables.columns import SCHEMA, Row, cell_text, table_bytes
from tapbatch.show.tables.frames import read_table
from tapbatch.show.tables.rows import history_to_tables
from tapbatch.show.tables.workbook import workbook_bytes

# Another library than the one that writes; it knows cells as ECMA-376 types them: s text, n number, b boolean.
openpyxl = pytest.importorskip("openpyxl", reason="openpyxl reads workbooks back")
unescape = pytest.importorskip("openpyxl.utils.escape").unescape

ODD = ["=1+1", "NA", "nan", "true", "1e5", "007", "2026-03-14", "'quoted", "{=1}", "http://a.b", "_x0041_", " x "]


def opened(data: bytes):
    return openpyxl.load_workbook(io.BytesIO(data))


def test_a_sheet_for_every_table_and_every_cell_has_its_type(any_history: History) -> None:
    tables = history_to_tables(any_history)
    book = opened(workbook_bytes(tables))
    assert sorted(book.sheetnames) == sorted(tables)
    assert book.sheetnames[0] == "modes"
    for name, rows in tables.items():
        sheet = book[name]
        columns = SCHEMA[name]
        assert [cell.value for cell in sheet[1]] == [column.name for column in columns]
        assert sheet.max_row == len(rows) + 1
        for row, cells in zip(rows, sheet.iter_rows(min_row=2), strict=False):
            for column, cell in zip(columns, cells, strict=True):
                text = cell_text(column, row)
                if text == "":
                    assert cell.value is None
                elif column.kind == "text":
                    # A control character is an escape in the file (ECMA-376, ST_Xstring); the reader leaves it one.
                    assert (cell.data_type, unescape(cell.value)) == ("s", str(row[column.name]))
                elif column.kind == "bool":
                    assert (cell.data_type, cell.value) == ("b", text == "true")
                else:
                    assert (cell.data_type, cell.value) == ("n", float(text))
                    # Shown with as many decimals as the table has.
                    assert len(cell.number_format.partition(".")[2]) == len(text.partition(".")[2])


def test_the_header_stays_in_sight_and_columns_can_be_read(whole: History) -> None:
    for sheet in opened(workbook_bytes(history_to_tables(whole))):
        assert sheet.freeze_panes == "A2"
        assert sheet.auto_filter.ref.startswith("A1:")
        assert all(cell.font.bold for cell in sheet[1])
        wide = {n: d.width for d in sheet.column_dimensions.values() for n in range(d.min, d.max + 1)}
        for column in sheet.iter_cols(max_row=1):
            assert len(column[0].value) + 2 <= wide[column[0].column] <= 45


def test_the_same_tables_are_the_same_bytes_and_other_tables_are_not(whole: History) -> None:
    tables = history_to_tables(whole)
    assert workbook_bytes(tables) == workbook_bytes(history_to_tables(whole))
    assert workbook_bytes({**tables, "drift": []}) != workbook_bytes(tables)


def test_names_stay_names() -> None:
    rows: list[Row] = [{"recording": "x.wav", "stage": text, "tap": n} for n, text in enumerate(ODD)]
    cells = [row[1] for row in opened(workbook_bytes({"taps": rows}))["taps"].iter_rows(min_row=2)]
    assert [(cell.data_type, cell.value) for cell in cells] == [("s", text) for text in ODD]
    assert {cell.number_format for cell in cells} == {"@"}


# What XML cannot hold, or holds as an escape that the reading library leaves as it is, is looked at below.
@given(st.lists(st.text(st.characters(exclude_categories=["Cc", "Cs", "Cn"]), min_size=1, max_size=12), max_size=5))
def test_any_text_comes_back(texts: list[str]) -> None:
    book = opened(workbook_bytes({"attention": [{"where": text, "problem": "", "remedy": ""} for text in texts]}))
    assert [row[0].value for row in book["attention"].iter_rows(min_row=2) if row[0].value is not None] == texts


@pytest.mark.parametrize("text", ["caf\udce9.wav", "\ufffe", "\x00\x07", "x" * 40_000])
def test_what_no_sheet_can_hold_is_shown_and_does_not_break_it(text: str) -> None:
    shown = opened(workbook_bytes({"attention": [{"where": text}]}))["attention"]["A2"].value
    assert shown
    assert len(shown) <= 32_767


def test_more_rows_than_a_sheet_holds_are_said(monkeypatch: pytest.MonkeyPatch) -> None:
    rows: list[Row] = [{"where": f"{n}.wav"} for n in range(3)]
    assert workbook.workbook_notices({"attention": rows}) == []
    monkeypatch.setattr(workbook, "MOST_ROWS", 2)
    (notice,) = workbook.workbook_notices({"attention": rows, "drift": []})
    assert notice == Notice("workbook full", name="attention", count=2, total_count=3)
    assert opened(workbook_bytes({"attention": rows}))["attention"].max_row == 3


# ------------------------------------------------------------- an office


@pytest.fixture(scope="module")
def converted(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., object]:
    """A function that opens a file in LibreOffice, without a window, and gives back what is in it."""
    program = shutil.which("soffice")
    if program is None:
        pytest.skip("LibreOffice (soffice, Debian package libreoffice-calc) is not installed")
    room = tmp_path_factory.mktemp("office")

    def convert(path: Path, *options: str) -> object:
        profile = f"-env:UserInstallation={(room / 'profile').as_uri()}"
        kind = ["--convert-to", "xlsx:Calc MS Excel 2007 XML"]
        subprocess.run(
            [program, profile, "--headless", *options, *kind, "--outdir", str(room), str(path)],
            capture_output=True,
            timeout=120,
            check=True,
        )
        return openpyxl.load_workbook(room / f"{path.stem}.xlsx")

    return convert


# A double click shows a window before it opens a table. In LibreOffice 7.4 with a new profile it has UTF-8, tab,
# comma and semicolon chosen, in the locale C as in C.UTF-8: so it was seen. Without a window there are no such
# defaults (bytes are taken for Windows-1252 in either locale), and what the window has chosen is given as options:
# separators, quotation mark, UTF-8.
AS_THE_WINDOW = "--infilter=CSV:9/44/59,34,76"
COMMA_ALONE = "--infilter=CSV:44,34,76"


@pytest.mark.slow
@pytest.mark.parametrize("options", [AS_THE_WINDOW, COMMA_ALONE])
def test_tables_open_rightly_in_an_office(
    whole: History, converted: Callable[..., object], tmp_path: Path, options: str
) -> None:
    """Columns part at commas alone, points are decimal, numbers are numbers, and no name is run, dated or counted."""
    rows = history_to_tables(whole)["taps"]
    odd = ["=1+1", "+2", "-3", "@x", "NA", "03-mar-thinned", 'a, "b"', "3/4 done", "a;b", "a\tb", "Säge 琴 Ж"]
    rows = [*rows, *({**rows[0], "stage": text, "reason": "one; two"} for text in odd)]
    path = tmp_path / "taps.csv"
    path.write_bytes(table_bytes("taps", rows))
    sheet = converted(path, options).active  # type: ignore[attr-defined]
    assert [cell.value for cell in sheet[1]] == [column.name for column in SCHEMA["taps"]]
    frame = read_table(path)
    for (_, row), cells in zip(frame.iterrows(), sheet.iter_rows(min_row=2), strict=True):
        shown = {column.name: cell for column, cell in zip(SCHEMA["taps"], cells, strict=True)}
        stage = shown["stage"]
        # Text that would run has its apostrophe; an office that shows it runs nothing.
        assert (stage.data_type, stage.value.removeprefix("'")) == ("s", row["stage"].replace("\t", r"\x09"))
        assert shown["onset_s"].value == row["onset_s"]
        assert shown["snr_db"].value == row["snr_db"]
        assert str(shown["used"].value).lower() == str(row["used"]).lower()
        assert (shown["reason"].value or "") == row["reason"]


@pytest.mark.slow
def test_without_window_and_options_an_office_reads_all_but_foreign_letters(
    whole: History, converted: Callable[..., object], tmp_path: Path
) -> None:
    rows = history_to_tables(whole)["modes"]
    path = tmp_path / "modes.csv"
    path.write_bytes(table_bytes("modes", rows))
    assert path.read_bytes().isascii()
    frame = read_table(path)
    cells = [[cell.value for cell in row] for row in converted(path).active.iter_rows(min_row=2)]  # type: ignore[attr-defined]
    at = {name: list(frame.columns).index(name) for name in ("freq_hz", "flags", "note")}
    for (_, row), found in zip(frame.iterrows(), cells, strict=True):
        assert found[at["freq_hz"]] == row["freq_hz"]
        assert (found[at["flags"]] or "", found[at["note"]]) == (row["flags"], row["note"])


@pytest.mark.slow
def test_a_workbook_opens_rightly_in_an_office(
    whole: History, converted: Callable[..., object], tmp_path: Path
) -> None:
    tables = history_to_tables(whole)
    tables["taps"] = [*tables["taps"], *({**tables["taps"][0], "stage": text} for text in [*ODD, "Säge 琴"])]
    path = tmp_path / "lute-5.xlsx"
    path.write_bytes(workbook_bytes(tables))
    ours, theirs = openpyxl.load_workbook(path), converted(path)
    assert ours.sheetnames == theirs.sheetnames  # type: ignore[attr-defined]
    for sheet in ours:
        other = theirs[sheet.title]  # type: ignore[index]
        for row, found in zip(sheet.iter_rows(), other.iter_rows(), strict=True):
            assert [(c.data_type, c.value) for c in row] == [as_written(c.data_type, c.value) for c in found]


def as_written(kind: str, value: object) -> tuple[str, object]:
    """Return a cell that the office wrote as we would: it keeps a boolean as the formula that gives it."""
    booleans = {"=TRUE()": ("b", True), "=FALSE()": ("b", False)}
    return booleans[str(value)] if kind == "f" else (kind, value)
