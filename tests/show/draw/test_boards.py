"""The charts of a blank: to scale, with the nodal lines of the modes, on paper and on a telephone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tapbatch.model.forecast import ForecastCame
from tapbatch.model.settings import InstrumentSettings
from tapbatch.model.wood import Figure, WoodFigures
from tapbatch.show.draw.boards import (
    board_chart,
    figures_chart,
    figures_notes,
    planed_chart,
    record_chart,
    thickness_chart,
)
from tapbatch.show.draw.chart import SCREEN, Look
from tapbatch.show.draw.store import store_chart, store_charts
from tapbatch.show.view.boards import mode_views, nodal_lines, thicknesses
from tapbatch.show.view.store import StoredBoard
from tapbatch.wood.figures import wood_figures
from tapbatch.wood.species import Published, published_of
from tests.show.draw.boxes import clashes
from tests.wood.test_figures import SIZES, heard

PAPER = Look(width_mm=178.0, room_mm=230.0)


@pytest.fixture(scope="module")
def wood() -> WoodFigures:
    return wood_figures(SIZES, heard())


@pytest.mark.parametrize("look", [PAPER, SCREEN], ids=["paper", "screen"])
def test_all_is_drawn_within_the_width(wood: WoodFigures, look: Look) -> None:
    charts = (board_chart(wood, look), figures_chart(wood, look), thickness_chart(wood, InstrumentSettings(), look))
    for chart in charts:
        assert chart is not None
        assert chart.description
        assert 0 < chart.height_mm < look.room_mm
        places = np.concatenate([piece for mark in chart.marks for piece in mark.pieces] or [np.zeros((1, 2))])
        assert places.min() >= -0.1
        assert places[:, 0].max() <= look.width_mm + 0.1
        assert places[:, 1].max() <= chart.height_mm + 0.1


def test_the_board_is_drawn_to_scale(wood: WoodFigures) -> None:
    chart = board_chart(wood, PAPER)
    assert chart is not None
    outline = next(mark for mark in chart.marks if mark.shape == "area").pieces[0]
    long, wide = np.ptp(outline, axis=0)
    assert long / wide == pytest.approx(550 / 210)


def test_nodal_lines_of_a_beam_lie_where_the_textbook_says(wood: WoodFigures) -> None:
    """A free beam stands still at 22.4 % of its length from either end (cos x cosh x = 1)."""
    view = next(v for v in mode_views(wood) if v.mode.name == (2, 0))
    x = np.concatenate(view.lines)[:, 0]
    assert np.abs(x).mean() == pytest.approx(1 - 2 * 0.2242, abs=0.02)


def test_a_circle_is_found_on_a_grid() -> None:
    x = np.linspace(-1, 1, 61)
    pieces = np.concatenate(nodal_lines(np.add.outer(x**2, x**2) - 0.5, x))
    assert np.hypot(*pieces.T) == pytest.approx(np.sqrt(0.5), abs=0.01)


def test_thicknesses_begin_today_and_stop_at_the_half(wood: WoodFigures) -> None:
    steps = [step.thickness_mm for step in thicknesses(wood)]
    assert steps[0] == pytest.approx(4.1)
    assert steps == sorted(steps, reverse=True)
    assert steps[-1] >= 0.5 * 4.1


@pytest.mark.parametrize("look", [PAPER, SCREEN], ids=["paper", "screen"])
def test_stiffness_and_mass_stand_at_every_thickness(wood: WoodFigures, look: Look) -> None:
    """At half the thickness half the mass and an eighth of the stiffness, each with its interval."""
    chart = thickness_chart(wood, InstrumentSettings(), look)
    assert chart is not None
    said = [word.text for word in chart.words]
    for step in thicknesses(wood):
        assert f"{step.mass_g:.0f}" in said
        for figure in (step.stiffness_along_n_m, step.stiffness_across_n_m):
            assert figure is not None
            assert f"{figure.value:.3g} ± {figure.half_pct:.0f} %" in said
    assert clashes(chart.words) == []


def test_nothing_is_drawn_without_figures() -> None:
    empty = WoodFigures(shape="plate", refused="uneven", detail=14.0)
    assert board_chart(empty, PAPER) is None
    assert thickness_chart(empty, InstrumentSettings(), PAPER) is None


@pytest.mark.parametrize("look", [PAPER, SCREEN], ids=["paper", "screen"])
def test_what_is_missing_is_drawn(wood: WoodFigures, look: Look) -> None:
    """Held where a free beam stands still, 22.4 % from its ends (cos x cosh x = 1), and tapped where it swings."""
    chart = record_chart(replace(wood, to_record=("along", "twist")), look)
    assert chart is not None
    assert record_chart(wood, look) is None
    along, twist = (mark for mark in chart.marks if mark.shape == "area")
    left, right = along.pieces[0][:, 0].min(), along.pieces[0][:, 0].max()
    (holds,) = next(mark for mark in chart.marks if mark.name == "hold along").pieces
    assert (holds[:, 0] - left) / (right - left) == pytest.approx([0.224, 0.776], abs=0.002)
    corner = np.concatenate(next(mark for mark in chart.marks if mark.name == "tap twist").pieces).mean(axis=0)
    assert corner == pytest.approx(twist.pieces[0].max(axis=0))
    assert 0 < chart.height_mm < look.room_mm
    assert twist.pieces[0][:, 0].max() < look.width_mm


def test_what_is_missing_is_said(wood: WoodFigures) -> None:
    less = replace(wood, e_across_gpa=None, to_record=("across",), flags=("open",))
    said = " ".join(word.text for word in figures_chart(less, PAPER).words)
    assert "not told" in said
    assert [role for _, role in figures_notes(less)] == ["caution", "text"]


def test_the_wood_store_has_every_board_and_its_species() -> None:
    """Sitka spruce: 448 kg/m3 and 11.9 GPa, 10 and 22 % to either side (Wood Handbook, tables 5-3, 5-5 and 5-6)."""
    figures = {"density_kg_m3": Figure(430.0, 422.0, 438.0), "e_along_gpa": Figure(11.5, 10.9, 12.1)}
    boards = [
        StoredBoard(instrument="board-1", stage="bought", species="Sitka spruce", figures=figures),
        StoredBoard(instrument="board-2", stage="bought", into="lute-5", figures=figures),
        StoredBoard(instrument="board-3", stage="bought"),
    ]
    for look in (PAPER, SCREEN):
        chart = store_chart(boards, look)
        assert chart is not None
        said = {word.text for word in chart.words}
        assert {"board-1", "board-2", "sitka spruce"} <= said
        assert "board-3" not in said
        assert [mark.role for mark in chart.marks if mark.shape == "dots"] == ["reading", "earlier reading"]
    assert store_chart(boards[2:], SCREEN) is None
    assert published_of("Sitka spruce") == Published(
        name="sitka spruce", density_kg_m3=(403.2, 492.8), e_along_gpa=(pytest.approx(9.27, abs=0.01), 14.49)
    )


def test_e_across_and_damping_stand_against_density_too() -> None:
    figures = {"density_kg_m3": Figure(430.0, 422.0, 438.0), "e_across_gpa": Figure(0.9, 0.85, 0.95),
               "loss_along": Figure(0.006, 0.005, 0.007)}  # fmt: skip
    boards = [StoredBoard(instrument="board-1", stage="bought", species="Sitka spruce", figures=figures)]
    charts = dict(store_charts(boards, SCREEN))
    assert list(charts) == ["E across against density", "Loss factor along against density"]
    across = charts["E across against density"]
    assert across.description == "board-1: 0.90 GPa at 430 kg/m3"
    # The published range of the species is of E along.
    assert "sitka spruce" not in {word.text for word in across.words}


def test_names_of_boards_that_are_alike_stand_apart() -> None:
    boards = [
        StoredBoard(instrument=f"board-{n}", stage="bought", figures={
            "density_kg_m3": Figure(430.0 + n, 422.0 + n, 438.0 + n), "e_along_gpa": Figure(11.5, 10.9, 12.1),
        })
        for n in range(12)
    ]  # fmt: skip
    for look in (PAPER, SCREEN):
        chart = store_chart(boards, look)
        assert chart is not None
        assert sum(mark.shape == "dots" for mark in chart.marks) == len(boards)
        assert not clashes([word for word in chart.words if word.text.startswith("board")])
        assert sum(word.text.startswith("board") for word in chart.words) >= 3


def test_lines_of_equal_radiation_go_through_boards_that_radiate_so() -> None:
    """E = (c/rho)^2 rho^3: 12 m4/(kg s) at 430 kg/m3 is 11.45 GPa."""
    assert pytest.approx(11.45, abs=0.01) == 12**2 * 430**3 / 1e9
    figures = {"density_kg_m3": Figure(430.0, 380.0, 480.0), "e_along_gpa": Figure(11.45, 9.0, 14.0)}
    chart = store_chart([StoredBoard(instrument="b", stage="s", figures=figures)], PAPER)
    assert chart is not None
    (line,) = next(mark for mark in chart.marks if mark.name == "c/rho 12").pieces
    (dot,) = next(mark for mark in chart.marks if mark.shape == "dots").pieces[0]
    assert np.interp(dot[0], line[:, 0], line[:, 1]) == pytest.approx(dot[1], abs=0.3)


@pytest.mark.parametrize("look", [PAPER, SCREEN], ids=["paper", "screen"])
def test_planings_stand_with_their_forecasts_the_latest_first(look: Look) -> None:
    first = ForecastCame(
        part="blank", mode="along", stage="02-planed", work="planing", step_cents=-171.2, step_low_cents=-205.9,
        step_high_cents=-136.6, overshoot=0.0, came_cents=-150.1, came_over=False, basis="from 4.62 to 4.19 mm",
    )  # fmt: skip
    second = replace(first, stage="03-planed", came_cents=-240.0, basis="from 4.19 to 3.79 mm")
    chart = planed_chart([[first, replace(first, mode="twist")], [second]], look)
    assert chart is not None
    said = [word.text for word in chart.words]
    assert said.index("03-planed: from 4.19 to 3.79 mm") < said.index("02-planed: from 4.62 to 4.19 mm")
    assert said.count("-171 (-206 to -137)") == 3
    assert (said.count("as forecast"), said.count("outside")) == (2, 1)
    assert clashes(chart.words) == []
    assert planed_chart([], look) is None
