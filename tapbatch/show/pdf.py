"""Sheets become the pages of a PDF (ISO 32000-1): lines, areas, dots and words, with bookmarks, and type embedded.

Conventions: lengths on a page are points (1/72 inch) from its lower left corner, y upwards, written to a hundredth.
The bytes depend on the sheets and the title alone: no date of making, no random names. Type is embedded as TrueType,
as much of it as is used, with what each glyph means, so that text can be searched and copied.

A plotting library would draw the same pages; it took four times as long, and seven times once it had started, nearly
all of it for laying out words whose places are known here and for cutting down type with tables that no page needs.
"""

from __future__ import annotations

import hashlib
import math
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tapbatch.show.lettering import MM_PER_PT, Word
from tapbatch.show.outline import outline_objects
from tapbatch.show.outlined import needs_shaping, outlined
from tapbatch.show.sheet import Area, Dots, Lines, Mark, Sheet
from tapbatch.show.typeface import Embedded, Face, bold, plain
from tapbatch.show.words import shown

# On, off, as multiples of the line's width.
DASH = (2.5, 2.0)
RING_PT = 0.9
# A circle as four cubic curves is off by less than a thousandth of its radius with this much of it for the handles.
_HANDLE = 4.0 / 3.0 * (math.sqrt(2.0) - 1.0)
_CATALOG, _TREE, _INFO, _PLAIN, _BOLD, _FIRST_FREE = 1, 2, 3, 4, 5, 6

_TO_UNICODE = b"""/CIDInit /ProcSet findresource begin
12 dict begin
begincmap
/CIDSystemInfo << /Registry (Adobe) /Ordering (UCS) /Supplement 0 >> def
/CMapName /Adobe-Identity-UCS def
/CMapType 2 def
1 begincodespacerange
<0000> <ffff>
endcodespacerange
%b
endcmap
CMapName currentdict /CMap defineresource pop
end
end"""


def pdf_bytes(sheets: Sequence[Sheet], title: str, subject: str) -> bytes:
    """Return sheets as a PDF whose bookmarks are their titles, with their headings below.

    Parameters
    ----------
    sheets
        The pages, one at least.
    title, subject
        What the document says of itself.
    """
    file = _File()
    faces = {heavy: _embed(file, face, heavy, sheets) for heavy, face in ((False, plain()), (True, bold()))}
    numbers = [_page(file, sheet, faces) for sheet in sheets]
    marks = [(sheet.title, n, [shown(heading) for heading in sheet.headings]) for n, sheet in enumerate(sheets)]
    outlines = file.next
    for content in outline_objects(marks, numbers, outlines):
        file.add(content)
    kids = b" ".join(b"%d 0 R" % number for number in numbers)
    file.put(_TREE, b"<< /Type /Pages /Kids [ %b ] /Count %d >>" % (kids, len(numbers)))
    file.put(
        _CATALOG,
        b"<< /Type /Catalog /Pages %d 0 R /Outlines %d 0 R /PageMode /UseOutlines /Lang (en)"
        b" /ViewerPreferences << /DisplayDocTitle true >> >>" % (_TREE, outlines),
    )
    info = {"Title": title, "Subject": subject, "Creator": "tapbatch"}
    file.put(_INFO, b"<< %b >>" % b" ".join(b"/%b %b" % (k.encode(), text_string(v)) for k, v in info.items()))
    return file.finished()


def text_string(text: str) -> bytes:
    """Return text as a PDF shows it in titles: big-endian UTF-16 with its mark, in hexadecimal digits (7.9.2.2).

    Examples
    --------
    >>> text_string("Ü")
    b'<feff00dc>'
    """
    return b"<%b>" % (b"\xfe\xff" + text.encode("utf-16-be", "replace")).hex().encode()


# ------------------------------------------------------------------- the file


class _File:
    """Numbered objects, written one after the other with a table of where each begins (7.5)."""

    def __init__(self) -> None:
        self._objects: dict[int, bytes] = {}
        self.next = _FIRST_FREE

    def add(self, content: bytes) -> int:
        number, self.next = self.next, self.next + 1
        self.put(number, content)
        return number

    def put(self, number: int, content: bytes) -> None:
        self._objects[number] = content

    def add_stream(self, data: bytes, extra: bytes = b"") -> int:
        packed = zlib.compress(data, 6)
        head = b"<< /Length %d /Filter /FlateDecode%b >>" % (len(packed), extra)
        return self.add(b"%b\nstream\n%b\nendstream" % (head, packed))

    def finished(self) -> bytes:
        # The second line marks the file as binary (7.5.2).
        body = bytearray(b"%PDF-1.4\n%\xac\xdc\xab\xba\n")
        table = bytearray(b"xref\n0 %d\n0000000000 65535 f \n" % self.next)
        for number in range(1, self.next):
            table += b"%010d 00000 n \n" % len(body)
            body += b"%d 0 obj\n%b\nendobj\n" % (number, self._objects[number])
        tail = b"trailer\n<< /Size %d /Root %d 0 R /Info %d 0 R >>\nstartxref\n%d\n%%%%EOF\n"
        return bytes(body + table) + tail % (self.next, _CATALOG, _INFO, len(body))


# ----------------------------------------------------------------------- type


@dataclass(frozen=True, slots=True)
class _Set:
    """A face in the file: how its letters are written there, and the gaps between them."""

    face: Face
    codes: Mapping[str, str]


def _embed(file: _File, face: Face, heavy: bool, sheets: Sequence[Sheet]) -> _Set:
    letters = sorted({char for sheet in sheets for word in sheet.words if word.bold is heavy for char in word.text})
    part = face.embedded(letters)
    name = b"%b+%b" % (_tag(part), face.name.encode())
    data = file.add_stream(part.data, b" /Length1 %d" % len(part.data))
    m = face.measures
    box = b" ".join(b"%d" % round(1000 * v) for v in m.box)
    descriptor = file.add(
        b"<< /Type /FontDescriptor /FontName /%b /Flags 32 /FontBBox [ %b ] /Ascent %d /Descent %d /CapHeight %d"
        b" /ItalicAngle 0 /StemV 0 /FontFile2 %d 0 R >>"
        % (name, box, round(1000 * m.ascent), round(1000 * m.descent), round(1000 * m.capital), data)
    )
    widths = b" ".join(b"%d" % round(1000 * width) for width in part.widths)
    glyphs = file.add(
        b"<< /Type /Font /Subtype /CIDFontType2 /BaseFont /%b /CIDToGIDMap /Identity /FontDescriptor %d 0 R"
        b" /CIDSystemInfo << /Registry (Adobe) /Ordering (Identity) /Supplement 0 >> /W [ 0 [ %b ] ] >>"
        % (name, descriptor, widths)
    )
    meaning = file.add_stream(_meaning(part))
    file.put(
        _BOLD if heavy else _PLAIN,
        b"<< /Type /Font /Subtype /Type0 /BaseFont /%b /Encoding /Identity-H /DescendantFonts [ %d 0 R ]"
        b" /ToUnicode %d 0 R >>" % (name, glyphs, meaning),
    )
    return _Set(face, {char: f"{glyph:04x}" for char, glyph in part.glyphs.items()})


def _tag(part: Embedded) -> bytes:
    """Return six capitals that tell this part of a face from others (9.6.4)."""
    return bytes(65 + byte % 26 for byte in hashlib.sha256(part.data).digest()[:6])


def _meaning(part: Embedded) -> bytes:
    """Return which letter each glyph stands for (9.10.3), in lists of at most a hundred."""
    pairs = sorted((glyph, char) for char, glyph in part.glyphs.items())
    lists = []
    for first in range(0, len(pairs), 100):
        some = pairs[first : first + 100]
        rows = "\n".join(f"<{glyph:04x}> <{char.encode('utf-16-be').hex()}>" for glyph, char in some)
        lists.append(f"{len(some)} beginbfchar\n{rows}\nendbfchar")
    return _TO_UNICODE % "\n".join(lists).encode()


# ---------------------------------------------------------------------- pages


def _page(file: _File, sheet: Sheet, faces: Mapping[bool, _Set]) -> int:
    width, height = sheet.width_mm / MM_PER_PT, sheet.height_mm / MM_PER_PT
    drawn = [*(line for mark in sheet.marks for line in _mark(mark, height)), *_words(sheet.words, height, faces)]
    # Lines meet in round joins and end squarely, unless told otherwise.
    content = file.add_stream("\n".join(["1 j", *drawn]).encode("ascii"))
    return file.add(
        b"<< /Type /Page /Parent %d 0 R /MediaBox [ 0 0 %.4f %.4f ] /Contents %d 0 R"
        b" /Resources << /Font << /F0 %d 0 R /F1 %d 0 R >> >> >>" % (_TREE, width, height, content, _PLAIN, _BOLD)
    )


def _mark(mark: Mark, height: float) -> Iterator[str]:
    if isinstance(mark, Lines):
        dash = f"[{DASH[0] * mark.width_pt:.2f} {DASH[1] * mark.width_pt:.2f}] 0 d" if mark.dashed else "[] 0 d"
        yield f"{_colour(mark.colour)} RG {mark.width_pt:g} w {dash}"
        for segment in mark.segments:
            yield _polyline(segment, height)
        yield "S"
    elif isinstance(mark, Area):
        yield f"{_colour(mark.colour)} rg"
        yield f"{_polyline(mark.outline, height)} h f"
    elif isinstance(mark, Dots):
        paper = _colour("#ffffff") if mark.hollow else _colour(mark.colour)
        yield f"{paper} rg {_colour(mark.colour)} RG {RING_PT:g} w [] 0 d"
        # One by one, for dots that overlap cover each other.
        for x, y in _points(mark.centres, height).tolist():
            yield f"{_circle(x, y, mark.radius_mm / MM_PER_PT)} h {'B' if mark.hollow else 'f'}"


def _points(places: NDArray[np.float64], height: float) -> NDArray[np.float64]:
    return places * (1 / MM_PER_PT, -1 / MM_PER_PT) + (0.0, height)


def _polyline(places: NDArray[np.float64], height: float) -> str:
    points = _points(places, height)
    return ("%.2f %.2f m" + " %.2f %.2f l" * (len(points) - 1)) % tuple(points.ravel().tolist())


def _circle(x: float, y: float, r: float) -> str:
    k = r * _HANDLE
    return (
        f"{x + r:.2f} {y:.2f} m {x + r:.2f} {y + k:.2f} {x + k:.2f} {y + r:.2f} {x:.2f} {y + r:.2f} c"
        f" {x - k:.2f} {y + r:.2f} {x - r:.2f} {y + k:.2f} {x - r:.2f} {y:.2f} c"
        f" {x - r:.2f} {y - k:.2f} {x - k:.2f} {y - r:.2f} {x:.2f} {y - r:.2f} c"
        f" {x + k:.2f} {y - r:.2f} {x + r:.2f} {y - k:.2f} {x + r:.2f} {y:.2f} c"
    )


def _colour(code: str) -> str:
    return " ".join(f"{int(code[n : n + 2], 16) / 255:.3f}" for n in (1, 3, 5))


def _words(words: Sequence[Word], height: float, faces: Mapping[bool, _Set]) -> Iterator[str]:
    for word in words:
        x, y = word.x_mm / MM_PER_PT, height - word.y_mm / MM_PER_PT
        turn = math.radians(word.rotation)
        cos, sin = round(math.cos(turn), 6), round(math.sin(turn), 6)
        place = f"{cos:g} {sin:g} {-sin:g} {cos:g} {x:.2f} {y:.2f}"
        colour = f"{_colour(word.colour)} rg"
        unseen = needs_shaping(word.text)
        if unseen:
            # Its letters take other forms and places beside each other: drawn as shapes, and the text laid under.
            yield f"q {colour} {place} cm {outlined(word, faces[word.bold].face.path)} Q"
        yield (
            f"BT {colour} {3 if unseen else 0} Tr /F{int(word.bold)} {word.size_pt:g} Tf {place} Tm"
            f" [{_glyphs(word.text, faces[word.bold])}] TJ ET"
        )


def _glyphs(text: str, type_: _Set) -> str:
    """Return a line of text as strings of glyphs, with what kerning takes out between them in thousandths (9.4.3)."""
    codes, kern = type_.codes, type_.face.kern
    out = ["<", codes[text[0]]]
    for before, char in pairwise(text):
        gap = kern(before, char)
        if gap:
            out.append(f">{-1000 * gap:.4g}<")
        out.append(codes[char])
    return "".join([*out, ">"])
