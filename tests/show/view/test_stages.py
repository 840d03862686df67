"""Which stage all faces answer for, and which of its modes get a chart."""

from __future__ import annotations

from collections.abc import Callable

from tapbatch.model.history import History, Stage, StageMode
from tapbatch.show.view.stages import chart_modes, last_with_modes, latest_stage, leading, stage_before


def test_the_latest_stage_of_all_parts_is_shown(
    make_stage: Callable[..., Stage], make_mode: Callable[..., StageMode], make_history: Callable[..., History]
) -> None:
    neck = make_stage("neck", "free", "09-neck", 9, [make_mode("r1", 150.0, lead=True)])
    body = make_stage("body", "closed", "05-closed", 5, [make_mode("r1", 200.0, lead=True)])
    stage = latest_stage(make_history([neck, body]))
    assert stage is neck
    assert latest_stage(make_history([])) is None


def test_the_strongest_and_the_named_modes_get_the_charts(
    make_stage: Callable[..., Stage], make_mode: Callable[..., StageMode]
) -> None:
    modes = [make_mode(f"r{n}", 100.0 * n, level_db=-float(n)) for n in range(1, 12)]
    modes.append(make_mode("air", 50.0, level_db=-60.0))
    modes.append(make_mode("r99", 3000.0, level_db=-50.0, lead=True))
    names = chart_modes([make_stage("body", "closed", "s", 1, modes)])
    assert names == ["air", "r1", "r2", "r3", "r4", "r5", "r6", "r99"]


def test_without_a_lead_the_strongest_mode_speaks_for_a_stage(
    make_stage: Callable[..., Stage], make_mode: Callable[..., StageMode]
) -> None:
    faint, strong = make_mode("r1", 100.0, level_db=-9.0), make_mode("r2", 200.0, level_db=-2.0)
    assert leading(make_stage("body", "closed", "s", 1, [faint, strong])) is strong
    assert leading(make_stage("body", "closed", "s", 1, [])) is None


def test_the_stage_before_is_of_the_same_part(whole: History) -> None:
    for part in whole.parts:
        stages = whole.of_part(part)
        assert [stage_before(whole, stage) for stage in stages] == [None, *stages[:-1]]


def test_a_stage_without_a_mode_is_passed_over(
    make_stage: Callable[..., Stage], make_mode: Callable[..., StageMode], make_history: Callable[..., History]
) -> None:
    heard = make_stage("body", "closed", "01", 1, [make_mode("r1", 200.0, lead=True)])
    history = make_history([heard, make_stage("body", "closed", "02", 2, [])])
    assert last_with_modes(history, "body") is heard
    assert last_with_modes(history, "neck") is None
