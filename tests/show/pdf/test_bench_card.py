"""The bench card keeps long answers off the margin, and cuts none of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from tapbatch.model.history import History
from tapbatch.model.settings import InstrumentSettings
from tapbatch.model.wood import Stop
from tapbatch.show.draw.chart import Sheet
from tapbatch.show.draw.lettering import text_width_mm
from tapbatch.show.pdf.bench_card import draw_bench_card
from tapbatch.show.view.working import subject_of


@pytest.mark.parametrize(
    "wanted", ["on G#2", "as stiff as board-05", "as stiff as the-top-of-the-old-mandola-by-the-stove"]
)
def test_where_to_stop_stands_clear_of_the_margin(histories: dict[str, Callable[[], History]], wanted: str) -> None:
    history = histories["board"]()
    (stage,) = history.stages
    assert stage.wood is not None
    stop = Stop(aim="across", wanted=wanted, unit="Hz", target=55.0, now=69.7, stop_mm=3.32, likely_mm=3.25,
                thinnest_mm=3.19, past=0.025)  # fmt: skip
    stage = replace(stage, wood=replace(stage.wood, stops=(stop,)))
    history = replace(history, stages=(stage,), landings=())
    subject = subject_of(history, stage)
    assert subject is not None
    sheet = Sheet("A4", "Bench card", turned=True)
    draw_bench_card(sheet, history, stage, subject, InstrumentSettings().steady_cents)
    bold = " ".join(word.text for word in sheet.words if word.bold)
    assert f"Across {wanted}: stop at 3.32 mm and tap" in bold
    assert not [word.text for word in sheet.words if "..." in word.text]
    answers = [word for word in sheet.words if word.y_mm > 90.0 and word.anchor == "left"]
    ends = [word.x_mm + text_width_mm(word.text, word.size_pt, word.bold) for word in answers]
    assert max(ends) <= sheet.right_mm - 5.0
    assert max(word.y_mm for word in answers) < sheet.bottom_mm
