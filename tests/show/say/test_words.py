"""What is said of a mode: its note, how sure, and what its flags mean."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest

from tapbatch.model.history import StageMode
from tapbatch.show.say import words


def test_a_mode_is_said_with_its_sign_and_digits(make_mode: Callable[..., StageMode]) -> None:
    # 18 cents below A#3 and 40 above A3 are 42 cents apart (practice of the trade).
    hz = 440.0 * 2 ** (-11 / 12 - 18 / 1200)
    assert words.note_text(make_mode("r1", hz, half_cents=0.4)) == "A#3 -18.0 c"
    assert words.note_text(make_mode("r1", hz * 2 ** (-42 / 1200), half_cents=2.4)) == "A3 +40.0 c"
    assert words.note_text(make_mode("r1", hz, half_cents=12.0)) == "A#3 -18 c"
    assert words.sure_text(make_mode("r1", hz, half_cents=0.004)) == "± 0.1 c"
    assert make_mode("r1", hz, half_cents=2.5).half_cents == pytest.approx(2.5)


def test_sureness_follows_interval_and_flags(make_mode: Callable[..., StageMode]) -> None:
    def sure(half_cents: float, *flags: str) -> str:
        return words.how_sure(make_mode("r1", 200.0, half_cents=half_cents, flags=flags), steady_cents=3.0)

    assert [sure(2.9), sure(3.1), sure(11.9), sure(12.1)] == ["sure", "fairly sure", "fairly sure", "unsure"]
    assert [sure(0.1, "one-setup"), sure(0.1, "hum")] == ["sure", "unsure"]
    assert sure(math.nan) == "unsure"


# The flags that the contract names, each of which is to be explained.
@pytest.mark.parametrize(
    "flag",
    ["string", "hum", "pair?", "not-exponential", "few-taps", "one-setup", "recordings-differ", "wide"],
)
def test_every_promised_flag_is_explained(flag: str) -> None:
    assert len(words.explain(flag)) > len(flag) + 20


def test_a_mode_is_said_at_the_pitch_of_playing_too(make_mode, make_stage) -> None:  # type: ignore[no-untyped-def]
    mode = replace(make_mode("r1", 194.0), playing_note="G3", playing_cents=-17.81)
    stage = replace(make_stage("top", "free", "s", 1, [mode]), playing_pitch_hz=440.0)
    assert words.playing_text(mode, stage) == "G3 -17.8 c at 440 Hz"
    assert words.playing_text(make_mode("r1", 194.0), stage) == ""


def test_how_sure_is_that_of_a_new_set_up_where_it_is_known(make_mode) -> None:  # type: ignore[no-untyped-def]
    mode = make_mode("r1", 194.0)
    low_hz, high_hz = 194.0 * 2 ** (-6 / 1200), 194.0 * 2 ** (6 / 1200)
    anew = replace(mode, freq_anew_low_hz=low_hz, freq_anew_high_hz=high_hz)
    assert words.sure_cents(mode) == mode.half_cents
    assert (words.sure_cents(anew), anew.half_cents) == (pytest.approx(6.0), mode.half_cents)
    assert words.sure_in_full(anew) == f"± 6 c ({words.untouched_text(mode)} if left untouched)"
