"""What thickness will do, against boards that are that thin."""

from __future__ import annotations

import pytest

from tapbatch.model.wood import WoodFigures
from tapbatch.wood.figures import wood_figures
from tapbatch.wood.plate import plate_modes
from tapbatch.wood.thickness import at_thicknesses, stop_for
from tests.wood.boards_sim import BOARD, SPRUCE
from tests.wood.test_figures import SIZES, heard, told


@pytest.fixture(scope="module")
def figures() -> WoodFigures:
    return wood_figures(SIZES, heard())


def test_what_is_predicted_is_what_the_thinner_board_sounds(figures: WoodFigures) -> None:
    (thin,) = at_thicknesses(figures, [3.0])
    truth = {mode.name: mode.freq_hz for mode in plate_modes(BOARD.planed_to(3.0), SPRUCE)}
    for aim, name in (("along", (2, 0)), ("across", (0, 2)), ("twist", (1, 1))):
        assert thin.modes[aim].value == pytest.approx(truth[name], rel=2e-3)  # type: ignore[index]
        assert thin.modes[aim].low < truth[name] < thin.modes[aim].high  # type: ignore[index]
    assert thin.mass_g == pytest.approx(206 * 3.0 / 4.1)


def test_stiffness_goes_with_the_cube(figures: WoodFigures) -> None:
    """Equal stiffness: h2 = h1 (EI*/EI)^(1/3)."""
    thick, thin = at_thicknesses(figures, [4.1, 2.05])
    assert told(thin.stiffness_along_n_m).value == pytest.approx(told(thick.stiffness_along_n_m).value / 8)
    assert told(thin.stiffness_along_n_m).half_pct > told(thick.stiffness_along_n_m).half_pct


def test_where_to_stop_is_told_from_the_thick_end(figures: WoodFigures) -> None:
    """The board that sounds 55 Hz lies between the stop and the thinnest."""
    stop = stop_for(figures, "along", 55.0)
    assert stop is not None
    assert stop.stop_mm is not None
    assert stop.likely_mm is not None
    assert stop.thinnest_mm is not None
    assert stop.past == pytest.approx(0.025, abs=0.004)
    assert 4.1 > stop.stop_mm > stop.likely_mm > stop.thinnest_mm
    at_likely = {m.name: m.freq_hz for m in plate_modes(BOARD.planed_to(stop.likely_mm), SPRUCE)}
    assert at_likely[2, 0] == pytest.approx(55.0, rel=3e-3)


@pytest.mark.parametrize("freq_hz", [20.0, 69.9, 90.0])
def test_no_stop_where_none_can_be(figures: WoodFigures, freq_hz: float) -> None:
    """Less than half the thickness, or a note that is above: wood cannot be put back."""
    stop = stop_for(figures, "along", freq_hz)
    assert stop is not None
    assert (stop.stop_mm, stop.likely_mm, stop.thinnest_mm) == (None, None, None)


def test_nothing_is_predicted_of_a_board_without_figures() -> None:
    empty = WoodFigures(shape="plate", refused="size", missing=("mass_g",))
    assert at_thicknesses(empty, [3.0]) == ()
    assert stop_for(empty, "along", 50.0) is None
