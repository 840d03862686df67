"""Every chart, for paper and for a telephone: words within its edges, none on another, a mark for each reading."""

from __future__ import annotations

import re
from collections.abc import Callable

import numpy as np
import pytest

from tapbatch.model.history import History
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.draw.chart import SCREEN, Chart, Look
from tapbatch.show.draw.drift import drift_chart
from tapbatch.show.draw.marks import ROLES
from tapbatch.show.view.stages import chart_modes
from tests.show.draw.boxes import box_of, clashes
from tests.show.draw.every_chart import charts_of

SETTINGS = InstrumentSettings()
A4 = Look(width_mm=178.0, room_mm=226.0)


def points_of(chart: Chart) -> np.ndarray:
    """All points of all marks, in mm, of shape (n, 2)."""
    return np.concatenate([np.zeros((0, 2)), *(piece for mark in chart.marks for piece in mark.pieces)])


@pytest.mark.parametrize("look", [A4, SCREEN], ids=["paper", "screen"])
def test_marks_and_words_stay_within_the_chart(any_history: History, look: Look) -> None:
    for name, chart in charts_of(any_history, SETTINGS, look):
        points = points_of(chart)
        assert np.isfinite(points).all(), name
        assert chart.height_mm < look.room_mm + 0.01, name
        for low, high, most in zip(
            points.min(axis=0), points.max(axis=0), (look.width_mm, chart.height_mm), strict=True
        ):
            assert -0.01 <= low <= high <= most + 0.01, name
        for word in chart.words:
            left, top, right, bottom = box_of(word)
            assert min(left, top) > -0.3, (name, word.text)
            assert right < look.width_mm + 0.3, (name, word.text)
            assert bottom < chart.height_mm + 0.3, (name, word.text)


@pytest.mark.parametrize("look", [A4, SCREEN], ids=["paper", "screen"])
def test_no_word_lies_on_another(any_history: History, look: Look) -> None:
    for name, chart in charts_of(any_history, SETTINGS, look):
        assert clashes(chart.words) == [], name


@pytest.mark.parametrize("look", [A4, SCREEN], ids=["paper", "screen"])
def test_every_mark_has_a_role_and_every_chart_a_sentence(any_history: History, look: Look) -> None:
    for name, chart in charts_of(any_history, SETTINGS, look):
        assert {mark.role for mark in chart.marks} | {word.role for word in chart.words} <= set(ROLES)
        assert "nan" not in re.findall("[a-z]+", chart.description), name


@pytest.mark.parametrize("name", ["whole", "many modes", "unknowns"])
@pytest.mark.parametrize("look", [A4, SCREEN], ids=["paper", "screen"])
def test_a_drift_has_a_dot_for_every_reading(
    histories: dict[str, Callable[[], History]], name: str, look: Look
) -> None:
    history = histories[name]()
    for part in history.parts:
        stages = history.of_part(part)
        for mode in chart_modes(stages):
            chart = drift_chart(history, stages, [mode], InstrumentSettings(), look)
            dots = sum(len(mark.pieces[0]) for mark in chart.marks if mark.shape == "dots")
            assert dots == sum(mode in [m.mode for m in stage.modes] for stage in stages)


def test_letters_on_a_telephone_are_eleven_pixels(whole: History) -> None:
    """A pixel of CSS is 1/96 inch and a point 1/72 (CSS Values and Units, level 4, 6.2)."""
    for _, chart in charts_of(whole, SETTINGS, SCREEN):
        assert {word.size_pt / 72 * 96 for word in chart.words} == {11.0}
