"""A planed board's fall is no riddle where planing was forecast to do it; where it was not, it stays one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from tapbatch.model.forecast import ForecastCame
from tapbatch.model.history import Drift, Extent, History
from tapbatch.show.view.answers import Limit, alike_limits
from tapbatch.show.view.tables import BESIDES, drift_table

OPEN = "set-up, weather or the cut"


def forecast(mode: str, came_cents: float, low_cents: float = -205.9, high_cents: float = -136.6) -> ForecastCame:
    return ForecastCame(
        part="blank", mode=mode, stage="02-planed", work="planing", step_cents=-171.2, step_low_cents=low_cents,
        step_high_cents=high_cents, overshoot=0.0, came_cents=came_cents, came_over=False,
        basis="from 4.20 to 3.80 mm",
    )  # fmt: skip


@pytest.fixture
def planed(histories: dict[str, Callable[[], History]]) -> History:
    """A board before and after it was planed, all of whose modes fell by 171 cents alike."""
    board = histories["board"]()
    (bought,) = board.stages
    after = replace(bought, stage="02-planed", stage_shown="02-planed", order=bought.order + 1)
    fell = Extent(-171.0, -177.0, -165.0)
    like = histories["whole"]().drifts[0]
    drift = replace(
        like, part="blank", mode="r2", from_stage=bought.stage, to_stage=after.stage, verdict="down", moved="own",
        extent=fell, common_cents=fell.cents, common_low_cents=fell.low, common_high_cents=fell.high, cautions=(),
    )  # fmt: skip
    return replace(board, stages=(bought, after), drifts=(drift,), forecasts=(forecast("along", -171.0),))


def _limit(history: History) -> Limit:
    drift: Drift = history.drifts[0]
    (limit,) = alike_limits(history, history.stages[-1], drift)
    return limit


def test_a_fall_that_planing_explains_is_no_limit(planed: History) -> None:
    limit = _limit(planed)
    assert not limit.heavy
    assert limit.full == "all fell 171 c (-177 to -165) alike: as forecast of planing from 4.20 to 3.80 mm"
    (cell,) = (row[BESIDES] for row in drift_table(planed, "blank").rows if row["mode"].text == "all modes")
    assert cell.light
    assert OPEN not in cell.text


@pytest.mark.parametrize(
    "forecasts",
    [
        (),
        (forecast("along", -171.0), forecast("twist", -120.0)),
        (forecast("along", -230.0, -260.0, -200.0),),
        (replace(forecast("along", -171.0), stage="03-planed"),),
    ],
    ids=["none", "one did not hold", "all fell less than that", "another planing"],
)
def test_a_fall_that_it_does_not_explain_stays_open(planed: History, forecasts: tuple[ForecastCame, ...]) -> None:
    limit = _limit(replace(planed, forecasts=forecasts))
    assert limit.heavy
    assert OPEN in limit.full


def test_a_forecast_of_another_way_explains_nothing(planed: History) -> None:
    bought, after = planed.stages
    between = replace(bought, stage="01-dried", stage_shown="01-dried")
    assert _limit(replace(planed, stages=(bought, between, after))).heavy
