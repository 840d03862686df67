"""Text broken into lines that fit a terminal, whatever letters it has.

Conventions: widths are in cells of a terminal: most letters take one, those of East Asian scripts two (Unicode
Standard Annex 11), marks that stand on another letter none. Lines are broken at spaces, and a word in two only where
it is wider than a line. Hyphens break nothing: names are full of them.
"""

from __future__ import annotations

import textwrap


def width_of(text: str) -> int:
    r"""Return how many cells of a terminal a text takes.

    Examples
    --------
    >>> width_of("lute"), width_of("琴"), width_of("e\u0301")
    (4, 2, 1)
    """
    if text.isascii():
        return len(text)
    from rich.cells import cell_len

    return cell_len(text)


def wrapped(text: str, most: int, first: str = "", later: str = "") -> list[str]:
    """Return text in lines of at most ``most`` cells, the first set in by ``first``, the others by ``later``.

    Examples
    --------
    >>> wrapped("lute-5: moved up", 12, later="  ")
    ['lute-5:', '  moved up']
    >>> wrapped("琴 琴琴 琴琴琴琴琴", 8, later="  ")
    ['琴 琴琴', '  琴琴琴', '  琴琴']
    """
    if all(width_of(letter) == 1 for letter in text):
        return textwrap.wrap(text, most, initial_indent=first, subsequent_indent=later, break_on_hyphens=False)
    lines: list[str] = []
    line = ""
    for word in text.split():
        while word:
            indent = later if lines else first
            longer = f"{line} {word}" if line else f"{indent}{word}"
            if width_of(longer) <= most:
                line, word = longer, ""
            elif line:
                lines.append(line)
                line = ""
            else:
                fits = _fitting(word, most - width_of(indent))
                lines.append(f"{indent}{word[:fits]}")
                word = word[fits:]
    return [*lines, line] if line else lines


def padded(text: str, cells: int) -> str:
    """Return text exactly so many cells wide (3 or more): filled up, or cut where it is wider, as an ellipsis tells.

    Examples
    --------
    >>> padded("air", 5), padded("琴琴琴", 5)
    ('air  ', '琴琴…')
    """
    if width_of(text) > cells:
        text = f"{text[: _fitting(text, cells - 1)]}…"
    return text + " " * (cells - width_of(text))


def _fitting(word: str, most: int) -> int:
    """Return how many letters of a word fit; at least one, so that the loop ends."""
    fits = 1
    while fits < len(word) and width_of(word[: fits + 1]) <= most:
        fits += 1
    return fits
