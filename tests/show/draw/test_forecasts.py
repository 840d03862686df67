"""How forecasts came out, drawn: where each dot lies, what is said, and nothing with fewer than ten."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tapbatch.model.forecast import ForecastCame, kept_of
from tapbatch.model.history import History
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.browser.figures import forecasts_figure
from tapbatch.show.browser.page import index_bytes
from tapbatch.show.draw.chart import SCREEN, Look
from tapbatch.show.draw.forecasts import FARTHEST, HEIGHT_MM, forecasts_chart
from tapbatch.show.pdf.report import CAME, SETTLE, report_sheets
from tests.show.browser.parsed import parse

FELL = ForecastCame(
    part="body", mode="air", stage="step 5", work="voicing", step_cents=10.0, step_low_cents=6.0,
    step_high_cents=14.0, overshoot=0.1, came_cents=11.0, came_over=False, basis="4 steps of step series voicing",
)  # fmt: skip
MISSED = replace(FELL, came_cents=30.0, came_over=True)
TWENTY = [FELL] * 18 + [MISSED, replace(FELL, came_cents=4.0)]


@pytest.mark.parametrize("look", [SCREEN, Look(width_mm=178.0)])
def test_dots_lie_in_the_band_where_the_forecast_held(look: Look) -> None:
    chart = forecasts_chart(TWENTY, look)
    assert chart is not None
    (dots,) = (mark.pieces[0] for mark in chart.marks if mark.name == "steps")
    assert np.all(np.diff(dots[:, 0]) > 0)
    # The middle is at half the height; a quarter of the way to the upper end of the interval is a tenth of it.
    middle = 1.0 + HEIGHT_MM / 2
    one = HEIGHT_MM / (2 * FARTHEST)
    assert dots[0, 1] == pytest.approx(middle - 0.25 * one)
    assert dots[18, 1] == pytest.approx(1.0)
    assert dots[19, 1] == pytest.approx(middle + 1.5 * one)
    (bars,) = (mark.pieces for mark in chart.marks if mark.name == "outside")
    assert len(bars) == 2
    assert chart.description.startswith("18 of 20 cuts came out as forecast")
    assert all(0.0 <= word.x_mm <= look.width_mm for word in chart.words)


def test_with_fewer_than_ten_it_says_so_and_no_more() -> None:
    few = TWENTY[:9]
    assert forecasts_chart(few, SCREEN) is None
    page = parse(str(forecasts_figure(few)))
    assert "9 cuts had a forecast so far; 10 are needed" in page.text
    assert not list(page.all("svg"))
    assert not str(forecasts_figure([]))


def test_the_list_of_instruments_says_so_across_its_width() -> None:
    told = parse(index_bytes([], (), TWENTY[:9]).decode()).one("section", id="forecasts")
    assert "9 cuts had a forecast so far; 10 are needed" in told.text
    assert not list(told.all("figure"))  # its column would be a third of the page


def test_page_and_report_say_the_same(whole: History) -> None:
    history = replace(whole, forecasts=tuple(TWENTY))
    index = parse(index_bytes([], (), TWENTY).decode())
    told = index.one("section", id="forecasts").text
    assert "18 of 20 cuts came out as forecast" in told
    assert "1 overshot; by the chances, 2.0 should have" in told
    assert not list(parse(index_bytes([], ()).decode()).all("section", id="forecasts"))
    sheets = [sheet.finished() for sheet in report_sheets(history, InstrumentSettings()) if sheet.title == SETTLE]
    words = " ".join(word.text for sheet in sheets for word in sheet.words)
    assert "18 of 20 cuts came out as forecast" in words
    assert CAME in words
    few = replace(whole, forecasts=(FELL,))
    sheets = [sheet.finished() for sheet in report_sheets(few, InstrumentSettings()) if sheet.title == SETTLE]
    words = " ".join(word.text for sheet in sheets for word in sheet.words)
    assert "1 cut had a forecast so far" in words
    assert CAME not in words  # one line below the last chart, not a block that may stand on a page by itself


def test_counts() -> None:
    kept = kept_of(TWENTY)
    assert (kept.count, kept.within, kept.passed) == (20, 18, 1)
    assert kept.said == pytest.approx(2.0)
