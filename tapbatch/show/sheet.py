"""A sheet of paper to draw on: one typographic grid, one palette, one way to set a word and to draw a line.

Conventions: lengths on the sheet are millimetres from its top left corner, y downwards; type sizes are points (1/72
inch). A sheet is a bare :class:`matplotlib.figure.Figure`; what it shows are texts and collections placed in
millimetres, without axes, for an axis with its ticks costs more time than all that is drawn in it. Colours are an ink,
three greys, a dark blue and a burnt orange, which differ in lightness: they survive black-and-white print and colour
blindness, and none of them means good or bad. All text is data: no markup, no formulas.
"""

from __future__ import annotations

import math
import textwrap
import unicodedata
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapbatch.show.words import shown

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.transforms import Transform

Paper = Literal["a4", "letter"]

PAPERS_MM: dict[Paper, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
MM_PER_INCH = 25.4
MM_PER_PT = MM_PER_INCH / 72

INK, SOFT, PALE, HAIR = "#1b1b1b", "#666666", "#a9a9a9", "#dddddd"
MARK, MARK_PALE, WARN = "#1f4e79", "#9db4ca", "#a85400"

TINY, SMALL, BODY, LEAD, HEAD, NAME, NOTE = 5.5, 6.5, 8.0, 10.0, 13.0, 20.0, 58.0

MARGIN_MM = 16.0
HEAD_MM = 24.0
FOOT_MM = 14.0

_STYLE: dict[str, Any] = {
    "pdf.fonttype": 42,
    "pdf.compression": 6,
    "font.family": ["DejaVu Sans"],
    "text.parse_math": False,
    "path.simplify": False,
}


@contextmanager
def house_style() -> Iterator[None]:
    """Draw by matplotlib's own defaults and the house's, whatever the user's own settings are."""
    import matplotlib

    defaults = {key: value for key, value in matplotlib.rcParamsDefault.items() if not key.startswith("backend")}
    with matplotlib.rc_context():
        matplotlib.rcParams.update({**defaults, **_STYLE})
        yield


@lru_cache(maxsize=2)
def _font(bold: bool) -> tuple[Any, frozenset[int]]:
    import matplotlib
    from matplotlib.ft2font import FT2Font

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    font = FT2Font(str(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / name))
    font.set_size(100.0, 72)
    return font, frozenset(font.get_charmap())


@lru_cache(maxsize=4096)
def _advance(char: str, bold: bool) -> float:
    """Return the width of a letter as a share of the type size."""
    font, _ = _font(bold)
    return float(font.load_char(ord(char)).linearHoriAdvance) / 65536 / 100


def printable(text: str) -> str:
    """Return text in letters that the type has; one that it lacks becomes the sign for a letter unknown.

    Examples
    --------
    >>> printable("top 漢")
    'top �'
    """
    _, letters = _font(False)
    _, bold_letters = _font(True)
    known = letters & bold_letters
    return "".join(c if ord(c) in known else "\ufffd" for c in unicodedata.normalize("NFC", shown(text)))


def text_width_mm(text: str, size_pt: float, bold: bool = False) -> float:
    """Return how wide a line of text is, without kerning.

    Examples
    --------
    >>> round(text_width_mm("AA", 72), 2) == round(2 * text_width_mm("A", 72), 2)
    True
    """
    return sum(_advance(c, bold) for c in printable(text)) * size_pt * MM_PER_PT


def fitted(text: str, width_mm: float, size_pt: float, bold: bool = False) -> str:
    """Return text cut to a width, with an ellipsis where something was cut.

    Examples
    --------
    >>> fitted("bars fitted", 100, 8), fitted("bars fitted", 10, 8)
    ('bars fitted', 'bars…')
    """
    text = printable(text)
    if text_width_mm(text, size_pt, bold) <= width_mm:
        return text
    while text and text_width_mm(f"{text}…", size_pt, bold) > width_mm:
        text = text[:-1]
    return f"{text.rstrip()}…"


def wrapped(text: str, width_mm: float, size_pt: float, bold: bool = False, most: int = 99) -> list[str]:
    """Break text into lines of a width, at most so many, the last one cut where more would follow.

    Examples
    --------
    >>> wrapped("bars fitted and shaped", 18, 8)
    ['bars fitted', 'and shaped']
    """
    lines: list[str] = []
    words = printable(text).split()
    while words:
        if len(lines) == most - 1:
            return [*lines, fitted(" ".join(words), width_mm, size_pt, bold)]
        taken = 1
        while taken < len(words) and text_width_mm(" ".join(words[: taken + 1]), size_pt, bold) <= width_mm:
            taken += 1
        lines.append(fitted(" ".join(words[:taken]), width_mm, size_pt, bold))
        words = words[taken:]
    return lines


def typeset(text: str) -> str:
    """Put true minus signs and interval dashes where print expects them.

    Examples
    --------
    >>> typeset("down 42 c (-43 to -41), A#3 -3 c")
    'down 42 c (−43 to −41), A♯3 −3 c'
    """
    out = []
    for index, char in enumerate(text):
        before, after = text[index - 1 : index], text[index + 1 : index + 2]
        if char == "-" and after.isdigit() and before in ("", " ", "("):
            char = "\u2212"
        elif char == "#" and before.isalpha() and before.isupper() and (after.isdigit() or after == "-"):
            char = "♯"
        out.append(char)
    return "".join(out)


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """A window on the sheet through which values are seen: where it lies, in mm, and the values at its edges.

    ``low`` and ``high`` of x are its left and right edge, of y its bottom and top. ``log_x`` spaces x by octaves.
    """

    left_mm: float
    top_mm: float
    width_mm: float
    height_mm: float
    x_low: float
    x_high: float
    y_low: float
    y_high: float
    log_x: bool = False

    def x_mm(self, values: ArrayLike) -> NDArray[np.float64]:
        """Return where values of x lie on the sheet, kept within the panel."""
        x = np.asarray(values, dtype=np.float64)
        if self.log_x:
            share = np.log(x / self.x_low) / math.log(self.x_high / self.x_low)
        else:
            share = (x - self.x_low) / (self.x_high - self.x_low)
        return self.left_mm + self.width_mm * np.clip(share, 0.0, 1.0)

    def y_mm(self, values: ArrayLike) -> NDArray[np.float64]:
        """Return where values of y lie on the sheet, kept within the panel."""
        y = np.asarray(values, dtype=np.float64)
        share = (y - self.y_low) / (self.y_high - self.y_low)
        return self.top_mm + self.height_mm * (1.0 - np.clip(share, 0.0, 1.0))

    @property
    def bottom_mm(self) -> float:
        """The lower edge."""
        return self.top_mm + self.height_mm

    @property
    def right_mm(self) -> float:
        """The right edge."""
        return self.left_mm + self.width_mm


class Sheet:
    """One page; ``figure`` is what was drawn, ``title`` what its bookmark says."""

    def __init__(self, paper: Paper, title: str) -> None:
        from matplotlib.figure import Figure
        from matplotlib.transforms import Affine2D

        self.title = title
        self.width_mm, self.height_mm = PAPERS_MM[paper]
        self.figure: Figure = Figure(figsize=(self.width_mm / MM_PER_INCH, self.height_mm / MM_PER_INCH))
        to_inches = Affine2D().scale(1 / MM_PER_INCH, -1 / MM_PER_INCH).translate(0, self.height_mm / MM_PER_INCH)
        self._to_page: Transform = to_inches + self.figure.dpi_scale_trans

    @property
    def left_mm(self) -> float:
        """Where the text area begins."""
        return MARGIN_MM

    @property
    def right_mm(self) -> float:
        """Where the text area ends."""
        return self.width_mm - MARGIN_MM

    @property
    def measure_mm(self) -> float:
        """How wide the text area is."""
        return self.right_mm - self.left_mm

    @property
    def bottom_mm(self) -> float:
        """The last line on which content may stand."""
        return self.height_mm - FOOT_MM - 4.0

    def say(
        self,
        x_mm: float,
        y_mm: float,
        text: str,
        size_pt: float = BODY,
        *,
        bold: bool = False,
        colour: str = INK,
        ha: Literal["left", "center", "right"] = "left",
        va: Literal["baseline", "center", "top", "bottom"] = "baseline",
        rotation: float = 0.0,
        within_mm: float | None = None,
        gid: str | None = None,
    ) -> None:
        """Set one line of text; ``within_mm`` cuts what is longer."""
        text = printable(typeset(text))
        if within_mm is not None:
            text = fitted(text, within_mm, size_pt, bold)
        if not text.strip():
            return
        self.figure.text(
            x_mm,
            y_mm,
            text,
            transform=self._to_page,
            fontsize=size_pt,
            fontweight="bold" if bold else "normal",
            color=colour,
            ha=ha,
            va=va,
            rotation=rotation,
            rotation_mode="anchor",
            parse_math=False,
            gid=gid,
        )

    def paragraph(
        self,
        x_mm: float,
        y_mm: float,
        text: str,
        width_mm: float,
        size_pt: float = BODY,
        *,
        bold: bool = False,
        colour: str = INK,
        most: int = 99,
    ) -> float:
        """Set text in lines of a width, the first on the baseline given; return the baseline that comes after."""
        for line in wrapped(typeset(text), width_mm, size_pt, bold, most):
            self.say(x_mm, y_mm, line, size_pt, bold=bold, colour=colour)
            y_mm += size_pt * MM_PER_PT * 1.4
        return y_mm

    def lines(
        self,
        segments: Sequence[ArrayLike],
        colour: str = INK,
        width_pt: float = 0.6,
        *,
        dashed: bool = False,
        gid: str | None = None,
    ) -> None:
        """Draw polylines, each an array of shape (n, 2) in mm, as one artist."""
        from matplotlib.collections import LineCollection

        if not segments:
            return
        self.figure.add_artist(
            LineCollection(
                [np.asarray(s, dtype=np.float64) for s in segments],
                colors=colour,
                linewidths=width_pt,
                linestyles=[(0, (2.5, 2.0))] if dashed else "solid",
                capstyle="butt",
                transform=self._to_page,
                gid=gid,
            )
        )

    def line(self, x0: float, y0: float, x1: float, y1: float, colour: str = INK, width_pt: float = 0.6) -> None:
        """Draw one straight line."""
        self.lines([[(x0, y0), (x1, y1)]], colour, width_pt)

    def area(self, outline: ArrayLike, colour: str) -> None:
        """Fill a closed outline, an array of shape (n, 2) in mm."""
        from matplotlib.collections import PolyCollection

        self.figure.add_artist(
            PolyCollection(
                [np.asarray(outline, dtype=np.float64)], facecolors=colour, edgecolors="none", transform=self._to_page
            )
        )

    def dots(
        self,
        centres: Sequence[tuple[float, float]],
        colour: str = MARK,
        radius_mm: float = 0.9,
        *,
        hollow: bool = False,
        gid: str | None = None,
    ) -> None:
        """Draw round dots as one artist; a hollow one lets the paper show."""
        from matplotlib.collections import PathCollection
        from matplotlib.path import Path as Outline

        if not centres:
            return
        self.figure.add_artist(
            PathCollection(
                [Outline.unit_circle()],
                sizes=[(radius_mm / MM_PER_PT) ** 2],
                facecolors="white" if hollow else colour,
                edgecolors=colour,
                linewidths=0.9 if hollow else 0.0,
                offsets=np.asarray(centres, dtype=np.float64),
                offset_transform=self._to_page,
                gid=gid,
            )
        )


def one_line(text: str, most: int) -> str:
    """Shorten text to a number of letters, at a word.

    Examples
    --------
    >>> one_line("after the second humid week", 16)
    'after the…'
    """
    return textwrap.shorten(shown(text), most, placeholder="…")
