"""Bookmarks of a PDF, its outline (ISO 32000-1, 12.3.3): one for each title, the headings folded below it."""

from __future__ import annotations

from collections.abc import Sequence

Page = tuple[str, int, Sequence[str]]


def outline_objects(pages: Sequence[Page], numbers: Sequence[int], first: int) -> list[bytes]:
    """Return the objects of an outline, numbered from ``first`` on; the first of them is the outline itself.

    Parameters
    ----------
    pages
        Of each page to be found: title, index from 0, and the headings on it, in order. Neighbours with the same
        title share one bookmark; their headings stand folded below it, where there is more than one.
    numbers
        The number of each page's own object, by index.
    first
        The number that is free, with all above it.
    """
    marks = _marks(pages)
    # The outline itself, then its bookmarks, then those below the first of them, the second, and so on.
    below = [first + 1 + len(marks) + sum(len(m[2]) for m in marks[:n]) for n in range(len(marks))]
    objects = [_outlines(first, len(marks))]
    for n, (title, page, headings) in enumerate(marks):
        kids = b" /First %d 0 R /Last %d 0 R /Count -%d" % (below[n], below[n] + len(headings) - 1, len(headings))
        item = _item(first, first + 1, n, len(marks), title, numbers[page])
        objects.append(item[:-3] + (kids if headings else b"") + item[-3:])
    for n, (_, _, headings) in enumerate(marks):
        for k, (heading, at) in enumerate(headings):
            objects.append(_item(first + 1 + n, below[n], k, len(headings), heading, numbers[at]))
    return objects


def _marks(pages: Sequence[Page]) -> list[tuple[str, int, list[tuple[str, int]]]]:
    """Return title, page and what stands below, for each run of pages with one title."""
    marks: list[tuple[str, int, list[tuple[str, int]]]] = []
    for title, page, headings in pages:
        if not marks or marks[-1][0] != title:
            marks.append((title, page, []))
        known = {heading for heading, _ in marks[-1][2]}
        marks[-1][2].extend((heading, page) for heading in dict.fromkeys(headings) if heading not in known)
    return [(title, page, below if len(below) > 1 else []) for title, page, below in marks]


def _outlines(number: int, count: int) -> bytes:
    return b"<< /Type /Outlines /First %d 0 R /Last %d 0 R /Count %d >>" % (number + 1, number + count, count)


def _item(parent: int, first: int, n: int, count: int, title: str, page: int) -> bytes:
    text = (b"\xfe\xff" + title.encode("utf-16-be", "replace")).hex().encode()
    links = (b" /Prev %d 0 R" % (first + n - 1) if n else b"") + (
        b" /Next %d 0 R" % (first + n + 1) if n < count - 1 else b""
    )
    return b"<< /Title <%b> /Parent %d 0 R /Dest [ %d 0 R /Fit ]%b >>" % (text, parent, page, links)
