"""Blocks on sheets: each where the one before ends, on a new sheet where there is no room, split where it can be."""

from __future__ import annotations

from dataclasses import dataclass, replace

from hypothesis import given
from hypothesis import strategies as st

from tapbatch.show.draw.chart import Chart, Sheet
from tapbatch.show.pdf.blocks import Block, Book, ChartBlock


@dataclass(frozen=True)
class Lines:
    """So many lines, five millimetres apart, of which three at least stand together."""

    first: int
    count: int
    title: str = "Lines"

    def height_mm(self, sheet: Sheet) -> float:
        return 5.0 * self.count

    def least_mm(self, sheet: Sheet) -> float:
        return 5.0 * min(self.count, 3)

    def draw(self, sheet: Sheet, top_mm: float) -> Lines | None:
        fit = min(self.count, int((sheet.bottom_mm - top_mm) / 5.0))
        for n in range(fit):
            sheet.say(sheet.left_mm, top_mm + 5.0 * (n + 1), f"line {self.first + n}")
        left = self.count - fit
        return replace(self, first=self.first + fit, count=left) if left else None


def placed(*blocks: Block) -> list[Sheet]:
    book = Book("A name", "A4", {"Charts": "Said once a sheet"})
    book.add("Cover")
    for block in blocks:
        book.place(block)
    return [sheet.finished() for sheet in book.numbered()]


@given(st.lists(st.integers(min_value=1, max_value=150), min_size=1, max_size=6))
def test_a_block_that_is_split_loses_nothing_and_keeps_its_order(counts: list[int]) -> None:
    sheets = placed(*(Lines(first=1000 * n, count=count) for n, count in enumerate(counts)))
    said = [int(w.text[5:]) for s in sheets for w in s.words if w.text.startswith("line ")]
    assert said == [1000 * n + k for n, count in enumerate(counts) for k in range(count)]
    assert all(w.y_mm <= s.bottom_mm + 0.01 for s in sheets for w in s.words if w.text.startswith("line "))


def test_blocks_of_one_title_share_a_sheet_and_others_do_not() -> None:
    sheets = placed(Lines(1, 3), Lines(11, 3), Lines(21, 3, title="More"))
    assert [sheet.title for sheet in sheets] == ["Cover", "Lines", "More"]
    assert [w.text for w in sheets[1].words][-1] == "Lines, 2 of 3"


def test_a_chart_that_has_no_room_goes_on_a_new_sheet_with_its_heading_and_its_notes() -> None:
    look = Sheet("A4", "").inner
    tall = Chart(look, height_mm=150.0)
    tall.say(0.0, 149.0, "foot of the chart")
    sheets = placed(*(ChartBlock("Charts", tall, name, "", [("note", "caution")]) for name in "ab"))
    assert [sheet.headings for sheet in sheets[1:]] == [["a"], ["b"]]
    for sheet in sheets[1:]:
        heights = {word.text: word.y_mm for word in sheet.words}
        assert heights["Said once a sheet"] < heights["foot of the chart"] < heights["note"] < sheet.bottom_mm
