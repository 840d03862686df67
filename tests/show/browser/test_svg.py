"""The SVG of a chart: the same marks as on paper, at the same places, with a class for each role; text stays text."""

from __future__ import annotations

import io
import re
from importlib.resources import files

import numpy as np
import pytest

from tapbatch.model.history import History
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.browser.svg import class_of, svg_of
from tapbatch.show.draw.chart import SCREEN, Chart, Sheet
from tapbatch.show.draw.marks import HOLLOW, ROLES
from tapbatch.show.pdf.canvas import pdf_bytes
from tests.show.browser.parsed import Element, parse
from tests.show.draw.every_chart import charts_of

pypdf = pytest.importorskip("pypdf", reason="pypdf reads the pages back")

# A pixel of CSS is 1/96 inch (CSS Values and Units, level 4, 6.2), a unit of a page 1/72 inch (ISO 32000-1, 8.3.2.3).
PX_PER_PT = 96 / 72


def drawn(chart: Chart) -> Element:
    return parse(svg_of(chart, "chart").encode()).one("svg")


def points_of(svg: Element) -> np.ndarray:
    """All points of all paths, and the centres of the dots, in pixels, of shape (n, 2)."""
    told = [re.findall(r"(-?[\d.]+),(-?[\d.]+)", path.attributes["d"] or "") for path in svg.all("path")]
    told += [[(c.attributes["cx"], c.attributes["cy"]) for c in svg.all("circle")]]
    return np.array([pair for pairs in told for pair in pairs], dtype=float).reshape(-1, 2)


def points_on_paper(chart: Chart) -> np.ndarray:
    """The same of the page on which the chart is printed, read back by another library."""
    sheet = Sheet("A4", "chart")
    sheet.place(chart, 0.0, 0.0)
    page = pypdf.PdfReader(io.BytesIO(pdf_bytes([sheet], "a", "b")), strict=True).pages[0]
    told, lines, dots = page.get_contents().operations, [], []
    for n, (operands, operator) in enumerate(told):
        if operator in (b"m", b"l"):
            lines.append([float(v) for v in operands])
        if operator == b"c" and told[n - 1][1] == b"m":
            # A circle begins at its right; its centre lies beside the end of its first quarter.
            start = lines.pop()
            dots.append([float(operands[4]), start[1]])
    return (np.array([*lines, *dots]).reshape(-1, 2) * (1, -1) + (0, sheet.height_mm * 72 / 25.4)) * PX_PER_PT


def test_paper_and_page_have_the_same_marks_at_the_same_places(whole: History) -> None:
    for name, chart in charts_of(whole, InstrumentSettings(), SCREEN):
        page, paper = points_of(drawn(chart)), points_on_paper(chart)
        assert page.shape == paper.shape, name
        # A tenth of a pixel is the last digit on the page.
        assert np.abs(page - paper).max() < 0.07, name


def test_every_role_has_a_class_and_every_class_a_role() -> None:
    style = (files("tapbatch.show.browser") / "page.css").read_text(encoding="utf-8")
    styled = set(re.findall(r"\.(m-[a-z-]+)", style))
    assert styled == {class_of(role) for role in ROLES}


def test_dots_are_circles_of_their_role() -> None:
    chart = Chart(SCREEN, 20.0)
    for n, role in enumerate(("reading", *sorted(HOLLOW))):
        chart.dots([(5.0 * n, 3.0), (5.0 * n, 9.0)], role)
    assert [c.attributes["class"] for c in drawn(chart).all("circle")] == [
        class_of(role) for role in ("reading", *sorted(HOLLOW)) for _ in range(2)
    ]


def test_text_is_data_and_keeps_letters_that_our_type_lacks() -> None:
    chart = Chart(SCREEN, 20.0)
    chart.description = '"><script>'
    chart.say(3.0, 4.0, "<b>漢\u202e</b>", ha="right", upright=True, bold=True, role="caution")
    svg = drawn(chart)
    (text,) = svg.all("text")
    assert text.text == "<b>漢\ufffd</b>"
    assert set((text.attributes["class"] or "").split()) == {"m-caution", "end", "b"}
    assert (text.attributes["transform"] or "").startswith("rotate(-90 ")
    assert svg.attributes["aria-label"] == 'chart: "><script>'
    assert not list(svg.all("script"))
