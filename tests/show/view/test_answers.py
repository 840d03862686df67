"""The answers of a reading as values: what is asked, the numbers behind the words, and what limits them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from tapbatch.model.history import History, Stage, StageMode
from tapbatch.model.notice import Notice, OfRecording
from tapbatch.model.wood import Stop, WoodFigures
from tapbatch.show.say.words import sure_cents
from tapbatch.show.view.answers import QUESTIONS, Answer, answers_of, fault_line
from tapbatch.show.view.stages import latest_stage
from tapbatch.show.view.working import subject_of


def answers(history: History, steady_cents: float = 3.0) -> list[Answer]:
    stage = latest_stage(history)
    assert stage is not None
    subject = subject_of(history, stage)
    assert subject is not None
    return [*answers_of(history, stage, subject, steady_cents)]


def test_every_question_has_an_answer_in_order(whole: History) -> None:
    asked = [answer.question for answer in answers(whole) if not answer.goes_on]
    assert asked == [*QUESTIONS]


def test_numbers_stand_behind_the_words(whole: History) -> None:
    lead = whole.stages[-1].lead
    assert lead is not None
    (drift,) = (d for d in whole.drifts if (d.mode, d.to_stage) == (lead.mode, whole.stages[-1].stage))
    numbers = {a.question: a.number for a in answers(whole) if not a.goes_on}
    assert drift.extent is not None
    assert numbers["moved"] == drift.extent.cents
    assert numbers["trust"] == sure_cents(lead)
    assert numbers["rings"] == drift.t60_change_pct
    assert numbers["far"] in {c.cents_to_go for c in whole.landings if c.mode == lead.mode}


@pytest.mark.parametrize(
    ("low_s", "high_s", "told"),
    [(0.14, 8.37, "Rings 1.13 (0.1 to 8) s, not known well"), (0.9, 1.4, "Rings 1.13 (0.90 to 1.40) s")],
)
def test_a_t60_known_within_a_factor_of_sixty_is_not_known_well(
    whole: History, low_s: float, high_s: float, told: str
) -> None:
    stage = whole.stages[-1]
    modes = tuple(replace(m, t60_s=1.13, t60_low_s=low_s, t60_high_s=high_s) for m in stage.modes)
    history = replace(whole, stages=(*whole.stages[:-1], replace(stage, modes=modes)), drifts=())
    (rings,) = (a for a in answers(history) if a.question == "rings")
    assert rings.told == told


def test_a_board_is_told_where_to_stop(whole: History) -> None:
    stop = Stop(aim="along", wanted="on A1", unit="Hz", target=55.0, now=69.7, stop_mm=3.32, likely_mm=3.25,
                thinnest_mm=3.19, past=0.025)  # fmt: skip
    board = replace(whole.stages[-1], wood=WoodFigures(shape="plate", stops=(stop, replace(stop, aim="twist"))))
    history = replace(whole, stages=(*whole.stages[:-1], board), landings=())
    first, second = (a for a in answers(history) if a.question == "far")
    assert (first.told, first.goes_on) == ("Along on A1: stop at 3.32 mm and tap", False)
    assert first.detail.startswith("it may need 3.25, at the thinnest 3.19 (2.5 % chance to be past it at 3.32 mm)")
    assert (second.told, second.goes_on) == ("Twist on A1: stop at 3.32 mm and tap", True)


def test_the_leads_nearest_landing_comes_first(whole: History) -> None:
    near = tuple(replace(c, cents_to_go=5.0) if c.landing == "above" else c for c in whole.landings)
    targets = tuple(replace(c, landing="target") for c in near)
    (first, *rest) = (a for a in answers(replace(whole, landings=targets)) if a.question == "far")
    assert (first.number, first.goes_on) == (5.0, False)
    assert all(answer.goes_on for answer in rest)


def test_a_mode_without_a_target_has_its_next_note_before_the_targets_of_others(whole: History) -> None:
    of_main = [c for c in whole.landings if c.part == "body" and c.mode == "main" and c.landing != "target"]
    of_air = [c for c in whole.landings if c.part == "body" and c.mode == "air" and c.landing == "target"]
    assert of_main
    assert of_air
    (first, *rest) = (a for a in answers(replace(whole, landings=(*of_air, *of_main))) if a.question == "far")
    assert first.told.startswith("Next note ")
    assert [answer.told.split(" to ")[0] for answer in rest] == ["air"] * len(of_air)


@pytest.mark.parametrize(("overshoot", "limits"), [(0.19, 0), (0.2, 1), (None, 0)])
def test_a_step_that_may_pass_a_landing_is_a_limit(whole: History, overshoot: float | None, limits: int) -> None:
    risky = replace(whole, landings=tuple(replace(c, overshoot=overshoot) for c in whole.landings))
    assert {len(a.limits) for a in answers(risky) if a.question == "far"} == {limits}


def test_a_doubt_of_mode_or_stage_limits_trust_once(
    make_stage: Callable[..., Stage], make_mode: Callable[..., StageMode], make_history: Callable[..., History]
) -> None:
    mode = make_mode("r1", 200.0, lead=True, flags=("few-taps", "one-setup"))
    history = make_history([make_stage("top", "free", "s", 1, [mode], flags=("one-setup",))])
    trust = answers(history)[-1]
    # a fault, which says in its own words what the flag says, then the flag that no fault covers
    assert [limit.name for limit in trust.limits] == ["one set-up only", "few taps"]
    assert all(limit.full.startswith(limit.name) for limit in trust.limits)


def test_why_it_is_sure_is_said_where_a_new_set_up_would_be_wider(
    make_stage: Callable[..., Stage], make_mode: Callable[..., StageMode], make_history: Callable[..., History]
) -> None:
    mode = make_mode("r1", 200.0, lead=True, half_cents=0.9)
    low_hz, high_hz = (200.0 * 2 ** (cents / 1200) for cents in (-6, 6))
    anew = replace(mode, freq_anew_low_hz=low_hz, freq_anew_high_hz=high_hz)
    trusts = [answers(make_history([make_stage("top", "free", "s", 1, [m])]))[-1] for m in (mode, anew)]
    assert [trust.told for trust in trusts] == ["Sure", "Sure"]
    assert trusts[1].detail == f"{trusts[0].detail}; ± 0.9 c if left untouched"
    wide = answers(make_history([make_stage("top", "free", "s", 1, [anew])]), steady_cents=0.5)[-1]
    assert "± 0.9 c if left untouched is wider than the 0.5 c" in wide.detail


@pytest.mark.parametrize("kind", ["clipped", "automatic gain", "mostly room", "some room"])
def test_trust_is_never_sure_while_a_fault_stands(
    make_stage: Callable[..., Stage],
    make_mode: Callable[..., StageMode],
    make_history: Callable[..., History],
    kind: OfRecording,
) -> None:
    mode = make_mode("r1", 200.0, lead=True)
    told = []
    for notices in ((), (Notice(kind),)):
        history = make_history([make_stage("top", "free", "s", 1, [mode], notices=notices)])
        trust = answers(history)[-1]
        told.append(trust.told)
        what, _, remedy = fault_line(history, history.stages[0], 3.0).partition(": ")
        assert [limit.full for limit in trust.limits] == [what] * len(notices)
        assert bool(remedy) == bool(notices)
    assert told == ["Sure", "Fairly sure" if "room" in kind else "Not yet"]
