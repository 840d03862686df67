"""What is offered while no mode has a label: the one that moved most, in lines that the settings understand."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import replace

import pytest

from tapbatch.model.history import History, Stage, StageMode
from tapbatch.model.settings import InstrumentSettings
from tapbatch.model.wood import WoodFigures
from tapbatch.show.view.labelling import Offer, offer_of

Made = tuple[Callable[..., Stage], Callable[..., StageMode], Callable[..., History]]


@pytest.fixture
def made(
    make_stage: Callable[..., Stage], make_mode: Callable[..., StageMode], make_history: Callable[..., History]
) -> Made:
    return make_stage, make_mode, make_history


def _offer(made: Made, *freqs: tuple[float, float], part: str = "body", **settings: object) -> Offer | None:
    """Two stages of a leading mode and a weaker one; what is offered at the second."""
    make_stage, make_mode, make_history = made
    stages = [
        make_stage(part, "free", f"0{n}", n, [make_mode("r1", first, lead=True), make_mode("r2", second)])
        for n, (first, second) in enumerate(freqs, 1)
    ]
    return offer_of(make_history(stages), stages[-1], InstrumentSettings.model_validate(settings))


def test_the_mode_that_moved_most_is_offered(made: Made) -> None:
    offer = _offer(made, (200.0, 300.0), (200.5, 306.04))
    assert offer is not None
    assert offer.told.startswith("r2 moved most: up ")
    assert "instruments/cittern-07.toml" in offer.told
    # 300 to 306.04 Hz is 34.5 cents, 200 to 200.5 Hz is 4.3 (1200 times the binary logarithm of the ratio).
    (mode,) = InstrumentSettings.model_validate(tomllib.loads("\n".join(offer.lines))).mode
    assert (mode.near_hz, mode.part) == (306.0, "body")


def test_where_nothing_moved_the_mode_that_leads_is_offered(made: Made) -> None:
    for freqs in ([(200.0, 300.0)], [(200.0, 300.0), (200.0, 300.0)]):
        offer = _offer(made, *freqs)
        assert offer is not None
        assert offer.told.startswith("r1 is the strongest. ")


def test_the_lines_name_the_part(made: Made) -> None:
    offer = _offer(made, (200.0, 300.0), part="top")
    assert offer is not None
    (mode,) = InstrumentSettings.model_validate(tomllib.loads("\n".join(offer.lines))).mode
    assert mode.part == "top"


def test_nothing_is_offered_once_the_part_has_a_label(made: Made) -> None:
    label = {"label": "air", "near_hz": 110.0}
    assert _offer(made, (200.0, 300.0), mode=[label]) is None
    assert _offer(made, (200.0, 300.0), part="top", mode=[label]) is not None
    assert _offer(made, (200.0, 300.0), part="top", mode=[label | {"part": "Top"}]) is None


def test_a_board_needs_no_label(made: Made) -> None:
    make_stage, make_mode, make_history = made
    stage = make_stage("blank", "", "01", 1, [make_mode("r1", 124.0, lead=True)])
    assert offer_of(make_history([stage]), stage, InstrumentSettings()) is not None
    board = replace(stage, wood=WoodFigures(shape="plate", refused="few modes"))
    assert offer_of(make_history([board]), board, InstrumentSettings()) is None
