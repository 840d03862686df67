"""Bookmarks for a PDF: an incremental update (ISO 32000-1, 7.5.6) that adds an outline (12.3.3) to a finished file.

The library that draws the pages knows no bookmarks. The update appends the outline's objects, a new catalog, and a
cross-reference section that points back to the old one; not a byte of what was there changes. It reads files with a
plain cross-reference table, as that library writes them.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

_START = re.compile(rb"startxref\s+(\d+)\s+%%EOF\s*\Z")
_TRAILER = re.compile(rb"trailer\s*<<(?P<body>.*?)>>\s*startxref", re.DOTALL)


Page = tuple[str, int, Sequence[str]]


def with_outline(pdf: bytes, pages: Sequence[Page]) -> bytes:
    """Return a PDF with bookmarks, opened with its title shown and its outline beside it.

    Parameters
    ----------
    pdf
        A file with a plain cross-reference table and a flat page tree.
    pages
        Of each page to be found: title, index from 0, and the headings on it, in order. Neighbours with the same
        title share one bookmark; their headings stand folded below it, where there is more than one.

    Raises
    ------
    ValueError
        Where the file is not built so.
    """
    start, trailer = _START.search(pdf), _TRAILER.search(pdf, pdf.rfind(b"trailer"))
    if start is None or trailer is None:
        msg = "expected a PDF with a plain cross-reference table"
        raise ValueError(msg)
    size, root, info = (_number(trailer["body"], key) for key in (b"Size", b"Root", b"Info"))
    marks = _marks(pages)
    numbers = _pages(pdf, root)
    # The outline itself, then its bookmarks, then those below the first of them, the second, and so on.
    below = [size + 1 + len(marks) + sum(len(m[2]) for m in marks[:n]) for n in range(len(marks))]
    objects = {root: _catalog(pdf, root, size), size: _outlines(size, len(marks))}
    for n, (title, page, headings) in enumerate(marks):
        kids = b" /First %d 0 R /Last %d 0 R /Count -%d" % (below[n], below[n] + len(headings) - 1, len(headings))
        item = _item(size, size + 1, n, len(marks), title, numbers[page])
        objects[size + 1 + n] = item[:-3] + (kids if headings else b"") + item[-3:]
        for k, (heading, at) in enumerate(headings):
            objects[below[n] + k] = _item(size + 1 + n, below[n], k, len(headings), heading, numbers[at])
    return pdf + _update(len(pdf), objects, root, info, int(start[1]))


def _marks(pages: Sequence[Page]) -> list[tuple[str, int, list[tuple[str, int]]]]:
    """Return title, page and what stands below, for each run of pages with one title."""
    marks: list[tuple[str, int, list[tuple[str, int]]]] = []
    for title, page, headings in pages:
        if not marks or marks[-1][0] != title:
            marks.append((title, page, []))
        known = {heading for heading, _ in marks[-1][2]}
        marks[-1][2].extend((heading, page) for heading in dict.fromkeys(headings) if heading not in known)
    return [(title, page, below if len(below) > 1 else []) for title, page, below in marks]


def _number(body: bytes, key: bytes) -> int:
    found = re.search(rb"/" + key + rb"\s+(\d+)", body)
    if found is None:
        msg = f"expected /{key.decode()} in the PDF's trailer or catalog"
        raise ValueError(msg)
    return int(found[1])


def _object(pdf: bytes, number: int) -> bytes:
    found = re.search(rb"(?:\A|\n)" + str(number).encode() + rb" 0 obj\s*(<<.*?>>)\s*endobj", pdf, re.DOTALL)
    if found is None:
        msg = f"expected object {number} in the PDF"
        raise ValueError(msg)
    return found[1]


def _pages(pdf: bytes, root: int) -> list[int]:
    tree = _object(pdf, _number(_object(pdf, root), b"Pages"))
    kids = re.search(rb"/Kids\s*\[(.*?)\]", tree, re.DOTALL)
    return [int(number) for number in re.findall(rb"(\d+) 0 R", kids[1])] if kids else []


def _catalog(pdf: bytes, root: int, outlines: int) -> bytes:
    old = _object(pdf, root).strip()[2:-2].strip()
    return (
        b"<< %b /Outlines %d 0 R /PageMode /UseOutlines /Lang (en) /ViewerPreferences << /DisplayDocTitle true >> >>"
        % (old, outlines)
    )


def _outlines(number: int, count: int) -> bytes:
    return b"<< /Type /Outlines /First %d 0 R /Last %d 0 R /Count %d >>" % (number + 1, number + count, count)


def _item(parent: int, first: int, n: int, count: int, title: str, page: int) -> bytes:
    text = (b"\xfe\xff" + title.encode("utf-16-be", "replace")).hex().encode()
    links = (b" /Prev %d 0 R" % (first + n - 1) if n else b"") + (
        b" /Next %d 0 R" % (first + n + 1) if n < count - 1 else b""
    )
    return b"<< /Title <%b> /Parent %d 0 R /Dest [ %d 0 R /Fit ]%b >>" % (text, parent, page, links)


def _update(offset: int, objects: dict[int, bytes], root: int, info: int, previous: int) -> bytes:
    # Readers take a table that does not begin with the free object 0 for a mistake, though an update need not.
    body, table = bytearray(b"\n"), bytearray(b"xref\n0 1\n0000000000 65535 f \n")
    for number, content in sorted(objects.items()):
        table += b"%d 1\n%010d 00000 n \n" % (number, offset + len(body))
        body += b"%d 0 obj\n%b\nendobj\n" % (number, content)
    trailer = b"trailer\n<< /Size %d /Root %d 0 R /Info %d 0 R /Prev %d >>\nstartxref\n%d\n%%%%EOF\n"
    return bytes(body + table) + trailer % (max(objects) + 1, root, info, previous, offset + len(body))
