"""What is said of a move: in the promised words, with its interval, and what would decide it."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.model.caution import Caution
from tapbatch.model.history import Drift, Extent, Moved, Verdict
from tapbatch.show.say import moves
from tapbatch.show.tables.columns import SCHEMA, cell_text


def test_every_verdict_has_words() -> None:
    verdicts = get_args(Verdict)
    assert set(moves.VERDICTS) == set(verdicts)


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
    assert moves.moved_text(drift("down", -42.13)) == "down 42.1 c (-43.0 to -41.2)"
    assert moves.moved_text(drift("steady", 0.04)) == "did not move by itself, +0.0 c (-0.9 to +0.9)"
    assert moves.moved_text(drift("gone", None)) == "no longer heard"
    assert moves.moved_text(drift("up?", 6.2, moved="own")) == "probably up 6.2 c (+5.3 to +7.1) by itself"
    assert moves.moved_text(drift("down", -20.0, 5.0, moved="all")) == "down 20 c (-25 to -15) along with the others"
    assert moves.moved_cell(drift("up", 42.13)) == "up 42.1 c"
    assert moves.moved_cell(drift("down?", -6.2)) == "down 6.2 c ?"
    assert moves.moved_cell(drift("unclear", 4.0, 20.0)) == "cannot tell"


def test_a_move_is_said_as_far_as_the_verdict_means() -> None:
    beside = replace(drift("up", 2.0, 6.0, moved="own"), extent=Extent(8.0, 6.5, 9.5))
    assert moves.moved_text(beside) == "up 8.0 c (+6.5 to +9.5) by itself, +2 c in all"
    assert moves.moved_cell(beside) == "up 8.0 c"


@given(st.floats(1e-6, 30.0), st.floats(1e-3, 30.0), st.sampled_from([1.0, -1.0]))
def test_no_interval_without_zero_is_printed_with_it(least: float, wide: float, sign: float) -> None:
    low, high = sorted((sign * least, sign * (least + wide)))
    row = replace(drift("up" if sign > 0 else "down", 0.0), extent=Extent((low + high) / 2, low, high))
    bounds = re.findall(r"[-+][\d.]+(?= to)|(?<=to )[-+][\d.]+", moves.moved_text(row))
    assert len(bounds) == 2
    assert all(float(bound) * sign > 0 for bound in bounds)
    tabled = {"own_cents": (low + high) / 2, "own_low_cents": low, "own_high_cents": high}
    written = [cell_text(column, tabled) for column in SCHEMA["drift"] if column.name in tabled]
    assert all(float(bound) * sign > 0 for bound in written)


def test_ringing_is_said_against_what_is_just_noticed() -> None:
    """ISO 3382-1:2009, Table A.1: 5 % of a decay is just noticed."""
    assert moves.rings_text(drift("up", 5.0, pct=12.0)) == "longer by 12 % (+8 to +16)"
    assert moves.rings_text(drift("up", 5.0, pct=-12.0)) == "shorter by 12 % (-16 to -8)"
    assert moves.rings_text(drift("up", 5.0, pct=0.5)) == "as long as before, +0 % (-4 to +4)"
    assert moves.rings_text(drift("up", 5.0, pct=2.5)).startswith("cannot tell")
    assert moves.rings_text(drift("new", None)) == ""


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
    assert moves.rings_limit(changed) == limit
    text = "no verdict, -12 % (-16 to -8)" if limit else "shorter by 12 % (-16 to -8)"
    assert moves.rings_text(changed) == text


def test_what_is_open_says_what_would_tell() -> None:
    for verdict in ("unclear", "up?", "down?"):
        is_open = drift(verdict, 1.0)  # type: ignore[arg-type]
        assert moves.more_taps_text(replace(is_open, more_taps=5)) == "about 5 more taps would settle it"
        assert moves.more_taps_text(replace(is_open, more_taps=1)) == "about 1 more tap would settle it"
        assert moves.more_taps_text(replace(is_open, more_setups=1)) == "about 1 more set-up would settle it"
        assert (
            moves.more_taps_text(replace(is_open, more_taps=5, more_setups=2)) == "about 5 more taps would settle it"
        )
        assert moves.more_taps_text(is_open) == "more taps or set-ups are not likely to settle it"
    assert moves.more_text(replace(drift("unclear", 1.0), more_setups=1)) == "1 set-up"
    assert moves.more_taps_text(drift("up", 5.0)) == ""
    assert moves.more_taps_text(drift("gone", None)) == ""


def test_the_whole_way_is_said_beside_the_last_step() -> None:
    way = replace(
        drift("up", 5.0), first_stage="00", first_change_cents=34.14, first_cents_low=33.02, first_cents_high=35.24,
        first_verdict="up", first_extent=Extent(34.14, 33.02, 35.24),
    )  # fmt: skip
    assert moves.since_first_text(way, "00-closed") == "since 00-closed: up 34.1 c (+33.0 to +35.2)"
    assert moves.since_first_text(replace(way, first_stage=way.from_stage), "00-closed") == ""
    assert moves.since_first_text(drift("up", 5.0), "") == ""
