"""A note from a phone changes one row of the file, and nothing else in it."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.model.errors import SettingsError
from tapbatch.shop.notes import harmless_cell, notes_in, plain_cell
from tapbatch.shop.notes_file import FIELDS, noted, with_note

ROWS = 'mine;Stage;instrument;mass g\nx;05-closed;Cittern-12;"412,5"\n;;;\ny;06-voicing;cittern-12;\n# a remark\n'


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("front", ["", "sep=;\n", "\n"])
def test_everything_else_stays_byte_for_byte(end: str, encoding: str, front: str) -> None:
    text = (front + ROWS.replace("mine", "eigenes für mich")).replace("\n", end)
    # Parted by a bare carriage return, only old spreadsheets write; they name no separator.
    if end == "\r" and front == "sep=;\n":
        return
    raw = text.encode(encoding)
    new = with_note(raw, "cittern-12", "06-voicing", {"mass_g": "398,2"})
    assert new == text.replace("y;06-voicing;cittern-12;", "y;06-voicing;cittern-12;398,2").encode(encoding)
    assert noted(new, "CITTERN-12", "06-Voicing")["mass_g"] == "398,2"
    assert notes_in(new)[0][("cittern-12", "06-voicing")].mass_g == 398.2


def test_a_new_column_and_a_new_row_are_added_at_the_end() -> None:
    new = with_note(ROWS.encode(), "lute-3", "voicing", {"work": "hole; opened", "remark": ""})
    assert new.decode().splitlines() == [
        "mine;Stage;instrument;mass g;work",
        'x;05-closed;Cittern-12;"412,5";',
        ";;;",
        "y;06-voicing;cittern-12;;",
        "# a remark;;;;",
        ';voicing;lute-3;;"hole; opened"',
    ]


def test_a_last_row_without_an_end_keeps_it_so() -> None:
    raw = b"instrument,stage,work\nlute-3,voicing,x"
    assert with_note(raw, "lute-3", "voicing", {"work": "y"}) == b"instrument,stage,work\nlute-3,voicing,y"
    assert with_note(raw, "lute-3", "closed", {"work": "y"}) == raw + b"\nlute-3,closed,y\n"


def test_what_changes_nothing_leaves_the_file_alone() -> None:
    assert with_note(ROWS.encode(), "cittern-12", "05-closed", {"mass_g": "412,5", "work": ""}) == ROWS.encode()


def test_an_empty_file_gets_a_header() -> None:
    assert with_note(b"", "lute-3", "voicing", {"work": "x"}) == b"instrument,stage,work\nlute-3,voicing,x\n"


def test_a_cell_may_hold_line_ends_and_more_cells_than_columns_stay() -> None:
    raw = b'instrument,stage,remark\nlute-3,closed,"two\nlines ""quoted"""\nlute-3,voicing,x,left,over\n'
    new = with_note(raw, "lute-3", "voicing", {"remark": "y"})
    assert new == raw.replace(b"voicing,x", b"voicing,y")


@pytest.mark.parametrize("text", ["=1+1", "@cmd", "+x", "-x", "'=1", "-2+3+cmd|' /C calc'!A0", "-5-10", "\uff1d1+1"])
def test_no_spreadsheet_finds_a_formula(text: str) -> None:
    new = with_note(b"", "lute-3", "voicing", {"work": text})
    assert new.endswith(f",'{text}\n".encode())
    assert noted(new, "lute-3", "voicing")["work"] == text
    assert notes_in(new)[0]["lute-3", "voicing"].work == text


@pytest.mark.parametrize("text", ["-5", "-3.25", "-1.5e3"])
def test_a_number_below_zero_is_no_formula(text: str) -> None:
    assert with_note(b"", "lute-3", "voicing", {"work": text}).endswith(f",{text}\n".encode())


@pytest.mark.parametrize("delimiter", ",;\t|")
def test_no_spreadsheet_finds_a_formula_where_it_parts_columns_in_another_way(delimiter: str) -> None:
    head = delimiter.join(("instrument", "stage", "work", "remark"))
    for other in ",;\t|".replace("\t", ""):
        text = f"a{other}=1+1"
        new = with_note(f"{head}\n".encode(), "lute-3", "voicing", {"work": text}).decode()
        # The standard library's reader is the judge.
        for parted in ",;\t|":
            cells = [cell for row in csv.reader(io.StringIO(new), delimiter=parted) for cell in row]
            assert not [cell for cell in cells if cell.startswith("=")]


@given(text=st.text(st.sampled_from("'=-+1,;.ea "), max_size=10))
def test_what_is_made_harmless_is_read_as_it_was(text: str) -> None:
    assert plain_cell(harmless_cell(text)) == text


@pytest.mark.parametrize("stage", ["+bars", "-soft", "=1", "@home", "'=1"])
def test_a_stage_that_begins_like_a_formula_has_one_row(stage: str) -> None:
    new = with_note(with_note(b"", "lute-3", stage, {"work": "x"}), "lute-3", stage, {"mass_g": "412"})
    assert (len(new.splitlines()), noted(new, "lute-3", stage)["work"]) == (2, "x")
    note = notes_in(new)[0]["lute-3", stage]
    assert (note.work, note.mass_g) == ("x", 412.0)


@pytest.mark.parametrize(
    ("raw", "fields"),
    [
        (b"", {"mine": "x"}),
        (b"", {"instrument": "x"}),
        (b"", {"work": "a\nb"}),
        (b"", {"work": "x" * 501}),
        (b"a,b\n1,2\n", {"work": "x"}),
        (b'instrument,stage,work\nlute-3,"voicing,x\n', {"work": "x"}),
        (b"instrument,stage,work\nlute-3,voicing,\xe4\n", {"work": "Ω"}),
    ],
)
def test_what_cannot_be_written_is_refused(raw: bytes, fields: dict[str, str]) -> None:
    with pytest.raises(SettingsError):
        with_note(raw, "lute-3", "voicing", fields)


cells = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Zl", "Zp"]), max_size=8).map(str.strip)


@given(
    rows=st.lists(st.lists(cells, min_size=2, max_size=2), max_size=5),
    delimiter=st.sampled_from(",;\t"),
    text=cells.filter(bool),
)
def test_other_rows_read_as_before(rows: list[list[str]], delimiter: str, text: str) -> None:
    # The standard library's reader is the judge.
    held = io.StringIO()
    table = [["instrument", "stage", "work", "mine"]] + [["lute-3", f"stage {n}", *r] for n, r in enumerate(rows)]
    csv.writer(held, delimiter=delimiter, lineterminator="\n").writerows(table)
    new = with_note(held.getvalue().encode(), "cittern-12", "voicing", {"work": text}).decode()
    (head, *before, added) = csv.reader(io.StringIO(new, newline=""), delimiter=delimiter)
    assert [head, *before] == table
    assert [added[0], added[1], added[3]] == ["cittern-12", "voicing", ""]
    assert noted(new.encode(), "cittern-12", "voicing")["work"] == text
    again = with_note(new.encode(), "cittern-12", "voicing", {"work": ""})
    assert noted(again, "cittern-12", "voicing") == dict.fromkeys(FIELDS, "")
