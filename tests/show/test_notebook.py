"""The drift that a notebook draws: what stands on its axes is what stands in the table."""

from __future__ import annotations

import pandas as pd
import pytest
from matplotlib.figure import Figure

from tapbatch.show.notebook import plot_drift


@pytest.fixture
def drift() -> pd.DataFrame:
    rows = [
        ("lute-5", "top", "r1", "01-joined", float("nan"), float("nan"), float("nan"), "new"),
        ("lute-5", "top", "r1", "02-thinned", -42.0, -44.0, -39.0, "down"),
        ("lute-5", "top", "r1", "03-barred", 1.0, -6.0, 9.0, "unclear"),
        ("lute-5", "back", "r1", "02-thinned", -8.0, -9.0, -7.0, "down"),
        ("lute-5", "top", "r2", "02-thinned", 5.0, 4.0, 6.0, "up"),
    ]
    columns = ["instrument", "part", "mode", "to_stage", "freq_change_cents", "cents_low", "cents_high", "verdict"]
    return pd.DataFrame(rows, columns=columns)


def test_dots_bars_and_names_are_those_of_the_table(drift: pd.DataFrame) -> None:
    axes = plot_drift(drift, "r1", part="top")
    dots = [bars.lines[0] for bars in axes.containers]
    assert [dot.get_ydata().tolist() for dot in dots] == [[-42.0], [1.0]]
    spans = [bars.lines[2][0].get_segments()[0][:, 1].tolist() for bars in axes.containers]
    assert spans == [[-44.0, -39.0], [-6.0, 9.0]]
    assert [label.get_text() for label in axes.get_xticklabels()] == ["02-thinned", "03-barred"]
    assert axes.get_title() == "lute-5, top, r1"
    assert [text.get_text() for text in axes.texts] == ["-42", "?"]
    # what cannot tell is hollow
    assert [dot.get_markerfacecolor() for dot in dots] == ["black", "white"]


def test_it_draws_where_it_is_told(drift: pd.DataFrame) -> None:
    axes = Figure().add_subplot()
    assert plot_drift(drift, "r2", axes=axes) is axes
    assert len(axes.containers) == 1


def test_a_name_is_never_a_formula(drift: pd.DataFrame) -> None:
    axes = plot_drift(drift.assign(to_stage="$\\frac", part="$x_1$"), "r2")
    axes.figure.draw_without_rendering()
    assert axes.get_title() == "lute-5, $x_1$, r2"
    assert not any(text.get_parse_math() for text in (axes.title, *axes.get_xticklabels()))


@pytest.mark.parametrize(("mode", "found"), [("r1", "lute-5/top, lute-5/back"), ("air", "none")])
def test_what_is_no_one_mode_is_refused(drift: pd.DataFrame, mode: str, found: str) -> None:
    with pytest.raises(ValueError, match=rf"\b{found}$"):
        plot_drift(drift, mode)
