"""Which boards are alike: what they differ in, and which is nearest to which."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.model.wood import Figure
from tapbatch.wood.pairs import ALIKE_IN, Candidate, nearest_pairs

SIZES = (550.0, 210.0, 4.1)


def figure(value: float, half: float = 0.02) -> Figure:
    """A figure whose interval reaches ``half`` to either side, as a part of it."""
    return Figure(value, value * math.exp(-half), value * math.exp(half))


def board(name: str, *values: float, half: float = 0.02, sizes_mm: tuple[float, float, float] = SIZES) -> Candidate:
    """A board of density, c/rho, E along and, if given, E across."""
    figures = {column: figure(value, half) for column, value in zip(ALIKE_IN, values, strict=False)}
    return Candidate(name=name, figures=figures, sizes_mm=sizes_mm)


def test_two_halves_of_one_board_find_each_other() -> None:
    shelf = [
        board("a", 430, 12.3, 12.0, 0.90),
        board("b", 395, 12.9, 10.1, 0.70),
        board("c", 432, 12.2, 11.9, 0.91),
        board("d", 400, 12.6, 10.3, 0.72),
    ]
    first, second = nearest_pairs(shelf)
    assert [(first.first, first.second), (second.first, second.second)] == [("a", "c"), ("b", "d")]
    apart = first.apart["density_kg_m3"]
    assert apart.pct == pytest.approx(100 * 2 / 430)
    # two independent intervals of 2 % join to 2.8 %
    assert apart.half_pct == pytest.approx(2.0 * math.sqrt(2.0), rel=1e-6)
    assert apart.intervals == pytest.approx(2 / 4.3 / 2.0 / math.sqrt(2.0))
    assert second.apart["e_across_gpa"].intervals == pytest.approx(2 / 0.7 / 2.0 / math.sqrt(2.0))


def test_the_root_mean_square_is_that_of_differences_and_errors() -> None:
    """Seven differences: one of 10 % in E along, and four errors of 1.96 % / 1.96 in each board."""
    pair, *none = nearest_pairs(
        [board("a", 430, 12, 10, 0.9, half=0.0195996), board("b", 430, 12, 10 * math.exp(0.1), 0.9, half=0.0195996)]
    )
    assert none == []
    assert pair.off_pct == pytest.approx(100 * math.sqrt((0.1**2 + 8 * 0.01**2) / 7), rel=1e-4)


def test_a_board_of_which_little_is_known_is_not_near_to_all() -> None:
    shelf = [board("a", 430, 12, 11, 0.9), board("b", 440, 12, 11.4, 0.9), board("vague", 431, 12, 11, 0.9, half=0.2)]
    assert (nearest_pairs(shelf)[0].first, nearest_pairs(shelf)[0].second) == ("a", "b")


def test_a_figure_that_one_does_not_tell_makes_no_pair_nearer() -> None:
    shelf = [board("a", 430, 12, 11, 0.9), board("b", 430, 12, 11, 0.95), board("c", 430, 12, 11)]
    first, second = nearest_pairs(shelf)
    assert (first.first, first.second) == ("a", "b")
    assert "c" in (second.first, second.second)
    assert "e_across_gpa" not in second.apart


def test_size_counts() -> None:
    shelf = [board(n, 430, 12, 11, 0.9, sizes_mm=(550, w, 4.1)) for n, w in (("a", 210), ("b", 150), ("c", 209))]
    pair = nearest_pairs(shelf)[0]
    assert (pair.first, pair.second, pair.sizes_mm) == ("a", "c", (0.0, -1.0, pytest.approx(0.0)))


def test_without_density_or_stiffness_there_is_nothing_to_compare() -> None:
    assert nearest_pairs([board("a", 430, 12, 11), board("b", 430, 12)]) == ()
    assert nearest_pairs([]) == ()


FIGURES = st.tuples(st.floats(300, 900), st.floats(5, 16), st.floats(6, 18), st.floats(0.3, 2.0))


@given(st.lists(FIGURES, min_size=2, max_size=8))
def test_each_board_has_its_nearest_whatever_the_order(values: list[tuple[float, ...]]) -> None:
    shelf = [board(f"b{k}", *each) for k, each in enumerate(values)]
    pairs = nearest_pairs(shelf)
    assert {b.name for b in shelf} == {name for pair in pairs for name in (pair.first, pair.second)}
    assert len(pairs) <= len(shelf)
    assert [pair.off_pct for pair in pairs] == sorted(pair.off_pct for pair in pairs)
    assert nearest_pairs(shelf[::-1]) == pairs
