"""The phone's page in a real browser, from an empty folder to a reading, with the program itself as its server.

Truth: the sounds are simulated, so their pitch is known. The strongest mode is at 268 Hz, which is C4 and 42 cents at
A4 = 440 Hz in equal temperament (1200 log2(268 / 261.6256)).
"""

from __future__ import annotations

import csv
import os
import re
import socket
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from tests.shops import RATE_HZ, bytes_below, tapbatch, taps, write_wav
from tests.show.browser.contrast import WORDS_AND_EDGES
from tests.watch.phones import WIDTH, Phone, Watch, lacking

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(os.name == "nt", reason="Ctrl-C cannot be sent to one process alone here"),
    pytest.mark.skipif(bool(lacking()), reason=lacking() or "nothing is lacking"),
]

TEXT_AA_LARGE_SUN, EDGES = 7.0, 4.5
BIG_S = 220
"""How long a recording is that takes several pieces: 3.6 MB."""


@pytest.fixture(scope="module")
def phones() -> Iterator[Callable[[int], Phone]]:
    """Phones by number; each is started when it is first asked for."""
    started: dict[int, Phone] = {}
    yield lambda n: started.setdefault(n, started.get(n) or Phone())
    for phone in started.values():
        phone.close()


@pytest.fixture
def phone(phones: Callable[[int], Phone]) -> Iterator[Phone]:
    """The first phone; asked for behind a watch, it closes its page before the watch ends."""
    first = phones(1)
    first.blank()
    yield first
    first.network()
    first.light(dark=False)
    first.blank()


@pytest.fixture
def other(watch: Watch, phones: Callable[[int], Phone]) -> Iterator[Phone]:
    """The second phone."""
    second = phones(2)
    second.blank()
    yield second
    second.blank()


@pytest.fixture
def watch(tmp_path: Path) -> Iterator[Watch]:
    """A watch on a shop that ``tapbatch init`` made from nothing."""
    shop = tmp_path / "my-shop"
    assert tapbatch("init", shop).status == 0
    begun = Watch(shop, "--address", "127.0.0.1", "--port", "0")
    yield begun
    begun.close()


def put_on_the_bench(phone: Phone, *choices: str) -> None:
    """Choose by buttons alone what is on the bench."""
    phone.press("Say what is on the bench")
    for choice in choices:
        phone.press(choice, within="//dialog")
    phone.press("Put it on the bench")
    phone.until("!document.querySelector('dialog[open]')")


def recording(folder: Path, name: str, number: int, *, cents: float = 0.0, count: int = 5) -> Path:
    return write_wav(folder / "phone" / name, taps(number, cents=cents, count=count))


def big_recording(folder: Path, name: str) -> Path:
    """Return a recording of which most is the noise of the room, too large for one piece."""
    room = np.random.default_rng(3).normal(0.0, 3e-4, BIG_S * RATE_HZ)
    return write_wav(folder / "phone" / name, np.concatenate([taps(96, count=5), room]))


def no_sound(folder: Path) -> Path:
    """Return an archive that is called a recording."""
    archive = folder / "phone" / "archive.wav"
    archive.parent.mkdir(exist_ok=True)
    archive.write_bytes(b"PK\x03\x04" + bytes(4000))
    return archive


def sounds_below(watch: Watch, folder: str) -> dict[str, bytes]:
    return {name: data for name, data in bytes_below(watch.shop / folder).items() if name.endswith(".wav")}


def below_recordings(watch: Watch) -> list[str]:
    return sorted(sounds_below(watch, "recordings"))


def test_from_an_empty_folder_to_a_reading_without_a_name_being_typed(
    watch: Watch, phone: Phone, tmp_path: Path
) -> None:
    sound = recording(tmp_path, "New Recording 4.wav", 91)
    phone.open(watch.link)
    phone.until_says("#bench", "Nothing yet")
    assert phone.run("location.href") == f"{watch.origin}/phone"
    put_on_the_bench(phone, "step")
    phone.until_says("#bench", "instrument-1, 01-voicing step 1")
    assert phone.run("document.activeElement.textContent") == "Change"
    phone.choose(sound)
    phone.until_says("#reading", "C4")
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
    for name, typed in (("temperature_c", "21,5"), ("work", "scraped; edges, thin"), ("thickness_mm", "2,8 3.1")):
        phone.until(f"document.getElementById('note-{name}')")
        phone.field(f"#note-{name}").send_keys(typed, "\t")
        phone.until_says(f"#told-{name}", "kept")
    phone.field("#note-mass_g").send_keys("heavy", "\t")
    phone.until_says("#told-mass_g", "not a number")
    with (watch.shop / "notes.csv").open(encoding="utf-8-sig", newline="") as table:
        (row,) = [row for row in csv.DictReader(table) if row["instrument"] == "instrument-1"]
    assert row["stage"] == "01-thinned"
    assert (row["temperature_c"], row["work"], row["thickness_mm"]) == ("21.5", "scraped; edges, thin", "2.8 3.1")
    assert not row.get("mass_g")
    assert phone.complaints == []


def test_a_sending_that_breaks_off_goes_on_by_itself(watch: Watch, phone: Phone, tmp_path: Path) -> None:
    sound = big_recording(tmp_path, "long.wav")
    phone.open(watch.link)
    put_on_the_bench(phone)
    phone.send_half(sound)
    phone.network(offline=True)
    phone.until_says("#sendings", "no connection")
    assert sounds_below(watch, "inbox") == {}
    phone.network()
    phone.until_says("#reading", "C4")
    assert sounds_below(watch, "inbox") == {"long.wav": sound.read_bytes()}
    # It went on where it had stopped: nothing was begun twice.
    assert [url for url in phone.requested if url.endswith("/phone/uploads")] == [f"{watch.origin}/phone/uploads"]
    assert [each for each in phone.complaints if "INTERNET_DISCONNECTED" not in each] == []


def test_a_page_that_was_loaded_again_says_what_did_not_arrive(watch: Watch, phone: Phone, tmp_path: Path) -> None:
    sound = big_recording(tmp_path, "long.wav")
    phone.open(watch.link)
    put_on_the_bench(phone)
    phone.send_half(sound)
    phone.driver.refresh()
    phone.until_says("#sendings", "choose the same file again")
    assert "long.wav" in phone.text("#sendings")
    phone.network()
    phone.choose(sound)
    phone.until_says("#reading", "C4")
    assert sounds_below(watch, "inbox") == {"long.wav": sound.read_bytes()}
    assert len([url for url in phone.requested if url.endswith("/phone/uploads")]) == 1


def test_a_watch_that_is_killed_while_a_phone_sends_goes_on_when_it_is_back(phone: Phone, tmp_path: Path) -> None:
    shop, sound = tmp_path / "my-shop", big_recording(tmp_path, "long.wav")
    assert tapbatch("init", shop).status == 0
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = str(free.getsockname()[1])
    arguments = ("--address", "127.0.0.1", "--port", port, "--keep-key")
    watch = Watch(shop, *arguments)
    phone.open(watch.link)
    put_on_the_bench(phone)
    phone.send_half(sound)
    watch.kill()
    phone.until_says("#sendings", "no connection")
    phone.until_says("#line", "No connection")
    phone.network()
    again = Watch(shop, *arguments)
    try:
        assert again.link == watch.link
        phone.until_says("#reading", "C4")
        assert sounds_below(again, "inbox") == {"long.wav": sound.read_bytes()}
        assert below_recordings(again) == ["instrument-1/01-voicing/long.wav"]
    finally:
        phone.blank()
        again.close()


def test_two_phones_work_on_two_instruments(watch: Watch, phone: Phone, other: Phone, tmp_path: Path) -> None:
    phone.open(watch.link)
    put_on_the_bench(phone, "step")
    other.open(watch.link)
    other.until_says("#bench", "instrument-1")
    other.press("Change what is on the bench")
    other.press("instrument-2", within="//dialog")
    other.press("01-joined", within="//dialog")
    other.press("Put it on the bench")
    other.until_says("#bench", "instrument-2, 01-joined")
    # Each sends while the other does.
    phone.choose(recording(tmp_path, "one.wav", 91))
    other.choose(recording(tmp_path, "two.wav", 92, cents=-100.0))
    phone.until_says("#reading", "C4")
    # A semitone lower, 268 Hz is B3 and 42 cents.
    other.until_says("#reading", "B3")
    assert "instrument-1" in phone.text("#bench")
    assert below_recordings(watch) == [
        "instrument-1/01-voicing/step 1/one.wav",
        "instrument-2/01-joined/two.wav",
    ]
    # Each has a series of its own.
    phone.press("I have cut")
    phone.press("Yes, begin step 2")
    phone.until_says("#bench", "step 2")
    assert "instrument-2" in other.text("#bench")
    assert phone.complaints == other.complaints == []


def test_the_keyboard_goes_down_the_page(watch: Watch, phone: Phone, tmp_path: Path) -> None:
    phone.open(watch.link)
    put_on_the_bench(phone, "step")
    phone.choose(recording(tmp_path, "a.wav", 91))
    phone.until_says("#last", "a.wav")
    phone.until_says("#reading", "C4")
    # A page that was loaded anew begins at its top.
    phone.driver.refresh()
    phone.until_says("#last", "a.wav")
    phone.until_says("#reading", "C4")
    reached: list[str] = []
    while not reached or "Fetch" not in reached[-1]:
        phone.tab()
        element = "document.activeElement"
        reached.append(phone.run(f"{element}.ariaLabel ?? {element}.labels?.[0]?.innerText ?? {element}.innerText"))
        # What has the focus can be seen to have it.
        ring = f"{element}.matches('input') ? {element}.labels[0] : {element}"
        assert phone.run(f"getComputedStyle({ring}).outlineStyle") == "solid", reached
        assert len(reached) < 30
    up_to_cut = ["Skip to the reading", "Change what is on the bench", "Record or choose sound", "I have cut"]
    end = ["Give a.wav to another place", "Take out a.wav", "Notes of instrument-1, 01-voicing step 1"]
    assert [name for name in reached if name in up_to_cut] == up_to_cut
    assert reached[-4:-1] == end


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


def test_a_file_that_is_no_sound_is_refused_with_its_remedy(watch: Watch, phone: Phone, tmp_path: Path) -> None:
    phone.open(watch.link)
    put_on_the_bench(phone)
    phone.choose(no_sound(tmp_path), recording(tmp_path, "good.wav", 91))
    # What follows it is sent all the same.
    phone.until_says("#reading", "C4")
    phone.until_says("#sendings", "not sent")
    assert sorted(sounds_below(watch, "inbox")) == ["good.wav"]
    phone.press("Drop archive.wav")
    phone.until("!document.querySelector('#sendings li')")


@pytest.mark.parametrize("fragment", ["", "#" + "A" * 22], ids=["none", "wrong"])
def test_without_the_key_it_says_how_to_get_one(watch: Watch, phone: Phone, fragment: str) -> None:
    phone.open(f"{watch.origin}/phone{fragment}")
    phone.run("sessionStorage.clear()")
    phone.open(f"{watch.origin}/phone{fragment}")
    phone.until_says("#no-key", "Scan the code in the terminal again")
    assert phone.run("document.getElementById('all').hidden")


def test_names_that_are_markup_stay_text(watch: Watch, phone: Phone, tmp_path: Path) -> None:
    phone.open(watch.link)
    put_on_the_bench(phone)
    phone.choose(recording(tmp_path, "<img src=x onerror=alert(1)>.wav", 91))
    phone.until_says("#reading", "C4")
    phone.until_says("#last", "img src=x")
    assert phone.run("document.images.length") == 0
    assert phone.complaints == []


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_it_fits_a_small_screen_stands_out_and_can_be_heard(
    watch: Watch, phone: Phone, tmp_path: Path, dark: bool
) -> None:
    phone.light(dark=dark)
    phone.open(watch.link)
    phone.until_says("#bench", "Nothing yet")
    look_at(phone, dark)
    phone.press("Say what is on the bench")
    look_at(phone, dark)
    phone.press("step", within="//dialog")
    phone.press("Put it on the bench")
    phone.choose(recording(tmp_path, f"{'long-name-' * 12}.wav", 91))
    phone.until_says("#reading", "C4")
    phone.until_says("#last", "long-name")
    assert phone.complaints == []
    phone.choose(no_sound(tmp_path))
    phone.until_says("#sendings", "not sent")
    phone.press("Notes of")
    phone.until("document.getElementById('note-work')")
    phone.field("#note-mass_g").send_keys("heavy", "\t")
    phone.until_says("#told-mass_g", "not a number")
    look_at(phone, dark)
    phone.press("I have cut")
    look_at(phone, dark)


def look_at(phone: Phone, dark: bool) -> None:
    """Check what is on the screen, once in its size and once with text twice as large."""
    paper = phone.run("getComputedStyle(document.body).backgroundColor.match(/\\d+/g).map(Number)")
    assert (sum(paper) < 300) is dark
    small = (
        "[...document.querySelectorAll('button, .button, .choice, select, summary, input[type=text]')]"
        ".filter(e => e.getClientRects().length && e.getBoundingClientRect().height < 48).map(e => e.outerHTML)"
    )
    wide = "[...document.querySelectorAll('body, dialog[open], .form')].map(e => e.scrollWidth - e.clientWidth)"
    for size in ("", "200%"):
        phone.driver.execute_script(f"document.documentElement.style.fontSize = '{size}'")
        assert phone.run("document.documentElement.scrollWidth") <= WIDTH
        assert max(phone.run(wide)) <= 0
        assert phone.run(small) == []
    phone.driver.execute_script("document.documentElement.style.fontSize = ''")
    with_text = "document.body.querySelectorAll(':not(script, [type=radio], [type=checkbox], [type=file])')"
    assert min(phone.run(f"[...{with_text}].map(e => parseFloat(getComputedStyle(e).fontSize))")) >= 16
    words, least_word, edges, least_edge = phone.run(WORDS_AND_EDGES)
    assert words > 10
    assert edges > 2
    assert least_word[0] >= TEXT_AA_LARGE_SUN, least_word
    assert least_edge[0] >= EDGES, least_edge
    used = {"button", "link", "textbox", "radio", "checkbox", "combobox", "progressbar", "dialog", "region",
            "DisclosureTriangle", "listbox", "group", "radiogroup"}  # fmt: skip
    told = phone.named()
    assert [pair for pair in told if pair[0] in used and not pair[1].strip()] == []
    assert sum(role in used for role, _ in told) > 2
