"""Before and after, and the strings: what the two pages say, from readings made by hand. No pixels."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest

from tapbatch.compare.before_after import side_by_side
from tapbatch.compare.history import build_history
from tapbatch.compare.tension import total_tension_n
from tapbatch.model.caution import Caution, NoVerdict
from tapbatch.model.history import History
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.draw.strings import DANGER
from tapbatch.show.pdf.report import report_sheets
from tapbatch.show.say.cautions import caution_text, no_verdict_text
from tapbatch.show.say.moves import NO_LOUDNESS
from tapbatch.show.terminal.comparison import comparison_lines, rings_text
from tapbatch.show.view.besides import TOO_LITTLE
from tests.compare.builds import item
from tests.compare.test_before_after import CITTERN, side
from tests.compare.test_open_strings import D4, G3, cents_up, plucked, tone

TWO = CITTERN.model_copy(update={"strings": CITTERN.strings[:2], "playing_pitch_hz": 415.0})


@pytest.fixture(scope="module")
def built() -> History:
    rng = np.random.default_rng(2)
    items = [side("c_01-a_1.wav", 0.4, rng), side("c_02-b_1.wav", 0.7, rng)]
    for name, cents in (("c_01-a_pluck.wav", 0.0), ("c_02-b_pluck.wav", -14.0)):
        sounded = [tone(cents_up(G3, cents), 4.0, 2.0), tone(cents_up(D4, -1))] * 2
        items.append(item(name, plucked(*sounded), kind="pluck"))
    return build_history("cittern-07", items, TWO, {})[0]


def page(history: History, title: str, settings: InstrumentSettings = TWO) -> str:
    sheets = [sheet.finished() for sheet in report_sheets(history, settings)]
    return " ".join(word.text for sheet in sheets if sheet.title == title for word in sheet.words)


def test_the_page_says_what_rings_longer_and_what_differed(built: History) -> None:
    text = page(built, "Before and after")
    assert "01-a, then 02-b" in text
    # By its tension, 14 cents on a string do less than a third of any interval here.
    assert f"{TOO_LITTLE}: {caution_text(Caution('strings', after_cents=-14.0))}" in text
    assert "longer, +7" in text
    assert "string 1, G3" in text
    assert "ISO 3382-1:2009" in text
    assert NO_LOUDNESS in text


def test_the_strings_page_says_cents_course_and_both_pulls(built: History) -> None:
    text = page(built, "Strings")
    for said in ("-14.0 c", "4.0 c", "double", "0.000100"):
        assert said in text
    for pitch_hz in (440.0, 415.0):
        assert f"{total_tension_n(TWO, pitch_hz):.0f} N" in text
    assert DANGER in text


def test_the_interval_of_a_string_is_drawn_round_its_dot(histories: dict[str, Callable[[], History]]) -> None:
    history = histories["strung"]()
    marks = [mark for sheet in report_sheets(history, InstrumentSettings()) for mark in sheet.marks]
    (dot,) = next(m.pieces[0] for m in marks if m.shape == "dots" and m.name == "string 1")
    (bar,) = next(m.pieces for m in marks if m.shape == "lines" and m.name == "interval 1")
    string = history.stages[-1].strings[0]
    below, above = dot[0] - bar[0][0], bar[1][0] - dot[0]
    cents = [1200 * np.log2(f / string.freq_hz) for f in (string.freq_low_hz, string.freq_high_hz)]
    assert below / above == pytest.approx(-cents[0] / cents[1], rel=1e-3)


def test_without_plucks_there_is_no_strings_page(histories: dict[str, Callable[[], History]]) -> None:
    assert page(histories["whole"](), "Strings", InstrumentSettings()) == ""


def test_one_stage_has_nothing_before_it(histories: dict[str, Callable[[], History]]) -> None:
    assert page(histories["one stage, one tap"](), "Before and after", InstrumentSettings()) == ""


def test_lines_fit_the_terminal_whatever_the_names(built: History) -> None:
    before, after = built.stages
    long = [
        dataclasses.replace(s, stage_shown=s.stage_shown + " with a name that goes on" * 5) for s in (before, after)
    ]
    lines = [line for line, _ in comparison_lines(side_by_side(long[0], long[1], TWO))]
    assert max(map(len, lines)) <= 80
    assert sum(line.startswith("Loudness") for line in lines) == 1


def test_a_reason_that_holds_for_all_is_said_once(built: History) -> None:
    before, after = built.stages
    free = dataclasses.replace(before, state="free")
    lines = [line for line, _ in comparison_lines(side_by_side(free, after, TWO))]
    held = NoVerdict("state", Caution("state", before=("free",), after=("",)))
    assert " ".join(" ".join(lines).split()).count(no_verdict_text(held)) == 2, "as a caution, and as the reason"
    found = side_by_side(free, after, TWO)
    assert no_verdict_text(held) in rings_text(found.sustain[0])
