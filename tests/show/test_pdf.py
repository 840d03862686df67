"""The file itself: what other programs read out of it, and that letters stand where a layout engine puts them."""

from __future__ import annotations

import io
from itertools import pairwise

import numpy as np
import pytest
from fontTools.ttLib import TTFont
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import text_to_path

from tapbatch.show.lettering import MM_PER_PT, printable
from tapbatch.show.pdf import pdf_bytes
from tapbatch.show.sheet import Area, Dots, Lines, Sheet
from tapbatch.show.typeface import Face, bold, plain

pypdf = pytest.importorskip("pypdf", reason="pypdf reads the pages back")

LATIN = st.characters(min_codepoint=0x20, max_codepoint=0x17F, exclude_categories=["Cc", "Cf", "Zs"])


def read(*sheets: Sheet, title: str = "a") -> pypdf.PdfReader:
    """Read strictly: what a lenient reader would mend is an error."""
    return pypdf.PdfReader(io.BytesIO(pdf_bytes(sheets, title, "b")), strict=True)


def page_of(sheet: Sheet) -> pypdf.PageObject:
    return read(sheet).pages[0]


@pytest.mark.parametrize("face", [plain(), bold()], ids=["plain", "bold"])
@pytest.mark.parametrize("text", ["To Avoid: 11.7 cents", "Wave-Type Yew", "Größe To 7,5 (±3 c)", "A#3 -14.0 AV"])
def test_letters_stand_where_a_layout_engine_puts_them(face: Face, text: str) -> None:
    """The plotting library lays a line out with FreeType, and where it was built so with HarfBuzz."""
    font = FontProperties(fname=str(face.path), size=100.0)
    # It measures from ink to ink: between the same letter at either end that is what the letters before move it on.
    ink, alone = (text_to_path.get_text_width_height_descent(t, font, ismath=False)[0] for t in (f"l{text}l", "l"))
    moved = sum(map(face.advance, f"l{text}")) + sum(face.kern(a, b) for a, b in pairwise(f"l{text}l"))
    assert 100 * moved == pytest.approx(ink - alone, abs=0.5)
    assert any(face.kern(a, b) for a, b in pairwise(text))


@settings(max_examples=30, deadline=None)
@given(st.lists(st.text(LATIN, min_size=1, max_size=20), min_size=1, max_size=5))
def test_every_letter_can_be_searched_for(said: list[str]) -> None:
    sheet = Sheet("A4", "letters")
    for n, text in enumerate(said):
        sheet.say(20.0, 30.0 + 10.0 * n, text, bold=n % 2 == 1)
    assert page_of(sheet).extract_text().split("\n") == [printable(text) for text in said]


@pytest.mark.parametrize("text", ["עוד ראשון", "العود", "q̃o̊"])
def test_what_needs_a_layout_engine_is_drawn_as_shapes_and_can_be_searched_for(text: str) -> None:
    sheet = Sheet("A4", "letters")
    sheet.say(20.0, 30.0, text, 12.0)
    page = page_of(sheet)
    content = page.get_contents().get_data()
    # Text rendering mode 3 paints nothing (ISO 32000-1, table 106); what is seen are curves.
    assert b" 3 Tr" in content
    assert content.count(b" c") > 20
    (font,) = (f for f in page["/Resources"]["/Font"].values() if f["/BaseFont"].endswith("DejaVuSans"))
    meaning = font["/ToUnicode"].get_data().decode()
    assert all(f"<{ord(char):04x}>" in meaning for char in text)


def test_no_text_is_a_formula() -> None:
    sheet = Sheet("A4", "letters")
    sheet.say(20.0, 30.0, "$x^2$ עוד $", 12.0)
    formula = page_of(sheet).get_contents().get_data()
    sheet = Sheet("A4", "letters")
    sheet.say(20.0, 30.0, "x2 עוד", 12.0)
    assert formula.count(b" m ") > page_of(sheet).get_contents().get_data().count(b" m ")


def test_type_is_embedded_as_far_as_it_is_used() -> None:
    sheet = Sheet("A4", "letters")
    sheet.say(20.0, 30.0, "abcé")
    for face, letters in ((plain(), "abcé"), (bold(), "")):
        ends = f"+{face.name}"
        (font,) = (f for f in page_of(sheet)["/Resources"]["/Font"].values() if f["/BaseFont"].endswith(ends))
        (glyphs,) = font["/DescendantFonts"]
        glyphs = glyphs.get_object()
        assert (font["/Subtype"], glyphs["/Subtype"]) == ("/Type0", "/CIDFontType2")
        part = TTFont(io.BytesIO(glyphs["/FontDescriptor"]["/FontFile2"].get_data()))
        # The parts of a letter with an accent, and the sign for none, come with it.
        assert len(letters) < len(part.getGlyphOrder()) <= len(letters) + 4
        # Tables that every TrueType font in a PDF needs (ISO 32000-1, 9.9, table 126).
        assert {"glyf", "head", "hhea", "hmtx", "loca", "maxp"} <= set(part.keys())
        whole = TTFont(face.path)
        names, widths = whole.getBestCmap(), glyphs["/W"][1]
        for char in letters:
            number = int(face.embedded(letters).glyphs[char])
            assert widths[number] == round(whole["hmtx"][names[ord(char)]][0] / 2048 * 1000)


def test_marks_stand_where_their_millimetres_say() -> None:
    sheet = Sheet("A4", "marks")
    sheet.lines([[(10.0, 20.0), (30.0, 40.0), (50.0, 40.0)]], "#ff0000", 0.8, dashed=True, name="course")
    sheet.rule(10.0, 50.0, 60.0, 50.0)
    sheet.area([(10.0, 60.0), (20.0, 60.0), (20.0, 70.0)], "#00ff00")
    sheet.dots([(100.0, 100.0)], "#0000ff", 2.0, hollow=True, name="reading")
    assert [type(mark) for mark in sheet.marks] == [Lines, Area, Lines, Dots]
    content = page_of(sheet).get_contents().get_data().decode()
    height = 297.0
    first, last = (10.0 / MM_PER_PT, (height - 20.0) / MM_PER_PT), (50.0 / MM_PER_PT, (height - 40.0) / MM_PER_PT)
    assert f"1.000 0.000 0.000 RG 0.8 w [2.00 1.60] 0 d\n{first[0]:.2f} {first[1]:.2f} m" in content
    assert f"{last[0]:.2f} {last[1]:.2f} l\nS" in content
    assert "0.000 1.000 0.000 rg" in content
    ring = next(line for line in content.split("\n") if line.endswith("h B"))
    numbers = np.array([float(v) for v in ring.split() if v[-1].isdigit()]).reshape(-1, 2)
    centre = np.array([100.0 / MM_PER_PT, (height - 100.0) / MM_PER_PT])
    on = numbers[[0, 3, 6, 9, 12]] if len(numbers) == 13 else numbers[:1]
    assert np.hypot(*(on - centre).T) == pytest.approx(2.0 / MM_PER_PT, abs=0.02)


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


def test_a_page_without_a_word_is_a_page() -> None:
    assert page_of(Sheet("A4", "empty")).extract_text() == ""
