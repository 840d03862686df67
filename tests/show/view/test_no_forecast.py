"""Where there is no forecast, every face says why; and what would make a landing sure."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import pytest

from tapbatch.model.history import History, Landing, NoForecast
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.browser.article import card_of
from tapbatch.show.pdf.report import report_bytes, report_sheets
from tapbatch.show.say.landings import next_parts, no_forecast_cell, steps_seen_text
from tapbatch.show.tables.rows import history_to_tables
from tapbatch.show.terminal.told import history_lines
from tapbatch.show.view.tables import part_tables
from tests.show.browser.parsed import pages_bytes, parse
from tests.show.view.faces import flat, pages_of

KNOWN_STEP = ("past", "away", "beyond")


def _with(history: History, kind: NoForecast) -> tuple[History, Landing]:
    """Return a history whose latest lead has one landing, a target without a forecast."""
    lead = history.stages[-1].lead
    assert lead is not None
    found = next(c for c in history.landings if (c.part, c.mode, c.landing) == ("body", lead.mode, "target"))
    unknown = {} if kind in KNOWN_STEP else dict.fromkeys(("step_cents", "step_low_cents", "step_high_cents"))
    landing = replace(
        found,
        no_forecast=kind,
        faults=("recordings-differ",) if kind == "fault" else (),
        work_way="up",
        steps_to_go=None,
        overshoot=None,
        cents_to_go=-12.0 if kind in ("past", "away") else 1.5 if kind == "on target" else 43.2,
        on_target="likely" if kind == "on target" else "no",
        taps_to_sure=4 if kind == "on target" else None,
        **unknown,  # type: ignore[arg-type]
    )
    return replace(history, landings=(landing,)), landing


@pytest.mark.parametrize("kind", get_args(NoForecast))
def test_the_reason_stands_on_every_face(whole: History, kind: NoForecast) -> None:
    history, landing = _with(whole, kind)
    # Only cuts are counted, and no cut led to a stage that settled.
    (_, why), cell = next_parts(landing, work="other"), no_forecast_cell(landing)
    slip, card, *rest = (flat(page) for page in pages_of(report_bytes(history, InstrumentSettings(pages="full"))))
    assert why in flat(" ".join(line for line, _ in history_lines(history)))
    assert why in slip
    assert why in card
    article = parse(pages_bytes([card_of(history, InstrumentSettings())], ())[1]).one("article")
    (answer,) = article.all("div", class_="far")
    assert flat(answer.text).count(why) == 1
    tables = [t for part in history.parts for t in part_tables(history, part, 3.0) if t.kind == "landings"]
    assert any(cell in (c.text for c in row.values()) for table in tables for row in table.rows)
    assert any(cell in page for page in rest)
    (row,) = history_to_tables(history)["targets"]
    assert row["no_forecast"] == kind
    (drawn,) = (s for s in report_sheets(history, InstrumentSettings()) if s.title == "Where it may settle")
    words = flat(" ".join(word.text for word in drawn.finished().words))
    shown = {"few steps": steps_seen_text(landing), "points": cell, "on target": "on target"}.get(kind, why)
    assert shown in words


def test_what_would_make_it_sure_stands_on_every_face(whole: History) -> None:
    history, _ = _with(whole, "on target")
    more = "about 4 more taps would make it sure"
    assert more in flat(" ".join(line for line, _ in history_lines(history)))
    slip, _card, *rest = (flat(page) for page in pages_of(report_bytes(history, InstrumentSettings(pages="full"))))
    assert more in slip
    assert any(more in page for page in rest)
    assert any("(+4 taps)" in page for page in rest)
    article = parse(pages_bytes([card_of(history, InstrumentSettings())], ())[1]).one("article")
    (answer,) = article.all("div", class_="far")
    assert more in flat(answer.text)
    (row,) = history_to_tables(history)["targets"]
    assert row["taps_to_sure"] == 4
