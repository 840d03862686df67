"""The words of faults: each kind has a line with its cost and its remedy, and the line fits a terminal."""

from __future__ import annotations

import pytest

from tapbatch.compare.faults import ORDER, Fault
from tapbatch.show.say.faults import REMEDIES, fault_lines, fault_text, what_text

FAULTS = tuple(Fault(kind=kind, count=12, total=35, lost=9, half_cents=17.4, room_pct=48.6) for kind in ORDER)


@pytest.mark.parametrize("fault", FAULTS, ids=ORDER)
def test_a_line_says_what_and_what_to_do_in_78_columns(fault: Fault) -> None:
    text = fault_text(fault)
    assert text == f"{what_text(fault)}: {REMEDIES[fault.kind]}"
    assert len(text) <= 78
    assert "None" not in text


@pytest.mark.parametrize(
    ("fault", "cost"),
    [
        (Fault(kind="bounced", count=3, total=8, lost=2), "2 of 8 taps lost"),
        (Fault(kind="bounced", count=3, total=8), "3 of 8 taps cut short"),
        (Fault(kind="bounced", count=1, total=1), "1 of 1 tap cut short"),
        (Fault(kind="talk", count=4, total=9), "4 of 9 knocks not used"),
        (Fault(kind="noise", half_cents=5.4), "± 5 c"),
        (Fault(kind="gain", count=1, total=1), "automatic gain, no ringing time"),
        (Fault(kind="gain", count=2, total=3), "no ringing time in 2 of 3 files"),
        (Fault(kind="mostly room", count=1, total=1, room_pct=41.2), "41 % of it is room"),
        (Fault(kind="clipped", count=2, total=3), "2 of 3 files"),
    ],
)
def test_what_it_cost(fault: Fault, cost: str) -> None:
    assert cost in what_text(fault)


def test_a_room_of_unknown_share_is_said_without_a_figure() -> None:
    assert not any(c.isdigit() for c in what_text(Fault(kind="some room", count=1, total=1)))


def test_a_crowded_file_of_which_nothing_was_refused_is_not_counted() -> None:
    assert not any(c.isdigit() for c in what_text(Fault(kind="talk", total=900)))


def test_lines_keep_their_order() -> None:
    assert fault_lines(FAULTS) == [fault_text(fault) for fault in FAULTS]
