"""The drawing of what a wider opening would do: every mark lies where its values say."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tapbatch.show.draw.chart import SCREEN, Look
from tapbatch.show.draw.what_if import slide_chart
from tests.show.slides import A_MM, ACROSS, slide_of_air

LOOKS = (SCREEN, Look(width_mm=178.0))


def marks(look: Look, known: int = len(ACROSS)) -> dict[str, np.ndarray]:
    drawing = slide_chart(slide_of_air(known), look)
    return {mark.name: np.concatenate(mark.pieces) for mark in drawing.chart.marks if mark.name}


@pytest.mark.parametrize("look", LOOKS)
def test_the_line_goes_on_from_the_last_dot(look: Look) -> None:
    found = marks(look)
    assert found["would rest air"][0] == pytest.approx(found["stages air"][-1])


@pytest.mark.parametrize("look", LOOKS)
def test_cents_are_heights_and_openings_are_widths(look: Look) -> None:
    found = marks(look)
    line, dots = found["would rest air"], found["stages air"]
    # Two millimetres of opening, 40 cents: the same on either side of now.
    assert line[2] - line[0] == pytest.approx(dots[2] - dots[0])
    a_cent = (line[0][1] - line[1][1]) / A_MM
    # The target is 40 cents above where the air is now.
    assert line[0][1] - found["target air A3"][0][1] == pytest.approx(40.0 * a_cent)


@pytest.mark.parametrize("look", LOOKS)
def test_the_band_is_as_wide_as_the_interval(look: Look) -> None:
    drawing = slide_chart(slide_of_air(), look)
    (band,) = [mark for mark in drawing.chart.marks if mark.role == "tolerance"]
    outline = band.pieces[0]
    low, high = outline[: len(ACROSS), 1], outline[len(ACROSS) :, 1][::-1]
    a_cent = drawing.panel.height_mm / (drawing.panel.y_high - drawing.panel.y_low)
    assert low - high == pytest.approx([10.0 * (n + 1) * a_cent for n in range(len(ACROSS))])


def test_what_nobody_can_say_is_not_drawn() -> None:
    assert len(marks(SCREEN, known=3)["would rest air"]) == 3


def test_only_modes_that_matter_are_drawn_and_all_words_fit() -> None:
    drawing = slide_chart(slide_of_air(), SCREEN)
    assert not any("top" in mark.name for mark in drawing.chart.marks)
    assert all(0.0 <= word.x_mm <= drawing.chart.width_mm for word in drawing.chart.words)
    assert all(0.0 <= word.y_mm <= drawing.chart.height_mm for word in drawing.chart.words)
    assert "air A3 +40 c" in drawing.chart.description
    assert math.isfinite(drawing.chart.height_mm)
