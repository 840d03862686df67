"""What differs besides the wood on every face: what can do much apart from what cannot, and some of it once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from tapbatch.model.caution import Caution
from tapbatch.model.history import Alike, Drift, Extent, History
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.browser.article import card_of
from tapbatch.show.draw.drift import differed
from tapbatch.show.pdf.report import report_sheets
from tapbatch.show.say.cautions import caution_text, unnoted_text
from tapbatch.show.terminal.told import stage_lines
from tapbatch.show.view.answers import besides_limits, standing_text
from tapbatch.show.view.besides import by_weight, causes_of, is_cautious, said_beside, said_once
from tapbatch.show.view.tables import BESIDES, drift_table, first_table
from tests.show.browser.parsed import parse

WEEKS = Caution("days", days=14, can_cents=0.0)
WARMTH = Caution("temperature", before_c=20.0, after_c=24.0, can_cents=11.7)
HUMIDITY = Caution("humidity", can_cents=34.5)

ALIKE = Alike(part="body", from_stage="a", to_stage="b", extent=Extent(12.0, 8.0, 16.0))

Makers = dict[str, Callable[[], History]]


def _with(history: History, *cautions: Caution, unnoted: tuple[Caution, ...] = ()) -> History:
    def of(drift: Drift) -> Drift:
        return replace(drift, cautions=cautions, first_cautions=cautions, unnoted=unnoted)

    return replace(history, drifts=tuple(map(of, history.drifts)))


@pytest.fixture
def whole(histories: Makers) -> History:
    return histories["whole"]()


def _moved(history: History) -> Drift:
    stage = max(history.stages, key=lambda s: s.order)
    lead = stage.lead
    assert lead is not None
    return next(d for d in history.drifts if (d.to_stage, d.mode, d.part) == (stage.stage, lead.mode, stage.part))


def test_what_can_do_much_limits_the_move_and_what_cannot_is_light(whole: History) -> None:
    drift = _moved(_with(whole, WEEKS, WARMTH, unnoted=(HUMIDITY,)))
    heavy = [limit.full for limit in besides_limits(drift) if limit.heavy]
    light = [limit.full for limit in besides_limits(drift) if not limit.heavy]
    assert [caution_text(WARMTH) in text for text in heavy] == [True, False]
    assert heavy[1:] == [unnoted_text([HUMIDITY])]
    assert [caution_text(WEEKS) in text for text in light] == [True]


def test_nobody_is_told_to_look_for_strings_on_a_board(whole: History) -> None:
    last = whole.stages[-1]
    unsaid = replace(whole, stages=tuple(replace(s, state="") for s in whole.stages))
    boards = replace(unsaid, stages=tuple(replace(s, part="blank") for s in unsaid.stages))
    assert "strings" in causes_of(unsaid, replace(last, state=""), ALIKE)
    assert "strings" not in causes_of(boards, replace(last, state="", part="blank"), ALIKE)


def test_the_slip_has_little_in_grey_and_much_in_orange(whole: History) -> None:
    slip = next(iter(report_sheets(_with(whole, WEEKS, WARMTH), InstrumentSettings()))).finished()
    roles = {
        caution.kind: {word.role for word in slip.words if caution_text(caution) in word.text}
        for caution in (WEEKS, WARMTH)
    }
    assert roles == {"days": {"soft text"}, "temperature": {"caution"}}


def test_the_page_has_little_in_grey_and_much_in_orange(whole: History) -> None:
    card = card_of(_with(whole, WEEKS, WARMTH), InstrumentSettings())
    moved = parse(card.article.encode()).one("div", class_="moved")
    said = {name: " ".join(span.text for span in moved.all("span", class_=name)) for name in ("caution", "little")}
    assert caution_text(WARMTH) in said["caution"]
    assert caution_text(WEEKS) in said["little"]
    assert caution_text(WEEKS) not in said["caution"]
    assert 'class="caution"' in card.row
    assert 'class="caution"' not in card_of(_with(whole, WEEKS), InstrumentSettings()).row


def test_the_terminal_says_what_can_do_little_on_request_only(whole: History) -> None:
    history = _with(whole, WEEKS, WARMTH)
    stage = max(history.stages, key=lambda s: s.order)
    brief, full = (
        " ".join(" ".join(t for t, _ in stage_lines(history, stage, full=f)).split()) for f in (False, True)
    )
    assert caution_text(WARMTH) in brief
    assert caution_text(WARMTH) in standing_text(history, stage)
    assert caution_text(WEEKS) not in brief
    assert caution_text(WEEKS) not in standing_text(history, stage)
    assert caution_text(WEEKS) in full


@pytest.mark.parametrize(("cautions", "broken"), [((WEEKS,), False), ((WEEKS, WARMTH), True), ((), False)])
def test_lines_are_broken_where_something_can_do_much(
    whole: History, cautions: tuple[Caution, ...], broken: bool
) -> None:
    history = _with(whole, *cautions, unnoted=(HUMIDITY,))
    assert is_cautious(_moved(history)) == broken
    assert any(role == "caution" for _, role in differed(history, "body")) == broken
    sheets = [s.finished() for s in report_sheets(history, InstrumentSettings()) if s.title == "Drift"]
    assert any(mark.role == "cautious link" for sheet in sheets for mark in sheet.marks) == broken


def test_what_differs_at_every_stage_and_can_do_little_is_said_once(whole: History) -> None:
    history = _with(whole, WEEKS, WARMTH)
    stage = max((s for s in history.stages if s.part == "body"), key=lambda s: s.order)
    assert said_once(history, "body") == {"days", "temperature"}
    for table in (drift_table(history, "body"), first_table(history, stage)):
        cells = [row[BESIDES].text for row in table.rows if row["mode"].text != "all modes"]
        assert cells
        assert not any(caution_text(WEEKS) in cell for cell in cells)
        # How far the room differed is another figure at each stage, and so it stays where it can do much.
        assert any(caution_text(WARMTH) in cell for cell in cells)
    assert "days" in drift_table(history, "body").once
    assert [role for text, role in differed(history, "body") if "days" in text] == ["soft text"]


def test_what_is_not_noted_is_said_beside_the_move_and_not_again(whole: History) -> None:
    history = _with(whole, unnoted=(HUMIDITY,))
    stage = max(history.stages, key=lambda s: s.order)
    assert said_beside(history, stage) == ("humidity",)
    assert said_beside(_with(whole, unnoted=(replace(HUMIDITY, can_cents=0.1),)), stage) == ()
    text = parse(card_of(history, InstrumentSettings()).article.encode()).one("article").text
    assert text.count("humidity") == 1


def test_two_stages_side_by_side_have_what_can_do_much_to_any_mode_first(whole: History) -> None:
    new_strings = Caution("new strings")
    much, little = by_weight([WEEKS, WARMTH, new_strings], _with(whole, WEEKS, WARMTH).drifts)
    assert (much, little) == ([WARMTH, new_strings], [WEEKS])
