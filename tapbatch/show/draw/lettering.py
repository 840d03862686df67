"""Lettering: the type, which letters it has, how wide a line of them is, how it is cut and broken.

Conventions: type sizes in points (1/72 inch), widths in millimetres. The type is DejaVu Sans in two weights, whose
files come with the plotting library, so that a page is the same on every machine. ReportLab reads the files and
embeds what is used of them. A letter that the type lacks is shown as unknown.
"""

from __future__ import annotations

import importlib.util
import re
import unicodedata
from collections.abc import Sequence
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

from tapbatch.show.say.words import shown

MM_PER_PT = 25.4 / 72

# Three plain dots, since they are what anybody who searches for a cut name can type.
CUT = "..."

# The last letter of Unicode's basic plane. What ReportLab writes of letters beyond it cannot be searched for.
_LAST_BASIC = 0xFFFF


def printable(text: str) -> str:
    """Return text in letters that the type has; a letter that it lacks becomes the replacement character.

    Examples
    --------
    >>> printable("top 漢")
    'top �'
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(c if _has_letter(c) else "\ufffd" for c in unicodedata.normalize("NFC", shown(text)))


@lru_cache(maxsize=4096)
def _has_letter(char: str) -> bool:
    return plain().has(char) and bold().has(char)


def text_width_mm(text: str, size_pt: float, bold: bool = False) -> float:
    """Return how wide a line of text is, without kerning.

    Examples
    --------
    >>> round(text_width_mm("AA", 72), 2) == round(2 * text_width_mm("A", 72), 2)
    True
    """
    return _share(text, bold) * size_pt * MM_PER_PT


@lru_cache(maxsize=16384)
def _share(text: str, heavy: bool) -> float:
    """Return how wide a line of text is as a share of the type size."""
    return sum(map((bold if heavy else plain)().advance, printable(text)))


def fitted(text: str, width_mm: float, size_pt: float, bold: bool = False) -> str:
    """Return text cut to a width, with dots where something was cut: within, for names differ at the end.

    Examples
    --------
    >>> fitted("bars fitted", 100, 8), fitted("bars fitted", 10, 8)
    ('bars fitted', 'ba...d')
    """
    if text_width_mm(text, size_pt, bold) <= width_mm:
        return text
    for kept in range(len(text) - 1, 0, -1):
        tail = kept // 3
        cut = f"{text[: kept - tail].rstrip()}{CUT}{text[len(text) - tail :].lstrip()}"
        if text_width_mm(cut, size_pt, bold) <= width_mm:
            return cut
    return ""


def listed(items: Sequence[str], width_mm: float, size_pt: float) -> str:
    """Return a list in one line of a width: as many whole items as fit, and how many more there are.

    Examples
    --------
    >>> listed(["pair?", "wide"], 30, 8), listed(["few-taps", "pair?", "wide"], 26, 8)
    ('pair?, wide', 'few-taps, pair? +1')
    """
    for kept in range(len(items), 0, -1):
        text = ", ".join(items[:kept]) + (f" +{len(items) - kept}" if kept < len(items) else "")
        if text_width_mm(text, size_pt) <= width_mm:
            return text
    more = f" +{len(items) - 1}" if len(items) > 1 else ""
    return fitted(items[0], width_mm - text_width_mm(more, size_pt), size_pt) + more if items else ""


def wrapped(text: str, width_mm: float, size_pt: float, bold: bool = False, most: int = 99) -> list[str]:
    """Break text into lines of a width, at most so many, the last one cut where more would follow.

    A word that is wider than a line is broken after its hyphens.

    Examples
    --------
    >>> wrapped("bars fitted and shaped", 18, 8)
    ['bars fitted', 'and shaped']
    >>> wrapped("01-top-joined", 16, 8)
    ['01-top-', 'joined']
    """
    lines: list[str] = []
    pieces: list[str] = []
    for word in text.split():
        narrow = text_width_mm(word, size_pt, bold) <= width_mm
        pieces += [word + " "] if narrow else [*re.findall(r"[^-]*-+|[^-]+", word + " ")]
    while pieces:
        if len(lines) == most - 1:
            return [*lines, fitted("".join(pieces).rstrip(), width_mm, size_pt, bold)]
        taken, so_far = 1, text_width_mm(pieces[0], size_pt, bold)
        while taken < len(pieces):
            if so_far + text_width_mm(pieces[taken].rstrip(), size_pt, bold) > width_mm:
                break
            so_far += text_width_mm(pieces[taken], size_pt, bold)
            taken += 1
        lines.append(fitted("".join(pieces[:taken]).rstrip(), width_mm, size_pt, bold))
        pieces = pieces[taken:]
    return lines


class Face:
    """One weight of the type, known to the library that writes pages by its ``name``."""

    def __init__(self, path: Path) -> None:
        from reportlab.pdfbase.pdfmetrics import registerFont
        from reportlab.pdfbase.ttfonts import TTFont

        self.path = path
        # Under a name of our own: a program may use ours beside another file of that name.
        self.name = f"tapbatch {path.stem}"
        font = TTFont(self.name, str(path), asciiReadable=False)
        registerFont(font)
        self._face: Any = font.face

    def has(self, char: str) -> bool:
        """Tell whether the face has a letter.

        Examples
        --------
        >>> plain().has("ž"), plain().has("漢")
        (True, False)
        """
        return ord(char) <= _LAST_BASIC and ord(char) in self._face.charToGlyph

    def advance(self, char: str) -> float:
        """Return the advance width of a letter; the face must have the letter."""
        return float(self._face.charWidths[ord(char)]) / 1000.0


@cache
def plain() -> Face:
    """Return the face of running text."""
    return Face(_folder() / "DejaVuSans.ttf")


@cache
def bold() -> Face:
    """Return the face of headings and of the leading note."""
    return Face(_folder() / "DejaVuSans-Bold.ttf")


def _folder() -> Path:
    """Find the library's fonts without importing the library, which would take longer than setting a whole report."""
    found = importlib.util.find_spec("matplotlib")
    for place in found.submodule_search_locations or () if found else ():
        folder = Path(place) / "mpl-data" / "fonts" / "ttf"
        if folder.is_dir():
            return folder
    # Where its data lie elsewhere, it knows where.
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf"
