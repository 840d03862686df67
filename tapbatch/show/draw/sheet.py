"""A sheet of paper: a page to draw on, with its margins and headings.

Conventions: as in :mod:`tapbatch.show.draw.chart`; :mod:`tapbatch.show.pdf.canvas` makes pages of sheets.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from tapbatch.show.draw.chart import LEAD, SMALL, Chart, Look

Paper = Literal["A4", "Letter"]

PAPERS_MM: dict[Paper, tuple[float, float]] = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}

MARGIN_MM = 16.0
HEAD_MM = 24.0
CAPTION_MM = 20.0
FOOT_MM = 14.0
HEADING_MM = 9.0


class Sheet(Chart):
    """One page, upright or turned; ``title`` is what its bookmark says, ``headings`` what those below it do."""

    def __init__(self, paper: Paper, title: str, *, turned: bool = False) -> None:
        short, long = PAPERS_MM[paper]
        width_mm, height_mm = (long, short) if turned else (short, long)
        super().__init__(Look(width_mm=width_mm), height_mm)
        self.paper, self.title, self.turned = paper, title, turned
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

    @property
    def inner(self) -> Look:
        """What a chart between the margins, below a heading of its own, is drawn for."""
        return Look(width_mm=self.measure_mm, room_mm=self.room_mm - HEADING_MM)

    def head(self, top_mm: float, text: str, aside: str = "") -> None:
        """Head what follows with its name, over a line across the sheet; it takes :data:`HEADING_MM`."""
        self.headings.append(text)
        self.rule(self.left_mm, top_mm, self.right_mm, top_mm, "heading")
        self.say(self.left_mm, top_mm + 5.0, text, LEAD, bold=True, within_mm=self.measure_mm - 50.0)
        self.say(self.right_mm, top_mm + 5.0, aside, SMALL, role="soft text", ha="right", within_mm=46.0)
