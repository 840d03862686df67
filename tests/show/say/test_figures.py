"""Figures as text, against published roundings."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.show.say import figures


@pytest.mark.parametrize(
    ("value", "uncertainty", "said"),
    [
        # Review of Particle Physics, Introduction, "Rounding": the two examples it prints.
        (0.827, 0.119, ("0.83", "0.12")),
        (0.827, 0.367, ("0.8", "0.4")),
        # Its rule at the edges: 354 keeps two digits, 355 one, 949 one, 950 is rounded up to 1000 and keeps two.
        (1.23456, 0.00354, ("1.2346", "0.0035")),
        (1.23456, 0.00355, ("1.235", "0.004")),
        (1.23456, 0.00949, ("1.235", "0.009")),
        (1.23456, 0.00950, ("1.235", "0.010")),
        # JCGM 100:2008, 7.2.6: "if y = 10,057 62 ohm with u = 27 milliohm, y should be rounded to 10,058 ohm".
        (10.05762, 0.027, ("10.058", "0.027")),
        (1234.0, 42.0, ("1230", "40")),
    ],
)
def test_rounding_is_the_published_one(value: float, uncertainty: float, said: tuple[str, str]) -> None:
    assert figures.value_and_half_width(value, uncertainty) == said


@given(st.floats(-1e4, 1e4), st.floats(1e-6, 1e3))
def test_rounding_moves_a_value_by_less_than_its_uncertainty(value: float, uncertainty: float) -> None:
    shown_value, shown_half = (float(text) for text in figures.value_and_half_width(value, uncertainty))
    # One digit of 355 or more: half a unit is at most 0.5/3.55 of it; two digits are finer.
    assert abs(shown_value - value) <= uncertainty * 0.5 / 3.55 + 1e-9
    assert abs(shown_half - uncertainty) <= uncertainty * 0.5 / 3.55 + 1e-9


@pytest.mark.parametrize("half", [math.nan, math.inf, 0.0, -1.0])
def test_an_uncertainty_that_says_nothing_is_left_out(half: float) -> None:
    assert figures.value_and_half_width(12.3456, half) == ("12.35", "")
    with pytest.raises(ValueError, match="above zero"):
        figures.leading_decimals(half)
