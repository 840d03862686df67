"""The words of names, flags, verdicts, cautions and notices: docs/words.md says what the code says."""

from __future__ import annotations

import re
from typing import get_args

from tapbatch.box.air import vapour_cents
from tapbatch.compare.weighing import (
    CENTS_A_PCT_OF_TENSION,
    CLOCKS_CENTS,
    COMMON_K,
    COMMON_PCT,
    damp_cents,
    warmth_cents,
)
from tapbatch.model import names
from tapbatch.model.caution import Caution, CautionKind
from tapbatch.model.history import NoForecast
from tapbatch.model.notice import KINDS, KINDS_OF_RECORDING
from tapbatch.show.say import moves, words
from tapbatch.show.say.cautions import EXPLANATIONS, caution_text, unnoted_text
from tapbatch.show.say.notices import notice_text
from tests.documentation import promised
from tests.documentation.pages import ROOT, coded, first_cells, page, section, table
from tests.show.say.examples import NOTICES

WORDS = page("docs/words.md")

# One of each kind, as the page shows them.
CAUTIONS = (
    Caution("state", before=("free",), after=("closed",)),
    Caution("points", before=("bridge",), after=("edge",)),
    Caution("codec", before=("lossless",), after=("lossy",)),
    Caution("sample rate", before_rates_hz=(44100,), after_rates_hz=(48000,)),
    Caution("recorder", before=("Pocket A",), after=("Field B",)),
    Caution("method", before=("15",), after=("18",)),
    Caution("level", louder_db=7.0),
    Caution("concert pitch", before_hz=431.0, after_hz=440.0),
    Caution("strings", after_cents=-14.0),
    Caution("days", days=14),
    # A rigid box: 600 log2(T) cents, that is 2.95 cents a degree at 20 C.
    Caution("temperature", before_c=20.0, after_c=24.0, air_cents=4 * 2.95),
    Caution("humidity", before_pct=45.0, after_pct=47.0),
    # Tension goes with the square of the frequency (Mersenne).
    Caution("string pitch", before_hz=435.0, after_hz=440.0, tension_pct=100 * ((440 / 435) ** 2 - 1)),
    Caution("new strings"),
    Caution("one tap"),
    Caution("reference", before=("Bar-1",), moved_cents=2.1, half_cents=1.5, days=1),
    Caution("identity"),
)


def flags_in_code() -> set[str]:
    """Return the flags that the package gives out: those added one by one, wherever that is."""
    sources = "\n".join(path.read_text("utf-8") for path in (ROOT / "tapbatch").rglob("*.py"))
    found = set(re.findall(r"flags\.(?:append|add)\(\s*\"([^\"]+)\"", sources))
    assert {"few-taps", "hum"} <= found
    return found


def test_every_flag_is_explained() -> None:
    explained = first_cells(section(WORDS, "## Flags"))
    assert set(explained) == set(words.FLAGS) | flags_in_code()
    assert set(explained) >= promised.FLAGS
    assert len(explained) == len(set(explained))


def test_every_reason_for_no_forecast_is_explained() -> None:
    kinds = first_cells(section(page("docs/report.md"), "### Where it may settle"))
    assert set(kinds) == set(get_args(NoForecast))
    assert len(kinds) == len(set(kinds))


def test_every_flag_says_what_to_do() -> None:
    assert all(len(row) == 3 and row[2] for row in table(section(WORDS, "## Flags")))


def test_every_verdict_is_explained_as_it_is_said() -> None:
    rows = table(section(WORDS, "## Verdicts"))
    assert {coded(row[0])[0]: row[1] for row in rows} == dict(moves.VERDICTS)


def test_every_caution_is_explained_and_reads_as_shown() -> None:
    rows = {coded(row[0])[0]: row for row in table(section(WORDS, "## Cautions"))}
    assert list(rows) == list(get_args(CautionKind))
    assert all(row[2] for row in rows.values())
    shown = {kind: coded(row[1])[0] for kind, row in rows.items()}
    assert shown == {caution.kind: caution_text(caution) for caution in CAUTIONS}


def test_what_a_caution_can_do_is_said_with_the_figures_that_weigh_it() -> None:
    text = section(WORDS, "## What is orange")
    rows = {kind: row[1] for row in table(text) for kind in coded(row[0])}
    assert set(rows) <= set(get_args(CautionKind))
    air = warmth_cents(20.0, 21.0, "air")
    damp = air + vapour_cents(21.0, 50.0) - vapour_cents(20.0, 50.0)
    wood = abs(warmth_cents(20.0, 21.0, "plate"))
    assert all(f"{cents} cents" in rows["temperature"] for cents in (f"{air:.2f}", f"{wood:.1f}"))
    assert f"{air:.2f} cents" in EXPLANATIONS["temperature"]
    assert all(f"{damp:.2f} at equal relative humidity" in said for said in (text, EXPLANATIONS["temperature"]))
    assert f"{abs(damp_cents(49.5, 50.5, 'plate')):.0f} cents" in rows["humidity"]
    assert f"{damp_cents(49.5, 50.5, 'air'):.2f} cents" in rows["humidity"]
    assert f"{CENTS_A_PCT_OF_TENSION:g} cent for each per cent of tension" in rows["strings"]
    assert f"{CLOCKS_CENTS:.1f} cents" in rows["recorder"]
    assert f"{COMMON_K:g} °C and {COMMON_PCT:g} %" in text
    unnoted = Caution("temperature", can_cents=warmth_cents(20.0, 20.0 + COMMON_K, "air"))
    assert unnoted_text([unnoted]) in text


def test_every_notice_is_explained_and_reads_as_shown() -> None:
    rows = {coded(row[0])[0]: row for row in table(section(page("docs/notices.md"), "## Notices"))}
    assert set(rows) == set(KINDS)
    assert list(rows)[: len(KINDS_OF_RECORDING)] == list(KINDS_OF_RECORDING)
    of_recording = {kind: rows[kind] for kind in KINDS_OF_RECORDING}
    assert all(len(row) == 4 and all(row) for row in of_recording.values())
    shown = {kind: coded(row[1])[0] for kind, row in of_recording.items() if kind != "other"}
    assert shown == {kind: notice_text(NOTICES[kind]) for kind in KINDS_OF_RECORDING if kind != "other"}


def test_the_words_of_names() -> None:
    rows = {row[0].split(",")[0]: set(coded(row[1])) for row in table(section(WORDS, "## Words in names"))}
    assert rows["kind"] == set(names.KINDS)
    assert rows["part"] == set(names.PARTS)
    assert rows["state"] == set(names.STATES)
    assert set(names.MARKS) == (rows["series"] | rows["set-up"])
    assert set(names.NAMED) == {"at-", "spot-"}
    assert "at-" in rows["point"]
    assert "spot-" in rows["spot"]


def test_the_names_given_as_examples_are_understood() -> None:
    for text in (section(WORDS, "## Words in names"), section(page("README.md"), "## Naming a recording")):
        named = re.findall(r"^recordings/(\S.*)$", text, re.MULTILINE)
        stages = [names.parse_name(name) for name in named]
        assert len(stages) == 2
        assert {(s.instrument, s.stage, s.kind, s.state) for s in stages} == {
            ("cittern-07", "03-bars-fitted", "tap", "free")
        }


def test_steps_and_a_second_setting_up_are_named_as_shown() -> None:
    shown = re.findall(r"^(cittern-07_\S+\.wav)$", page("docs/recording.md"), re.MULTILINE)
    stages = [names.parse_name(name) for name in shown]
    assert [(s.stage, s.step, s.again, s.take) for s in stages] == [
        ("05-voicing", True, False, 1),
        ("05-voicing", True, False, 2),
        ("06-bars-carved", False, False, 1),
        ("06-bars-carved", False, True, 2),
    ]
