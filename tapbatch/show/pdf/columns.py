"""The columns of the tables on paper: each has its place, whatever a row holds.

Conventions: places are in mm from the left edge of the text area.
"""

from __future__ import annotations

from typing import NamedTuple

from tapbatch.show.draw.chart import SMALL, Sheet
from tapbatch.show.draw.marks import Anchor, Role


class Column(NamedTuple):
    """A column: its heading, where its text is anchored, which end of the text that is, and the room it has."""

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
