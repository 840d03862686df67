"""What is said of a reading, against published roundings and the promised words."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import replace
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.model.caution import Caution
from tapbatch.model.history import Drift, Extent, Moved, StageMode, Verdict
from tapbatch.show.say import words
from tapbatch.show.tables.columns import SCHEMA, cell_text


@pytest.mark.parametrize(
    ("value", "uncertainty", "said"),
    [
        # Review of Particle Physics, Introduction, "Rounding": the two examples it prints.
        (0.827, 0.119, ("0.83", "0.12")),
        (0.827, 0.367, ("0.8", "0.4")),
        # Its rule at the edges: 354 keeps two digits, 355 one, 949 one, 950 is rounded up to 1000 and keeps two.
        (1.23456, 0.00354, ("1.2346", "0.0035")),
        (1.23456, 0.00355, ("1.235", "0.004")),
        (1.23456, 0.00949, ("1.235", "0.009")),
        (1.23456, 0.00950, ("1.235", "0.010")),
        # JCGM 100:2008, 7.2.6: "if y = 10,057 62 ohm with u = 27 milliohm, y should be rounded to 10,058 ohm".
        (10.05762, 0.027, ("10.058", "0.027")),
        (1234.0, 42.0, ("1230", "40")),
    ],
)
def test_rounding_is_the_published_one(value: float, uncertainty: float, said: tuple[str, str]) -> None:
    assert words.value_and_half_width(value, uncertainty) == said


@given(st.floats(-1e4, 1e4), st.floats(1e-6, 1e3))
def test_rounding_moves_a_value_by_less_than_its_uncertainty(value: float, uncertainty: float) -> None:
    shown_value, shown_half = (float(text) for text in words.value_and_half_width(value, uncertainty))
    # One digit of 355 or more: half a unit is at most 0.5/3.55 of it; two digits are finer.
    assert abs(shown_value - value) <= uncertainty * 0.5 / 3.55 + 1e-9
    assert abs(shown_half - uncertainty) <= uncertainty * 0.5 / 3.55 + 1e-9


@pytest.mark.parametrize("half", [math.nan, math.inf, 0.0, -1.0])
def test_an_uncertainty_that_says_nothing_is_left_out(half: float) -> None:
    assert words.value_and_half_width(12.3456, half) == ("12.35", "")
    with pytest.raises(ValueError, match="above zero"):
        words.leading_decimals(half)


def test_a_mode_is_said_with_its_sign_and_digits(make_mode: Callable[..., StageMode]) -> None:
    # 18 cents below A#3 and 40 above A3 are 42 cents apart (practice of the trade).
    hz = 440.0 * 2 ** (-11 / 12 - 18 / 1200)
    assert words.note_text(make_mode("r1", hz, half_cents=0.4)) == "A#3 -18.0 c"
    assert words.note_text(make_mode("r1", hz * 2 ** (-42 / 1200), half_cents=2.4)) == "A3 +40.0 c"
    assert words.note_text(make_mode("r1", hz, half_cents=12.0)) == "A#3 -18 c"
    assert words.sure_text(make_mode("r1", hz, half_cents=0.004)) == "± 0.1 c"
    assert words.half_cents(make_mode("r1", hz, half_cents=2.5)) == pytest.approx(2.5)


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


def test_every_verdict_has_words() -> None:
    verdicts = get_args(Verdict)
    assert set(words.VERDICTS) == set(verdicts)


def drift(
    verdict: Verdict,
    cents: float | None,
    half: float = 0.9,
    pct: float | None = None,
    wide: float = 4,
    moved: Moved = "whole",
) -> Drift:
    return Drift(
        part="top",
        mode="r1",
        from_stage="a",
        to_stage="b",
        freq_change_hz=cents,
        freq_change_cents=cents,
        cents_low=None if cents is None else cents - half,
        cents_high=None if cents is None else cents + half,
        t60_change_pct=pct,
        t60_low_pct=None if pct is None else pct - wide,
        t60_high_pct=None if pct is None else pct + wide,
        verdict=verdict,
        moved="" if cents is None else moved,
        extent=None if cents is None else Extent(cents, cents - half, cents + half),
    )


def test_moves_are_said_with_their_intervals() -> None:
    assert words.moved_text(drift("down", -42.13)) == "down 42.1 c (-43.0 to -41.2)"
    assert words.moved_text(drift("steady", 0.04)) == "stood still beside the others, +0.0 c (-0.9 to +0.9)"
    assert words.moved_text(drift("gone", None)) == "no longer heard"
    assert words.moved_text(drift("up?", 6.2, moved="own")) == "probably up 6.2 c (+5.3 to +7.1), beside the others"
    assert words.moved_text(drift("down", -20.0, 5.0, moved="all")) == "down 20 c (-25 to -15), like the others"
    assert words.moved_cell(drift("up", 42.13)) == "up 42.1 c"
    assert words.moved_cell(drift("down?", -6.2)) == "down 6.2 c ?"
    assert words.moved_cell(drift("unclear", 4.0, 20.0)) == "cannot tell"


def test_a_move_is_said_as_far_as_the_verdict_means() -> None:
    beside = replace(drift("up", 2.0, 6.0, moved="own"), extent=Extent(8.0, 6.5, 9.5))
    assert words.moved_text(beside) == "up 8.0 c (+6.5 to +9.5), beside the others, as read +2 c"
    assert words.moved_cell(beside) == "up 8.0 c"


@given(st.floats(1e-6, 30.0), st.floats(1e-3, 30.0), st.sampled_from([1.0, -1.0]))
def test_no_interval_without_zero_is_printed_with_it(least: float, wide: float, sign: float) -> None:
    low, high = sorted((sign * least, sign * (least + wide)))
    row = replace(drift("up" if sign > 0 else "down", 0.0), extent=Extent((low + high) / 2, low, high))
    bounds = re.findall(r"[-+][\d.]+(?= to)|(?<=to )[-+][\d.]+", words.moved_text(row))
    assert len(bounds) == 2
    assert all(float(bound) * sign > 0 for bound in bounds)
    tabled = {"own_cents": (low + high) / 2, "own_low_cents": low, "own_high_cents": high}
    written = [cell_text(column, tabled) for column in SCHEMA["drift"] if column.name in tabled]
    assert all(float(bound) * sign > 0 for bound in written)


def test_ringing_is_said_against_what_is_just_noticed() -> None:
    """ISO 3382-1:2009, Table A.1: 5 % of a decay is just noticed."""
    assert words.rings_text(drift("up", 5.0, pct=12.0)) == "longer by 12 % (+8 to +16)"
    assert words.rings_text(drift("up", 5.0, pct=-12.0)) == "shorter by 12 % (-16 to -8)"
    assert words.rings_text(drift("up", 5.0, pct=0.5)) == "as long as before, +0 % (-4 to +4)"
    assert words.rings_text(drift("up", 5.0, pct=2.5)).startswith("cannot tell")
    assert words.rings_text(drift("new", None)) == ""


DAYS = Caution("days", days=3)
HUMIDITY = Caution("humidity", before_pct=40.0, after_pct=47.0)


@pytest.mark.parametrize(
    ("cautions", "limit"),
    [
        ((DAYS, Caution("state", before=("closed",), after=("strung",))), "state closed, then strung"),
        ((Caution("points", before=("edge",), after=("bridge",)),), "no point in common"),
        ((HUMIDITY, Caution("points")), "no point in common"),
        ((Caution("one tap"),), "one tap at one of the stages"),
        ((DAYS, Caution("identity")), "may be a neighbour"),
        ((DAYS, HUMIDITY), ""),
    ],
)
def test_what_forbids_a_verdict_on_ringing_forbids_it_everywhere(cautions: tuple[Caution, ...], limit: str) -> None:
    """As compare and the page before and after have it: another state, no common point, a lone tap."""
    changed = replace(drift("up", 5.0, pct=-12.0), cautions=cautions)
    assert words.rings_limit(changed) == limit
    text = "no verdict, -12 % (-16 to -8)" if limit else "shorter by 12 % (-16 to -8)"
    assert words.rings_text(changed) == text


def test_a_mode_is_said_at_the_pitch_of_playing_too(make_mode, make_stage) -> None:  # type: ignore[no-untyped-def]
    mode = replace(make_mode("r1", 194.0), playing_note="G3", playing_cents=-17.81)
    stage = replace(make_stage("top", "free", "s", 1, [mode]), playing_pitch_hz=440.0)
    assert words.playing_text(mode, stage) == "G3 -17.8 c at 440 Hz"
    assert words.playing_text(make_mode("r1", 194.0), stage) == ""


def test_what_is_open_says_what_would_tell() -> None:
    for verdict in ("unclear", "up?", "down?"):
        is_open = drift(verdict, 1.0)  # type: ignore[arg-type]
        assert words.more_taps_text(replace(is_open, more_taps=5)) == "about 5 more taps would tell"
        assert words.more_taps_text(replace(is_open, more_taps=1)) == "about 1 more tap would tell"
        assert words.more_taps_text(replace(is_open, more_setups=1)) == "about 1 more set-up would tell"
        assert words.more_taps_text(replace(is_open, more_taps=5, more_setups=2)) == "about 5 more taps would tell"
        assert words.more_taps_text(is_open) == "more taps or set-ups are not likely to tell"
    assert words.more_text(replace(drift("unclear", 1.0), more_setups=1)) == "1 set-up"
    assert words.more_taps_text(drift("up", 5.0)) == ""
    assert words.more_taps_text(drift("gone", None)) == ""


def test_the_whole_way_is_said_beside_the_last_step() -> None:
    way = replace(
        drift("up", 5.0), first_stage="00", first_change_cents=34.14, first_cents_low=33.02, first_cents_high=35.24,
        first_verdict="up", first_extent=Extent(34.14, 33.02, 35.24),
    )  # fmt: skip
    assert words.since_first_text(way, "00-closed") == "up 34.1 c (+33.0 to +35.2) since 00-closed"
    assert words.since_first_text(replace(way, first_stage=way.from_stage), "00-closed") == ""
    assert words.since_first_text(drift("up", 5.0), "") == ""


def test_how_sure_is_that_of_a_new_set_up_where_it_is_known(make_mode) -> None:  # type: ignore[no-untyped-def]
    mode = make_mode("r1", 194.0)
    low_hz, high_hz = 194.0 * 2 ** (-6 / 1200), 194.0 * 2 ** (6 / 1200)
    anew = replace(mode, freq_anew_low_hz=low_hz, freq_anew_high_hz=high_hz)
    assert words.sure_cents(mode) == words.half_cents(mode)
    assert (words.sure_cents(anew), words.half_cents(anew)) == (pytest.approx(6.0), words.half_cents(mode))
    assert words.sure_in_full(anew) == f"± 6 c (untouched {words.untouched_text(mode)})"
