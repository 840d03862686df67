"""What is said of a blank: what is surest first, why nothing is told, and what else to record."""

from __future__ import annotations

from typing import get_args

import pytest

from tapbatch.model.reading import Aim
from tapbatch.model.wood import Figure, Refusal, Stop, WoodFigures
from tapbatch.show.say.wood import FLAGS, figure_rows, figure_text, record_text, stop_text, why_no_figures, wood_lines
from tests.documentation.pages import first_cells, page, section

TOLD = WoodFigures(
    shape="plate",
    radiation_m4_kg_s=Figure(12.0, 11.8, 12.2),
    density_kg_m3=Figure(410.0, 402.0, 418.0),
    e_along_gpa=Figure(11.0, 10.4, 11.6),
    to_record=("across",),
    flags=("open",),
)


def test_what_depends_least_on_the_caliper_comes_first() -> None:
    lines = list(wood_lines(TOLD))
    assert [line.split(":")[0] for line in lines[:3]] == ["radiates (c/rho)", "density", "E along"]
    assert "hold it" in lines[-1]


@pytest.mark.parametrize("why", get_args(Refusal))
def test_every_refusal_has_its_words(why: Refusal) -> None:
    wood = WoodFigures(shape="plate", refused=why, missing=("mass_g",), detail=14.0)
    assert why_no_figures(wood)
    assert next(iter(wood_lines(wood))).startswith("no figures of the wood: ")


def test_a_strip_has_nothing_across() -> None:
    assert not any("across" in name for name, _ in figure_rows(WoodFigures(shape="strip")))
    assert any("across" in name for name, _ in figure_rows(WoodFigures(shape="plate")))


@pytest.mark.parametrize("aim", get_args(Aim))
def test_every_word_says_how_to_hold_and_where_to_tap(aim: Aim) -> None:
    assert record_text(aim).startswith(f"{aim}: hold it")
    assert "tap" in record_text(aim)


def test_intervals_are_in_per_cent() -> None:
    assert figure_text(Figure(100.0, 90.0, 112.0), "kg/m3").endswith("± 11 %")
    assert figure_text(None, "kg/m3") == ""


def test_flags_are_explained_on_the_page() -> None:
    assert set(first_cells(section(page("docs/wood.md"), "## Which mode is which"))) == set(FLAGS)


def test_short_lines_keep_what_is_first_and_say_where_the_rest_is() -> None:
    short = list(wood_lines(TOLD, full=False))
    assert short[0].startswith("radiates (c/rho)")
    assert any("open" in line and "--full" in line for line in short)
    assert short[-1] == list(wood_lines(TOLD))[-1]


@pytest.mark.parametrize(("past", "said"), [(0.025, "2.5 %"), (0.094, "9.4 %"), (0.4, "40 %"), (0.996, "over 99 %")])
def test_the_chance_to_be_past_a_target_is_said_to_be_one(past: float, said: str) -> None:
    stop = Stop(aim="along", wanted="on A1", unit="Hz", target=55.0, now=69.7, stop_mm=3.32, likely_mm=3.25,
                thinnest_mm=3.19, past=past)  # fmt: skip
    assert stop_text(stop).endswith(f"({said} chance to be past it at 3.32 mm)")
