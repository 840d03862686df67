"""How far still, in words: which landing is said, and how."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import pytest

from tapbatch.model.history import History, Landing, NoForecast
from tapbatch.show.say.landings import (
    chance_text,
    next_parts,
    no_forecast_cell,
    no_forecast_text,
    sure_text,
    to_go_text,
    way_parts,
)
from tapbatch.show.tables.rows import history_to_tables
from tapbatch.show.terminal.told import history_lines
from tapbatch.show.view.landings import chosen_landings

UP = Landing(
    part="body", mode="air", stage="s", freq_hz=176.0, note="F3", cents=13.7, landing="above", landing_note="F#3",
    landing_hz=185.0, cents_to_go=86.3, tolerance_cents=3.0, on_target="no", taps_within=0, taps=5, step_cents=None,
    step_low_cents=None, step_high_cents=None, steps_seen=1, steps_to_go=None, overshoot=None, basis="1 step",
    no_forecast="few steps",
)  # fmt: skip
DOWN = replace(UP, landing="below", landing_note="F3", landing_hz=174.6, cents_to_go=-13.7)
KNOWN = replace(
    UP, step_cents=10.0, step_low_cents=6.0, step_high_cents=14.0, steps_to_go=8.6, overshoot=0.0001, no_forecast="",
    work_way="up",
)  # fmt: skip


def _history(*landings: Landing) -> History:
    return History(instrument="c", instrument_shown="C", stages=(), drifts=(), landings=landings)


def test_with_steps_the_note_they_lead_to_is_said_though_the_other_is_nearer() -> None:
    away = replace(DOWN, step_cents=10.0, step_low_cents=6.0, step_high_cents=14.0, overshoot=0.0)
    assert chosen_landings(_history(KNOWN, away), "body") == (KNOWN,)
    assert way_parts(KNOWN, work="cut") == ["next such cut +10 c (+6 to +14)", "about 9 cuts"]


def test_where_there_is_a_target_nothing_else_is_said() -> None:
    target = replace(KNOWN, landing="target", landing_note="F#3-10", cents_to_go=76.3)
    assert chosen_landings(_history(target, KNOWN, DOWN), "body") == (target,)


@pytest.mark.parametrize(
    ("overshoot", "to_go", "said"),
    [
        (0.0, 86.3, "under 1 % chance to overshoot by 3 c"),
        (0.174, 86.3, "17 % chance to overshoot by 3 c"),
        (1.0, -2.5, "over 99 % chance to leave it"),
    ],
)
def test_a_chance_is_never_none_nor_certain(overshoot: float, to_go: float, said: str) -> None:
    assert chance_text(replace(KNOWN, overshoot=overshoot, cents_to_go=to_go)) == said


def test_what_is_there_is_said_to_be() -> None:
    assert to_go_text(replace(UP, on_target="sure", cents_to_go=-1.2)) == "there, surely (-1.2 c)"
    assert to_go_text(replace(UP, on_target="likely", cents_to_go=2.4)) == "there, likely (+2.4 c)"


WHY: dict[NoForecast, tuple[str, str]] = {
    "on target": ("more of this work would only move it away again", "on target"),
    "strung": ("no forecast under string tension", "under string tension"),
    "fault": ("no forecast while this stands: recordings differ, method", "recordings differ, method"),
    "few steps": ("no forecast yet: 3 such cuts are needed, 1 so far", "1 of 3 similar steps so far"),
    "both ways": ("no forecast: earlier ones went both ways", "earlier ones went both ways"),
    "points": ("no forecast: no point in common", "no point in common"),
    "past": ("this work raises it further", "past it"),
    "away": ("this work raises it, away from there", "leads away"),
    "beyond": ("farther than these steps can tell", "too far to tell"),
}


@pytest.mark.parametrize("kind", get_args(NoForecast))
def test_every_reason_has_words_and_a_cell(kind: NoForecast) -> None:
    landing = replace(
        UP, no_forecast=kind, faults=("recordings-differ", "method") if kind == "fault" else (), work_way="up"
    )
    assert next_parts(landing, work="cut") == ("", WHY[kind][0])
    assert no_forecast_cell(landing) == WHY[kind][1]
    assert way_parts(landing, work="cut") == [WHY[kind][0]]
    (row,) = history_to_tables(_history(landing))["targets"]
    assert (row["no_forecast"], row["faults"]) == (kind, "recordings-differ;method" if kind == "fault" else "")


def test_before_the_first_cut_the_forecast_is_of_the_first() -> None:
    first = replace(KNOWN, steps_seen=0)
    assert next_parts(first, work="other") == ("first cut +10 c (+6 to +14)", "")
    assert next_parts(KNOWN, work="other")[0] == "next such step +10 c (+6 to +14)"


def test_past_the_target_it_says_so_and_which_way_the_work_goes() -> None:
    past = replace(KNOWN, landing="target", landing_note="F3-20", cents_to_go=-12.0, no_forecast="past")
    past = replace(past, steps_to_go=None, overshoot=None)
    assert to_go_text(past) == "past it by 12.0 c"
    assert way_parts(past, work="cut") == ["this work raises it further", "next such cut +10 c (+6 to +14)"]
    lowered = replace(past, cents_to_go=12.0, work_way="down")
    assert (to_go_text(lowered), no_forecast_text(lowered)) == ("past it by 12.0 c", "this work lowers it further")
    early = replace(past, work_way="", step_cents=None)
    assert way_parts(early, work="cut") == ["this work carried it past"]
    assert no_forecast_text(replace(past, moves_with="main")) == "this work leads farther off"


def test_what_would_make_it_sure_is_said_of_what_reads_on_the_landing() -> None:
    near = replace(UP, landing="target", cents_to_go=1.2, on_target="likely", no_forecast="on target")
    assert sure_text(replace(near, taps_to_sure=4)) == "about 4 more taps would make it sure"
    assert sure_text(replace(near, taps_to_sure=1)) == "about 1 more tap would make it sure"
    assert sure_text(near) == "more taps are not likely to make it sure"
    assert sure_text(replace(near, on_target="no", taps_to_sure=12)) == "about 12 more taps would make it sure"
    assert sure_text(replace(near, on_target="sure")) == ""
    assert sure_text(replace(near, on_target="no", cents_to_go=3.4)) == ""
    assert sure_text(replace(near, taps=2)) == ""
    assert way_parts(replace(near, taps_to_sure=4), work="cut") == [
        "about 4 more taps would make it sure",
        "more of this work would only move it away again",
    ]


def test_the_row_has_the_units_of_its_columns() -> None:
    (row,) = history_to_tables(_history(replace(KNOWN, overshoot=0.174, taps_within=4)))["targets"]
    assert (row["overshoot_pct"], row["taps_within"]) == (pytest.approx(17.4), "4/5")


def test_no_landing_no_line() -> None:
    assert history_lines(_history(UP)) == []
