"""How long it rings: two dots at least, and what strings that rang along did is no sure reading."""

from __future__ import annotations

from dataclasses import replace

from tapbatch.model.history import History, Stage
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.draw.chart import SCREEN, Chart, Sheet
from tapbatch.show.draw.sustain import rings_chart, sustain_chart

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


def test_on_a_screen_each_name_is_whole_and_says_what_was_plucked(whole: History) -> None:
    """The same band of taps and of plucked strings would else stand there twice under one name."""
    last = whole.of_part("body")[-1]
    taps = tuple(d for d in last.decays if d.kind == "tap" and d.t60_s)[:3]
    assert taps
    plucked = tuple(replace(d, kind="pluck") for d in taps)
    named = tuple(replace(m, note="G#5", cents=-48.3) for m in last.modes)
    stage = replace(last, decays=(*taps, *plucked), modes=named)
    chart = rings_chart(whole, (stage,), SETTINGS, SCREEN, most=8)
    assert chart is not None
    names = [word.text for word in chart.words if word.x_mm == 0.0]
    assert len(names) == len(set(names))
    assert not [name for name in names if "..." in name]
    assert sum(name.startswith("plucked, ") for name in names) == len(plucked)
