"""The phone's page in a real browser, from an empty folder to a reading, with the program itself as its server.

Truth: the sounds are simulated, so their pitch is known. The strongest mode is at 268 Hz, which is C4 and 42 cents at
A4 = 440 Hz in equal temperament (1200 log2(268 / 261.6256)).
"""

from __future__ import annotations

import csv
import re
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from tests.shops import RATE_HZ, taps, write_wav
from tests.watch.phones import IN_A_BROWSER, Phone, below_recordings, put_on_the_bench, recording, sounds_below
from tests.watch.program import Watch

pytestmark = IN_A_BROWSER


def test_from_an_empty_folder_to_a_reading_without_a_name_being_typed(
    watch: Watch, phone: Phone, tmp_path: Path
) -> None:
    sound = recording(tmp_path, "New Recording 4.wav", 91)
    phone.open(watch.link)
    phone.until_says("#bench", "Nothing yet")
    assert phone.run("location.href") == f"{watch.origin}/phone"
    put_on_the_bench(phone, "step")
    phone.until_says("#bench", "instrument-1, 01-voicing step 1")
    assert "This stage is new." in phone.text("#bench")
    assert phone.run("document.activeElement.textContent") == "Change"
    phone.choose(sound)
    phone.until_says("#reading", "C4")
    assert "This stage is new." not in phone.text("#bench")
    assert below_recordings(watch) == ["instrument-1/01-voicing/step 1/New Recording 4.wav"]
    assert sounds_below(watch, "inbox") == {sound.name: sound.read_bytes()}
    (cents,) = re.findall(r"^strongest C4 \+([\d.]+) c", phone.text("#reading"), re.MULTILINE)
    assert float(cents) == pytest.approx(41.7, abs=4)
    # Those who hear the page are told the same; nothing is left to be sent.
    phone.until("document.getElementById('said').textContent.startsWith('Read: ')")
    assert "C4" in phone.run("document.getElementById('said').textContent")
    assert phone.text("#sendings") == ""
    assert phone.complaints == []
    assert {url for url in phone.requested if not url.startswith(f"{watch.origin}/")} == set()


def test_a_day_of_cutting(watch: Watch, phone: Phone, tmp_path: Path) -> None:
    phone.open(watch.link)
    put_on_the_bench(phone, "step")
    phone.choose(recording(tmp_path, "a.wav", 91))
    phone.until_says("#reading", "C4")

    # It is asked once, and "No" changes nothing; the focus is back on the button each time.
    phone.press("I have cut")
    assert "Begin step 2?" in phone.text("#question")
    phone.press("No", within="//dialog")
    phone.until_says("#bench", "step 1")
    assert phone.run("document.activeElement.textContent") == "I have cut"
    phone.press("I have cut")
    phone.press("Yes, begin step 2")
    phone.until_says("#bench", "step 2")
    assert phone.run("document.activeElement.textContent") == "I have cut"
    phone.choose(recording(tmp_path, "b.wav", 92, cents=-40.0))
    phone.until_says("#reading", "step 2")
    phone.until_says("#reading", "C4")
    assert "down" in phone.text("#reading")
    assert [name for name in below_recordings(watch) if name.endswith("step 2/b.wav")] != []

    # Given to another place, by buttons; the reading follows it.
    phone.until_says("#last", "b.wav")
    phone.press("Give b.wav to another place")
    phone.press("a new stage", within="//dialog")
    phone.press("02-thinned", within="//dialog")
    phone.press("step", within="//dialog")
    phone.press("Put it there")
    phone.until_says("#last", "02-thinned")
    assert below_recordings(watch) == ["instrument-1/01-voicing/step 1/a.wav", "instrument-1/02-thinned/b.wav"]

    # Taken out: the copy goes, and what the phone sent stays.
    phone.press("Take out a.wav")
    phone.press("Yes, take it out")
    phone.until("!document.getElementById('last').innerText.includes('a.wav')")
    assert below_recordings(watch) == ["instrument-1/02-thinned/b.wav"]
    assert sorted(sounds_below(watch, "inbox")) == ["a.wav", "b.wav"]
    assert phone.complaints == []


def test_notes_are_kept_one_by_one(watch: Watch, phone: Phone, tmp_path: Path) -> None:
    phone.open(watch.link)
    put_on_the_bench(phone, "01-thinned")
    phone.press("Notes of instrument-1, 01-thinned")
    for name, typed in (
        ("temperature_c", "21,5"),
        ("work", "scraped; edges, thin"),
        ("thickness_mm", "2,8 3.1"),
        ("opening_edge_mm", "2,5"),
    ):
        phone.until(f"document.getElementById('note-{name}')")
        phone.field(f"#note-{name}").send_keys(typed, "\t")
        phone.until_says(f"#told-{name}", "kept")
    phone.field("#note-mass_g").send_keys("heavy", "\t")
    phone.until_says("#told-mass_g", "not a number")
    with (watch.shop / "notes.csv").open(encoding="utf-8-sig", newline="") as table:
        (row,) = [row for row in csv.DictReader(table) if row["instrument"] == "instrument-1"]
    assert row["stage"] == "01-thinned"
    assert (row["temperature_c"], row["work"], row["thickness_mm"]) == ("21.5", "scraped; edges, thin", "2.8 3.1")
    assert row["opening_edge_mm"] == "2.5"
    assert not row.get("mass_g")
    assert phone.complaints == []


def test_what_was_heard_of_set_ups_is_asked_and_kept(watch: Watch, phone: Phone, tmp_path: Path) -> None:
    phone.open(watch.link)
    put_on_the_bench(phone, "01-joined")
    quiet = np.random.default_rng(5).normal(0.0, 3e-4, 7 * RATE_HZ)
    sound = np.concatenate([taps(91), quiet, taps(92), quiet, taps(93)])
    phone.choose(write_wav(tmp_path / "phone" / "three.wav", sound))
    phone.until_says("#asked", "3 groups: 3, 3, 3 taps")
    phone.press("Yes, set up anew")
    # It says once more what it makes of it, then asks about the spot.
    phone.until_says("#asked", "3 set-ups: 3, 3, 3 taps: right?")
    assert below_recordings(watch) == ["instrument-1/01-joined/resets/three.wav"]
    phone.press("Yes, right")
    phone.press("Yes, to another spot")
    phone.press("spot-1, a new spot")
    phone.until("document.getElementById('asked').hidden")
    assert below_recordings(watch) == ["instrument-1/01-joined/resets/spot-1/three.wav"]
    # It is asked once, also where the page is loaded again.
    phone.until_says("#last", "9 taps")
    phone.driver.refresh()
    phone.until_says("#last", "9 taps")
    assert phone.run("document.getElementById('asked').hidden")
    assert phone.complaints == []


def test_what_was_said_long_ago_is_asked_once_more(watch: Watch, phone: Phone) -> None:
    phone.open(watch.link)
    put_on_the_bench(phone, "step")
    phone.until_says("#bench", "instrument-1, 01-voicing step 1")
    phone.driver.execute_script("""
        const name = Object.keys(localStorage).find(each => each.startsWith('tapbatch-destination'));
        const own = JSON.parse(localStorage.getItem(name));
        localStorage.setItem(name, JSON.stringify({ ...own, said: own.said - 5 * 3600e3 }));
    """)
    phone.driver.refresh()
    phone.until_says("#bench", "Is it still on the bench?")
    assert phone.run("document.getElementById('files').disabled")
    phone.press("Yes, still this")
    phone.until("!document.getElementById('files').disabled")
    assert "instrument-1, 01-voicing step 1" in phone.text("#bench")
    assert phone.complaints == []


def test_the_report_opens_beside_the_page(watch: Watch, phone: Phone, tmp_path: Path) -> None:
    phone.open(watch.link)
    put_on_the_bench(phone)
    phone.choose(recording(tmp_path, "a.wav", 91))
    phone.until_says("#reading", "C4")
    phone.until_there(watch.shop / "results" / "instrument-1" / "report.pdf")
    phone.press("Fetch the report of instrument-1")
    phone.until("document.getElementById('report-link')")
    assert len(phone.driver.window_handles) == 2
    page, report = phone.driver.window_handles
    phone.driver.switch_to.window(report)
    assert phone.driver.current_url.startswith(f"blob:{watch.origin}/")
    phone.driver.close()
    phone.driver.switch_to.window(page)
    assert phone.complaints == []


def test_a_recording_that_waits_is_given_a_place(watch: Watch, phone: Phone) -> None:
    phone.open(watch.link)
    put_on_the_bench(phone)
    # Its name says that it was made before anything was on the bench.
    name = f"{datetime.now() - timedelta(hours=1):%Y-%m-%d %H.%M.%S}.wav"
    write_wav(watch.shop / "inbox" / name, taps(91))
    phone.until_says("#last", "These wait")
    phone.press(f"Give {name} a place")
    phone.press("a new stage", within="//dialog")
    phone.press("02-joined", within="//dialog")
    phone.press("Put it there")
    phone.until_says("#last", "instrument-1, 02-joined")
    phone.until_says("#reading", "C4")
    assert below_recordings(watch) == [f"instrument-1/02-joined/{name}"]
    assert phone.complaints == []


def test_a_likely_slip_is_asked_back(watch: Watch, phone: Phone, tmp_path: Path) -> None:
    phone.open(watch.link)
    put_on_the_bench(phone)
    phone.choose(recording(tmp_path, "a.wav", 91))
    phone.until_says("#reading", "C4")

    def name_the_stage(name: str) -> None:
        phone.press("Change what is on the bench")
        phone.press("a new stage", within="//dialog")
        phone.press("another name", within="//fieldset[legend='New stage']")
        phone.field("[data-spot='typed stage']").send_keys(name)
        phone.press("Put it on the bench")
        phone.until_says("#chooser", "It is a new stage")

    name_the_stage("01-voicng")
    phone.press("01-voicing", within="//div[@role='alert']")
    phone.until_says("#bench", "01-voicing")
    name_the_stage("01-voicng")
    phone.press("It is a new stage")
    phone.until_says("#bench", "01-voicng")


@pytest.mark.parametrize("fragment", ["", "#" + "A" * 22], ids=["none", "wrong"])
def test_without_the_key_it_says_how_to_get_one(watch: Watch, phone: Phone, fragment: str) -> None:
    phone.open(f"{watch.origin}/phone{fragment}")
    phone.run("sessionStorage.clear()")
    phone.open(f"{watch.origin}/phone{fragment}")
    phone.until_says("#no-key", "Scan the code in the terminal again")
    assert phone.run("document.getElementById('all').hidden")
