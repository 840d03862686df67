"""How long it rings: two dots at least, and what strings that rang along did is no sure reading."""

from __future__ import annotations

from dataclasses import replace

from tapbatch.model.history import History, Stage
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.draw.chart import Chart, Sheet
from tapbatch.show.draw.sustain import sustain_chart

LOOK = Sheet("A4", "").inner
SETTINGS = InstrumentSettings()


def drawn(history: History, stages: tuple[Stage, ...]) -> Chart | None:
    return sustain_chart(replace(history, stages=stages), stages, SETTINGS, LOOK)


def test_a_lone_dot_is_no_chart(whole: History) -> None:
    first, *rest = whole.of_part("body")
    silent = tuple(replace(s, modes=(), decays=()) for s in rest)
    assert drawn(whole, (first, *silent)) is None
    assert drawn(whole, (first, *rest)) is not None


def test_where_strings_rang_along_the_whole_sound_is_unsure(whole: History) -> None:
    first, *rest = whole.of_part("body")
    rang = replace(first, modes=tuple(replace(m, flags=("string",)) for m in first.modes))
    roles = []
    for stages in ((first, *rest), (rang, *rest)):
        chart = drawn(whole, stages)
        assert chart is not None
        roles.append({m.role for m in chart.marks if m.shape == "dots" and "whole sound" in m.name})
    assert "unsure reading" not in roles[0]
    assert "unsure reading" in roles[1]
