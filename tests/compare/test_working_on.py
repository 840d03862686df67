"""What is worked on at each stage: the rules of the contract, each with the case that decides it."""

from __future__ import annotations

from typing import Any

import pytest

from tapbatch.compare.history import build_history
from tapbatch.compare.order import Item
from tapbatch.compare.targets import with_landings
from tapbatch.compare.working_on import Said, with_working_on
from tapbatch.model.history import History
from tapbatch.model.reading import Mode
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import item, mode, reading

LABELS = [{"label": "air", "near_hz": 110.0}, {"label": "main", "near_hz": 262.0}]
AIR_TO_A2 = {"mode": "air", "note": "A2"}
MAIN_TO_C4 = {"mode": "main", "note": "C4"}
HAND = (-0.3, -0.1, 0.0, 0.1, 0.3)
# A2 = 110 Hz and C4 = 261.626 Hz at A4 = 440 (ISO 16): two readings on their notes and one that is not.
ON_A2, ON_C4, LOW_AIR = 110.0, 261.626, 107.0


def _taps(*freqs_hz: float) -> list[list[Mode]]:
    # The first is the strongest, and leads.
    return [[mode(f * 2.0 ** (c / 1200.0), energy_db=-20.0 - 6.0 * n) for n, f in enumerate(freqs_hz)] for c in HAND]


def _stage(number: int, *freqs_hz: float) -> Item:
    return item(f"c_{number:02d}-s{number}.wav", reading(_taps(*freqs_hz)))


def _history(*items: Item, said: Said | None = None, **settings: Any) -> History:
    wanted = InstrumentSettings.model_validate({"mode": LABELS, **settings})
    history, _ = build_history("cittern-07", items, wanted, {})
    return with_landings(with_working_on(history, wanted, {}, said or {}), wanted, {})[0]


def _told(history: History) -> list[tuple[str, bool, str]]:
    return [(w.mode, w.heard, w.because) for w in history.worked_on]


def test_with_nothing_known_the_strongest_mode_is_worked_on() -> None:
    history = _history(_stage(1, 262.0, 176.0), _stage(2, 176.0, 262.0), mode=[])
    names = [stage.lead.mode for stage in history.stages if stage.lead]
    assert _told(history) == [(name, True, "strongest") for name in names]
    assert len(set(names)) == 2


def test_the_first_label_heard_comes_before_the_strongest() -> None:
    assert _told(_history(_stage(1, 262.0, LOW_AIR))) == [("air", True, "label")]
    assert _told(_history(_stage(1, 262.0, 400.0))) == [("main", True, "label")]


def test_a_label_that_was_heard_before_and_is_not_now_keeps_its_place() -> None:
    history = _history(_stage(1, 262.0, LOW_AIR), _stage(2, 262.0, 400.0))
    assert _told(history) == [("air", True, "label"), ("air", False, "label")]


def test_a_later_stage_changes_nothing_at_an_earlier_one() -> None:
    stages = [_stage(1, 262.0, 400.0), _stage(2, 262.0, LOW_AIR)]
    assert _told(_history(*stages))[:1] == _told(_history(stages[0])) == [("main", True, "label")]


def test_the_first_target_not_yet_reached_comes_before_the_labels() -> None:
    away, there = _stage(1, 270.0, LOW_AIR), _stage(2, ON_C4, LOW_AIR)
    history = _history(away, there, target=[MAIN_TO_C4, AIR_TO_A2])
    assert _told(history) == [("main", True, "target"), ("air", True, "target")]


def test_once_all_targets_are_reached_the_first_label_follows() -> None:
    history = _history(_stage(1, ON_C4, LOW_AIR), target=[MAIN_TO_C4])
    assert _told(history) == [("air", True, "label")]


@pytest.mark.parametrize("target", [{"mode": "air", "note": "A2"}, {"mode": "air", "like": "cittern-04"}])
def test_a_target_whose_mode_was_never_heard_is_not_reached(target: dict[str, Any]) -> None:
    assert _told(_history(_stage(1, 262.0, 400.0), target=[target])) == [("air", False, "target")]


def test_a_target_that_was_reached_stays_so_where_its_mode_is_not_heard() -> None:
    stages = [_stage(1, 270.0, ON_A2), _stage(2, 270.0, 400.0)]
    history = _history(*stages, target=[AIR_TO_A2, MAIN_TO_C4])
    assert _told(history) == [("main", True, "target"), ("main", True, "target")]


def test_a_target_that_was_passed_is_open_again() -> None:
    stages = [_stage(1, 270.0, ON_A2), _stage(2, 270.0, 113.0)]
    history = _history(*stages, target=[AIR_TO_A2, MAIN_TO_C4])
    assert _told(history) == [("main", True, "target"), ("air", True, "target")]


def test_what_the_maker_said_comes_first_and_is_at_most_two_modes() -> None:
    said = {("body", "01-s1"): ("main", "r1", "air")}
    history = _history(_stage(1, 262.0, LOW_AIR), _stage(2, 262.0, LOW_AIR), said=said, target=[AIR_TO_A2])
    assert _told(history) == [("main", True, "said"), ("r1", False, "said"), ("air", True, "target")]
    assert [w.mode for w in history.working_on("body", "01-s1")] == ["main", "r1"]


def test_parts_have_their_own_labels_and_targets() -> None:
    labels = [*LABELS, {"label": "cross", "near_hz": 180.0, "part": "top"}]
    top = item("c_01-s1_top.wav", reading(_taps(300.0, 180.0)), part="top")
    history = _history(top, _stage(2, 270.0, LOW_AIR), mode=labels, target=[MAIN_TO_C4])
    told = {w.part: (w.mode, w.because) for w in history.worked_on}
    assert told == {"top": ("cross", "label"), "body": ("main", "target")}


def test_a_stage_without_a_mode_has_nothing_worked_on() -> None:
    silent = item("c_02-s2.wav", reading([[], []]))
    history = _history(_stage(1, 262.0, LOW_AIR), silent, target=[AIR_TO_A2])
    assert [w.stage for w in history.worked_on] == ["01-s1"]


def test_what_is_worked_on_has_the_next_notes_either_side_even_without_a_target() -> None:
    history = _history(_stage(1, 262.0, LOW_AIR))
    assert [(c.mode, c.landing) for c in history.landings] == [
        ("air", "above"),
        ("air", "below"),
        ("main", "above"),
        ("main", "below"),
    ]
