"""The boxes of words, in millimetres, and which of them lie on each other."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

from tapbatch.show.draw.lettering import MM_PER_PT, text_width_mm
from tapbatch.show.draw.marks import Word

Box = tuple[float, float, float, float]


def box_of(word: Word) -> Box:
    """The box of a word: left, top, right, bottom in mm, from the height of its capitals."""
    width = text_width_mm(word.text, word.size_pt, word.bold)
    back = width * {"left": 0.0, "center": 0.5, "right": 1.0}[word.anchor]
    height = 0.7 * word.size_pt * MM_PER_PT
    if word.upright:
        return word.x_mm - height, word.y_mm + back - width, word.x_mm, word.y_mm + back
    return word.x_mm - back, word.y_mm - height, word.x_mm - back + width, word.y_mm


def clashes(words: Sequence[Word], slack_mm: float = 0.15) -> list[tuple[str, str]]:
    """The pairs of words that lie on each other."""
    boxes = [(box_of(word), word.text) for word in words]
    return [
        (one, other)
        for (a, one), (b, other) in combinations(boxes, 2)
        if min(a[2], b[2]) - max(a[0], b[0]) > slack_mm and min(a[3], b[3]) - max(a[1], b[1]) > slack_mm
    ]
