"""A sheet of paper to draw on: one typographic grid, one palette, one way to set a word and to draw a line.

Conventions: lengths on the sheet are millimetres from its top left corner, y downwards; type sizes are points (1/72
inch). A sheet is what stands on it, words and marks, each a value with its place; :mod:`tapbatch.show.pdf.canvas`
makes pages of them. Colours are an ink, three greys, a dark blue and a burnt orange, which differ in lightness: they
survive black-and-white print and colour blindness, and none of them means good or bad. All text is data: no markup,
no formulas.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapbatch.show.draw.lettering import MM_PER_PT, Word, fitted, printable, text_width_mm, wrapped

Paper = Literal["A4", "Letter"]

PAPERS_MM: dict[Paper, tuple[float, float]] = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}

INK, SOFT, PALE, HAIR = "#1b1b1b", "#666666", "#a9a9a9", "#dddddd"
MARK, MARK_PALE, WARN = "#1f4e79", "#9db4ca", "#a85400"

TINY, SMALL, BODY, LEAD, HEAD, NAME, NOTE = 6.5, 7.0, 8.0, 10.0, 13.0, 20.0, 58.0

MARGIN_MM = 16.0
HEAD_MM = 24.0
CAPTION_MM = 20.0
FOOT_MM = 14.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Lines:
    """Polylines, each of shape (n, 2) in mm; ``name`` says what they show, empty where nobody asks."""

    segments: tuple[NDArray[np.float64], ...]
    colour: str
    width_pt: float
    dashed: bool = False
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    """A closed outline of shape (n, 2) in mm, filled."""

    outline: NDArray[np.float64]
    colour: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Dots:
    """Round dots of one radius about centres of shape (n, 2) in mm; hollow ones are rings filled with paper."""

    centres: NDArray[np.float64]
    colour: str
    radius_mm: float
    hollow: bool = False
    name: str = ""


Mark = Lines | Area | Dots


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
    """One page, upright or turned; ``title`` is what its bookmark says, ``headings`` what those below it do."""

    def __init__(self, paper: Paper, title: str, *, turned: bool = False) -> None:
        self.title = title
        short, long = PAPERS_MM[paper]
        self.width_mm, self.height_mm = (long, short) if turned else (short, long)
        self.words: list[Word] = []
        self.headings: list[str] = []
        self._marks: dict[int, list[Mark]] = {_AREAS: [], _LINES: [], _DOTS: []}
        self._rules: dict[tuple[str, float], list[NDArray[np.float64]]] = {}

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

    @property
    def room_mm(self) -> float:
        """How high content can be below the title and the longest caption."""
        return self.bottom_mm - HEAD_MM - CAPTION_MM

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
        va: Literal["baseline", "center"] = "baseline",
        rotation: float = 0.0,
        within_mm: float | None = None,
    ) -> None:
        """Set one line of text; ``within_mm`` cuts what is longer."""
        text = printable(text)
        if within_mm is not None:
            text = fitted(text, within_mm, size_pt, bold)
        if not text.strip():
            return
        width_mm = text_width_mm(text, size_pt, bold) if ha != "left" else 0.0
        back_mm = {"left": 0.0, "center": width_mm / 2, "right": width_mm}[ha]
        # Half the height of a capital puts the middle of a word on its place.
        down_mm = 0.36 * size_pt * MM_PER_PT if va == "center" else 0.0
        turn = math.radians(rotation)
        x_mm += -back_mm * math.cos(turn) + down_mm * math.sin(turn)
        y_mm += back_mm * math.sin(turn) + down_mm * math.cos(turn)
        self.words.append(Word(x_mm, y_mm, text, size_pt, bold, colour, rotation))

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
        for line in wrapped(text, width_mm, size_pt, bold, most):
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
        name: str = "",
    ) -> None:
        """Draw polylines, each an array of shape (n, 2) in mm, as one mark."""
        if segments:
            self._marks[_LINES].append(
                Lines(segments=_arrays(segments), colour=colour, width_pt=width_pt, dashed=dashed, name=name)
            )

    def rules(self, segments: Sequence[ArrayLike], colour: str = PALE, width_pt: float = 0.5) -> None:
        """Draw lines that lie under everything else; all rules of one colour and width on a sheet are one mark."""
        self._rules.setdefault((colour, width_pt), []).extend(_arrays(segments))

    def rule(self, x0: float, y0: float, x1: float, y1: float, colour: str = PALE, width_pt: float = 0.5) -> None:
        """Draw one straight line that lies under everything else."""
        self.rules([[(x0, y0), (x1, y1)]], colour, width_pt)

    def area(self, outline: ArrayLike, colour: str) -> None:
        """Fill a closed outline, an array of shape (n, 2) in mm."""
        self._marks[_AREAS].append(Area(outline=np.asarray(outline, dtype=np.float64), colour=colour))

    def dots(
        self,
        centres: Sequence[tuple[float, float]],
        colour: str = MARK,
        radius_mm: float = 0.9,
        *,
        hollow: bool = False,
        name: str = "",
    ) -> None:
        """Draw round dots as one mark; a hollow one is a ring."""
        if centres:
            at = np.asarray(centres, dtype=np.float64)
            self._marks[_DOTS].append(Dots(centres=at, colour=colour, radius_mm=radius_mm, hollow=hollow, name=name))

    @property
    def marks(self) -> list[Mark]:
        """What is drawn, from the lowest to the topmost: rules, areas, lines, dots; words lie above all of it."""
        rules: list[Mark] = [
            Lines(segments=tuple(segments), colour=colour, width_pt=width_pt)
            for (colour, width_pt), segments in self._rules.items()
        ]
        return [*rules, *(mark for level in (_AREAS, _LINES, _DOTS) for mark in self._marks[level])]


_AREAS, _LINES, _DOTS = range(3)


def _arrays(segments: Sequence[ArrayLike]) -> tuple[NDArray[np.float64], ...]:
    return tuple(np.asarray(s, dtype=np.float64) for s in segments)
