"""What a run keeps, repeats and refreshes, on small simulated shops: held to the contract's own words.

The tests go through the folder and the tables, as a builder and a spreadsheet would.
"""

from __future__ import annotations

import os
import re
import unicodedata
from dataclasses import replace
from pathlib import Path
from typing import NoReturn

import numpy as np
import pytest

from tapbatch.model.errors import ShopError, SoundError
from tapbatch.model.notice import Notice
from tapbatch.model.reading import BandSettings, Recording
from tapbatch.model.settings import InstrumentSettings
from tapbatch.run.files import read_files
from tapbatch.run.job import Job, measure_to_text
from tapbatch.run.one_pass import How, run_shop
from tapbatch.run.workers import Processes
from tapbatch.shop.folder import open_shop
from tapbatch.shop.listing import Listing, list_folder
from tapbatch.show.pdf import report
from tapbatch.show.say.notices import notice_text
from tests.refusals import check, misses
from tests.shops import bytes_below, make_shop, rows_of, tapbatch, taps, write_wav

TABLES = ("recordings", "taps", "tap_modes", "modes", "drift", "targets", "strings", "sustain")

Sounds = dict[str, np.ndarray]


@pytest.fixture(scope="module")
def sounds() -> Sounds:
    """Four recordings of two instruments, and the room."""
    return {
        "lyre-2_01-joined_top_at-centre_1.wav": taps(1),
        "lyre-2_02-thinned_top_at-centre_1.wav": taps(2, cents=-40),
        "lyre-2_02-thinned_room.wav": taps(3, count=0),
        "NA/01 closed/voice note.wav": taps(4, cents=15),
        "NA/02 opened/voice note.wav": taps(5, cents=48),
    }


@pytest.fixture(scope="module")
def done(sounds: Sounds, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shop after its first run; tests that change something make their own."""
    shop = make_shop(tmp_path_factory.mktemp("done") / "shop", sounds)
    assert tapbatch("run", shop).status == 0
    return shop


@pytest.fixture(autouse=True)
def _no_report(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    # Drawing takes far longer than all the rest; where the report is not looked at, a stand-in is put there.
    if "done" not in request.fixturenames:
        monkeypatch.setattr(report, "report_bytes", lambda *_: b"%PDF stand-in")


def modes_of(shop: Path, instrument: str) -> list[dict[str, str]]:
    return rows_of(shop / "results" / instrument / "modes.csv")


def recordings_of(shop: Path, instrument: str) -> dict[str, dict[str, str]]:
    return {row["recording"]: row for row in rows_of(shop / "results" / instrument / "recordings.csv")}


def attention_of(shop: Path) -> dict[str, dict[str, str]]:
    return {row["where"]: row for row in rows_of(shop / "results" / "attention.csv")}


# ------------------------------------------------- the same, again and elsewhere


def test_the_results_hold_what_the_contract_names(done: Path) -> None:
    for instrument in ("lyre-2", "na"):
        names = {p.name for p in (done / "results" / instrument).iterdir()}
        assert names == {*(f"{t}.csv" for t in TABLES), "report.pdf", "page.html"}
    assert rows_of(done / "results" / "attention.csv") == []


def test_known_moves_are_told(done: Path) -> None:
    # the maker moved all modes of lyre-2 by -40 cents, those of NA from +15 to +48; a tap scatters by half a cent
    for instrument, part, move in (("lyre-2", "top", -40.0), ("na", "body", 33.0)):
        rows = rows_of(done / "results" / instrument / "drift.csv")
        assert [row["part"] for row in rows] == [part] * 4
        assert {row["verdict"] for row in rows} == {"up" if move > 0 else "down"}
        assert max(abs(float(row["freq_change_cents"]) - move) for row in rows) < 3 * 0.5 * np.sqrt(2 / 3)
        inside = [float(row["cents_low"]) <= move <= float(row["cents_high"]) for row in rows]
        assert sum(inside) >= 3


def test_an_instrument_called_na_is_not_an_empty_cell(done: Path) -> None:
    from tapbatch.show.tables.frames import read_table

    assert set(recordings_of(done, "na")) == {"NA/01 closed/voice note.wav", "NA/02 opened/voice note.wav"}
    assert set(read_table(done / "results" / "na" / "recordings.csv")["stage"]) == {"01 closed", "02 opened"}


def test_a_second_run_measures_nothing_and_touches_nothing(done: Path) -> None:
    before = bytes_below(done / "results", hidden=True)
    dates = {name: (done / "results" / name).stat().st_mtime_ns for name in before}
    assert tapbatch("run", done).counts[0] == 0
    assert bytes_below(done / "results", hidden=True) == before
    assert {name: (done / "results" / name).stat().st_mtime_ns for name in before} == dates


def test_recordings_are_never_touched(sounds: Sounds, tmp_path: Path) -> None:
    shop = make_shop(tmp_path / "shop", {name: s for name, s in sounds.items() if name.startswith("NA")})
    (shop / "recordings" / "NA" / "01 closed" / "broken.wav").write_bytes(b"RIFF")
    (shop / "recordings" / "no name.wav").write_bytes(b"")
    before = bytes_below(shop / "recordings", hidden=True)
    facts = {name: (shop / "recordings" / name).stat() for name in before}
    assert tapbatch("run", shop, "--results", tmp_path / "elsewhere").status == 1
    assert bytes_below(shop / "recordings", hidden=True) == before
    for name, fact in facts.items():
        now = (shop / "recordings" / name).stat()
        assert (now.st_mtime_ns, now.st_size, now.st_mode) == (fact.st_mtime_ns, fact.st_size, fact.st_mode)
    assert not (shop / "results").exists()


@pytest.mark.slow
def test_order_and_number_of_processes_change_no_byte(
    done: Path, sounds: Sounds, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # the files written in the opposite order, listed in the opposite order, and measured by two processes
    shop = make_shop(tmp_path / "shop", dict(reversed(sounds.items())))
    listed = Listing(files=dict(reversed(list_folder(shop / "recordings").files.items())))
    monkeypatch.setattr("tapbatch.run.inventory.list_folder", lambda *_: listed)
    assert tapbatch("run", shop, "--jobs", "2").status == 0
    assert bytes_below(shop / "results") == bytes_below(done / "results")


# ------------------------------------------------- what re-measures, and what does not


def test_another_concert_pitch_measures_nothing_anew(sounds: Sounds, tmp_path: Path) -> None:
    name = "NA/01 closed/voice note.wav"
    shop = make_shop(tmp_path / "shop", {name: sounds[name]})
    assert tapbatch("run", shop).counts[0] == 1
    at_440 = modes_of(shop, "na")
    (shop / "shop.toml").write_text("concert_pitch_hz = 431\n")
    assert tapbatch("run", shop).counts[0] == 0
    at_431 = modes_of(shop, "na")
    assert [row["freq_hz"] for row in at_431] == [row["freq_hz"] for row in at_440]
    # 1200 log2(440/431) = 35.8 cents higher on the scale; whole notes apart where that passes the middle
    for low, high in zip(at_440, at_431, strict=True):
        assert (float(high["cents"]) - float(low["cents"]) - 35.779) % 100 == pytest.approx(0, abs=0.011) or (
            float(low["cents"]) + 35.779 - float(high["cents"])
        ) % 100 == pytest.approx(0, abs=0.011)


def test_another_band_measures_anew_only_what_it_concerns(sounds: Sounds, tmp_path: Path) -> None:
    shop = make_shop(tmp_path / "shop", {n: s for n, s in sounds.items() if "02" in n and "room" not in n})
    assert tapbatch("run", shop).counts[0] == 2
    (shop / "instruments").mkdir()
    (shop / "instruments" / "na.toml").write_text("band_hz = [50, 500]\n")
    assert tapbatch("run", shop).counts[0] == 1
    assert max(float(row["freq_hz"]) for row in modes_of(shop, "na")) < 500
    assert max(float(row["freq_hz"]) for row in modes_of(shop, "lyre-2")) > 600


def test_a_new_name_measures_nothing_anew_and_leaves_no_ghost(sounds: Sounds, tmp_path: Path) -> None:
    name = "lyre-2_01-joined_top_at-centre_1.wav"
    shop = make_shop(tmp_path / "shop", {name: sounds[name]})
    tapbatch("run", shop)
    numbers = [(row["freq_hz"], row["t60_s"]) for row in modes_of(shop, "lyre-2")]
    (shop / "recordings" / name).rename(shop / "recordings" / "Lyre-2 - 01-joined - free - top.wav")
    result = tapbatch("run", shop)
    assert (result.status, result.counts[0]) == (0, 0)
    assert [(row["freq_hz"], row["t60_s"]) for row in modes_of(shop, "lyre-2")] == numbers
    assert list(recordings_of(shop, "lyre-2")) == ["Lyre-2 - 01-joined - free - top.wav"]
    assert modes_of(shop, "lyre-2")[0]["state"] == "free"


def test_changed_bytes_under_the_same_name_are_measured_anew(sounds: Sounds, tmp_path: Path) -> None:
    name = "lyre-2_01-joined_top_at-centre_1.wav"
    shop = make_shop(tmp_path / "shop", {name: sounds[name]})
    tapbatch("run", shop)
    write_wav(shop / "recordings" / name, taps(6, cents=100))
    assert tapbatch("run", shop).counts[0] == 1
    # 268 Hz a semitone higher
    lead = next(row for row in modes_of(shop, "lyre-2") if row["lead"] == "true")
    assert float(lead["freq_hz"]) == pytest.approx(268.0 * 2 ** (1 / 12), rel=1e-3)


def test_a_kept_reading_that_is_damaged_is_measured_again(sounds: Sounds, tmp_path: Path) -> None:
    shop = make_shop(tmp_path / "shop", {"na_01 x.wav": sounds["NA/01 closed/voice note.wav"]})
    tapbatch("run", shop)
    before = bytes_below(shop / "results", hidden=True)
    (kept,) = (n for n in before if re.fullmatch(r"\.readings/[0-9a-f]{40}\.json", n))
    (shop / "results" / kept).write_bytes(b"{")
    assert tapbatch("run", shop).counts[0] == 1
    assert bytes_below(shop / "results", hidden=True) == {**before, kept.replace("/", "/refused-"): b"{"}
    # a ledger that is damaged costs nothing but a look at every file
    (shop / "results" / ".readings" / "ledger.json").write_bytes(b"\x00")
    assert tapbatch("run", shop).counts[0] == 0
    assert bytes_below(shop / "results") == {n: b for n, b in before.items() if not n.startswith(".")}


# ------------------------------------------------- names


def test_spaces_hyphens_and_unicode_forms_are_one_instrument(sounds: Sounds, tmp_path: Path) -> None:
    first, second = (sounds[f"NA/0{n} {what}/voice note.wav"] for n, what in ((1, "closed"), (2, "opened")))
    # 'Säbel 4' composed and decomposed, in both forms of name
    composed, decomposed = (unicodedata.normalize(form, "Säbel 4") for form in ("NFC", "NFD"))
    assert composed != decomposed
    shop = make_shop(
        tmp_path / "shop",
        {f"{composed} - 01 closed - at-rim - 1.wav": first, f"{decomposed}/02 opened/at-rim/Aufnahme 7.wav": second},
    )
    result = tapbatch("run", shop)
    assert (result.status, [p.name for p in (shop / "results").iterdir() if p.is_dir() and p.name[0] != "."]) == (
        0,
        [unicodedata.normalize("NFC", "säbel-4")],
    )
    rows = recordings_of(shop, "säbel-4")
    assert [(row["stage"], row["point"]) for row in rows.values()] == [("01 closed", "rim"), ("02 opened", "rim")]
    assert {row["verdict"] for row in rows_of(shop / "results" / "säbel-4" / "drift.csv")} == {"up"}


def test_a_name_that_is_not_text_is_refused_and_the_rest_goes_on(sounds: Sounds, tmp_path: Path) -> None:
    shop = make_shop(tmp_path / "shop", {"na_01 x.wav": sounds["NA/01 closed/voice note.wav"]})
    odd = os.fsencode(shop / "recordings") + b"/na_02 caf\xe9.wav"
    try:
        write_wav(tmp_path / "x.wav", taps(7)).rename(Path(os.fsdecode(odd)))
    except OSError:
        pytest.skip("this file system holds names that are text only")
    result = tapbatch("run", shop)
    assert (result.status, result.counts[0]) == (1, 1)
    (named,) = result.attention
    assert re.fullmatch(r"na_02 caf\W\.wav", named)
    error = next(read_files([Path(os.fsdecode(odd))], InstrumentSettings()))[1]
    assert isinstance(error, SoundError)
    check(error, "recordings")


# ------------------------------------------------- the same bytes twice


def test_the_same_bytes_twice_in_a_stage_count_once(sounds: Sounds, tmp_path: Path) -> None:
    sound = sounds["lyre-2_01-joined_top_at-centre_1.wav"]
    shop = make_shop(tmp_path / "shop", {"lyre-2_01 a_top_1.wav": sound, "lyre-2_01 a_top_2.wav": sound})
    result = tapbatch("run", shop)
    assert (result.status, result.counts[0]) == (0, 1)
    twice = Notice("counted once", path="lyre-2_01 a_top_2.wav", other_path="lyre-2_01 a_top_1.wav")
    assert result.notes == [f"lyre-2: {notice_text(twice)}"]
    assert {row["taps"] for row in modes_of(shop, "lyre-2")} == {"3"}


def test_the_same_bytes_in_two_stages_need_attention_and_neither_counts(sounds: Sounds, tmp_path: Path) -> None:
    names = ("lyre-2_01 a_top.wav", "lyre-2_02 b_top.wav")
    shop = make_shop(tmp_path / "shop", dict.fromkeys(names, sounds["lyre-2_01-joined_top_at-centre_1.wav"]))
    assert tapbatch("run", shop).status == 1
    attention = attention_of(shop)
    assert set(attention) == set(names)
    assert names[1] in attention[names[0]]["problem"]
    assert modes_of(shop, "lyre-2") == []


def test_two_files_broken_alike_are_both_named(tmp_path: Path) -> None:
    shop = make_shop(tmp_path / "shop", {})
    for name in ("lyre-2_01 a.wav", "lyre-2_02 b.wav"):
        (shop / "recordings" / name).write_bytes(b"")
    assert tapbatch("run", shop).status == 1
    assert set(attention_of(shop)) == {"lyre-2_01 a.wav", "lyre-2_02 b.wav"}


# ------------------------------------------------- what is gone


def test_a_recording_that_is_gone_keeps_its_reading_until_forgotten(sounds: Sounds, tmp_path: Path) -> None:
    names = ["lyre-2_01-joined_top_at-centre_1.wav", "lyre-2_02-thinned_top_at-centre_1.wav"]
    shop = make_shop(tmp_path / "shop", {name: sounds[name] for name in names})
    tapbatch("run", shop)
    modes, drift = modes_of(shop, "lyre-2"), rows_of(shop / "results" / "lyre-2" / "drift.csv")
    (shop / "recordings" / names[0]).unlink()
    result = tapbatch("run", shop)
    assert (result.status, result.counts[0]) == (0, 0)
    assert "missing" in recordings_of(shop, "lyre-2")[names[0]]["notice"]
    assert "missing" not in recordings_of(shop, "lyre-2")[names[1]]["notice"]
    assert (modes_of(shop, "lyre-2"), rows_of(shop / "results" / "lyre-2" / "drift.csv")) == (modes, drift)

    still_there = tapbatch("forget", names[1], shop)
    assert (still_there.status, still_there.attention) == (1, [names[1]])
    assert tapbatch("forget", names[0], shop).status == 0
    assert tapbatch("run", shop).status == 0
    assert list(recordings_of(shop, "lyre-2")) == [names[1]]
    assert rows_of(shop / "results" / "lyre-2" / "drift.csv") == []
    again = tapbatch("forget", names[0], shop)
    assert (again.status, again.attention, misses(again.said, "recordings.csv")) == (1, [names[0]], [])


def test_nothing_stands_for_an_instrument_that_is_forgotten_whole(sounds: Sounds, tmp_path: Path) -> None:
    kept, gone = "NA/01 closed/voice note.wav", "lyre-2_01-joined_top_at-centre_1.wav"
    shop = make_shop(tmp_path / "shop", {name: sounds[name] for name in (kept, gone)})
    tapbatch("run", shop)
    mine = shop / "results" / "lyre-2" / "my remarks.txt"
    mine.write_text("not written by the tool")
    (shop / "recordings" / gone).unlink()
    tapbatch("forget", gone, shop)
    assert tapbatch("run", shop).status == 0
    assert [p.name for p in (shop / "results" / "lyre-2").iterdir()] == [mine.name]
    assert len(recordings_of(shop, "na")) == 1


def test_a_workbook_is_written_where_asked_kept_up_to_date_and_goes_with_its_instrument(
    sounds: Sounds, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    openpyxl = pytest.importorskip("openpyxl", reason="openpyxl reads workbooks back")
    shop = make_shop(tmp_path / "shop", sounds)
    path = shop / "results" / "na" / "na.xlsx"
    assert tapbatch("run", shop).status == 0
    assert not path.exists()
    with monkeypatch.context() as drawing:
        # The report is up to date: it is not drawn again for the workbook's sake.
        drawing.setattr(report, "report_bytes", lambda *_: pytest.fail("drawn again"))
        assert tapbatch("run", shop, "--excel").status == 0
    before = path.read_bytes()
    stages = [row["stage"] for row in rows_of(shop / "results" / "na" / "modes.csv")]
    sheet = openpyxl.load_workbook(path)["modes"]
    assert [row[2].value for row in sheet.iter_rows(min_row=2)] == stages
    # one that is there never stays behind its tables, and is left alone where they do not change
    assert tapbatch("run", shop).status == 0
    assert path.read_bytes() == before
    write_wav(shop / "recordings" / "NA" / "03 rubbed" / "voice note.wav", taps(6, cents=60))
    assert tapbatch("run", shop).status == 0
    stages = [row["stage"] for row in rows_of(shop / "results" / "na" / "modes.csv")]
    assert "03 rubbed" in stages
    sheet = openpyxl.load_workbook(path)["modes"]
    assert [row[2].value for row in sheet.iter_rows(min_row=2)] == stages
    # one that is taken away stays away, until it is asked for again
    (shop / "results" / "lyre-2" / "lyre-2.xlsx").unlink()
    assert tapbatch("run", shop).status == 0
    assert not (shop / "results" / "lyre-2" / "lyre-2.xlsx").exists()
    gone = [p.relative_to(shop / "recordings").as_posix() for p in (shop / "recordings" / "NA").rglob("*.wav")]
    for name in gone:
        (shop / "recordings" / name).unlink()
    tapbatch("forget", *gone, shop)
    assert tapbatch("run", shop).status == 0
    assert not path.parent.exists()


def test_what_cannot_be_used_for_a_while_is_remembered(sounds: Sounds, tmp_path: Path) -> None:
    # settings not understood, then the recording taken away, then the settings mended: the reading is still there
    name = "lyre-2_01-joined_soundboard.wav"
    shop = make_shop(
        tmp_path / "shop",
        {name: sounds["lyre-2_01-joined_top_at-centre_1.wav"]},
        {"instruments/lyre-2.toml": '[[stage]]\nname = "01-joined"\npart = "soundboard"\n'},
    )
    good = (shop / "instruments" / "lyre-2.toml").read_text()
    assert tapbatch("run", shop).status == 0
    numbers = modes_of(shop, "lyre-2")
    (shop / "instruments" / "lyre-2.toml").write_text("band = 3")
    assert tapbatch("run", shop).status == 1
    (shop / "recordings" / name).unlink()
    assert tapbatch("run", shop).status == 1
    (shop / "instruments" / "lyre-2.toml").write_text(good)
    assert tapbatch("run", shop).status == 0
    assert modes_of(shop, "lyre-2") == numbers
    assert recordings_of(shop, "lyre-2")[name]["notice"] == "missing"


def test_a_folder_that_cannot_be_listed_is_named_and_what_is_in_it_is_not_gone(
    sounds: Sounds, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop = make_shop(tmp_path / "shop", {n: s for n, s in sounds.items() if n.startswith("NA")})
    tapbatch("run", shop)
    listing, looking = os.scandir, Path.exists

    def scandir(path: str | Path) -> object:
        if "02 opened" in str(path):
            raise PermissionError(13, "Permission denied", str(path))
        return listing(path)

    def exists(path: Path) -> bool:
        if "02 opened" in str(path):
            raise PermissionError(13, "Permission denied", str(path))
        return looking(path)

    with monkeypatch.context() as patch:
        patch.setattr(os, "scandir", scandir)
        patch.setattr(Path, "exists", exists)
        result = tapbatch("run", shop)
    assert (result.status, result.attention) == (1, ["NA/02 opened"])
    assert misses(result.said, "Permission denied") == []
    assert tapbatch("run", shop).counts[0] == 0
    assert {row["notice"] for row in recordings_of(shop, "na").values()} == {""}


def test_without_its_recordings_folder_nothing_is_rewritten(sounds: Sounds, tmp_path: Path) -> None:
    shop = make_shop(tmp_path / "shop", {"na_01 x.wav": sounds["NA/01 closed/voice note.wav"]})
    tapbatch("run", shop)
    before = bytes_below(shop / "results", hidden=True)
    (shop / "recordings").rename(shop / "taken away")
    result = tapbatch("run", shop)
    assert (result.status, misses(result.err, shop / "recordings")) == (2, [])
    assert len(result.err.splitlines()) == 1
    assert bytes_below(shop / "results", hidden=True) == before


# ------------------------------------------------- processes


class _Fatal:
    """Ends the process that unpacks it, as a kill for lack of memory would."""

    def __reduce__(self) -> tuple[object, tuple[int]]:
        return os._exit, (3,)


@pytest.mark.slow
def test_a_process_that_dies_takes_nothing_with_it_but_what_it_worked_on(tmp_path: Path) -> None:
    recording = Recording(path="x", sha256="", instrument="x", instrument_shown="x", stage="x", stage_shown="x")
    fatal = Job(path=_Fatal(), recording=recording, key="", settings=BandSettings())  # type: ignore[arg-type]
    sound = write_wav(tmp_path / "x.wav", taps(8, count=1))
    others = [replace(fatal, path=sound, key=str(n)) for n in range(5)]
    with Processes(2) as crew:
        answers = {job.key: answer for job, answer in crew.each(measure_to_text, [*others[:2], fatal, *others[2:]])}
    assert isinstance(answers.pop(""), ShopError)
    assert set(answers) == {job.key for job in others}
    assert set(answers.values()) == {measure_to_text(others[0])}


def test_a_stop_in_the_middle_loses_the_reading_in_hand_only(
    sounds: Sounds, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop = make_shop(tmp_path / "shop", {n: s for n, s in sounds.items() if n.startswith("NA")})
    begun: list[str] = []

    def stopped(job: Job) -> NoReturn:
        raise KeyboardInterrupt

    from tapbatch.run import measuring as pipeline

    whole = pipeline.measure_to_text
    monkeypatch.setattr(
        pipeline,
        "measure_to_text",
        lambda job: (begun.append(job.key), (whole if len(begun) == 1 else stopped)(job))[1],
    )
    result = tapbatch("run", shop)
    # 128 + SIGINT, by the custom of shells
    assert (result.status, len(result.err.splitlines())) == (130, 1)
    monkeypatch.undo()
    assert tapbatch("run", shop).counts[0] == 1


def test_progress_is_told_of_every_recording_once(sounds: Sounds, tmp_path: Path) -> None:
    from contextlib import contextmanager

    names = [n for n in sounds if n.startswith("NA")]
    shop = make_shop(tmp_path / "shop", {n: sounds[n] for n in names})
    told: list[object] = []

    @contextmanager
    def progress(total: int):
        told.append(total)
        yield told.append

    run_shop(open_shop(shop), How(progress=progress))
    assert told == [2, *names]
    run_shop(open_shop(shop), How(progress=progress))
    assert len(told) == 3
