"""The limits of the benchmark of moves: what misses one, and what a reader is shown of them."""

from __future__ import annotations

import math

import pytest

from tests.benchmarks.moves_limits import Ledger


def test_a_limit_is_missed_beyond_two_standard_errors() -> None:
    ledger = Ledger("nothing moved", "1 + 0.5")
    # Two errors of 5 % in 1,000 stages are 1.4 %.
    assert ledger.most("false", 0.063, 0.05, 1000) == "6.3"
    assert ledger.most("false", 0.065, 0.05, 1000) == "**6.5**"
    assert ledger.least("holds", 0.904, 0.92, 1000) == "90.4"
    assert ledger.least("holds", 0.902, 0.92, 1000) == "**90.2**"
    assert [row.share for row in ledger.missed] == [0.065, 0.902]


def test_none_at_all_and_all_of_them_leave_nothing_to_chance() -> None:
    ledger = Ledger()
    assert ledger.most("`steady`", 0.001, 0.0, 1000) == "**0.1**"
    assert ledger.least("told", 0.999, 1.0, 1000) == "**99.9**"
    assert ledger.least("told", 1.0, 1.0, 1000) == "100.0"


def test_a_figure_of_nothing_misses() -> None:
    ledger = Ledger()
    ledger.least("told", math.nan, 0.9, 0)
    assert len(ledger.missed) == 1


def test_a_reader_sees_the_worst_case_of_each_limit_and_all_that_miss_it() -> None:
    ledger = Ledger("the hand")
    for case, told in (("quiet", 0.99), ("slides", 0.95), ("carried", 0.5), ("lost", 0.4)):
        ledger.case = case
        ledger.least("told", told, 0.9, 500)
        ledger.most("false", 0.01, 0.06, 1000)
    table = [line for line in ledger.lines() if line.startswith("| the hand")]
    assert [line.split(" | ")[3] for line in table] == ["lost", "carried", "quiet"]
    assert table[0] == "| the hand | told at least 90 | 4 | lost | 40.0 | 87.3 | **missed** |"
    assert table[2].endswith("| kept |")


def test_a_miss_without_a_reason_is_said_to_be_one() -> None:
    ledger = Ledger("all modes moved alike", "6 cents, no `again`")
    ledger.most("`steady`", 0.002, 0.0, 1000)
    ledger.case = "20 cents, no `again`"
    ledger.most("`steady`", 0.002, 0.0, 1000)
    why = [line for line in ledger.lines() if line.startswith("- ")]
    assert "a set-up can take back most of the cut" in why[0]
    assert why[1].endswith("20 cents, no `again`: not explained.")


@pytest.mark.parametrize(("share", "missed"), [(0.005, 0), (0.02, 1)])
def test_few_stages_allow_more(share: float, missed: int) -> None:
    ledger = Ledger()
    ledger.most("sign wrong", share, 0.005, 4000)
    assert len(ledger.missed) == missed
