"""The cittern of the sample shop, in the middle of its voicing day, recording by recording, held to its truth.

The recordings are computed by ``sample_data/make.py`` from the truth in ``sample_data/truth_*.csv``. Each step is the
stage after a cut; at one the mallet bounced, at another two strings were left undamped. What is printed is taken
from a run after each recording, as during the day. The one repeated set-up of the shop (``again``) is there from the
start.
"""

from __future__ import annotations

import csv
import math
import re
from pathlib import Path
from shutil import copy, copytree

import pytest

from tapbatch import load_readings
from tapbatch.compare.faults import faults_of
from tapbatch.model.history import History
from tests.shops import rows_of, tapbatch

SHOP = Path(__file__).parents[2] / "sample_data"
CITTERN = "cittern-12"
STEPS = range(1, 7)
BOUNCED, RANG = 3, 5
TARGET_HZ = 220.0  # A3 at A4 = 440 Hz (ISO 16)
NUMBER = r"([-+]?[\d.]+)"

Row = dict[str, str]


def of_cittern(table: str) -> list[Row]:
    rows = rows_of(SHOP / f"{table}.csv")
    return [row for row in rows if row.get("instrument", row.get("recording", "")).startswith(CITTERN)]


def true_air_hz(step: int) -> float:
    (row,) = (r for r in of_cittern("truth_modes") if r["mode"] == "air" and r["stage"] == f"06-voicing step {step}")
    return float(row["freq_hz"])


def true_rise(step: int) -> float:
    (row,) = (
        r for r in of_cittern("truth_drift") if r["mode"] == "air" and r["to_stage"] == f"06-voicing step {step}"
    )
    return float(row["freq_change_cents"])


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> dict[int, str]:
    """What a run prints after each step, the cittern first, on one line."""
    shop = tmp_path_factory.mktemp("day") / "shop"
    recordings = SHOP / "recordings" / CITTERN
    copytree(recordings / "05-closed", shop / "recordings" / CITTERN / "05-closed")
    for path in (SHOP / "recordings").glob("kantele-03_10-strung_strung_at-centre_*.wav"):
        copy(path, shop / "recordings")
    (shop / "instruments").mkdir()
    settings = Path("instruments") / f"{CITTERN}.toml"
    (shop / settings).write_bytes((SHOP / settings).read_bytes())
    notes = of_cittern("notes")
    said = {}
    for step in STEPS:
        place = Path("06-voicing") / "closed" / f"step {step}"
        copytree(recordings / place, shop / "recordings" / CITTERN / place)
        with (shop / "notes.csv").open("w", encoding="utf-8", newline="") as out:
            writer = csv.DictWriter(out, notes[0])
            writer.writeheader()
            writer.writerows(notes[: step + 1])
        result = tapbatch("run", shop, "--jobs", "1")
        assert result.status == 0, result.said
        said[step] = " ".join(result.out.split())
    return said


def numbers(pattern: str, text: str) -> list[float]:
    match = re.search(pattern, text)
    assert match, (pattern, text)
    return [float(number) for number in match.groups()]


# ------------------------------------------------------------------- as it was printed that day


@pytest.mark.slow
@pytest.mark.parametrize("step", STEPS)
def test_the_air_is_said_to_have_risen_by_what_the_cut_did(printed: dict[int, str], step: int) -> None:
    assert f"{CITTERN} body, 06-voicing step {step}: air " in printed[step]
    assert "strongest: top " in printed[step]
    before = "05-closed" if step == 1 else f"step {step - 1}"
    low, high = numbers(rf"since {before}: up [\d.]+ c \({NUMBER} to {NUMBER}\) by itself", printed[step])
    assert low <= true_rise(step) <= high


@pytest.mark.slow
@pytest.mark.parametrize("step", STEPS)
def test_what_is_left_and_what_the_next_cut_would_do_are_said(printed: dict[int, str], step: int) -> None:
    left = 1200 * math.log2(TARGET_HZ / true_air_hz(step))
    (to_go,) = numbers(rf"to target A3: {NUMBER} c to rise", printed[step])
    assert to_go == pytest.approx(left, abs=1.0)
    if step < 3:
        assert f"no forecast yet: 3 such cuts are needed, {step} so far" in printed[step]
        return
    low, high = numbers(rf"next such cut \+[\d.]+ c \({NUMBER} to {NUMBER}\)", printed[step])
    if step < len(STEPS):
        assert low <= true_rise(step + 1) <= high
    assert re.search(r"(under )?\d+ % chance to overshoot by 5 c", printed[step])


@pytest.mark.slow
def test_a_fault_stands_on_top_of_the_step_where_it_happened_and_of_no_other(printed: dict[int, str]) -> None:
    faults = {step: text[2:] if text.startswith("! ") else "" for step, text in printed.items()}
    assert faults[BOUNCED].startswith("the mallet bounced, 1 of 5 taps cut short: ")
    assert faults[RANG].startswith("strings rang, ")
    assert {step for step, text in faults.items() if text} == {BOUNCED, RANG}


# ------------------------------------------------------------------- as the sample shop shows it afterwards


@pytest.fixture(scope="module")
def history(sample_shop: Path) -> History:
    return load_readings(sample_shop)[CITTERN]


def test_the_latest_step_is_clean_and_the_target_is_within_two_cuts(sample_shop: Path, history: History) -> None:
    latest = history.of_part("body")[-1]
    assert latest.stage_shown == f"06-voicing step {len(STEPS)}"
    assert faults_of(history, latest) == ()
    (row,) = (r for r in rows_of(sample_shop / "results" / CITTERN / "targets.csv") if r["landing"] == "target")
    assert row["no_forecast"] == ""
    assert 1.0 <= float(row["steps_to_go"]) <= 2.0
    assert 0.0 < float(row["overshoot_pct"]) < 50.0


def test_the_history_keeps_each_fault_at_its_step(history: History) -> None:
    found = {stage.stage_shown: [fault.kind for fault in faults_of(history, stage)] for stage in history.stages}
    wrong = {f"06-voicing step {BOUNCED}": ["bounced"], f"06-voicing step {RANG}": ["strings rang"]}
    assert found == {name: wrong.get(name, []) for name in found}
    assert len(found) == 1 + len(STEPS)


def test_each_partial_of_a_string_that_rang_is_told_from_the_wood(sample_shop: Path) -> None:
    """A stiff string has partials at ``n f_0 sqrt(1 + B n**2)`` (Fletcher, JASA 36, 1964)."""
    strings = [row for row in rows_of(sample_shop / "results" / CITTERN / "modes.csv") if row["flags"] == "string"]
    assert {row["stage"] for row in strings} == {f"06-voicing step {RANG}"}
    true_hz = sorted(
        n * float(s["freq_hz"]) * math.sqrt((1 + b * n**2) / (1 + b))
        for s in of_cittern("truth_strings")
        for b in [float(s["inharmonicity"])]
        for n in (1, 2, 3)
    )
    assert [float(row["freq_hz"]) for row in strings] == pytest.approx(true_hz, rel=1e-4)
