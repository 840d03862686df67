"""Terminal, reading slip, bench card, page and workbook answer the same of the same instrument.

The answers are read back from what each face puts out. The workbook has the numbers with all their digits; every
other face must say them as they round, and all of them alike.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from tapbatch.api import load_readings
from tapbatch.model.history import History
from tapbatch.model.settings import InstrumentSettings
from tapbatch.shop.folder import open_shop
from tapbatch.show.browser.article import card_of
from tapbatch.show.pdf.report import report_bytes
from tapbatch.show.tables.rows import history_to_tables
from tapbatch.show.tables.workbook import workbook_bytes
from tapbatch.show.terminal.readings import arrival_lines
from tests.shops import make_shop, tapbatch, taps
from tests.show.browser.parsed import pages_bytes
from tests.show.view import faces

VERDICTS = {
    "up": "up",
    "up?": "probably up",
    "down": "down",
    "down?": "probably down",
    "steady": "stood still",
    "unclear": "cannot tell",
}
TARGET = '[[target]]\nmode = "main"\nnote = "C#4"\n\n[[mode]]\nlabel = "main"\nnear_hz = 268\nkind = "plate"\n'


@dataclass(frozen=True)
class Said:
    """What the faces say of one instrument, and its workbook."""

    faces: dict[str, faces.Told]
    workbook: dict[str, list[dict[str, object]]]
    stage: str
    part: str

    @property
    def lead(self) -> dict[str, object]:
        rows = self.workbook["modes"]
        return next(r for r in rows if (r["part"], r["stage"], r["lead"]) == (self.part, self.stage, True))

    @property
    def drift(self) -> dict[str, object] | None:
        wanted = (self.part, self.stage, self.lead["mode"])
        return next((r for r in self.workbook["drift"] if (r["part"], r["to_stage"], r["mode"]) == wanted), None)

    def each(self, question: str) -> Iterator[tuple[str, str]]:
        return ((name, told[question]) for name, told in self.faces.items() if question in told)


def said_of(history: History, settings: InstrumentSettings) -> Said:
    stage = max(history.stages, key=lambda s: s.order)
    pdf = report_bytes(history, settings)
    listed, page = pages_bytes([card_of(history, settings)], ())
    lines = arrival_lines(history, stage.heard[0].recording.path, settings.steady_cents)
    told = {
        "slip": faces.of_slip(pdf),
        "card": faces.of_card(pdf),
        "page": faces.of_page(page),
        "list": faces.of_list(listed),
        "terminal": faces.of_terminal([line for line, _ in lines]),
    }
    book = faces.of_workbook(workbook_bytes(history_to_tables(history)))
    return Said(told, book, stage.stage_shown, stage.part)


@pytest.fixture(scope="module")
def simulated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shop of two instruments: one that moved towards a target while strings went on, and one heard once."""
    sounds = {
        "lyre-2_01-thinned_closed_at-centre_1.wav": taps(31, count=3),
        "lyre-2_02-strung_strung_at-centre_1.wav": taps(32, cents=14.0, count=3),
        "rote-1_01-closed_closed_at-centre_1.wav": taps(33, count=1),
    }
    shop = make_shop(tmp_path_factory.mktemp("faces") / "shop", sounds, {"instruments/lyre-2.toml": TARGET})
    assert tapbatch("run", shop).status == 0
    return shop


def read_back(shop: Path) -> list[tuple[History, InstrumentSettings]]:
    opened = open_shop(shop)
    return [(history, opened.settings_of(name)) for name, history in load_readings(shop).items()]


def agree(said: Said) -> None:
    """Fail where two faces answer differently, or one not as the workbook has it."""
    for question in ("note", "moved", "far", "rings", "trust", "t60"):
        answers = dict(said.each(question))
        assert len(set(answers.values())) <= 1, (question, answers)
    lead, drift = said.lead, said.drift
    for face, told in said.each("note"):
        note, cents, sure = told.split(" ", 2)
        assert note == lead["note"], face
        assert rounds_to(lead["cents"], cents), (face, told)
        # The larger of the two intervals is the one that is shown.
        ends = ("freq_anew_high_hz", "freq_anew_low_hz")
        high, low = (lead[end] if lead[end] is not None else lead[end.replace("anew_", "")] for end in ends)
        half = 600 * np.log2(float(str(high)) / float(str(low)))
        assert rounds_to(half, sure.removeprefix("± "), slack=2.0), (face, told)
    for face, told in said.each("moved"):
        if drift is None or drift["verdict"] not in VERDICTS:
            assert not re.search(r"\d", told), face
            continue
        assert told.startswith(VERDICTS[str(drift["verdict"])]), (face, told)
        size = re.search(r"[-+]?[\d.]+", told)
        assert size, (face, told)
        rests_on = {"own": "own_cents", "all": "common_cents"}.get(str(drift["moved"]), "freq_change_cents")
        change = float(str(drift[rests_on]))
        assert rounds_to(change if size[0][0] in "+-" or not change else abs(change), size[0]), (face, told)
    for face, told in said.each("t60"):
        assert rounds_to(lead["t60_s"], told) if told else lead["t60_s"] is None, (face, told)
    for face, told in said.each("far"):
        landings = [r for r in said.workbook["targets"] if r["stage"] == said.stage and r["part"] == said.part]
        distances = [r["cents_to_go"] for r in landings if r["mode"] == lead["mode"]] or [
            r["cents_to_go"] for r in landings
        ]
        size = re.search(r"([\d.]+) c", told)
        assert not size or any(rounds_to(abs(float(str(d))), size[1]) for d in distances), (face, told)
    for face, told in said.each("flags"):
        for flag in filter(None, str(lead["flags"] or "").split(";")):
            assert flag in told, (face, flag)
    differed = str((drift or {}).get("caution") or "")
    for face, told in said.each("differed"):
        assert told == differed, face
    stands = said.faces["terminal"]["stands"]
    assert differed in stands
    assert brief_way(said.faces["slip"].get("far", "")) in stands


def brief_way(told: str) -> str:
    """How far of an answer to how far, such as ``9.5 c down``."""
    return told.partition(": ")[2]


def rounds_to(value: object, text: str, slack: float = 1.0) -> bool:
    """Whether a number is a value rounded to the places that it has; ``slack`` in half units of the last."""
    places = len(text.partition(".")[2])
    return abs(float(str(value)) - float(text)) <= slack * 0.5000001 * 10.0**-places


@pytest.mark.parametrize(
    "name",
    [
        "whole",
        "one stage, one tap",
        pytest.param("forty stages", marks=pytest.mark.slow),
        "strung",
        "cautions galore",
    ],
)
def test_stages_made_by_hand(histories: dict[str, Callable[[], History]], name: str) -> None:
    agree(said_of(histories[name](), InstrumentSettings()))


def test_a_simulated_shop(simulated: Path) -> None:
    for history, settings in read_back(simulated):
        said = said_of(history, settings)
        agree(said)
        assert ("far" in said.faces["slip"]) == ("far" in said.faces["card"]) == ("far" in said.faces["page"])


@pytest.mark.slow
def test_the_sample_shop(sample_shop: Path) -> None:
    told = [said_of(history, settings) for history, settings in read_back(sample_shop)]
    assert len(told) == 2
    for said in told:
        agree(said)
        assert {"moved", "far", "rings", "trust"} <= said.faces["slip"].keys()
