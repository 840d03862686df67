"""The bench card and the landings, drawn: what they say, and that marks lie where the cents say. No pixels."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from tapbatch.model.caution import Caution
from tapbatch.model.history import History, Stage, StageMode
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.draw.chart import Sheet
from tapbatch.show.draw.lettering import MM_PER_PT
from tapbatch.show.pdf.report import report_sheets
from tapbatch.show.say.cautions import caution_text
from tapbatch.show.say.landings import chance_text, steps_seen_text, way_text
from tapbatch.show.view.landings import is_risky, landing_blocks
from tapbatch.show.view.tables import BESIDES, part_tables


def drawn(history: History, title: str) -> list[Sheet]:
    return [sheet.finished() for sheet in report_sheets(history, InstrumentSettings()) if sheet.title == title]


def said(sheets: list[Sheet]) -> str:
    return " ".join(word.text for sheet in sheets for word in sheet.words)


def across(sheets: list[Sheet], name: str) -> np.ndarray:
    """Where the points of a mark stand from left to right, in mm."""
    found: list[float] = []
    for mark in (mark for sheet in sheets for mark in sheet.marks):
        if mark.shape == "dots" and mark.name == name:
            found += mark.pieces[0][:, 0].tolist()
        elif mark.shape == "lines" and mark.name == name:
            found += [x for segment in mark.pieces for x in segment[:, 0].tolist()]
    return np.array(found)


# ------------------------------------------------------------ bench card


def test_the_card_is_turned_and_its_note_is_seen_across_the_bench(whole: History) -> None:
    (card,) = drawn(whole, "Bench card")
    assert card.width_mm > card.height_mm
    note = max(card.words, key=lambda word: word.size_pt)
    # Capitals of the type are 0.729 of its size (from the font's own table); signs are made to be read from two
    # hundred times the height of their letters (common practice).
    assert (note.text, note.size_pt * MM_PER_PT * 0.729 > 30.0) == ("G3", True)
    text = said([card])
    for answer in (
        "+33.7 c",
        "± 0.7 c main",
        "Down 17.0 c by itself",
        "Target G3: 43.2 c to rise",
        "Only as it lies",
        "one set-up only",
    ):
        assert answer in text


def test_what_limits_an_answer_stands_on_the_card(
    make_stage: Callable[..., Stage], make_mode: Callable[..., StageMode], make_history: Callable[..., History]
) -> None:
    stages = [
        make_stage("body", state, state, n + 3, [make_mode("r1", 200.0 - n, lead=True)])
        for n, state in enumerate(("closed", "strung"))
    ]
    history = make_history(stages)
    risky = replace(history, landings=tuple(replace(c, overshoot=0.4) for c in history.landings))
    (card,) = drawn(risky, "Bench card")
    said = {word.text: word.y_mm for word in card.words}
    strung = caution_text(Caution("state", before=("closed",), after=("strung",)))
    (chance,) = {chance_text(c) for c in risky.landings if c.step_cents is not None}
    for question, limit in (("Moved?", f"{BESIDES}: {strung}"), ("How far?", chance), ("Rings longer?", strung)):
        below = [y_mm - said[question] for text, y_mm in said.items() if text.startswith(limit)]
        assert any(0.0 < mm < 10.0 for mm in below), question
    assert next(text for text in said if text.startswith("No verdict"))


@pytest.mark.parametrize("name", ["no modes", "nothing"])
def test_without_a_mode_there_is_no_card(histories: dict[str, Callable[[], History]], name: str) -> None:
    assert drawn(histories[name](), "Bench card") == []
    assert drawn(histories[name](), "Where it may settle") == []


# -------------------------------------------------------------- landings


def test_landings_and_the_next_step_lie_where_their_cents_say(whole: History) -> None:
    sheets = drawn(whole, "Where it may settle")
    (here,) = across(sheets, "now main")
    mode = next(m for m in whole.stages[-1].modes if m.mode == "main")
    low, high = across(sheets, "interval now main")
    # One scale through all rows: the interval of the reading gives it, and everything else must agree with it.
    mm_a_cent = (high - low) / (1200 * np.log2(mode.freq_high_hz / mode.freq_low_hz))
    landings = {c.landing: c for c in whole.landings if (c.part, c.mode) == ("body", "main")}
    places = np.concatenate(
        [across(sheets, f"landing main {n}") for n in {c.landing_note for c in landings.values()}]
    )
    for kind in ("target", "above", "below"):
        wanted = here + landings[kind].cents_to_go * mm_a_cent
        assert np.abs(places - wanted).min() < 0.05
    (after,) = across(sheets, "next main")
    assert (after - here) / mm_a_cent == pytest.approx(8.1, abs=0.05)
    step = across(sheets, "interval next main")
    assert (step - here) / mm_a_cent == pytest.approx([3.9, 12.3], abs=0.05)


def test_a_step_not_known_and_one_too_far_are_said(whole: History) -> None:
    text = said(drawn(whole, "Where it may settle"))
    risky = [c for c in whole.landings if is_risky(c)]
    assert {chance_text(c) in text for c in risky} == {True}
    unknown = replace(whole, landings=tuple(replace(c, step_cents=None, steps_to_go=None) for c in whole.landings))
    text = said(drawn(unknown, "Where it may settle"))
    assert "not known" in text
    assert {steps_seen_text(c) in text for c in whole.landings} == {True}


@pytest.mark.parametrize("overshoot", [0.001, 0.34, 0.999])
def test_the_way_and_the_chance_are_said_whole(whole: History, overshoot: float) -> None:
    steps = tuple(replace(c, steps_to_go=12.4, overshoot=overshoot) for c in whole.landings)
    text = said(drawn(replace(whole, landings=steps), "Where it may settle"))
    assert {text_of(c) in text for c in steps if c.step_cents is not None for text_of in (way_text, chance_text)} == {
        True
    }
    assert "\N{HORIZONTAL ELLIPSIS}" not in text


def test_a_note_that_is_the_target_stands_once(whole: History) -> None:
    aimed = tuple(replace(c, cents_to_go=66.3) if c.landing == "target" else c for c in whole.landings)
    for _, landings in landing_blocks(replace(whole, landings=aimed)):
        assert [c.landing for c in landings] == ["target", "below"]


def test_a_landing_whose_mode_was_not_read_is_left_out(whole: History) -> None:
    lost = tuple(replace(c, mode="lost") for c in whole.landings)
    assert landing_blocks(replace(whole, landings=lost)) == []


def test_of_a_board_only_its_targets_are_drawn_and_tabled(histories: dict[str, Callable[[], History]]) -> None:
    board = histories["board"]()
    targets = [c for c in board.landings if c.landing == "target"]
    assert 0 < len(targets) < len(board.landings)
    assert [c for _, landings in landing_blocks(board) for c in landings] == targets
    (table,) = (t for t in part_tables(board, "blank", 3.0) if t.kind == "landings")
    assert len(table.rows) == len(targets)
    untold = replace(board, landings=tuple(c for c in board.landings if c not in targets))
    assert landing_blocks(untold) == []
    assert not drawn(untold, "Where it may settle")


def test_a_long_ground_of_a_step_is_broken_and_not_cut(whole: History) -> None:
    basis = "4 steps of work 'open hole' in the notes, by opening area, and the physics of the box"
    landings = tuple(replace(c, basis=basis) for c in whole.landings if c.step_cents is not None)
    assert landings
    text = said(drawn(replace(whole, landings=landings), "Where it may settle"))
    assert basis in text
