"""Scales that several charts share."""

from __future__ import annotations

import pytest

from tapbatch.show.draw.chart import Chart, Look, Panel
from tapbatch.show.draw.over_stages import draw_about_zero
from tests.show.draw.boxes import clashes


@pytest.mark.parametrize("reach", [9.0, 22.0, 31.0, 48.0, 140.0])
@pytest.mark.parametrize("width_mm", [27.0, 40.0, 90.0])
def test_figures_of_a_scale_about_zero_do_not_touch(reach: float, width_mm: float) -> None:
    for look in (Look(width_mm=170.0), Look(width_mm=88.0)):
        chart = Chart(look)
        draw_about_zero(chart, Panel(0.0, 5.0, width_mm, 40.0, x_low=-reach, x_high=reach), 5.0, "%", "0")
        assert clashes(chart.words) == []
        figures = [word.text for word in chart.words]
        assert "0" in figures
        assert len(figures) >= 3  # one to either side at least
