"""Bench notes as spreadsheets leave them: understood, or refused with row and column."""

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from tapbatch.shop.notes import COLUMNS, read_notes
from tests.refusals import check


@pytest.fixture
def root(tmp_path):
    """Give a folder for the table."""
    return tmp_path


HEADER = (
    "instrument,stage,date,work,temperature_c,humidity_pct,mass_g,length_mm,width_mm,thickness_mm,opening_mm2,"
    "opening_length_mm,opening_width_mm,opening_edge_mm,string_pitch_hz,strings,removed_g,place,remark"
)


def notes_of(root, content):
    (root / "notes.csv").write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_notes(root / "notes.csv")


def test_the_columns_are_those_of_the_contract():
    assert HEADER.split(",") == list(COLUMNS)


def test_a_full_row(root):
    row = (
        'Cittern 07,03 Bars,2026-03-14,"braces, thinned",21.5,45,312,480,355,"2.9 3.1; 3",2500,82,39.5,160.5,415,gut,'
        "8.5,lower bout,fine"
    )
    notes, refused = notes_of(root, f"{HEADER}\n{row}\n")
    assert refused == ()
    note = notes["cittern-07", "03-bars"]
    assert (note.length_mm, note.width_mm, note.thickness_mm) == (480.0, 355.0, (2.9, 3.1, 3.0))
    assert (note.strings, note.removed_g, note.place) == ("gut", 8.5, "lower bout")
    assert (note.instrument, note.stage, note.date, note.work) == (
        "cittern-07",
        "03-bars",
        "2026-03-14",
        "braces, thinned",
    )
    assert (note.temperature_c, note.humidity_pct, note.mass_g) == (21.5, 45.0, 312.0)
    assert (note.opening_length_mm, note.opening_width_mm) == (82.0, 39.5)
    assert (note.opening_mm2, note.opening_edge_mm, note.string_pitch_hz, note.remark) == (
        2500.0,
        160.5,
        415.0,
        "fine",
    )


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
@pytest.mark.parametrize("mark", [",", ";", "\t"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
@pytest.mark.parametrize("sep_line", [False, True])
def test_what_spreadsheets_write(root, encoding, mark, line_end, sep_line):
    rows = [
        ["Instrument", "Stage ", "Work", "Temperature C"],
        ["", "", "", ""],
        ["Mándola", "Boden dünn", "Späne", '"21,5"'],
        [],
    ]
    text = line_end.join([f"sep={mark}"] * sep_line + [mark.join(row) for row in rows])
    notes, refused = notes_of(root, text.encode(encoding))
    assert refused == ()
    note = notes["mándola", "boden-dünn"]
    assert (note.work, note.temperature_c) == ("Späne", 21.5)


@pytest.mark.parametrize(
    ("cell", "number"),
    [
        ("1234,5", 1234.5),
        ("1 234,5", 1234.5),
        ("1.234,5", 1234.5),
        ("1,234.5", 1234.5),
        ("1’234.5", 1234.5),
        ("+5", 5.0),
    ],
)
def test_numbers_as_people_write_them(root, cell, number):
    notes, refused = notes_of(root, f"instrument;stage;mass_g\na;b;{cell}\n")
    assert (notes["a", "b"].mass_g, refused) == (number, ())


def test_a_number_that_reads_two_ways_is_refused_and_not_guessed(root):
    """With semicolons the comma is decimal, by the habit of the countries that write both."""
    notes, refused = notes_of(root, 'instrument,stage,mass_g\na,b,"1,234"\na,c,"1,2345"\n')
    assert [n.mass_g for n in notes.values()] == [1.2345]
    (told,) = refused
    check(told, "notes.csv", "row 2, mass_g", "'1,234'", "1234", "1.234")
    assert notes_of(root, "instrument;stage;mass_g\na;b;1,234\n")[0]["a", "b"].mass_g == 1.234


@pytest.mark.parametrize(
    ("cell", "date"),
    [
        ("2026-03-14", "2026-03-14"), ("14.03.2026", "2026-03-14"), ("4.3.2026", "2026-03-04"),
        ("3/14/2026", "2026-03-14"),
        ("14/3/2026", "2026-03-14"), ("3/3/2026", "2026-03-03"), ("2026/3/14", "2026-03-14"),
        ("2026-03-14 10:11", "2026-03-14T10:11:00"), ("14.03.2026 10:11:12", "2026-03-14T10:11:12"), ("", ""),
        ("3/4/2026", None), ("2026-02-30", None), ("46095", None), ("14.3.26", None), ("March", None),
        ("2026-03-14 25:00", None), ("14.3.2626", None),
    ],
)  # fmt: skip
def test_dates_as_spreadsheets_write_them(root, cell, date):
    notes, refused = notes_of(root, f"instrument,stage,date\na,b,{cell}\n")
    if date is None:
        assert notes == {}
        (told,) = refused
        check(told, "notes.csv", "row 2, date", repr(cell), "2026-03-14")
    else:
        assert (notes["a", "b"].date, refused) == (date, ())


@pytest.mark.parametrize(
    ("row", "values"),
    [
        ("a,b,,,warm", ["row 3, temperature_c", "'warm'", "Celsius", "-30", "60"]),
        ("a,b,,,68", ["row 3, temperature_c", "'68'", "Celsius", "-30", "60"]),
        ("a,b,,,,nan", ["row 3, humidity_pct", "'nan'", "0", "100"]),
        ("a,b,,,,,0", ["row 3, mass_g", "'0'", "grams"]),
        ("a,b,,,,,,,,,-1", ["row 3, opening_mm2", "'-1'", "square millimetres"]),
        ("a,b,,,,,,,,,,,,,1000", ["row 3, string_pitch_hz", "'1000'", "380", "470"]),
        (",b", ["row 3, instrument"]),
        ("a,", ["row 3, stage"]),
        ("a,b,,,21,5,45,312,480,355,3,2500,82,60,160,5,415,gut,8,5,edge,x", ["row 3", "22", "19"]),
        ("X, Y", ["row 3", "row 2"]),
    ],
)
def test_a_bad_row_is_left_out_and_said_so(root, row, values):
    notes, refused = notes_of(root, f"{HEADER}\nx,y,,,20\n{row}\nlast,one\n")
    assert set(notes) == {("x", "y"), ("last", "one")}
    (attention,) = refused
    check(attention, "notes.csv", *values)


def test_columns(root):
    notes, refused = notes_of(root, "stage,instrument,temperatur,own,\nb,a,20,x,\n")
    assert set(notes) == {("a", "b")}
    check(refused[0], "notes.csv", "column 3", "'temperatur'", "temperature_c")
    check(refused[1], "notes.csv", "column 4", "'own'")
    assert len(refused) == 2
    notes, refused = notes_of(root, "instrument,date\na,2026-03-14\n")
    assert notes == {}
    check(refused[0], "notes.csv", "stage", *COLUMNS)
    notes, refused = notes_of(root, "instrument,stage,work,work\na,b,c,d\n")
    assert notes["a", "b"].work == "c"
    check(refused[0], "notes.csv", "column 4", "work")
    assert notes_of(root, "") == notes_of(root, "\n;;\n") == notes_of(root, HEADER) == ({}, ())


@pytest.mark.parametrize(
    ("text", "stages", "values"),
    [
        # Excel writes the columns and rows that were once used.
        ("instrument;stage;mass_g;;;\na;01 x;12,5;;;\n;;;;;\n;;;;;\n", ["01-x"], None),
        ('"instrument";"stage";"mass_g"\n"a";"01 x";"1.234,5"\n', ["01-x"], None),
        ("instrument,stage\ra,01 x\rb,02 y\r", ["01-x", "02-y"], None),
        ('instrument,stage,remark\na,01 x,"two\nlines"\na,02 y,5" wide\n', ["01-x", "02-y"], None),
        ("instrument,stage,mass_g\na,01 x,#REF!\na,02 y,3\n", ["02-y"], ["row 2, mass_g", "'#REF!'"]),
        ("instrument,stage,date\na,01 x,46095\n", [], ["row 2, date", "'46095'"]),
        ("instrument,stage,humidity_pct\na,01 x,45 %\n", [], ["row 2, humidity_pct", "'45 %'"]),
        ('instrument,stage,remark\na,01 x,"two\nlines"\na,02 y,"never\na,03 z,lost?\n', ["01-x"], ["row 3"]),
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_what_spreadsheets_leave_behind(root, text, stages, values, encoding):
    notes, refused = notes_of(root, text.encode(encoding))
    assert [note.stage for note in notes.values()] == stages
    assert len(refused) == (values is not None)
    for told in refused:
        check(told, "notes.csv", *values)


@given(st.one_of(st.binary(max_size=300), st.text(alphabet=';,\t"\n\r\0 abz09.=', max_size=120).map(str.encode)))
@example(b"sep=\n")
@example(b'sep=;\n"')
@example(b"instrument,stage\n" + b"a" * 200_000 + b",b")
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=200)
def test_any_bytes_are_notes_or_attention(root, content):
    _, refused = notes_of(root, content)
    assert not any("\n" in f"{a.where}{a.what}{a.remedy}" for a in refused)
