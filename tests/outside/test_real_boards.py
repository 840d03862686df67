"""The wood of three real boards, against the constants published for them; the source is in ``real_boards``."""

from __future__ import annotations

import math
from statistics import median

import pytest

from tapbatch.wood.figures import wood_figures
from tapbatch.wood.fit import Readings, Tone, fit_board
from tapbatch.wood.naming import name_modes
from tests.outside.real_boards import RealBoard, real_boards

BOARDS = real_boards()
pytestmark = pytest.mark.slow


def left_out(board: RealBoard) -> list[float]:
    """Return, for each tone that was named, by how many per cent the fit to the others misses it."""
    sizes = board.sizes
    assert sizes.length_mm is not None
    assert sizes.width_mm is not None
    assert sizes.mass_g is not None
    readings = Readings.of(sizes.length_mm, sizes.width_mm, sizes.thickness_mm, sizes.mass_g)
    naming = name_modes(readings, [tone for _, tone in board.tones])
    assert naming is not None
    named: dict[object, Tone] = dict(naming.fit.named)
    found = []
    for key, tone in named.items():
        others = {k: t for k, t in naming.fit.named.items() if k != key}
        fit = fit_board(readings, others, start=naming.fit.values, count=6)
        found.append(100.0 * (fit.mode_of(key).freq_hz / tone.freq_hz - 1.0))
    return found


@pytest.mark.parametrize("board", BOARDS, ids=lambda b: b.name)
def test_the_constants_are_the_published_ones_without_the_air(board: RealBoard) -> None:
    """Their model has no air. Two standard deviations: their scatter, and half of our interval."""
    figures = wood_figures(board.sizes, board.tones, air_kg_m3=0.0)
    assert figures.refused == ""
    told = 0
    for column, (value, scatter_pct) in board.constants.items():
        ours = getattr(figures, column)
        if ours is not None:
            told += 1
            assert 100 * abs(ours.value / value - 1) < 2 * math.hypot(scatter_pct, ours.half_pct / 2), column
    assert told >= 2


def test_the_air_weighs_on_a_real_board() -> None:
    """With the air, E along is 3 to 6 % higher than without, so that much above what a model without air finds."""
    for board in BOARDS:
        with_air, without = (
            wood_figures(board.sizes, board.tones, air_kg_m3=rho).e_along_gpa for rho in (1.204, 0.0)
        )
        assert with_air is not None
        assert without is not None
        assert 3 < 100 * (with_air.value / without.value - 1) < 6


def test_a_board_without_the_mode_across_does_not_tell_e_across() -> None:
    """The taps of 3R do not hold the mode (0, 2): nothing firm, and the word that would settle it."""
    board = next(b for b in BOARDS if b.name == "3R")
    figures = wood_figures(board.sizes, board.tones)
    assert figures.e_across_gpa is None
    assert figures.to_record == ("across",)
    assert "open" in figures.flags


def test_a_tone_that_is_left_out_is_predicted() -> None:
    errors = [abs(error) for board in BOARDS for error in left_out(board)]
    assert len(errors) > 20
    assert median(errors) < 1.5
