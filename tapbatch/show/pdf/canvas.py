"""Sheets become the pages of a PDF: lines, areas, dots and words on ReportLab's canvas, which writes the file.

Conventions: lengths on a page are points (1/72 inch) from its lower left corner, y upwards, drawn to a hundredth. The
bytes depend on the sheets and the title alone: no date of making, no random names (but the library knows the
SOURCE_DATE_EPOCH of reproducible builds, where that is set, and makes the file's mark from it). Type is embedded as
TrueType, as much of it as is used, with what each glyph means, so that text can be searched and copied. Letters stand
as far apart as their widths say, without kerning, so that a line is exactly as wide as whoever placed it reckoned.

:data:`INKS` says how each role looks on paper. Colours are an ink, three greys, a dark blue and a burnt orange, which
differ in lightness: they survive black-and-white print and colour blindness, and none means good or bad.
"""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from functools import lru_cache
from itertools import groupby, islice
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from tapbatch.show.draw.chart import Sheet
from tapbatch.show.draw.lettering import MM_PER_PT, bold, needs_shaping, plain, text_width_mm, trace_outline
from tapbatch.show.draw.marks import HOLLOW, Mark, Role, Word
from tapbatch.show.say.words import shown

# On, off, as multiples of the line's width.
DASH = (2.5, 2.0)
RING_PT = 0.9
PAPER = "#ffffff"
# How lines meet, what is inside an outline that crosses itself, and text that is there without being seen
# (ISO 32000-1, 8.4.3.4, 8.5.3.3.2 and 9.3.6).
_ROUND_JOIN, _NON_ZERO, _UNSEEN = 1, 1, 3
_INK, _SOFT, _PALE, _HAIR, _SHADE = "#1b1b1b", "#666666", "#a9a9a9", "#dddddd", "#f0f0f0"
_MARK, _MARK_PALE, _WARN = "#1f4e79", "#9db4ca", "#a85400"


class Ink(NamedTuple):
    """A colour, and how wide a line of it is and whether it is dashed."""

    colour: str
    width_pt: float = 0.6
    dashed: bool = False


INKS: dict[Role, Ink] = {
    "text": Ink(_INK),
    "soft text": Ink(_SOFT),
    "caution": Ink(_WARN),
    "heading": Ink(_INK, 0.8),
    "scale": Ink(_PALE, 0.5),
    "guide": Ink(_HAIR, 0.4),
    "field": Ink(_SHADE),
    "tolerance": Ink(_HAIR),
    "reading": Ink(_MARK, 1.4),
    "unsure reading": Ink(_MARK_PALE, 1.4),
    "earlier reading": Ink(_MARK_PALE, 1.4),
    "expected reading": Ink(_MARK_PALE, 1.4),
    "link": Ink(_MARK_PALE, 0.9),
    "cautious link": Ink(_MARK_PALE, 0.9, dashed=True),
    "thread": Ink(_MARK_PALE, 0.6),
    "spectrum": Ink(_INK, 0.5),
    "sound": Ink("#8c8c8c", 0.5),
    "noise": Ink(_PALE, 0.4),
    "fit": Ink(_MARK, 1.1),
    "floor": Ink(_SOFT, 0.5, dashed=True),
    "target": Ink(_INK, 1.6),
    "next note": Ink(_INK, 0.7),
}


def pdf_bytes(sheets: Sequence[Sheet], title: str, subject: str) -> bytes:
    """Return sheets, one at least, as a PDF whose bookmarks are their titles, with their headings below."""
    from reportlab.pdfgen.canvas import Canvas

    file = io.BytesIO()
    canvas = Canvas(file, initialFontName=plain().name, invariant=1, pageCompression=1, pdfVersion=(1, 4), lang="en")
    canvas.setTitle(_encodable(title))
    canvas.setSubject(_encodable(subject))
    canvas.setCreator("tapbatch")
    canvas.setAuthor("")
    # The date of an invariable file would be an invented one.
    canvas.setDateFormatter(lambda *_: "")
    canvas.setViewerPreference("DisplayDocTitle", "true")
    canvas.showOutline()
    bookmarks = _bookmarks(sheets)
    for n, sheet in enumerate(each.finished() for each in sheets):
        height = sheet.height_mm / MM_PER_PT
        canvas.setPageSize((sheet.width_mm / MM_PER_PT, height))
        for key, (text, page, level, folded) in enumerate(bookmarks):
            if page == n:
                canvas.bookmarkPage(f"{key}")
                canvas.addOutlineEntry(text, f"{key}", level, closed=folded)
        canvas.setLineJoin(_ROUND_JOIN)
        for mark in sheet.marks:
            _draw_mark(canvas, mark, height)
        for word in sheet.words:
            _draw_word(canvas, word, height)
        canvas.showPage()
    canvas.save()
    return file.getvalue()


def _encodable(text: str) -> str:
    """Return text without the parts of a file name that are not Unicode."""
    return text.encode("utf-8", "replace").decode("utf-8")


def _bookmarks(sheets: Sequence[Sheet]) -> list[tuple[str, int, int, bool]]:
    """Return a bookmark for each run of sheets with one title, with those of its headings below if there are several.

    Each has its text, its page from 0 on, its level, and whether those a level below are hidden until asked for.
    """
    marks: list[tuple[str, int, int, bool]] = []
    for title, run in groupby(enumerate(sheets), key=lambda numbered: numbered[1].title):
        numbered = list(run)
        below: dict[str, int] = {}
        for page, sheet in numbered:
            for heading in sheet.headings:
                below.setdefault(shown(heading), page)
        several = len(below) > 1
        marks.append((title, numbered[0][0], 0, several))
        marks += [(heading, page, 1, False) for heading, page in below.items() if several]
    return marks


def _draw_mark(canvas: Any, mark: Mark, height: float) -> None:
    ink = INKS[mark.role]
    canvas.setStrokeColor(_colour(ink.colour))
    if mark.shape == "lines":
        canvas.setLineWidth(ink.width_pt)
        canvas.setDash([share * ink.width_pt for share in DASH] if ink.dashed else [])
        canvas.drawPath(_path(canvas, mark.pieces, height), stroke=1, fill=0)
    elif mark.shape == "area":
        canvas.setFillColor(_colour(ink.colour))
        canvas.drawPath(_path(canvas, mark.pieces, height), stroke=0, fill=1, fillMode=_NON_ZERO)
    else:
        hollow = mark.role in HOLLOW
        canvas.setFillColor(_colour(PAPER if hollow else ink.colour))
        canvas.setLineWidth(RING_PT)
        canvas.setDash([])
        # One by one, for dots that overlap cover each other.
        for x, y in _points(np.concatenate(mark.pieces), height):
            canvas.circle(x, y, mark.radius_mm / MM_PER_PT, stroke=int(hollow), fill=1)


def _points(places: NDArray[np.float64], height: float) -> list[list[float]]:
    """Return places in mm from the top as points from the bottom, to two decimals: more could not be seen."""
    points: list[list[float]] = np.round(places * (1 / MM_PER_PT, -1 / MM_PER_PT) + (0.0, height), 2).tolist()
    return points


def _path(canvas: Any, segments: Sequence[NDArray[np.float64]], height: float) -> Any:
    path = canvas.beginPath()
    points = iter(_points(np.concatenate(segments), height))
    for segment in segments:
        path.moveTo(*next(points))
        for x, y in islice(points, len(segment) - 1):
            path.lineTo(x, y)
    return path


@lru_cache(maxsize=64)
def _colour(code: str) -> tuple[float, float, float]:
    red, green, blue = (round(int(code[n : n + 2], 16) / 255, 3) for n in (1, 3, 5))
    return red, green, blue


def _draw_word(canvas: Any, word: Word, height: float) -> None:
    face = bold() if word.bold else plain()
    x, y = word.x_mm / MM_PER_PT, height - word.y_mm / MM_PER_PT
    turn = math.radians(90.0 * word.upright)
    if word.anchor != "left":
        back = text_width_mm(word.text, word.size_pt, word.bold) / MM_PER_PT
        back *= 0.5 if word.anchor == "center" else 1.0
        x, y = x - back * math.cos(turn), y - back * math.sin(turn)
    canvas.saveState()
    canvas.transform(math.cos(turn), math.sin(turn), -math.sin(turn), math.cos(turn), round(x, 2), round(y, 2))
    canvas.setFillColor(_colour(INKS[word.role].colour))
    canvas.setFont(face.name, word.size_pt)
    line = canvas.beginText()
    if needs_shaping(word.text):
        # Its letters take other forms and places beside each other: drawn as shapes, and the text laid under.
        path = canvas.beginPath()
        if trace_outline(path, word, face.path):
            canvas.drawPath(path, stroke=0, fill=1, fillMode=_NON_ZERO)
        line.setTextRenderMode(_UNSEEN)
    line.textOut(word.text)
    canvas.drawText(line)
    canvas.restoreState()
