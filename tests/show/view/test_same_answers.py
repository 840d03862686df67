"""Terminal, reading slip, bench card, page and workbook answer the same of the same instrument.

The answers are read back from what each face puts out. The workbook has the numbers with all their digits; every
other face must say them as they round, and all of them alike.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from tapbatch.api import load_readings
from tapbatch.compare.faults import faults_of
from tapbatch.model.history import History, WorkedOn
from tapbatch.model.settings import InstrumentSettings
from tapbatch.shop.folder import open_shop
from tapbatch.show.browser.article import card_of
from tapbatch.show.pdf.report import report_bytes
from tapbatch.show.say.faults import fault_text
from tapbatch.show.say.words import flag_text, note_text
from tapbatch.show.tables.rows import history_to_tables
from tapbatch.show.tables.workbook import workbook_bytes
from tapbatch.show.terminal.told import arrival_lines, stage_lines
from tapbatch.show.view.answers import standing_text
from tests.shops import make_shop, tapbatch, taps
from tests.show.browser.parsed import pages_bytes, parse
from tests.show.view import faces

VERDICTS = {
    "up": "up",
    "up?": "probably up",
    "down": "down",
    "down?": "probably down",
    "steady": "did not move",
    "unclear": "cannot tell",
}
# What a fault says in place of a flag.
SAID_AS = {"one-setup": "one set-up only", "gain": "automatic gain", "string": "strings rang"}
TARGET = '[[target]]\nmode = "main"\nnote = "C#4"\n\n[[mode]]\nlabel = "main"\nnear_hz = 268\nkind = "plate"\n'


@dataclass(frozen=True)
class Said:
    """What the faces say of one instrument, and its workbook."""

    faces: dict[str, faces.Told]
    workbook: dict[str, list[dict[str, object]]]
    stage: str
    part: str

    @property
    def first(self) -> dict[str, object]:
        """The mode that the workbook marks as worked on."""
        rows = self.workbook["modes"]
        return next(r for r in rows if (r["part"], r["stage"], r["working_on"]) == (self.part, self.stage, True))

    @property
    def drift(self) -> dict[str, object] | None:
        wanted = (self.part, self.stage, self.first["mode"])
        return next((r for r in self.workbook["drift"] if (r["part"], r["to_stage"], r["mode"]) == wanted), None)

    def each(self, question: str) -> Iterator[tuple[str, str]]:
        return ((name, told[question]) for name, told in self.faces.items() if question in told)


def said_of(history: History, settings: InstrumentSettings) -> Said:
    stage = max(history.stages, key=lambda s: s.order)
    pdf = report_bytes(history, settings)
    listed, page = pages_bytes([card_of(history, settings)], ())
    lines = arrival_lines(history, stage.heard[0].recording.path, settings.steady_cents, full=True)
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


_UNNOTED = re.compile(r"(?:temperature|humidity) not noted \([^)]*\);?")
"""What the notes do not tell follows what is known to differ; no table has it."""

_LITTLE = re.compile(r" ?also differs, too little to matter[^:]*: ")
"""What parts the differences that can do much from the others."""


def agree(said: Said) -> None:
    """Fail where two faces answer differently, or one not as the workbook has it."""
    for question in ("note", "moved", "far", "rings", "trust", "t60"):
        answers = dict(said.each(question))
        assert len(set(answers.values())) <= 1, (question, answers)
    first, drift = said.first, said.drift
    for face, told in said.each("note"):
        note, cents, sure = told.split(" ", 2)
        assert note == first["note"], face
        assert rounds_to(first["cents"], cents), (face, told)
        # The larger of the two intervals is the one that is shown.
        ends = ("freq_anew_high_hz", "freq_anew_low_hz")
        high, low = (first[end] if first[end] is not None else first[end.replace("anew_", "")] for end in ends)
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
        assert rounds_to(first["t60_s"], told) if told else first["t60_s"] is None, (face, told)
    for face, told in said.each("far"):
        landings = [r for r in said.workbook["targets"] if r["stage"] == said.stage and r["part"] == said.part]
        distances = [r["cents_to_go"] for r in landings if r["mode"] == first["mode"]] or [
            r["cents_to_go"] for r in landings
        ]
        size = re.search(r"([\d.]+) c", told)
        assert not size or any(rounds_to(abs(float(str(d))), size[1]) for d in distances), (face, told)
    for face, told in said.each("flags"):
        for flag in filter(None, str(first["flags"] or "").split(";")):
            assert flag_text(flag) in told or SAID_AS.get(flag, flag) in told, (face, flag)
    # What can do much comes first, so the order is not that of the table.
    differed = {piece for piece in str((drift or {}).get("caution") or "").split("; ") if piece}
    stands = said.faces["terminal"]["stands"]
    assert all(piece in stands for piece in differed)
    heavy = {piece for piece in differed if piece in _LITTLE.split(stands)[0]}
    for face, told in said.each("differed"):
        pieces = _UNNOTED.sub("", _LITTLE.sub("; ", told)).split("; ")
        # A face without room for all says what can do much.
        assert heavy <= {piece.strip(" ,") for piece in pieces if piece.strip(" ,")} <= differed, face
        assert re.findall(_UNNOTED, told) == re.findall(_UNNOTED, stands), face
    told, ways = brief_way(said.faces["slip"].get("far", "")), faces.ways_of(stands)
    if told.startswith("stop at "):
        # A board is told at which thickness to stop, for the same target as in the terminal.
        whose = said.faces["slip"]["far"].removesuffix(f": {told}")
        assert re.search(rf"{re.escape(whose)} \([^)]*\): {re.escape(told)};", stands.lower()), told
    elif told == "there, surely":
        assert ", surely: " in stands  # the slip leaves out a distance that is within the tolerance for sure
    elif told.startswith("there"):
        assert any(f"{size} c" in told for size, _ in ways), told
    else:
        assert not told or any(way in told and rounds_to(told.split()[0], size) for size, way in ways), told


def brief_way(told: str) -> str:
    """How far of an answer to how far, such as ``9.5 c to fall``."""
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


@pytest.mark.parametrize("name", ["whole", "cautions galore"])
def test_the_strongest_fault_is_on_top_of_every_face(histories: dict[str, Callable[[], History]], name: str) -> None:
    history, settings = histories[name](), InstrumentSettings()
    stage = max(history.stages, key=lambda s: s.order)
    fault, *behind = [fault_text(f) for f in faults_of(history, stage, settings.steady_cents)]
    slip, card = (faces.flat(text) for text in faces.pages_of(report_bytes(history, settings))[:2])
    page = faces.flat(parse(pages_bytes([card_of(history, settings)], ())[1]).one("article").text)
    lines = stage_lines(history, stage, settings.steady_cents)
    terminal = faces.flat(" ".join(line for line, _ in lines))
    assert terminal.startswith(f"! {fault}")
    for text in (slip, card, page):
        assert text.index(fault) < text.index("Moved?")
        assert all(text.index(fault) < text.index(more.partition(":")[0]) for more in behind)


def working_on(history: History, mode: str) -> History:
    """The history with a mode as what the maker works on at the latest stage."""
    stage = max(history.stages, key=lambda s: s.order)
    heard = any(m.mode == mode for m in stage.modes)
    worked_on = WorkedOn(part=stage.part, stage=stage.stage, mode=mode, heard=heard, because="label")
    return replace(history, worked_on=(worked_on,))


@pytest.mark.parametrize("mode", ["air", "r6", "main"])
def test_all_faces_put_what_is_worked_on_first(whole: History, mode: str) -> None:
    said = said_of(working_on(whole, mode), InstrumentSettings())
    agree(said)
    assert said.first["mode"] == mode
    report = report_bytes(working_on(whole, mode), InstrumentSettings())
    slip, card = (faces.flat(page) for page in faces.pages_of(report)[:2])
    page = parse(pages_bytes([card_of(working_on(whole, mode), InstrumentSettings())], ())[1]).one("article").text
    lead = max(whole.stages, key=lambda s: s.order).lead
    assert lead is not None
    # The strongest follows in one line, if it is another.
    for face in (slip, card, page):
        assert face.count("strongest: ") == (mode != lead.mode)
        assert (f"strongest: {lead.mode} {lead.note}" in face) is (mode != lead.mode)
    # Its name stands beside its note.
    assert f"{mode} {said.first['note']}" in said.faces["terminal"]["stands"]


def test_all_faces_say_that_what_is_worked_on_was_not_heard(whole: History) -> None:
    *earlier, latest = whole.stages
    stages = (*earlier, replace(latest, modes=tuple(m for m in latest.modes if m.mode != "air")))
    kept = tuple(landing for landing in whole.landings if landing.mode != "air")
    history = working_on(replace(whole, stages=stages, landings=kept), "air")
    settings = InstrumentSettings()
    slip, card = (faces.flat(page) for page in faces.pages_of(report_bytes(history, settings))[:2])
    listed, page = map(parse, pages_bytes([card_of(history, settings)], ()))
    last = next(m for m in earlier[-1].modes if m.mode == "air")
    for face in (slip, card, page.one("article").text):
        assert re.search(r"air ?not heard in this recording", face)
        assert f"last heard at {earlier[-1].stage_shown}: {last.note}" in face
        assert "strongest: main" in face
        assert "No reading" in face
    assert "air not heard in this recording" in listed.one("table", id="all").text
    assert standing_text(history, stages[-1]).endswith(f"last heard at {earlier[-1].stage_shown}: {note_text(last)}")
    # No other mode takes its place.
    assert not [*page.one("article").all("p", class_="note")]
    assert not any(row["working_on"] for row in history_to_tables(history)["modes"] if row["stage"] == "09-settled")


def test_a_simulated_shop(simulated: Path) -> None:
    for history, settings in read_back(simulated):
        said = said_of(history, settings)
        agree(said)
        assert ("far" in said.faces["slip"]) == ("far" in said.faces["card"]) == ("far" in said.faces["page"])


@pytest.mark.slow
def test_the_sample_shop(sample_shop: Path) -> None:
    told = [said_of(history, settings) for history, settings in read_back(sample_shop)]
    assert len(told) == 6
    for said in told:
        agree(said)
        assert said.faces["slip"].keys() >= {"moved", "far", "rings", "trust"}
        assert said.faces["page"].keys() >= {"moved", "far", "rings", "trust"}
        assert "far" in said.faces["card"]
        # A board has a size and no way: it is told where to stop planing.
        if said.part == "blank":
            assert re.fullmatch(r"[^:]+: stop at [\d.]+ mm and tap", said.faces["slip"]["far"])
