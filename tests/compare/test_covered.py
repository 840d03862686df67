"""Taps with the opening covered: a lane of their own, which is no step and is compared with nothing."""

from __future__ import annotations

from tapbatch.compare.history import build_history
from tapbatch.compare.order import Item
from tapbatch.model.history import History
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.view.three_answers import told_of
from tests.compare.builds import item, mode, reading

LABELS = [
    {"label": "air", "near_hz": 160.0, "kind": "air"},
    {"label": "top", "near_hz": 290.0, "kind": "plate"},
]
OPEN = (
    item("c_01-closed.wav", reading([[mode(160.0), mode(290.0)]] * 4), state="closed"),
    item("c_02-wider.wav", reading([[mode(165.0), mode(289.0)]] * 4), state="closed"),
)
SHUT = item("c_03-covered.wav", reading([[mode(285.0)]] * 4), state="covered")


def _history(*items: Item) -> History:
    return build_history("c", items, InstrumentSettings.model_validate({"mode": LABELS}), {})[0]


def test_covered_taps_are_no_stage_and_change_nothing_of_the_others() -> None:
    without, having = _history(*OPEN), _history(*OPEN, SHUT)
    assert [s.state for s in having.stages] == ["closed", "closed"]
    assert having.stages == without.stages
    assert having.drifts == without.drifts
    assert having.landings == without.landings
    assert without.covered == ()


def test_covered_taps_are_labelled_and_kept_behind_the_other_stages() -> None:
    history = _history(*OPEN, SHUT)
    (shut,) = history.covered
    assert [m.mode for m in shut.modes] == ["top"]
    assert history.every_stage == (*history.stages, shut)
    assert shut.stage not in {name for d in history.drifts for name in (d.from_stage, d.to_stage)}


def test_a_part_that_was_only_tapped_covered_keeps_its_stages() -> None:
    history = _history(SHUT)
    assert [s.state for s in history.stages] == ["covered"]
    assert history.covered == ()


def test_a_covered_arrival_says_what_was_read_and_that_it_is_no_step() -> None:
    history = _history(*OPEN, SHUT)
    (three,) = told_of(history, history.covered[0]).answers
    assert three.where.startswith("opening covered: top 285")
    assert three.moved == "no step: nothing is compared with a covered opening"
    assert three.left == "put the openings into the settings, and it tells the air and the top by themselves"
