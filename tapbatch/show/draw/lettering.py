"""Lettering: the type, which letters it has, how wide a line of them is, how it is cut and broken.

Conventions: type sizes in points (1/72 inch), widths in millimetres. The type is DejaVu Sans in two weights, whose
files come with the plotting library, so that a page is the same on every machine. ReportLab reads the files and
embeds what is used of them. A letter that the type lacks is shown as unknown. Words whose letters change beside each
other, as in scripts that run from right to left or join their letters, are drawn as shapes: the plotting library
knows how, as far as it was built to, and is asked for such words alone, since to start it takes longer than a report.
"""

from __future__ import annotations

import importlib.util
import re
import unicodedata
from collections.abc import Mapping, Sequence
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

from tapbatch.show.draw.marks import Word
from tapbatch.show.say.words import shown

MM_PER_PT = 25.4 / 72

# Three plain dots, since they are what anybody who searches for a cut name can type.
CUT = "..."

# From the first combining mark on; below it stand Latin letters, each with its accents in one.
_FIRST_MARK = "\u0300"


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
    # Beyond Unicode's basic plane nothing that ReportLab writes can be searched for.
    return ord(char) <= 0xFFFF and ord(char) in plain().glyphs and ord(char) in bold().glyphs


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
    widths = (bold if heavy else plain)().widths
    return sum(float(widths[ord(char)]) / 1000.0 for char in printable(text))


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
    >>> listed(["pair?", "wide"], 30, 8), listed(["few taps", "pair?", "wide"], 26, 8)
    ('pair?, wide', 'few taps, pair? +1')
    >>> listed(["recordings differ", "wide"], 15, 8), listed(["recordings differ", "few taps"], 10, 8)
    ('wide +1', '2 noted')
    """
    for kept in range(len(items), 0, -1):
        text = ", ".join(items[:kept]) + (f" +{len(items) - kept}" if kept < len(items) else "")
        if text_width_mm(text, size_pt) <= width_mm:
            return text
    if len(items) < 2:
        return fitted(items[0], width_mm, size_pt) if items else ""
    texts = (f"{item} +{len(items) - 1}" for item in items)
    return next((t for t in texts if text_width_mm(t, size_pt) <= width_mm), f"{len(items)} noted")


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
    pieces: list[str] = []
    for word in text.split():
        narrow = text_width_mm(word, size_pt, bold) <= width_mm
        pieces += [word + " "] if narrow else [*re.findall(r"[^-]*-+|[^-]+", word + " ")]
    lines = [""]
    for piece in pieces:
        # The whole line is measured: shaped letters are not as wide together as one by one.
        if lines[-1] and text_width_mm((lines[-1] + piece).rstrip(), size_pt, bold) > width_mm:
            lines.append("")
        lines[-1] += piece
    lines[most - 1 :] = ["".join(lines[most - 1 :])]
    return [fitted(line.rstrip(), width_mm, size_pt, bold) for line in lines if line]


class Face:
    """One weight of the type, known to the library that writes pages by its ``name``.

    ``glyphs`` and ``widths`` are by the code of a letter, widths in thousandths of the type size.
    """

    def __init__(self, path: Path) -> None:
        from reportlab.pdfbase.pdfmetrics import registerFont
        from reportlab.pdfbase.ttfonts import TTFont

        self.path = path
        # Under a name of our own: a program may use ours beside another file of that name.
        self.name = f"tapbatch {path.stem}"
        font = TTFont(self.name, str(path), asciiReadable=False)
        registerFont(font)
        self.glyphs: Mapping[int, int] = font.face.charToGlyph
        self.widths: Mapping[int, float] = font.face.charWidths


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


def needs_shaping(text: str) -> bool:
    """Tell whether a text is more than one letter after the other, from left to right.

    Examples
    --------
    >>> needs_shaping("Größe"), needs_shaping("Жалейка"), needs_shaping("עוד")
    (False, False, True)
    """
    return any(
        c >= _FIRST_MARK
        and (unicodedata.bidirectional(c) in ("R", "AL", "AN") or unicodedata.category(c) in ("Mn", "Mc", "Me"))
        for c in text
    )


def trace_outline(path: Any, word: Word, font: Path) -> bool:
    """Trace a word's shapes on a canvas's path, in points from the start of its baseline; tell if there are any."""
    from matplotlib import rc_context, rcParamsDefault
    from matplotlib.font_manager import FontProperties
    from matplotlib.path import Path as Outline
    from matplotlib.textpath import TextPath

    steps = {Outline.MOVETO: path.moveTo, Outline.LINETO: path.lineTo, Outline.CURVE4: path.curveTo}
    x, y = 0.0, 0.0
    empty = True
    # By the library's own defaults, whatever the user's are; and no text is a formula.
    rules: dict[Any, Any] = {k: v for k, v in rcParamsDefault.items() if not k.startswith("backend")}
    with rc_context({**rules, "text.parse_math": False}):
        face = FontProperties(fname=str(font))
        shape: Any = TextPath((0.0, 0.0), word.text, size=word.size_pt, prop=face, usetex=False)
    for points, code in shape.iter_segments(curves=True):
        empty = False
        if code == Outline.CLOSEPOLY:
            path.close()
            continue
        if code == Outline.CURVE3:
            # A quadratic curve as a cubic one: its handles lie two thirds of the way to the one it had.
            cx, cy, ex, ey = points
            handles = (x + 2 / 3 * (cx - x), y + 2 / 3 * (cy - y), ex + 2 / 3 * (cx - ex), ey + 2 / 3 * (cy - ey))
            points, code = (*handles, ex, ey), Outline.CURVE4
        places = [round(float(v), 2) for v in points]
        steps[code](*places)
        x, y = places[-2:]
    return not empty
