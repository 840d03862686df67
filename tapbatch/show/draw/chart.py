"""A chart to draw on, and a sheet of paper: set a word, draw a line, see values through a panel.

Conventions: as in :mod:`tapbatch.show.draw.marks`. A chart is drawn to a given width from its top left corner, and
knows its height once it is drawn. Its :class:`Look` says how large the letters are. All text is data: no markup, no
formulas.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapbatch.show.draw.lettering import MM_PER_PT, fitted, printable, text_width_mm, wrapped
from tapbatch.show.draw.marks import Anchor, Mark, Role, Shape, Word

TINY, SMALL, BODY, LEAD, HEAD, NAME, NOTE = 6.5, 7.0, 8.0, 10.0, 13.0, 20.0, 58.0

Paper = Literal["A4", "Letter"]

PAPERS_MM: dict[Paper, tuple[float, float]] = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}

MARGIN_MM = 16.0
HEAD_MM = 24.0
CAPTION_MM = 20.0
FOOT_MM = 14.0
HEADING_MM = 9.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """The width of a chart, the height that it may take, and its letters.

    With ``letter_pt`` all letters have that size, else the size asked for; ``spacing`` is the factor by which rows
    move apart for it. With ``own_type`` the letters are those of the embedded type, and a letter that it lacks is
    shown as unknown.
    """

    width_mm: float
    room_mm: float = math.inf
    letter_pt: float | None = None
    spacing: float = 1.0
    own_type: bool = True

    @property
    def is_wide(self) -> bool:
        """Whether there is room for columns of words beside what is drawn."""
        return self.width_mm >= 120.0

    def pt(self, size_pt: float) -> float:
        """Return the size in which letters are set when a size is asked for."""
        return self.letter_pt or size_pt


# Eleven pixels of 1/96 inch are the least that is read with ease on a telephone held in the hand, which shows 320
# pixels without shrinking.
SCREEN = Look(width_mm=320 * 25.4 / 96, letter_pt=8.25, spacing=1.18, own_type=False)


@dataclass(frozen=True, slots=True)
class Panel:
    """A window on the chart through which values are seen: where it lies, in mm, and the values at its edges.

    ``low`` and ``high`` of x are its left and right edge, of y its bottom and top. ``log_x`` spaces x by octaves.
    """

    left_mm: float
    top_mm: float
    width_mm: float
    height_mm: float
    x_low: float = 0.0
    x_high: float = 1.0
    y_low: float = 0.0
    y_high: float = 1.0
    log_x: bool = False

    def x_mm(self, values: ArrayLike) -> NDArray[np.float64]:
        """Return where values of x lie on the chart, kept within the panel."""
        x = np.asarray(values, dtype=np.float64)
        if self.log_x:
            share = np.log(x / self.x_low) / math.log(self.x_high / self.x_low)
        else:
            share = (x - self.x_low) / (self.x_high - self.x_low)
        return self.left_mm + self.width_mm * np.clip(share, 0.0, 1.0)

    def y_mm(self, values: ArrayLike) -> NDArray[np.float64]:
        """Return where values of y lie on the chart, kept within the panel."""
        y = np.asarray(values, dtype=np.float64)
        share = (y - self.y_low) / (self.y_high - self.y_low)
        return self.top_mm + self.height_mm * (1.0 - np.clip(share, 0.0, 1.0))

    def placed(self, line: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return where the points of a line of shape (n, 2) lie on the chart."""
        return np.column_stack((self.x_mm(line[:, 0]), self.y_mm(line[:, 1])))

    @property
    def bottom_mm(self) -> float:
        """The lower edge."""
        return self.top_mm + self.height_mm

    @property
    def right_mm(self) -> float:
        """The right edge."""
        return self.left_mm + self.width_mm


class Chart:
    """Marks and words, drawn for a width; ``description`` says in a sentence what they show."""

    def __init__(self, look: Look, height_mm: float = 0.0) -> None:
        self.look, self.height_mm = look, height_mm
        self.width_mm = look.width_mm
        self.description = ""
        self.words: list[Word] = []
        self._marks: dict[Shape, list[Mark]] = {"area": [], "lines": [], "dots": []}
        self._rules: dict[Role, list[NDArray[np.float64]]] = {}

    @property
    def marks(self) -> list[Mark]:
        """What is drawn, from the lowest to the topmost: rules, areas, lines, dots; words lie above all of it."""
        rules = [Mark("lines", tuple(segments), role) for role, segments in self._rules.items()]
        return [*rules, *chain(*self._marks.values())]

    def text_mm(self, text: str, size_pt: float, bold: bool = False) -> float:
        """Return how wide a line of text is in the letters of this chart."""
        return text_width_mm(text, self.look.pt(size_pt), bold)

    def wrapped(self, text: str, width_mm: float, size_pt: float, bold: bool = False, most: int = 99) -> list[str]:
        """Return text broken into lines of a width, in the letters of this chart."""
        return wrapped(text, width_mm, self.look.pt(size_pt), bold, most)

    def say(
        self,
        x_mm: float,
        y_mm: float,
        text: str,
        size_pt: float = BODY,
        *,
        bold: bool = False,
        role: Role = "text",
        ha: Anchor = "left",
        va: Literal["baseline", "center"] = "baseline",
        upright: bool = False,
        within_mm: float | None = None,
    ) -> None:
        """Set one line of text; ``within_mm`` cuts what is longer."""
        size_pt = self.look.pt(size_pt)
        if self.look.own_type:
            text = printable(text)
        if within_mm is not None:
            text = fitted(text, within_mm, size_pt, bold)
        if not text.strip():
            return
        # Half the height of a capital puts the middle of a word on its place.
        down_mm = 0.36 * size_pt * MM_PER_PT if va == "center" else 0.0
        x_mm, y_mm = (x_mm + down_mm, y_mm) if upright else (x_mm, y_mm + down_mm)
        self.words.append(Word(x_mm, y_mm, text, size_pt, bold, role, ha, upright))

    def paragraph(
        self,
        x_mm: float,
        y_mm: float,
        text: str,
        width_mm: float,
        size_pt: float = BODY,
        *,
        bold: bool = False,
        role: Role = "text",
        most: int = 99,
    ) -> float:
        """Set text in lines of a width, the first on the baseline given; return the baseline that comes after."""
        for line in self.wrapped(text, width_mm, size_pt, bold, most):
            self.say(x_mm, y_mm, line, size_pt, bold=bold, role=role)
            y_mm += self.look.pt(size_pt) * MM_PER_PT * 1.4
        return y_mm

    def lines(self, segments: Sequence[ArrayLike], role: Role, name: str = "") -> None:
        """Draw polylines, each an array of shape (n, 2) in mm, as one mark."""
        if segments:
            self._marks["lines"].append(Mark("lines", _arrays(segments), role, name))

    def rules(self, segments: Sequence[ArrayLike], role: Role = "scale") -> None:
        """Draw lines that lie under everything else; all rules of one role are one mark."""
        if segments:
            self._rules.setdefault(role, []).extend(_arrays(segments))

    def rule(self, x0: float, y0: float, x1: float, y1: float, role: Role = "scale") -> None:
        """Draw one straight line that lies under everything else."""
        self.rules([[(x0, y0), (x1, y1)]], role)

    def area(self, outline: ArrayLike, role: Role) -> None:
        """Fill a closed outline, an array of shape (n, 2) in mm."""
        self._marks["area"].append(Mark("area", _arrays([outline]), role))

    def box(self, left: float, top: float, right: float, bottom: float, role: Role) -> None:
        """Fill a rectangle between two corners."""
        self.area([(left, top), (right, top), (right, bottom), (left, bottom)], role)

    def dots(
        self, centres: Sequence[tuple[float, float]], role: Role, radius_mm: float = 0.95, name: str = ""
    ) -> None:
        """Draw round dots as one mark."""
        if centres:
            self._marks["dots"].append(Mark("dots", _arrays([centres]), role, name, radius_mm))

    def place(self, chart: Chart, left_mm: float, top_mm: float) -> None:
        """Put another chart on this one, with its top left corner at a place."""
        by = np.array((left_mm, top_mm))
        for role, segments in chart._rules.items():
            self._rules.setdefault(role, []).extend([s + by for s in segments])
        for shape, marks in chart._marks.items():
            self._marks[shape] += [replace(mark, pieces=tuple([p + by for p in mark.pieces])) for mark in marks]
        self.words += [replace(w, x_mm=w.x_mm + left_mm, y_mm=w.y_mm + top_mm) for w in chart.words]


def _arrays(segments: Sequence[ArrayLike]) -> tuple[NDArray[np.float64], ...]:
    return tuple([np.asarray(s, dtype=np.float64) for s in segments])


class Sheet(Chart):
    """One page, upright or turned; ``title`` is what its bookmark says, ``headings`` what those below it do.

    The text area is ``measure_mm`` wide, from ``left_mm`` to ``right_mm``. Content may stand down to ``bottom_mm``,
    and be ``room_mm`` high below the title and the longest caption. ``inner`` is what a chart between the margins,
    below a heading of its own, is drawn for.
    """

    def __init__(self, paper: Paper, title: str, *, turned: bool = False) -> None:
        short, long = PAPERS_MM[paper]
        width_mm, height_mm = (long, short) if turned else (short, long)
        super().__init__(Look(width_mm=width_mm), height_mm)
        self.paper, self.title, self.turned = paper, title, turned
        self.left_mm, self.right_mm = MARGIN_MM, width_mm - MARGIN_MM
        self.measure_mm = self.right_mm - self.left_mm
        self.bottom_mm = height_mm - FOOT_MM - 4.0
        self.room_mm = self.bottom_mm - HEAD_MM - CAPTION_MM
        self.inner = Look(width_mm=self.measure_mm, room_mm=self.room_mm - HEADING_MM)
        self.headings: list[str] = []
        self._later: list[Callable[[Sheet], None]] = []

    def later(self, draw: Callable[[Sheet], None]) -> None:
        """Draw something only when the page is written, after all that is there and in the order asked for.

        So no more than one page of what fills much memory is held at a time.
        """
        self._later.append(draw)

    def finished(self) -> Sheet:
        """Return the page with all that was put off; this one stays as it is."""
        if not self._later:
            return self
        page = Sheet(self.paper, self.title, turned=self.turned)
        page.headings = list(self.headings)
        page.place(self, 0.0, 0.0)
        for draw in self._later:
            draw(page)
        return page

    def head(self, top_mm: float, text: str, aside: str = "") -> None:
        """Head what follows with its name, over a line across the sheet; it takes :data:`HEADING_MM`."""
        self.headings.append(text)
        self.rule(self.left_mm, top_mm, self.right_mm, top_mm, "heading")
        self.say(self.left_mm, top_mm + 5.0, text, LEAD, bold=True, within_mm=self.measure_mm - 50.0)
        self.say(self.right_mm, top_mm + 5.0, aside, SMALL, role="soft text", ha="right", within_mm=46.0)
