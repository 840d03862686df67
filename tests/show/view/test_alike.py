"""What all modes did alike is said once on each face, and what moved beside it does not repeat it."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import pytest

from tapbatch.compare.before_after import Comparison
from tapbatch.model.history import Extent, History
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.browser.article import card_of
from tapbatch.show.pdf.report import report_bytes
from tapbatch.show.say.moves import moved_text
from tapbatch.show.terminal.comparison import comparison_lines
from tapbatch.show.terminal.told import history_lines
from tapbatch.show.view.tables import BESIDES, drift_table
from tests.show.browser.parsed import pages_bytes, parse
from tests.show.view.faces import flat, pages_of

SENTENCE = "all rose 12 c (+8 to +16) alike: set-up, weather, strings or the cut"
# A stage that is strung or settled was reached by no cut.
WITHOUT_CUT = "all rose 12 c (+8 to +16) alike: set-up, weather or strings"
BRIEF = "all rose 12 c alike: set-up, weather or strings"


@pytest.fixture
def risen(histories: dict[str, Callable[[], History]]) -> History:
    """Two stages between which all modes rose by 12 cents alike, and each moved a little beside that."""
    history = histories["strung"]()
    drifts = tuple(
        replace(
            d,
            common_cents=12.0,
            common_low_cents=8.0,
            common_high_cents=16.0,
            freq_change_cents=(d.own_cents or 0.0) + 12.0,
        )
        for d in history.drifts
    )
    return replace(history, drifts=drifts)


def _count(text: str, sentence: str) -> int:
    return flat(text).lower().count(sentence)


def test_terminal_slip_card_page_and_report_say_it_once(risen: History) -> None:
    assert _count(" ".join(line for line, _ in history_lines(risen)), WITHOUT_CUT) == 1
    slip, card, *rest = pages_of(report_bytes(risen, InstrumentSettings(pages="full")))
    assert _count(slip, WITHOUT_CUT) == 1
    assert _count(card, BRIEF) == 1
    (report,) = (page for page in rest if "what moved on the way to" in page)
    assert _count(report, "all rose alike all modes +12 c (+8 to +16)") == 1
    article = parse(pages_bytes([card_of(risen, InstrumentSettings())], ())[1]).one("article")
    (answer,) = (each for each in article.all("div", class_="moved"))
    assert _count(answer.text, WITHOUT_CUT) == 1


def test_compare_says_it_once(risen: History) -> None:
    before, after = risen.stages
    comparison = Comparison(before=before, after=after, drifts=risen.drifts, sustain=(), balance=(), cautions=())
    text = " ".join(line for line, _ in comparison_lines(comparison))
    assert _count(text, SENTENCE) == 1
    assert " c in all" not in text


def test_compare_names_no_strings_on_a_board(risen: History) -> None:
    before, after = (replace(stage, part="blank") for stage in risen.stages)
    comparison = Comparison(before=before, after=after, drifts=risen.drifts, sustain=(), balance=(), cautions=())
    text = " ".join(line for line, _ in comparison_lines(comparison))
    assert _count(text, SENTENCE.replace("weather, strings or", "weather or")) == 1


def test_the_table_has_one_row_for_it_in_front_of_the_others(risen: History) -> None:
    rows = drift_table(risen, "body").rows
    assert [row["mode"].text for row in rows].index("all modes") == 0
    assert len(rows) == len(risen.drifts) + 1
    assert (rows[0]["moved"].text, rows[0][BESIDES].text) == tuple(WITHOUT_CUT.split(": "))


def test_what_moved_beside_the_others_does_not_repeat_it(risen: History) -> None:
    for drift in risen.drifts:
        assert " c in all" not in moved_text(drift)
        alone = replace(drift, common_low_cents=-2.0)
        assert bool(re.search(r"\+\d+ c in all", moved_text(alone))) == (drift.verdict in ("up", "down"))


def test_where_the_verdict_rests_on_it_the_figures_are_not_said_twice(risen: History) -> None:
    drifts = tuple(replace(d, moved="all", verdict="up", extent=Extent(12.0, 8.0, 16.0)) for d in risen.drifts)
    text = flat(" ".join(line for line, _ in history_lines(replace(risen, drifts=drifts))))
    assert "up 12 c (+8 to +16) along with the others" in text
    assert text.count("all rose alike: set-up, weather or strings") == 1


def test_without_it_nothing_is_said(whole: History) -> None:
    assert "alike:" not in " ".join(line for line, _ in history_lines(whole))
