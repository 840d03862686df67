"""Lines fit a terminal in any script, and lose nothing."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.show.terminal.wrapping import padded, width_of, wrapped

WORDS = st.lists(st.text(st.sampled_from("ab-é琴한ｱ"), min_size=1, max_size=30), max_size=12)


def cells(text: str) -> int:
    """Width by Unicode Standard Annex 11, as the standard library knows it: wide and fullwidth letters take two."""
    return sum(1 + (unicodedata.east_asian_width(letter) in "WF") for letter in text)


@given(WORDS, st.integers(12, 80))
def test_no_line_is_wider_than_asked_and_no_letter_is_lost(names: list[str], most: int) -> None:
    text = " ".join(names)
    lines = wrapped(text, most, "  ", "    ")
    assert all(cells(line) <= most for line in lines)
    assert "".join("".join(lines).split()) == "".join(names)
    assert all(line.startswith("    ") for line in lines[1:])


@given(WORDS)
def test_widths_are_those_of_the_standard(names: list[str]) -> None:
    text = " ".join(names)
    assert width_of(text) == cells(text)


@pytest.mark.parametrize(("text", "width"), [("", 0), ("03-bars-fitted", 14), ("琴 7", 4), ("u\u0308", 1), ("±", 1)])
def test_marks_take_no_room(text: str, width: int) -> None:
    assert width_of(text) == width


@given(st.text(st.sampled_from("ab é琴한ｱ"), max_size=30), st.integers(3, 30))
def test_a_column_is_as_wide_as_asked(text: str, most: int) -> None:
    filled = padded(text, most)
    assert cells(filled) == most
    assert filled.startswith(text[:1])
    if cells(text) <= most:
        assert filled == text + " " * (most - cells(text))


def test_words_stay_whole_where_they_can() -> None:
    assert wrapped("琴-04 moved down since 01-joined", 14, later="  ") == [
        "琴-04 moved",
        "  down since",
        "  01-joined",
    ]
