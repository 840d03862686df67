"""What if in words: what is said is what is known, with its caution, and nothing is advised."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import pytest

from tapbatch.model.history import Extent
from tapbatch.model.opening import Size
from tapbatch.model.what_if import Aim, Answer, Box, Change, Effect, Load, Rest, Unknown
from tapbatch.show.say.what_if import (
    aim_text,
    bases,
    change_line,
    load_line,
    place_text,
    rests_on,
    size_text,
    slide_basis,
    unknown_text,
    why_not,
)
from tests.show.slides import slide_of_air

HOLE = Change(what="opening", before=5281.0, after=5541.8, size_before=Size(82.0, 0.0, 5281.0),
              size_after=Size(84.0, 0.0, 5541.8))  # fmt: skip
SLOT = Size(70.0, 6.0, 420.0)


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (HOLE, "opening: from 82 to 84 mm across"),
        (
            Change(what="opening", before=None, after=5541.8, size_after=HOLE.size_after),
            "opening: to 84 mm across; what it is now is not noted",
        ),
        (
            Change(
                what="opening",
                before=840.0,
                after=980.0,
                size_before=SLOT,
                size_after=Size(70.0, 7.0, 490.0),
                count=2,
            ),
            "opening: from 6 x 70 to 7 x 70 mm, each of 2 (420 to 490 mm2)",
        ),
        (Change(what="thickness", before=3.3333333, after=3.1), "thickness: from 3.33 to 3.1 mm"),
        (Change(what="pitch", before=415.0, after=440.0), "strings: from 415 to 440 Hz"),
        (Change(what="grams", before=None, after=None, taken_g=2.0), "taken off: 2 g"),
    ],
)
def test_what_will_be_is_said_from_what_it_is(change: Change, line: str) -> None:
    assert change_line(change) == line


@pytest.mark.parametrize("why", get_args(Unknown))
def test_every_reason_has_its_words(why: Unknown) -> None:
    for what in ("opening", "grams", "thickness"):
        text = unknown_text(Effect(what=what, unknown=why, seen=1))  # type: ignore[arg-type]
        assert len(text) > 10
        assert text == text.strip()


def test_reasons_alike_are_said_once() -> None:
    effects = [Effect(what="opening", unknown="beyond"), Effect(what="grams", unknown="beyond")]
    assert why_not(effects).count("farther") == 1


def test_a_lower_pitch_pulls_less_and_has_the_same_caution() -> None:
    less = load_line(Load(more_pct=-11.04), Change(what="pitch", before=440.0, after=415.0))
    assert less.startswith("415 from 440 pulls 11 % less: not if bars, bridge or glue are doubtful")
    for strung in (True, False):
        said = load_line(
            Load(more_pct=None, after_n=350.0), Change(what="pitch", before=None, after=440.0), strung=strung
        )
        assert "never cut under tension; eyes away" in said
        assert "350 N" in said


def test_what_it_rests_on_names_the_modes_where_they_differ() -> None:
    moved = Extent(9.0, 5.0, 12.0)
    by_box = Effect(what="opening", extent=moved, by_box=True)
    by_steps = Effect(what="opening", extent=moved, seen=6, instruments=3, family="cittern")
    rests = [
        Rest(mode=mode, freq_hz=hz, worked_on=False, effects=(effect,), moved=moved)
        for mode, hz, effect in (("air", 217.0, by_box), ("top", 318.0, by_box), ("r3", 397.0, by_steps))
    ]
    said = bases(
        Answer(
            instrument_shown="c", part="body", stage_shown="s", state="closed", concert_pitch_hz=440.0,
            spelling="sharp", changes=(HOLE,), rests=tuple(rests), box=Box(openings=7, covered=1, volume_l=7.0),
        )
    )  # fmt: skip
    assert said == [
        "opening of air, top: the model of the box, from 7 openings, 1 covered tap and its volume",
        "opening of r3: 3 earlier citterns and 6 steps here, by the area of the opening",
    ]


def test_before_the_first_cut_the_others_stand_alone() -> None:
    effect = Effect(what="grams", extent=Extent(9.0, 5.0, 12.0), instruments=3, family="lute")
    assert rests_on(effect, "top") == "3 earlier lutes alone, by grams taken off"


@pytest.mark.parametrize(("cents", "side"), [(12.0, "above"), (-12.0, "below")])
def test_a_target_is_above_or_below(cents: float, side: str) -> None:
    text = aim_text(Aim(note="A3", freq_hz=220.0, left=Extent(cents, cents - 3.0, cents + 3.0)))
    assert text.startswith(f"target A3: 12 c {side} it (")


def test_the_slider_says_its_places() -> None:
    slide = slide_of_air(known=2)
    air = slide.lines[0]
    assert size_text(slide, 0) == "40 mm across, as it is now"
    assert place_text(slide, air, 0).startswith("air A3 -40 c, as read (-5 to +5)")
    assert place_text(slide, air, 1).startswith("air A3 -20 c, +20 c (+10 to +30)")
    assert place_text(slide, air, 4) == "air: farther than all steps so far together"
    few = replace(air, places_hz=(None,) * 5, effect=Effect(what="opening", unknown="few steps", seen=1))
    assert place_text(slide, few, 0) == "air: 3 steps with the opening in the notes are needed, 1 so far"
    assert not few.is_drawn
    assert slide_basis(slide) == "It rests on 4 steps here, by the area of the opening."
    other = replace(air, mode="top", effect=replace(air.effect, instruments=2, family="cittern"))
    assert slide_basis(replace(slide, lines=(air, other))) == (
        "What it rests on: air: 4 steps here, by the area of the opening; "
        "top: 2 earlier citterns and 4 steps here, by the area of the opening."
    )
