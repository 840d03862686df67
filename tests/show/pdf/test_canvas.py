"""The file itself: what other programs read out of it, and that marks and words stand where they were placed."""

from __future__ import annotations

import io
import math

import numpy as np
import pytest
from fontTools.ttLib import TTFont
from hypothesis import given, settings
from hypothesis import strategies as st

from tapbatch.show.draw.chart import Chart, Look, Sheet
from tapbatch.show.draw.lettering import MM_PER_PT, bold, plain, printable, text_width_mm
from tapbatch.show.draw.marks import ROLES
from tapbatch.show.pdf.canvas import INKS, pdf_bytes

pypdf = pytest.importorskip("pypdf", reason="pypdf reads the pages back")

LATIN = st.characters(min_codepoint=0x20, max_codepoint=0x17F, exclude_categories=["Cc", "Cf", "Zs"])
HEIGHT_MM = 297.0

Drawn = list[tuple[str, list]]


def read(*sheets: Sheet, title: str = "a") -> pypdf.PdfReader:
    """Read strictly: what a lenient reader would mend is an error."""
    return pypdf.PdfReader(io.BytesIO(pdf_bytes(sheets, title, "b")), strict=True)


def page_of(sheet: Sheet) -> pypdf.PageObject:
    return read(sheet).pages[0]


def drawn_on(page: pypdf.PageObject) -> Drawn:
    """What is done on a page, as pairs of operator and operands (ISO 32000-1, annex A)."""
    return [(operator.decode(), list(operands)) for operands, operator in page.get_contents().operations]


def places(drawn: Drawn, *operators: str) -> np.ndarray:
    """The points to which operators draw, in mm from the top left corner, of shape (n, 2)."""
    at = [[float(v) for v in operands[-2:]] for operator, operands in drawn if operator in operators]
    return np.array(at) * MM_PER_PT * (1, -1) + (0, HEIGHT_MM)


@pytest.mark.parametrize("heavy", [False, True], ids=["plain", "bold"])
@pytest.mark.parametrize("text", ["To Avoid: 11.7 cents", "Größe To 7,5 (±3 c)", "A#3 -14.0 AV", "Жалейка Œ ő"])
def test_a_line_is_as_wide_in_the_file_as_it_was_reckoned(text: str, heavy: bool) -> None:
    """Widths in the file and in the type, which another library reads."""
    sheet = Sheet("A4", "letters")
    sheet.say(20.0, 30.0, text, 10.0, bold=heavy)
    page = page_of(sheet)
    (font,) = page["/Resources"]["/Font"].values()
    (line,) = (operands[0] for operator, operands in drawn_on(page) if operator == "Tj")
    widths = [float(font["/Widths"][code - font["/FirstChar"]]) for code in line.original_bytes]
    type_ = TTFont((bold() if heavy else plain()).path)
    names, metrics = type_.getBestCmap(), type_["hmtx"].metrics
    shares = [metrics[names[ord(char)]][0] / type_["head"].unitsPerEm for char in text]
    assert np.array(widths) / 1000.0 == pytest.approx(shares, abs=1e-5)
    assert text_width_mm(text, 10.0, heavy) == pytest.approx(sum(shares) * 10.0 * MM_PER_PT, rel=1e-5)


@pytest.mark.parametrize("upright", [False, True])
def test_words_stand_where_their_millimetres_say(upright: bool) -> None:
    sheet = Sheet("A4", "letters")
    sheet.say(20.0, 50.0, "right", ha="right", upright=upright)
    (turned,) = (operands for operator, operands in drawn_on(page_of(sheet)) if operator == "cm" and operands[4])
    a, b, c, d, x, y = map(float, turned)
    width_mm, turn = text_width_mm("right", 8.0), math.radians(90.0 * upright)
    assert (a, b, c, d) == pytest.approx((math.cos(turn), math.sin(turn), -math.sin(turn), math.cos(turn)), abs=1e-6)
    # It ends where it was to end.
    end = x * MM_PER_PT + width_mm * math.cos(turn), HEIGHT_MM - y * MM_PER_PT - width_mm * math.sin(turn)
    assert end == pytest.approx((20.0, 50.0), abs=0.01)


@settings(max_examples=30)
@given(st.lists(st.text(LATIN, min_size=1, max_size=20), min_size=1, max_size=5))
def test_every_letter_can_be_searched_for(said: list[str]) -> None:
    sheet = Sheet("A4", "letters")
    for n, text in enumerate(said):
        sheet.say(20.0, 30.0 + 10.0 * n, text, bold=n % 2 == 1)
    assert page_of(sheet).extract_text().split("\n") == [printable(text) for text in said]


def test_more_letters_than_a_font_in_the_file_holds_can_be_searched_for() -> None:
    letters = [chr(code) for code in range(0xC0, 0x52F) if code in plain().glyphs and chr(code).isalpha()]
    said = ["".join(letters[n : n + 40]) for n in range(0, len(letters), 40)]
    assert len(letters) > 2 * 256
    sheet = Sheet("A4", "letters")
    for n, text in enumerate(said):
        sheet.say(10.0, 30.0 + 8.0 * n, text)
    assert page_of(sheet).extract_text().split("\n") == [printable(text) for text in said]


def test_a_letter_that_could_not_be_searched_for_is_shown_as_unknown() -> None:
    """A face beyond Unicode's basic plane: the type has it, what is written into the file cannot tell it."""
    smile = "\U0001f600"
    assert ord(smile) in TTFont(plain().path).getBestCmap()
    sheet = Sheet("A4", "letters")
    sheet.say(20.0, 30.0, f"a{smile}b")
    assert page_of(sheet).extract_text() == "a\ufffdb"


@pytest.mark.parametrize("text", ["עוד ראשון", "العود", "q̃o̊"])
def test_what_needs_a_layout_engine_is_drawn_as_shapes_and_can_be_searched_for(text: str) -> None:
    sheet = Sheet("A4", "letters")
    sheet.say(20.0, 30.0, text, 12.0)
    page = page_of(sheet)
    drawn = drawn_on(page)
    # Text rendering mode 3 paints nothing (ISO 32000-1, table 106); what is seen are curves.
    modes = [int(operands[0]) for operator, operands in drawn if operator == "Tr"]
    assert modes == [3]
    assert sum(operator == "c" for operator, _ in drawn) > 20
    (font,) = page["/Resources"]["/Font"].values()
    meaning = font["/ToUnicode"].get_data().decode()
    assert all(f"<{ord(char):04X}>" in meaning for char in text)


def test_no_text_is_a_formula() -> None:
    shapes = []
    for text in ("$x^2$ עוד $", "x2 עוד"):
        sheet = Sheet("A4", "letters")
        sheet.say(20.0, 30.0, text, 12.0)
        shapes.append(sum(operator == "m" for operator, _ in drawn_on(page_of(sheet))))
    assert shapes[0] > shapes[1]


def test_type_is_embedded_as_far_as_it_is_used() -> None:
    sheet = Sheet("A4", "letters")
    sheet.say(20.0, 30.0, "abcé")
    (font,) = page_of(sheet)["/Resources"]["/Font"].values()
    assert str(font["/BaseFont"]).endswith("+DejaVuSans")
    part = TTFont(io.BytesIO(font["/FontDescriptor"]["/FontFile2"].get_data()))
    # The parts of a letter with an accent, the space, and the sign for none come with it.
    assert 4 < part["maxp"].numGlyphs <= 4 + 4
    # Tables that every TrueType font in a PDF needs (ISO 32000-1, 9.9, table 126).
    assert {"glyf", "head", "hhea", "hmtx", "loca", "maxp"} <= set(part.keys())


def test_marks_stand_where_their_millimetres_say() -> None:
    sheet = Sheet("A4", "marks")
    course, outline = [(10.0, 20.0), (30.0, 40.0), (50.0, 40.0)], [(10.0, 60.0), (20.0, 60.0), (20.0, 70.0)]
    sheet.lines([course], "cautious link", "course")
    sheet.rule(10.0, 50.0, 60.0, 50.0, "scale")
    sheet.area(outline, "field")
    sheet.dots([(100.0, 100.0)], "unsure reading", 2.0, "reading")
    assert [mark.shape for mark in sheet.marks] == ["lines", "area", "lines", "dots"]
    drawn = drawn_on(page_of(sheet))
    ends = [n for n, (operator, _) in enumerate(drawn) if operator in ("S", "f", "B", "B*")]
    rule, area, lines, dots = (drawn[first:last] for first, last in zip([0, *ends], ends, strict=False))
    said = [dict(part) for part in (rule, area, lines, dots)]
    assert [drawn[end][0][0] for end in ends] == ["S", "f", "S", "B"]
    assert places(rule, "m", "l") == pytest.approx(np.array([(10.0, 50.0), (60.0, 50.0)]), abs=0.002)
    assert places(area, "m", "l") == pytest.approx(np.array(outline), abs=0.002)
    assert places(lines, "m", "l") == pytest.approx(np.array(course), abs=0.002)
    # Each in the ink of its role: strokes of a link broken where it is cautious, fields without an edge.
    scale, field, link, unsure = (INKS[role] for role in ("scale", "field", "cautious link", "unsure reading"))
    assert (said[0]["RG"], said[0]["w"], said[0]["d"]) == (colour(scale.colour), [scale.width_pt], [[], 0])
    assert said[1]["rg"] == colour(field.colour)
    assert (said[2]["RG"], said[2]["w"]) == (colour(link.colour), [pytest.approx(link.width_pt)])
    assert said[2]["d"][0] == pytest.approx([2.5 * link.width_pt, 2.0 * link.width_pt])
    # A ring: paper within, and all its points as far from the centre.
    assert (said[3]["rg"], said[3]["RG"], said[3]["d"]) == ([1, 1, 1], colour(unsure.colour), [[], 0])
    assert np.hypot(*(places(dots, "m", "c") - (100.0, 100.0)).T) == pytest.approx(2.0, abs=0.005)


def colour(code: str) -> list[object]:
    """Red, green and blue of a code such as ``#1f4e79``, as shares of one."""
    return [pytest.approx(int(code[n : n + 2], 16) / 255, abs=0.001) for n in (1, 3, 5)]


def test_every_role_has_an_ink_and_roles_of_words_can_be_read_in_print() -> None:
    """Contrast of text on paper is 4.5 at the least (WCAG 2.2, 1.4.3)."""
    assert set(INKS) == set(ROLES)
    for role in ("text", "soft text", "caution", "fit"):
        parts = [int(INKS[role].colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
        linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in parts]
        light = float(np.dot(linear, (0.2126, 0.7152, 0.0722)))
        assert 1.05 / (light + 0.05) >= 4.5


def test_a_chart_placed_on_a_sheet_keeps_its_shape() -> None:
    """What is drawn on a chart and placed is what would be drawn at that place."""
    chart, there = Chart(Look(width_mm=50.0)), Sheet("A4", "there")
    placed = Sheet("A4", "there")
    for drawing, x, y in ((chart, 0.0, 0.0), (there, 30.0, 40.0)):
        drawing.say(x + 5.0, y + 6.0, "Größe", ha="center", upright=True, role="caution")
        drawing.lines([[(x, y), (x + 9.0, y + 3.0)]], "link", "a")
        drawing.rule(x, y, x, y + 8.0)
        drawing.box(x, y, x + 2.0, y + 3.0, "field")
        drawing.dots([(x + 1.0, y + 2.0)], "reading")
    placed.place(chart, 30.0, 40.0)
    assert pdf_bytes([placed], "a", "b") == pdf_bytes([there], "a", "b")


def test_bookmarks_lead_to_their_pages() -> None:
    sheets = [Sheet("A4", "Eins"), Sheet("A4", "Übung (2) \\"), Sheet("Letter", "Übung (2) \\", turned=True)]
    for sheet, headings in zip(sheets, (["a"], ["b", "c"], ["c", "d"]), strict=True):
        sheet.headings += headings
    pdf = read(*sheets, title="Ж & <b>")
    assert pdf.metadata is not None
    assert pdf.metadata.title == "Ж & <b>"
    first, second, below = pdf.outline
    assert [(m["/Title"], pdf.get_destination_page_number(m)) for m in (first, second)] == [
        ("Eins", 0),
        ("Übung (2) \\", 1),
    ]
    assert [(m["/Title"], pdf.get_destination_page_number(m)) for m in below] == [("b", 1), ("c", 1), ("d", 2)]
    assert pdf.page_mode == "/UseOutlines"
    assert pdf.trailer["/Root"]["/ViewerPreferences"]["/DisplayDocTitle"]


def test_a_title_may_hold_what_is_left_of_a_broken_file_name() -> None:
    pdf = read(Sheet("A4", "a"), title="a\udcff")
    assert pdf.metadata is not None
    assert pdf.metadata.title == "a?"


def test_a_page_without_a_word_is_a_page() -> None:
    assert page_of(Sheet("A4", "empty")).extract_text() == ""
