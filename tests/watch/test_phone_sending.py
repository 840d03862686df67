"""Sending from a phone in a real browser: broken off, killed, refused, and from two phones at once."""

from __future__ import annotations

import socket
from pathlib import Path

from tests.shops import tapbatch
from tests.watch.phones import (
    IN_A_BROWSER,
    Phone,
    below_recordings,
    big_recording,
    no_sound,
    put_on_the_bench,
    recording,
    sounds_below,
)
from tests.watch.program import Watch

pytestmark = IN_A_BROWSER


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
    arguments = ("--port", port, "--keep-key")
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
