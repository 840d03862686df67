"""The blocks and columns that pages are made of: a block says its height and draws itself, and the book places it.

Conventions: lengths in mm. A block stands between the margins of a sheet. Blocks of one title share a sheet while it
has room; one that is too high for what is left goes on a new sheet, or is split where it can be.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple, Protocol

from tapbatch.show.draw.chart import BODY, HEAD, HEAD_MM, HEADING_MM, SMALL, Chart, Look, Paper, Sheet
from tapbatch.show.draw.decays import DecayPage
from tapbatch.show.draw.marks import Anchor, Role, Said

TOP_MM = HEAD_MM + 6.0
BLOCK_GAP_MM = 7.0
NOTES_GAP_MM = 3.5


class Block(Protocol):
    """Something that stands on a page: ``title`` heads its sheet."""

    @property
    def title(self) -> str: ...  # noqa: D102

    def height_mm(self, sheet: Sheet) -> float:
        """Return its height on a sheet."""

    def least_mm(self, sheet: Sheet) -> float:
        """Return the free height that it needs to begin on a sheet."""

    def draw(self, sheet: Sheet, top_mm: float) -> Block | None:
        """Draw it as far as the sheet has room; return the rest, ``None`` if all of it is drawn."""


@dataclass(frozen=True, slots=True)
class ChartBlock:
    """A chart, below a heading where it has one, and above what is said with it."""

    title: str
    chart: Chart
    heading: str = ""
    aside: str = ""
    notes: Sequence[Said] = ()

    def height_mm(self, sheet: Sheet) -> float:
        """Return the height of heading, chart and notes."""
        heading = HEADING_MM if self.heading else 0.0
        return heading + self.chart.height_mm + notes_height_mm(self.notes, self.chart.width_mm)

    least_mm = height_mm

    def draw(self, sheet: Sheet, top_mm: float) -> None:
        """Draw heading, chart and notes."""
        y = top_mm
        if self.heading:
            sheet.head(y, self.heading, self.aside)
            y += HEADING_MM
        sheet.place(self.chart, sheet.left_mm, y)
        y += self.chart.height_mm + NOTES_GAP_MM
        for text, role in self.notes:
            y = sheet.paragraph(sheet.left_mm, y, text, self.chart.width_mm, SMALL, role=role)


@dataclass(frozen=True, slots=True)
class DecaysBlock:
    """A sheet of decays, drawn when its page is written: of a thousand stages they would fill the memory."""

    page: DecayPage
    title: str = "Decays"

    def height_mm(self, sheet: Sheet) -> float:
        """Return the height of the chart."""
        return self.page.height_mm

    least_mm = height_mm

    def draw(self, sheet: Sheet, top_mm: float) -> None:
        """Put the chart off until the page is written."""
        sheet.later(lambda page: page.place(self.page.drawn(), page.left_mm, top_mm))


def notes_height_mm(notes: Iterable[Said], width_mm: float) -> float:
    """Return the height that notes take below a chart."""
    paper = Chart(Look(width_mm=width_mm))
    below = [paper.paragraph(0.0, 0.0, text, width_mm, SMALL) for text, _ in notes]
    return sum(below) + NOTES_GAP_MM if below else 0.0


class Column(NamedTuple):
    """A column of a table: its heading, and its text: where from the left edge, which end is there, and its room."""

    heading: str
    x_mm: float
    anchor: Anchor
    room_mm: float

    def say(
        self, sheet: Sheet, y_mm: float, text: str, size_pt: float = SMALL, *, bold: bool = False, role: Role = "text"
    ) -> None:
        """Set one line in this column; what is longer than its room is cut."""
        x_mm = sheet.left_mm + self.x_mm
        sheet.say(x_mm, y_mm, text, size_pt, bold=bold, role=role, ha=self.anchor, within_mm=self.room_mm)

    def head(self, sheet: Sheet, y_mm: float) -> None:
        """Set the heading."""
        self.say(sheet, y_mm, self.heading, role="soft text")


class Book:
    """Sheets one after the other, each headed with its title, and a caption below where the title has one."""

    def __init__(self, name: str, paper: Paper, captions: Mapping[str, str]) -> None:
        self._name, self._captions = name, captions
        self._paper: Paper = paper
        self._sheets: list[Sheet] = []
        self._next_mm = 0.0

    def add(self, title: str, *, turned: bool = False) -> Sheet:
        """Return a new sheet."""
        self._sheets.append(Sheet(self._paper, title, turned=turned))
        return self._sheets[-1]

    def place(self, block: Block) -> None:
        """Draw a block, on a new sheet where the title changes or the room is short."""
        left: Block | None = block
        while left is not None:
            sheet = self._sheets[-1]
            if sheet.title != left.title or self._next_mm + left.least_mm(sheet) > sheet.bottom_mm:
                sheet = self.begin(left.title)
            height = left.height_mm(sheet)
            left = left.draw(sheet, self._next_mm)
            self._next_mm += height + BLOCK_GAP_MM

    def begin(self, title: str) -> Sheet:
        """Return a new sheet headed by its title, and its caption."""
        sheet = self.add(title)
        sheet.say(sheet.left_mm, HEAD_MM, title, HEAD, bold=True)
        self._next_mm = TOP_MM
        if title in self._captions:
            text, width_mm = self._captions[title], sheet.measure_mm
            self._next_mm = sheet.paragraph(sheet.left_mm, TOP_MM, text, width_mm, BODY, role="soft text") + 2.0
        return sheet

    def numbered(self) -> list[Sheet]:
        """Return the sheets, each to be finished with its name and number at the foot."""
        for number, sheet in enumerate(self._sheets, 1):
            sheet.later(partial(self._foot, number))
        return self._sheets

    def _foot(self, number: int, sheet: Sheet) -> None:
        y = sheet.height_mm - 10.0
        sheet.rule(sheet.left_mm, y - 4.0, sheet.right_mm, y - 4.0, "guide")
        sheet.say(sheet.left_mm, y, self._name, SMALL, role="soft text", within_mm=sheet.measure_mm - 60.0)
        where = f"{sheet.title}, {number} of {len(self._sheets)}"
        sheet.say(sheet.right_mm, y, where, SMALL, role="soft text", ha="right")
