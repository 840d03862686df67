"""Figures at 12 % moisture: what stays, what is derived, and what the intervals hold."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.model.wood import Figure
from tapbatch.wood.moisture import CORRECTED, HOLDS_PCT, at_standard, density_at

BOARD = {
    "density_kg_m3": Figure(430.0, 422.0, 438.0),
    "e_along_gpa": Figure(11.0, 10.6, 11.4),
    "e_across_gpa": Figure(0.9, 0.85, 0.95),
    "g_gpa": Figure(0.8, 0.77, 0.83),
    "speed_along_m_s": Figure(math.sqrt(11e9 / 430), 4990.0, 5130.0),
    "radiation_m4_kg_s": Figure(math.sqrt(11e9 / 430**3), 11.5, 12.0),
    "loss_along": Figure(0.007, 0.006, 0.008),
}


@given(st.floats(*HOLDS_PCT))
def test_speed_and_radiation_are_those_of_the_corrected_modulus_and_density(pct: float) -> None:
    told = at_standard(BOARD, pct)
    e_pa, density = told["e_along_gpa"].value * 1e9, told["density_kg_m3"].value
    assert told["speed_along_m_s"].value == pytest.approx(math.sqrt(e_pa / density))
    assert told["radiation_m4_kg_s"].value == pytest.approx(math.sqrt(e_pa / density**3))


@given(st.floats(*HOLDS_PCT))
def test_no_correction_makes_a_figure_surer(pct: float) -> None:
    told = at_standard(BOARD, pct)
    assert set(told) == set(CORRECTED)
    for name, figure in told.items():
        assert figure.low < figure.value < figure.high
        assert figure.high / figure.low > BOARD[name].high / BOARD[name].low


def test_at_12_per_cent_only_the_intervals_change() -> None:
    for name, figure in at_standard(BOARD, 12.0).items():
        assert figure.value == pytest.approx(BOARD[name].value)


def test_a_dry_board_is_lighter_and_stiffer_than_at_12_per_cent() -> None:
    told = at_standard(BOARD, 8.0)
    assert told["density_kg_m3"].value > 430.0
    assert told["e_along_gpa"].value == pytest.approx(11.0 * (1 - 0.016) ** 4, rel=0.002)
    assert told["radiation_m4_kg_s"].value < BOARD["radiation_m4_kg_s"].value


@pytest.mark.parametrize("pct", [0.0, 4.9, 20.1, 28.0])
def test_beyond_its_range_nothing_is_corrected(pct: float) -> None:
    assert at_standard(BOARD, pct) == {}


def test_without_density_nothing_is_corrected() -> None:
    assert at_standard({"e_along_gpa": BOARD["e_along_gpa"]}, 9.0) == {}


@given(st.floats(200, 1200), st.floats(0, 30), st.floats(0, 30))
def test_density_comes_back(density: float, one: float, other: float) -> None:
    """There and back it is the same, and at every moisture the dry mass over the volume is positive."""
    there = density_at(density, one, other)
    assert there > 0
    assert density_at(there, other, one) == pytest.approx(density)
