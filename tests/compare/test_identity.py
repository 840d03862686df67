"""Identities on simulated builds whose truth is known: moves of a semitone, crossings, splits, fades."""

from __future__ import annotations

import numpy as np
import pytest

from tapbatch.compare.identity import name_modes
from tapbatch.model.history import StageMode
from tapbatch.model.settings import ModeSetting
from tests.compare.builds import stage_mode
from tests.compare.identity_sim import WORKS, Work, right


@pytest.mark.parametrize("name", WORKS)
def test_identities_are_right_in_98_percent(name: str) -> None:
    work = WORKS[name]
    seed = [int(v) for v in (work.common_cents, work.every_cents, 10 * work.semitone, 10 * work.cross)]
    kept, _ = right(np.random.default_rng([*seed, int(10 * work.split), int(100 * work.fade)]), work, builds=30)
    assert kept >= 0.98


def test_most_wrong_identities_say_that_they_are_doubtful() -> None:
    _, flagged = right(np.random.default_rng(9), Work(every_cents=120.0, cross=0.5), builds=60)
    assert flagged >= 0.6


def _names(*stages: list[StageMode], labels: tuple[ModeSetting, ...] = (), states: str = "") -> list[list[str]]:
    held = states.split() or ["closed"] * len(stages)
    return [[n.name for n in named] for named in name_modes(stages, held, labels)]


def test_names_are_given_in_the_order_first_met() -> None:
    first = [stage_mode(120.0), stage_mode(400.0)]
    then = [stage_mode(121.0), stage_mode(250.0), stage_mode(401.0)]
    assert _names(first, then) == [["r1", "r2"], ["r1", "r3", "r2"]]


def test_modes_that_cross_are_told_apart_by_decay_and_level() -> None:
    dull, bright = (0.12, -18.0), (0.50, -1.0)
    before = [stage_mode(200.0, *dull), stage_mode(206.0, *bright)]
    after = [stage_mode(205.0, *bright), stage_mode(212.0, *dull)]
    assert _names(before, after) == [["r1", "r2"], ["r2", "r1"]]


def test_a_mode_that_fades_comes_back_under_its_name() -> None:
    both = [stage_mode(120.0), stage_mode(400.0, 0.2, -20.0)]
    assert _names(both, [stage_mode(121.0)], [stage_mode(122.0)], [stage_mode(122.0), stage_mode(404.0, 0.2, -19.0)])[
        3
    ] == ["r1", "r2"]


def test_stages_without_modes_are_passed_over() -> None:
    modes = [stage_mode(120.0), stage_mode(400.0)]
    assert _names(modes, [], modes) == [["r1", "r2"], [], ["r1", "r2"]]


def test_a_change_of_lead_is_no_change_of_every_level() -> None:
    # The lead at 110 Hz fades, so all levels rise by 14 dB; the two near 200 Hz cross, and by their level relative to
    # the lead the one at -14 dB would seem to have become the other.
    rest = [(330.0, 0.4, -17.0), (480.0, 0.2, -25.0), (610.0, 0.3, -20.0), (790.0, 0.15, -30.0)]
    before = [stage_mode(*r) for r in [(110.0, 0.2, 0.0), (200.0, 0.2, -14.0), (206.0, 0.35, -28.0), *rest]]
    after = [stage_mode(*r) for r in [(201.0, 0.35, -14.0), (206.0, 0.2, 0.0)]]
    after += [stage_mode(f, t, level + 14.0) for f, t, level in rest]
    assert _names(before, after)[1] == ["r3", "r2", "r4", "r5", "r6", "r7"]


def test_a_mode_that_is_away_goes_along_with_the_others() -> None:
    rows = [(110.0, 0.2, 0.0), (200.0, 0.3, -14.0), (330.0, 0.4, -17.0), (480.0, 0.2, -25.0), (900.0, 0.3, -20.0)]
    stages = [[stage_mode(f * 2.0 ** (90.0 * n / 1200.0), t, level) for f, t, level in rows] for n in range(4)]
    assert _names(stages[0], stages[1][:4], stages[2][:4], stages[3])[3] == ["r1", "r2", "r3", "r4", "r5"]


def test_across_states_a_mode_may_go_further() -> None:
    before = [stage_mode(f, t, lv) for f, t, lv in ((90.0, 0.1, 0.0), (180.0, 0.5, -10.0), (370.0, 0.25, -5.0))]
    after = [stage_mode(f, t, lv) for f, t, lv in ((110.0, 0.1, 0.0), (215.0, 0.5, -10.0), (430.0, 0.25, -5.0))]
    assert _names(before, after, states="free closed")[1] == ["r1", "r2", "r3"]
    assert _names(before, after, states="free free")[1] == ["r4", "r5", "r6"]


def test_two_modes_that_could_be_either_are_doubtful() -> None:
    named = name_modes([[stage_mode(200.0)], [stage_mode(198.0), stage_mode(202.0)]], ["", ""], [])
    assert all(n.doubtful for n in named[1])
    sure = name_modes([[stage_mode(200.0)], [stage_mode(200.2), stage_mode(320.0)]], ["", ""], [])
    assert not any(n.doubtful for n in sure[1])


def test_one_line_that_becomes_two_about_its_place_is_doubtful() -> None:
    # At 200 Hz and 0.4 s a width is 5.5 Hz. The mean of the two, weighted by energy, is where the one was.
    others = [stage_mode(f, t, lv) for f, t, lv in ((90.0, 0.2, -9.0), (400.0, 0.3, -6.0), (700.0, 0.15, -12.0))]
    two = [stage_mode(198.8, 0.4, -3.0), stage_mode(201.2, 0.4, -3.0)]
    (_, after) = name_modes([[*others, stage_mode(200.0)], [*others, *two]], ["", ""], [])
    assert [n.doubtful for n in after] == [False, False, False, True, True]
    apart = [stage_mode(200.0), stage_mode(212.0, 0.4, -12.0)]
    (_, after) = name_modes([[*others, stage_mode(200.0)], [*others, *apart]], ["", ""], [])
    assert not any(n.doubtful for n in after)


def test_a_mode_is_known_by_where_it_is_strong() -> None:
    # Two that cross, alike in all but their levels at two points.
    rest = [(330.0, 0.4, -17.0), (480.0, 0.2, -25.0), (610.0, 0.3, -20.0), (790.0, 0.15, -30.0)]
    at_rest = [{"bridge": level, "edge": level} for *_, level in rest]
    before = [stage_mode(*r) for r in [(200.0, 0.3, -3.0), (206.0, 0.3, -3.0), *rest]]
    after = [stage_mode(*r) for r in [(205.0, 0.3, -3.0), (213.0, 0.3, -3.0), *rest]]
    one, other = {"bridge": 0.0, "edge": -20.0}, {"bridge": -20.0, "edge": 0.0}
    levels = [[one, other, *at_rest], [other, one, *at_rest]]
    held = ["", ""]
    (first, crossed) = name_modes([before, after], held, [], levels)
    assert [n.name for n in crossed[:2]] == [first[1].name, first[0].name]
    (first, kept) = name_modes([before, after], held, [], [levels[0], levels[0]])
    assert [n.name for n in kept] == [n.name for n in first]


# --------------------------------------------------------------- labels


def test_a_label_holds_through_and_renames_nothing_else() -> None:
    stages = ([stage_mode(100.0), stage_mode(187.0), stage_mode(400.0)], [stage_mode(101.0), stage_mode(180.0)])
    air = ModeSetting(label="air", near_hz=186.0)
    assert _names(*stages, labels=(air,)) == [["r1", "air", "r3"], ["r1", "air"]]


def test_a_label_goes_to_the_nearest_within_a_semitone_and_to_one_only() -> None:
    stages = ([stage_mode(180.0, 0.1), stage_mode(187.0, 0.5)],)
    assert _names(*stages, labels=(ModeSetting(label="air", near_hz=188.0),)) == [["r1", "air"]]
    assert _names(*stages, labels=(ModeSetting(label="air", near_hz=220.0),)) == [["r1", "r2"]]
    pair = (ModeSetting(label="air", near_hz=186.0), ModeSetting(label="top", near_hz=187.0))
    assert _names(*stages, labels=pair) == [["air", "top"]]


def test_stages_that_are_asked_first_keep_their_labels() -> None:
    # At the second stage a newcomer is nearer to the label than the mode of the first.
    stages = [[stage_mode(190.0), stage_mode(300.0)], [stage_mode(190.0), stage_mode(186.1, 0.9), stage_mode(300.0)]]
    air = ModeSetting(label="air", near_hz=186.0)
    top = ModeSetting(label="top", near_hz=187.0)

    def named(labels: tuple[ModeSetting, ...], first: int | None) -> list[list[str]]:
        return [[n.name for n in of_stage] for of_stage in name_modes(stages, ["", ""], labels, first=first)]

    assert named((air,), None) == [["r1", "r2"], ["r1", "air", "r2"]]
    assert named((air,), 1) == [["air", "r2"], ["air", "r3", "r2"]]
    # What fits nothing there is given as ever.
    assert named((air, top), 1)[1] in (["air", "top", "r2"], ["top", "air", "r2"])


def test_a_label_that_looks_like_a_name_is_used_once() -> None:
    stages = ([stage_mode(100.0), stage_mode(187.0), stage_mode(400.0)],)
    assert _names(*stages, labels=(ModeSetting(label="r1", near_hz=400.0),)) == [["r2", "r3", "r1"]]
