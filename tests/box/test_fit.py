"""What is known of a box from its stages, against boxes of a finer make whose truth is chosen (boxes_sim)."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tapbatch.box.course import BoxReading
from tapbatch.box.fit import fit_box
from tapbatch.box.growth import Hole
from tapbatch.box.known import KnownBox
from tapbatch.box.model import Told
from tests.box.boxes_count import CENTS, Known, aim, far_cuts, hole_of, known_box, next_cut, opened_stages
from tests.box.boxes_sim import course_of, random_box, without_back

CASES = (Known(), Known(volume=False), Known(covered=False), Known(covered=False, volume=False))


def _box(number: int, known: Known = CASES[0]) -> KnownBox:
    rng = np.random.default_rng([11, number])
    return known_box(course_of(random_box(rng), rng, covered=known.covered, volume=known.volume), known)


@pytest.mark.slow
def test_far_cuts_are_nearer_than_by_the_power_law_and_intervals_hold() -> None:
    """160 boxes, 6 mm of radius beyond the last of four stages; the whole benchmark is ``OPENINGS.md``."""
    found = [far_cuts(np.random.default_rng([21, n]), CASES[n % 4]) for n in range(160)]
    for resonance in range(2):
        cuts = [each[resonance] for each in found]
        ours, theirs = (
            math.sqrt(np.mean(np.square([getattr(c, e) for c in cuts]))) for e in ("error", "by_power_law")
        )
        # The limit is 0.65; over 300 boxes the ratio is 0.60 and 0.56, with a standard error of 0.04 for 160.
        assert ours / theirs < 0.75
        # Of 160 intervals that hold in 91 of 100 cases, fewer than 134 hold in one run in a thousand.
        assert sum(c.held for c in cuts) >= 134


@pytest.mark.slow
def test_that_no_opening_gets_there_is_said_where_it_is_so_and_right_where_it_is_said() -> None:
    found = [aim(np.random.default_rng([22, n]), CASES[n % 4]) for n in range(200)]
    beyond = [each for each in found if not each.reachable]
    said = [each for each in found if each.said_none]
    within = [each for each in found if each.reachable]
    assert len(beyond) > 60
    assert sum(each.said_none for each in beyond) / len(beyond) >= 0.5
    # Right in 95 of 100: more than 12 of 100 wrong comes in one run in a thousand.
    assert sum(each.reachable for each in said) <= 0.12 * len(said)
    assert sum(each.held for each in within) >= 0.82 * len(within)


@pytest.mark.slow
def test_the_next_cut_holds_with_two_four_and_six_stages() -> None:
    for stages in (2, 4, 6):
        found = [next_cut(np.random.default_rng([23, stages, n]), CASES[n % 4], stages) for n in range(60)]
        # Of 60 that hold in 91 of 100 cases, fewer than 47 hold in one run in a thousand.
        assert sum(each.both[1] for each in found) >= 47


def test_a_covered_tap_tells_the_top_and_the_air_by_themselves() -> None:
    """Without a back, the two are known in closed form: low high = top air, low^2 + high^2 = covered^2 + air^2."""
    rng = np.random.default_rng(31)
    course = course_of(without_back(random_box(rng)), rng, cuts=2, volume=False)
    box = known_box(course, Known(volume=False, third=False))
    low, high, _ = opened_stages(course)[-1].hz
    covered = course.stages[-1].hz[0]
    air = math.sqrt(low**2 + high**2 - covered**2)
    assert box.model.air.low < air < box.model.air.high
    assert box.model.top.low < low * high / air < box.model.top.high
    assert box.model.covered.low < covered < box.model.covered.high
    alone = known_box(replace(course, stages=course.stages[:-1]), Known(volume=False, third=False))
    assert _width(box.model.covered) < 0.7 * _width(alone.model.covered)


def _width(told: Told) -> float:
    return math.log(told.high / told.low)


def test_equal_readings_give_equal_figures() -> None:
    assert _box(1).needed(0, 200.0) == _box(1).needed(0, 200.0)
    assert _box(1).ahead(_box(1).hole) == _box(1).ahead(_box(1).hole)


def test_a_kelvin_is_worth_315_cents_times_the_share_of_the_air() -> None:
    box = _box(2)
    now, warmer = (box.ahead(box.hole, box.temperature_c + t) for t in (0.0, 1.0))
    cents = [CENTS * math.log(b.median / a.median) for a, b in zip(now, warmer, strict=True)]
    # The shares of all three resonances sum to 1: 2.95 cents for dry air, 3.15 with the vapour of warmer air.
    assert sum(cents) == pytest.approx(3.15, abs=0.05)
    assert cents[0] > max(cents[1:]) > 0


def test_the_present_opening_reads_what_was_read() -> None:
    rng = np.random.default_rng(41)
    course = course_of(random_box(rng), rng)
    told = known_box(course, CASES[0]).ahead(hole_of(course.box, opened_stages(course)[-1].length_mm))
    for one, heard in zip(told[:2], opened_stages(course)[-1].hz[:2], strict=True):
        assert CENTS * math.log(one.median / heard) == pytest.approx(0.0, abs=4.0)


def test_farther_openings_are_less_sure_and_never_take_the_air_past_the_top() -> None:
    box = _box(3)
    curve = box.curve(box.grid(1.0, 4.0, 9))
    widths = [math.log(each[0].high / each[0].low) for each in curve]
    assert widths == sorted(widths)
    assert all(each[0].median < box.model.top.median for each in curve)
    assert [each[0].median for each in curve] == sorted(each[0].median for each in curve)


def test_the_opening_needed_brings_the_air_there() -> None:
    box = _box(4)
    hz = box.ahead(box.hole.of_area(1.2 * box.hole.area_mm2))[0].median
    needed = box.needed(0, hz)
    assert needed.area_mm2 == pytest.approx(1.2 * box.hole.area_mm2, rel=0.01)
    assert needed.low_mm2 is not None
    assert needed.high_mm2 is not None
    assert needed.low_mm2 < needed.area_mm2 < needed.high_mm2
    assert box.needed(0, 1.02 * box.model.top.high).out_of_reach


def test_a_box_without_a_reading_of_the_air_is_not_told() -> None:
    assert fit_box([BoxReading(80.0, 5000.0, (None, 200.0), (0.001, 0.001))]) is None
    assert fit_box([BoxReading(80.0, 5000.0, (None, 200.0), (0.001, 0.001), covered=True)]) is None


@pytest.mark.parametrize("count", [1, 2])
def test_several_alike_conduct_together(count: int) -> None:
    hole = Hole("slot", 70.0, 6.0, 3.0, count)
    assert hole.conductance_mm == pytest.approx(count * Hole("slot", 70.0, 6.0, 3.0).conductance_mm)
    assert hole.of_area(1.1 * hole.area_mm2).area_mm2 == pytest.approx(1.1 * hole.area_mm2)
