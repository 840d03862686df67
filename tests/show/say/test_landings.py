"""How far still, in words: which landing is said, and how."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tapbatch.model.history import History, Landing
from tapbatch.show.say.landings import chance_text, landing_line, to_go_text
from tapbatch.show.tables.rows import history_to_tables
from tapbatch.show.terminal.told import history_lines
from tapbatch.show.view.landings import chosen_landings, landing_lines

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


def test_without_a_target_and_steps_both_ways_are_said() -> None:
    (line,) = landing_lines(_history(UP, DOWN), "body")
    assert line.startswith("air: F3 13.7 c down, F#3 86.3 c up; ")
    assert line.endswith("1 of 3 similar steps so far")


def test_a_place_that_moves_is_said_to() -> None:
    moving = replace(KNOWN, landing="target", landing_note="C4+37", moves_with="top")
    assert landing_line(moving).startswith("air to target C4+37 (moves with top): 86.3 c up; one more step +10 c")


def test_with_steps_the_note_they_lead_to_is_said_though_the_other_is_nearer() -> None:
    away = replace(DOWN, step_cents=10.0, step_low_cents=6.0, step_high_cents=14.0, overshoot=0.0)
    assert chosen_landings(_history(KNOWN, away), "body") == (KNOWN,)
    assert landing_line(KNOWN).endswith("one more step +10 c (+6 to +14), about 8.6 steps, " + chance_text(KNOWN))


def test_every_target_is_said_and_nothing_else() -> None:
    target = replace(KNOWN, landing="target", landing_note="F#3-10", cents_to_go=76.3)
    assert [line.split(";")[0] for line in landing_lines(_history(target, KNOWN, DOWN), "body")] == [
        "air to target F#3-10: 76.3 c up"
    ]


@pytest.mark.parametrize(
    ("overshoot", "to_go", "said"),
    [
        (0.0, 86.3, "under 1 % chance that the next passes it"),
        (0.174, 86.3, "17 % chance that the next passes it"),
        (1.0, -2.5, "over 99 % chance that the next leaves it"),
    ],
)
def test_a_chance_is_never_none_nor_certain(overshoot: float, to_go: float, said: str) -> None:
    assert chance_text(replace(KNOWN, overshoot=overshoot, cents_to_go=to_go)) == said


def test_what_is_there_is_said_to_be() -> None:
    assert to_go_text(replace(UP, on_target="sure", cents_to_go=-1.2)) == "there, surely (-1.2 c)"
    assert to_go_text(replace(UP, on_target="likely", cents_to_go=2.4)) == "there, likely (+2.4 c)"


def test_the_row_has_the_units_of_its_columns() -> None:
    (row,) = history_to_tables(_history(replace(KNOWN, overshoot=0.174, taps_within=4)))["targets"]
    assert (row["overshoot_pct"], row["taps_within"]) == (pytest.approx(17.4), "4/5")


def test_no_landing_no_line() -> None:
    assert history_lines(_history(UP)) == []
