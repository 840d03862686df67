"""What is left, in words: which way, how far, the next such cut with its chance, or the reason why none is said."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tapbatch.compare.cuts import Work
from tapbatch.model.history import Landing, NoForecast
from tapbatch.show.say.left import left_text, next_text, no_target_text
from tests.compare.builds import stage_mode

# The figures of the example that the three lines were designed by.
FAR = Landing(
    part="body",
    mode="air",
    stage="s",
    freq_hz=189.1,
    note="F#3",
    cents=38.0,
    landing="target",
    landing_note="A3",
    landing_hz=220.0,
    cents_to_go=262.0,
    tolerance_cents=3.0,
    on_target="no",
    taps_within=0,
    taps=5,
    step_cents=21.0,
    step_low_cents=14.0,
    step_high_cents=28.0,
    steps_seen=5,
    steps_to_go=12.5,
    overshoot=0.004,
    basis="",
)
UNKNOWN = replace(
    FAR,
    step_cents=None,
    step_low_cents=None,
    step_high_cents=None,
    steps_to_go=None,
    overshoot=None,
    steps_seen=1,
    no_forecast="few steps",
)
MODE = replace(stage_mode(189.1, name="air"), freq_low_hz=188.4, freq_high_hz=189.8)  # 6.4 cents either side


def left(landing: Landing, work: Work = "cut", *, risky: bool = False) -> str:
    return left_text(landing, MODE, work=work, risky=risky)


def test_the_line_as_it_was_designed() -> None:
    assert (
        left(FAR)
        == "to target A3: 262 c to rise; next such cut +21 c (+14 to +28), under 1 % chance to overshoot by 3 c"
    )


def test_down_is_to_fall() -> None:
    assert left(replace(FAR, cents_to_go=-262.0)).startswith("to target A3: 262 c to fall; ")


def test_a_place_that_moves_is_said_to() -> None:
    assert left(replace(FAR, moves_with="top")).startswith(
        "to target A3: 262 c to rise (moves with top); next such cut"
    )
    assert "moves with" not in left(replace(UNKNOWN, moves_with="top"))


def test_other_work_is_a_step_and_no_cut() -> None:
    assert "cut" not in left(FAR, "other").replace("no cut", "")
    assert "next such step +21 c" in left(FAR, "other")


@pytest.mark.parametrize(
    ("work", "why"),
    [
        ("cut", "no forecast yet: 3 such cuts are needed, 1 so far"),
        ("other", "no forecast, no cut led here"),
        ("unknown", "no forecast, the notes do not name the work"),
    ],
)
def test_what_is_not_known_says_why_in_the_same_place(work: Work, why: str) -> None:
    assert left(UNKNOWN, work) == f"to target A3: 262 c to rise; {why}"


@pytest.mark.parametrize("reason", ["on target", "strung", "points", "away", "beyond", "past"])
def test_every_reason_has_words(reason: NoForecast) -> None:
    text = next_text(replace(UNKNOWN, no_forecast=reason), work="cut")
    assert text
    assert "such cuts are needed" not in text


def test_a_fault_in_the_reading_is_named() -> None:
    assert next_text(replace(UNKNOWN, no_forecast="fault", faults=("recordings-differ",)), work="cut").endswith(
        ": recordings differ"
    )


def test_past_it_is_not_said_to_be_far_from_it() -> None:
    text = left(replace(FAR, cents_to_go=-12.0, no_forecast="past", work_way="up", overshoot=None))
    assert text == "past target A3 by 12 c; next such cut +21 c (+14 to +28), this work raises it further"


def test_on_it_says_how_sure_and_the_chance_to_leave_it() -> None:
    on = replace(FAR, cents_to_go=1.2, on_target="sure", overshoot=0.17)
    assert left(on).startswith("on target A3, surely: 1 c to rise; ")
    assert left(on).endswith("17 % chance to leave it")


def test_a_risky_cut_comes_with_its_remedy() -> None:
    assert left(replace(FAR, overshoot=0.34), risky=True).endswith("34 % chance to overshoot by 3 c: take off less")


def test_without_a_target_both_notes_are_named_from_below() -> None:
    above = replace(UNKNOWN, landing="above", landing_note="G3", cents_to_go=62.0)
    below = replace(UNKNOWN, landing="below", landing_note="F#3", cents_to_go=-38.0)
    text = no_target_text([above, below], MODE, work="cut")
    assert text.startswith("no target set: down to F#3 38 c, up to G3 62 c; ")
    assert no_target_text([], MODE, work="cut") == ""
