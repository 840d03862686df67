"""Which opening a note needs, in words and in ``targets.csv``: from the near end, never rounded too far."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tapbatch.model.history import History
from tapbatch.model.opening import Beside, BoxTold, OpeningNeeded, Size, Within
from tapbatch.show.say.openings import box_text, meanwhile_text, needed_text, opening_cell, opening_text
from tapbatch.show.tables.rows import history_to_tables
from tests.show.say.test_landings import DOWN, UP

NEEDED = OpeningNeeded(
    shape="round", count=1, now=Size(78.0, 0.0, 4778.4), stop=Size(81.9, 0.0, 5268.1), likely=Size(83.5, 0.0, 5476.0),
    most=Size(85.1, 0.0, 5687.9), out_of_reach=False, reach=1.0, meanwhile=(Beside("top", 9.0, 4.0, 15.0),),
)  # fmt: skip
NONE = replace(NEEDED, stop=None, likely=None, most=None, out_of_reach=True, reach=0.01, meanwhile=())


def test_the_nearest_size_is_rounded_down_and_the_farthest_up() -> None:
    assert needed_text(NEEDED, rises=True) == "opening now 78 mm: stop at 81 mm and tap; it may need up to 86 mm"
    assert opening_cell(replace(UP, opening=NEEDED)) == "opening 81 to 86 mm"


@pytest.mark.parametrize(
    ("changed", "rises", "told"),
    [
        ({"count": 2}, True, "78 mm each: stop"),
        ({"reach": 0.8}, True, "20 % chance that no opening gets there"),
        ({"most": None, "reach": 0.96}, True, "it may need more than four times the area"),
        ({"stop": Size(78.1, 0.0, 4790.7)}, True, "tap again before you cut; it may be there, or need up to 86 mm"),
        ({"likely": Size(75.0, 0.0, 4417.9)}, False, "only a smaller one, about 75 mm leads there"),
    ],
)
def test_doubt_is_said(changed: dict[str, object], rises: bool, told: str) -> None:
    assert told in needed_text(replace(NEEDED, **changed), rises=rises)  # type: ignore[arg-type]


def test_that_no_opening_gets_there_is_said_of_both_ways() -> None:
    assert needed_text(NONE, rises=True) == "opening now 78 mm: no opening gets there"
    assert "no opening of a quarter of the area or more" in needed_text(NONE, rises=False)
    assert opening_cell(replace(UP, opening=NONE)) == "no opening gets there"


def test_nothing_is_asked_of_the_opening_where_the_mode_is_there_or_nothing_is_known() -> None:
    for landing in (UP, replace(UP, opening=NEEDED, on_target="yes")):
        assert (opening_text(landing), opening_cell(landing), meanwhile_text(landing)) == ("", "", "")
    assert opening_cell(replace(DOWN, opening=NEEDED)) == ""


def test_what_the_others_do_meanwhile_stands_with_the_likely_size() -> None:
    assert meanwhile_text(replace(UP, opening=NEEDED)).startswith("with 84 mm: top +9")


def test_a_box_says_what_it_rests_on_or_why_nothing_is_told() -> None:
    air, top = Within(176.2, 172.0, 180.3), Within(270.1, 266.0, 276.4)
    told = BoxTold(part="body", stage="s", air_hz=air, top_hz=top, stages=1, covered=1, volume_l=4.2)
    assert box_text(told).startswith("the box, from 1 stage, 1 covered tap and 4.2 l: air alone 176 Hz (172 to 180)")
    assert "label one mode" in box_text(BoxTold(part="body", stage="s", why_not="air"))


def test_targets_have_the_opening_now_and_the_one_needed_with_its_bounds() -> None:
    landings = (replace(UP, opening=NEEDED), replace(UP, mode="top", opening=NONE), replace(UP, mode="r3"))
    history = History(instrument="c", instrument_shown="C", stages=(), drifts=(), landings=landings)
    columns = ("opening_mm2", "opening_needed_mm2", "opening_needed_mm2_low", "opening_needed_mm2_high")
    rows = {row["mode"]: row for row in history_to_tables(history)["targets"]}
    assert [rows["air"][name] for name in columns] == [4778.4, 5476.0, 5268.1, 5687.9]
    assert [rows["top"][name] for name in columns] == [4778.4, None, None, None]
    assert [rows["r3"][name] for name in columns] == [None] * 4
    reach = [rows[mode]["opening_reach_pct"] for mode in ("air", "top", "r3")]
    assert reach == [100.0, 1.0, None]
