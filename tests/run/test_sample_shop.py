"""The sample shop, run from its folder to its tables and reports, and held to the truth its maker wrote down.

The recordings are computed by ``sample_data/make.py`` from the truth in ``sample_data/truth_*.csv``; the tool sees
only the sound. Each tap scatters about the truth by 0.5 cent and 0.5 per cent, and a set-up by 0.8 cent and 1.5 per
cent, so five taps tell a mode's frequency to about 0.2 cent at best.
"""

from __future__ import annotations

import math
import re
import statistics
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from tapbatch.model.caution import Caution
from tapbatch.show.say.cautions import PARTED_BY, caution_text
from tests.shops import rows_of, tapbatch

SHOP = Path(__file__).parents[2] / "sample_data"
BOARD = "spruce-07"
INSTRUMENTS = ("cittern-09", "cittern-11", "cittern-12", "kantele-03", "psaltery-11")
ALL = (BOARD, *INSTRUMENTS)
# no two true modes at one stage lie nearer than this, and nothing the maker scatters reaches as far
SAME_CENTS = 10.0

Row = dict[str, str]


@dataclass(frozen=True)
class Ran:
    """The results folder, the status of the run, and what it said as one line."""

    results: Path
    status: int
    said: str

    def table(self, instrument: str, name: str) -> list[Row]:
        return rows_of(self.results / instrument / f"{name}.csv")


@dataclass(frozen=True)
class Pair:
    """A true mode at a stage and the row of ``modes.csv`` that stands for it."""

    true: Row
    read: Row

    @property
    def cents(self) -> float:
        return 1200 * math.log2(float(self.read["freq_hz"]) / float(self.true["freq_hz"]))

    @property
    def t60_pct(self) -> float:
        return 100 * (float(self.read["t60_s"]) / float(self.true["t60_s"]) - 1)

    def inside(self, name: str, unit: str) -> bool:
        low, high = (float(self.read[f"{name}_{end}_{unit}"]) for end in ("low", "high"))
        return low <= float(self.true[f"{name}_{unit}"]) <= high


@dataclass(frozen=True)
class Matched:
    """All true modes that were found, those that were not, what was found where nothing is, and ringing strings."""

    pairs: tuple[Pair, ...]
    missed: tuple[Row, ...]
    false: tuple[Row, ...]
    strings: tuple[Row, ...]


@pytest.fixture(scope="module")
def ran(sample_shop: Path) -> Ran:
    status, said = (sample_shop.parent / "said.txt").read_text(encoding="utf-8").split("\n", 1)
    return Ran(sample_shop / "results", int(status), " ".join(said.split()))


@pytest.fixture(scope="module")
def matched(ran: Ran) -> Matched:
    pairs: list[Pair] = []
    missed: list[Row] = []
    false: list[Row] = []
    strings: list[Row] = []
    truth = rows_of(SHOP / "truth_modes.csv")
    for instrument in INSTRUMENTS:
        by_stage = defaultdict(list)
        for row in ran.table(instrument, "modes"):
            if row["state"] != "covered":
                by_stage[row["part"], row["stage"]].append(row)
        for true in (row for row in truth if row["instrument"] == instrument):
            left = by_stage[true["part"], true["stage"]]
            near = [row for row in left if abs(Pair(true, row).cents) < SAME_CENTS]
            if near:
                best = min(near, key=lambda row: abs(Pair(true, row).cents))
                left.remove(best)
                pairs.append(Pair(true, best))
            else:
                missed.append(true)
        left_over = [row for rows in by_stage.values() for row in rows]
        strings += [row for row in left_over if "string" in row["flags"]]
        false += [row for row in left_over if "string" not in row["flags"]]
    return Matched(tuple(pairs), tuple(missed), tuple(false), tuple(strings))


@pytest.fixture(scope="module")
def name_of(matched: Matched) -> Callable[[str, str, str], str]:
    """The identity that the tool gave a true mode of an instrument's part, at the first stage where it is there."""
    names: dict[tuple[str, str, str], str] = {}
    for p in matched.pairs:
        names.setdefault((p.true["instrument"], p.true["part"], p.true["mode"]), p.read["mode"])
    return lambda instrument, part, mode: names[instrument, part, mode]


def plucked_in(ran: Ran) -> set[str]:
    return {r["recording"] for i in INSTRUMENTS for r in ran.table(i, "recordings") if r["kind"] == "pluck"}


@pytest.mark.slow
def test_the_slip_of_a_thumb_is_the_only_thing_that_needs_attention(ran: Ran) -> None:
    assert ran.status == 1
    (row,) = rows_of(ran.results / "attention.csv")
    assert row["where"] == "kantele-03_02-top-thinned_tpo_free_at-centre_2.wav"
    assert "'tpo'" in row["problem"]
    assert "'top'" in row["remedy"]
    # and it is printed, once
    assert ran.said.count(row["where"]) == 1


def test_every_other_recording_is_in_the_tables(ran: Ran) -> None:
    paths = {p.relative_to(SHOP / "recordings").as_posix() for p in (SHOP / "recordings").rglob("*") if p.is_file()}
    listed = [row["recording"] for i in ALL for row in ran.table(i, "recordings")]
    assert sorted([*listed, "kantele-03_02-top-thinned_tpo_free_at-centre_2.wav"]) == sorted(paths)
    stages = [(row["part"], row["stage"]) for row in ran.table("kantele-03", "modes")]
    true = [(r["part"], r["stage"]) for r in rows_of(SHOP / "truth_modes.csv") if r["instrument"] == "kantele-03"]
    assert list(dict.fromkeys(stages)) == list(dict.fromkeys(true))


# ------------------------------------------------------------------- taps


def test_every_tap_is_found_and_placed_and_nothing_else_is_used(ran: Ran) -> None:
    events = defaultdict(list)
    for row in rows_of(SHOP / "truth_taps.csv"):
        events[row["recording"]].append(row)
    plucked = plucked_in(ran)
    assert len(plucked) == 1
    worst_s = 0.0
    for instrument in ALL:
        heard = defaultdict(list)
        for row in ran.table(instrument, "taps"):
            heard[row["recording"]].append(row)
        for recording, rows in heard.items():
            wanted = ("pluck",) if recording in plucked else ("tap",)
            true = [float(e["onset_s"]) for e in events[recording] if e["what"] in wanted]
            used = [float(row["onset_s"]) for row in rows if row["used"] == "true"]
            assert len(used) == len(true), recording
            worst_s = max([worst_s, *(abs(a - b) for a, b in zip(used, true, strict=True))])
            # nothing is turned down without a reason, and nothing that is used has one
            assert all((row["used"] == "true") == (row["reason"] == "") for row in rows)
    assert worst_s <= 0.005


def test_knocks_are_turned_down_by_name_and_bounces_end_the_decay(ran: Ran) -> None:
    rows = {i: ran.table(i, "taps") for i in INSTRUMENTS}
    for event in rows_of(SHOP / "truth_taps.csv"):
        at_s, recording = float(event["onset_s"]), event["recording"]
        near = [
            row
            for table in rows.values()
            for row in table
            if row["recording"] == recording and abs(float(row["onset_s"]) - at_s) < 0.02
        ]
        if event["what"] in ("bounce", "knock", "speech"):
            assert all(row["used"] == "false" for row in near), event
        if event["what"] == "knock":
            assert [row["reason"] for row in near if "knock" in row["reason"]], event


# ------------------------------------------------------------------- modes


def test_every_true_mode_is_found_and_no_other(matched: Matched) -> None:
    total = len(matched.pairs) + len(matched.missed)
    assert total == len(rows_of(SHOP / "truth_modes.csv"))
    assert len(matched.missed) <= 0.01 * total, matched.missed
    assert matched.false == ()
    # strings are no modes of the wood; those that rang are held to their truth in test_sample_day.py
    assert {row["stage"] for row in matched.strings} == {"06-voicing step 5"}


def test_frequencies_and_decay_times_are_true_to_a_fraction_of_a_cent_and_per_cent(matched: Matched) -> None:
    assert statistics.median(abs(p.cents) for p in matched.pairs) < 0.5
    assert statistics.median(abs(p.t60_pct) for p in matched.pairs) < 1.0
    # and none is far off, though a set-up moves by 0.8 cent and 1.5 per cent (one standard deviation)
    assert max(abs(p.cents) for p in matched.pairs) < 3.0
    assert max(abs(p.t60_pct) for p in matched.pairs) < 10.0


def test_intervals_hold_the_truth_as_often_as_they_say(matched: Matched) -> None:
    # of 223 intervals at 95 %, 200 (nine in ten) or fewer hold with a chance of 1 in 1100: the binomial distribution
    for name, unit in (("freq", "hz"), ("t60", "s")):
        share = statistics.fmean(p.inside(name, unit) for p in matched.pairs)
        assert share >= 0.90, (name, [p for p in matched.pairs if not p.inside(name, unit)])


def test_intervals_are_not_wide_for_safety(matched: Matched) -> None:
    # five taps that scatter by 0.5 cent: Student's t with 4 degrees of freedom gives 2.78 * 0.5 / sqrt(5) = 0.62;
    # set-ups that scatter by 0.8 cent, learned from one that was repeated (4 degrees at most): 2.78 * 0.8 = 2.2
    halves = [600 * math.log2(float(p.read["freq_high_hz"]) / float(p.read["freq_low_hz"])) for p in matched.pairs]
    assert statistics.median(halves) < math.hypot(0.62, 2.2)


def test_a_set_up_that_was_repeated_is_learned_from_everywhere(matched: Matched) -> None:
    assert {flag for p in matched.pairs for flag in p.read["flags"].split(";")} & {"one-setup"} == set()


def test_identities_hold_through_all_stages_and_use_the_labels(
    matched: Matched, name_of: Callable[[str, str, str], str]
) -> None:
    given = defaultdict(set)
    for p in matched.pairs:
        given[p.true["instrument"], p.true["part"], p.true["mode"]].add(p.read["mode"])
    assert {key: names for key, names in given.items() if len(names) > 1} == {}
    # cup and wave of the top cross between 02-top-thinned and 05-bars-fitted, and are still two
    assert name_of("kantele-03", "top", "cup") != name_of("kantele-03", "top", "wave")
    for part, label in (("body", "air"), ("body", "main"), ("top", "ring")):
        assert name_of("kantele-03", part, label) == label
    assert name_of("psaltery-11", "body", "air") == "air"


def test_one_mode_leads_each_stage_and_it_is_the_loudest(ran: Ran) -> None:
    for instrument in INSTRUMENTS:
        stages = defaultdict(list)
        for row in ran.table(instrument, "modes"):
            stages[row["part"], row["state"], row["stage"]].append(row)
        for rows in stages.values():
            (lead,) = (row for row in rows if row["lead"] == "true")
            assert float(lead["level_db"]) == 0
            assert max(float(row["level_db"]) for row in rows) == 0


def test_notes_are_at_the_concert_pitch_of_the_stage(ran: Ran) -> None:
    # the plates were voiced at 431 Hz, the box at 435 Hz; strung, it plays at 440 Hz (sample_data/README.md)
    names = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"]
    for row in ran.table("kantele-03", "modes"):
        pitch = 431 if row["part"] != "body" else 440 if row["state"] == "strung" else 435
        assert float(row["concert_pitch_hz"]) == pitch
        midi = 69 + 12 * math.log2(float(row["freq_hz"]) / pitch)
        assert row["note"] == f"{names[round(midi) % 12]}{round(midi) // 12 - 1}"
        assert float(row["cents"]) == pytest.approx(100 * (midi - round(midi)), abs=0.05)


# ------------------------------------------------------------------- board, family and box


def test_the_figures_of_the_board_hold_what_it_was_made_of(ran: Ran) -> None:
    told = {row["stage"]: row for row in ran.table(BOARD, "wood")}
    truth = rows_of(SHOP / "truth_wood.csv")
    assert list(told) == [row["stage"] for row in truth]
    for true in truth:
        row = told[true["stage"]]
        assert (row["reason"], row["flags"], row["to_record"]) == ("", "", "")
        for name in ("e_along_gpa", "e_across_gpa", "g_gpa", "loss_along", "loss_across", "loss_twist"):
            assert float(row[f"{name}_low"]) <= float(true[name]) <= float(row[f"{name}_high"]), (true["stage"], name)


def test_the_board_is_told_from_the_thick_end_what_its_target_needs(ran: Ran) -> None:
    # a free plate's frequency goes nearly with its thickness: G#2 is 51.91 * 2 Hz at A4 = 440 Hz (ISO 16)
    along = next(r for r in ran.table(BOARD, "modes") if r["stage"] == "02-planing step 1" and r["lead"] == "true")
    wanted_mm = 3.8 * 103.83 / float(along["freq_hz"])
    found = re.search(r"along on G#2 .*?stop at ([\d.]+) mm and tap; it may need ([\d.]+), at the thinnest", ran.said)
    assert found
    stop_mm, needed_mm = (float(each) for each in found.groups())
    assert stop_mm > needed_mm == pytest.approx(wanted_mm, rel=0.01)


def test_the_citterns_stand_as_far_apart_as_they_were_made(ran: Ran) -> None:
    told = tapbatch("compare", "cittern-12", "--family", ran.results.parent)
    assert told.status == 0, told.err
    true = {(r["instrument"], r["stage"], r["mode"]): float(r["freq_hz"]) for r in rows_of(SHOP / "truth_modes.csv")}
    latest = {"cittern-09": 4, "cittern-11": 3, "cittern-12": 6}
    at = {name: {m: true[name, f"06-voicing step {n}", m] for m in ("air", "top")} for name, n in latest.items()}
    lines = told.out.splitlines()
    for mode in ("air", "top"):
        below = lines[next(n for n, line in enumerate(lines) if line.startswith(f"{mode} ")) + 1]
        apart = [(float(a), float(b)) for a, b in re.findall(r"([-+][\d.]+) ± ([\d.]+) c", below)]
        wanted = [1200 * math.log2(at[name][mode] / at["cittern-12"][mode]) for name in ("cittern-09", "cittern-11")]
        assert [abs(a - w) <= half for (a, half), w in zip(apart, wanted, strict=True)] == [True, True]


def test_covered_each_mode_is_found_and_none_of_the_air(ran: Ran) -> None:
    read = [row for row in ran.table("cittern-11", "modes") if row["state"] == "covered"]
    true = rows_of(SHOP / "truth_covered.csv")
    assert len(read) == len(true) > 0
    for row in read:
        assert min(abs(Pair(each, row).cents) for each in true) < 3.0


def test_the_opening_that_a3_needs_is_the_one_that_gives_it(ran: Ran) -> None:
    """In truth the air rises with the opening, stage by stage; between two of them it is read off their line.

    The last cut of cittern-11 went just past A3, 220 Hz at A4 = 440 Hz (ISO 16).
    """
    row = next(r for r in ran.table("cittern-11", "targets") if r["landing"] == "target")
    true = {
        r["stage"]: float(r["freq_hz"])
        for r in rows_of(SHOP / "truth_modes.csv")
        if (r["instrument"], r["mode"]) == ("cittern-11", "air")
    }
    areas = {r["stage"]: float(r["opening_mm2"]) for r in rows_of(SHOP / "notes.csv") if r["opening_mm2"]
             and r["instrument"] == "cittern-11"}  # fmt: skip
    (a, b) = (f"06-voicing step {n}" for n in (2, 3))
    assert true[a] < 220.0 < true[b]
    wanted = areas[a] + (areas[b] - areas[a]) * (220.0 - true[a]) / (true[b] - true[a])
    assert float(row["opening_needed_mm2_low"]) < wanted < float(row["opening_needed_mm2_high"])
    assert float(row["opening_needed_mm2"]) == pytest.approx(wanted, rel=0.02)


# ------------------------------------------------------------------- drift


@dataclass(frozen=True)
class Moved:
    """A true move and the row of ``drift.csv`` that stands for it."""

    true: Row
    read: Row

    @property
    def inside(self) -> bool:
        return (
            float(self.read["cents_low"]) <= float(self.true["freq_change_cents"]) <= float(self.read["cents_high"])
        )


@pytest.fixture(scope="module")
def moves(ran: Ran, name_of: Callable[[str, str, str], str]) -> list[Moved]:
    found = []
    for instrument in INSTRUMENTS:
        rows = {(r["part"], r["mode"], r["from_stage"], r["to_stage"]): r for r in ran.table(instrument, "drift")}
        for true in (r for r in rows_of(SHOP / "truth_drift.csv") if r["instrument"] == instrument):
            name = name_of(instrument, true["part"], true["mode"])
            found.append(Moved(true, rows.pop((true["part"], name, true["from_stage"], true["to_stage"]))))
        assert rows == {}
    return found


def way(word: str) -> int:
    """Return which way a verdict goes, 0 if it goes neither."""
    return {"up": 1, "down": -1}.get(word.removesuffix("?"), 0)


def test_no_firm_verdict_is_wrong_and_most_are_firm(moves: list[Moved]) -> None:
    """A mode that moved by 5 cents or more is told to; one that did not is never said to have moved."""
    firm = [m for m in moves if m.read["verdict"] in ("up", "down")]
    assert [m for m in firm if m.read["verdict"] != m.true["verdict"]] == []
    assert [m for m in moves if m.read["verdict"] == "steady" and m.true["verdict"] != "steady"] == []
    changed = [m for m in moves if m.true["verdict"] in ("up", "down")]
    assert all(abs(float(m.true["freq_change_cents"])) >= 5 for m in changed)
    # Set-ups are known from one `again`: a move of 5 cents of all modes alike cannot be told from them.
    assert statistics.fmean(way(m.read["verdict"]) == way(m.true["verdict"]) for m in changed) >= 0.98
    assert len(firm) >= 0.8 * len(changed)
    assert [(m.true["verdict"], m.read["verdict"]) for m in moves if "new" in m.read["verdict"]] == [("new", "new")]
    assert [(m.true["verdict"], m.read["verdict"]) for m in moves if "gone" in m.read["verdict"]] == [
        ("gone", "gone")
    ]


def test_a_doubtful_verdict_is_right_beside_the_others_at_least(moves: list[Moved]) -> None:
    """Where all but one moved, nobody can tell that one from a set-up: it parted from the rest."""
    by_stage = defaultdict(list)
    for m in moves:
        if m.true["freq_change_cents"]:
            by_stage[m.true["part"], m.true["to_stage"], m.true["instrument"]].append(m)
    doubtful = 0
    for of_stage in by_stage.values():
        middle = statistics.median(float(m.true["freq_change_cents"]) for m in of_stage)
        for m in (m for m in of_stage if m.read["verdict"].endswith("?")):
            true = float(m.true["freq_change_cents"])
            assert any(math.copysign(1, t) == way(m.read["verdict"]) for t in (true, true - middle) if abs(t) >= 1)
            doubtful += 1
    assert doubtful > 0


def test_modes_that_stood_still_are_mostly_said_to(moves: list[Moved]) -> None:
    still = [m for m in moves if m.true["verdict"] == "steady"]
    assert all(abs(float(m.read["freq_change_cents"])) < 3.0 for m in still)
    # They cannot where half of the modes moved beside them, as with every step of the opening.
    assert statistics.fmean(m.read["verdict"] == "steady" for m in still) >= 0.45
    varnished = [m for m in still if m.true["to_stage"] == "09-varnished"]
    assert [m.read["verdict"] for m in varnished] == ["steady"] * 8


def test_verdicts_agree_with_the_interval_on_which_they_rest(moves: list[Moved]) -> None:
    ends = {"own": "own_{}_cents", "all": "common_{}_cents", "whole": "cents_{}"}
    for row in (m.read for m in moves if m.read["moved"]):
        low, high = (float(row[ends[row["moved"]].format(end)]) for end in ("low", "high"))
        assert {1: low > 0, -1: high < 0, 0: low <= 0 <= high}[way(row["verdict"])], row


def test_changes_are_true_and_their_intervals_hold(moves: list[Moved]) -> None:
    known = [m for m in moves if m.true["freq_change_cents"]]
    errors = [abs(float(m.read["freq_change_cents"]) - float(m.true["freq_change_cents"])) for m in known]
    assert statistics.median(errors) < 0.3
    assert statistics.fmean(m.inside for m in known) >= 0.95
    in_t60 = [
        float(m.read["t60_low_pct"]) <= float(m.true["t60_change_pct"]) <= float(m.read["t60_high_pct"])
        for m in known
    ]
    assert statistics.fmean(in_t60) >= 0.95


def test_varnish_is_told_by_sustain_and_not_by_pitch(moves: list[Moved]) -> None:
    varnished = [m for m in moves if m.true["to_stage"] == "09-varnished"]
    assert len(varnished) == 8
    for m in varnished:
        true_pct = float(m.true["t60_change_pct"])
        assert float(m.read["t60_change_pct"]) == pytest.approx(true_pct, abs=3.0)
        # How it is held shows in the decay first, and one `again` says little of that: a fifth is told.
        if true_pct <= -20:
            assert float(m.read["t60_high_pct"]) < 0


def test_what_differs_besides_the_wood_is_said(moves: list[Moved]) -> None:
    # notes.csv and the settings: strings on, another concert pitch, a few tenths of a degree and per cent of moisture
    strung = {m.read["caution"] for m in moves if m.true["to_stage"] == "10-strung"}
    for kind in (
        Caution("state", before=("closed",), after=("strung",)),
        Caution("concert pitch", before_hz=435.0, after_hz=440.0),
    ):
        assert all(caution_text(kind) in said.split(PARTED_BY) for said in strung)
    opened = {m.read["caution"] for m in moves if m.true["to_stage"] == "08-opening step 2"}
    assert opened == {""}


# ------------------------------------------------------------------- sustain and reports


def test_the_whole_sound_dies_away_between_its_shortest_and_longest_mode(ran: Ran) -> None:
    times = defaultdict(list)
    for row in rows_of(SHOP / "truth_modes.csv"):
        times[row["instrument"], row["part"], row["stage"]].append(float(row["t60_s"]))
    # a string that was left undamped is part of the sound
    heard = [(i, row) for i in INSTRUMENTS for row in ran.table(i, "recordings")]
    stage_of = {row["recording"]: (i, row["part"], row["stage"]) for i, row in heard}
    for row in rows_of(SHOP / "truth_strings.csv"):
        if row["recording"] not in plucked_in(ran):
            times[stage_of[row["recording"]]].append(float(row["t60_s"]))
    seen = 0
    for instrument in INSTRUMENTS:
        for row in ran.table(instrument, "sustain"):
            if row["kind"] == "tap" and row["band_low_hz"] == "" and row["t60_s"]:
                true = times[instrument, row["part"], row["stage"]]
                assert min(true) < float(row["t60_s"]) < max(true)
                seen += 1
    # Covered, a stage is heard a second time.
    shut = {(r["instrument"], r["part"], r["stage"]) for r in rows_of(SHOP / "truth_covered.csv")}
    assert seen == len(times) + len(shut)


@pytest.mark.parametrize("instrument", INSTRUMENTS)
def test_the_report_opens_and_says_what_the_tables_say(ran: Ran, instrument: str) -> None:
    from pypdf import PdfReader

    path = ran.results / instrument / "report.pdf"
    assert path.stat().st_size < 500_000
    pages = [page.extract_text() for page in PdfReader(path).pages]
    assert len(pages) >= 3
    text = " ".join(" ".join(pages).split()).lower()
    shown = ran.table(instrument, "recordings")[0]["recording"][: len(instrument)]
    assert shown.lower() in pages[0].lower()
    # the lead of the latest stage on the first page, with its note; every stage by name; where people could be hurt
    rows = ran.table(instrument, "modes")
    lead = next(r for r in reversed(rows) if r["lead"] == "true")
    assert lead["note"] in pages[0].replace("♯", "#")
    assert all(row["stage"].lower() in text for row in rows)
    for word in ("cents", "t60", "95 %", "blade", "dust", "cannot be put back"):
        assert word in text, word


def test_running_again_measures_nothing(ran: Ran) -> None:
    again = tapbatch("run", ran.results.parent)
    assert (again.status, again.counts) == (1, [0, 6])


def test_open_strings_are_read_as_they_were_tuned(ran: Ran) -> None:
    found = {(row["recording"], row["string"]): row for i in INSTRUMENTS for row in ran.table(i, "strings")}
    told = [row for row in rows_of(SHOP / "truth_strings.csv") if row["recording"] in plucked_in(ran)]
    truth = {(row["recording"], row["string"]): row for row in told}
    assert set(found) == set(truth)
    for key, row in found.items():
        assert row["expected_note"] == truth[key]["expected_note"]
        assert abs(1200 * math.log2(float(row["freq_hz"]) / float(truth[key]["freq_hz"]))) < 0.5
        assert float(row["inharmonicity"]) == pytest.approx(float(truth[key]["inharmonicity"]), rel=0.05)
        assert float(row["t60_s"]) == pytest.approx(float(truth[key]["t60_s"]), rel=0.03)
