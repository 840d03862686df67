"""Readings reach the phone as soon as the watch has them: the same words as at the terminal, numbered."""

from __future__ import annotations

from threading import Thread
from typing import Any

import pytest

from tapbatch.run.histories import histories_of
from tapbatch.shop.folder import open_shop
from tapbatch.show.terminal.phone_reading import PhoneReading, phone_reading
from tapbatch.show.terminal.told import arrival_lines
from tapbatch.watch.feed import KEPT, Feed
from tests.shops import tapbatch
from tests.watch.bench import Bench
from tests.watch.desk import CITTERN, LYRE, Served

pytestmark = pytest.mark.usefixtures("drawn")


def fed(feed: Feed, after: int = 0) -> list[dict[str, Any]]:
    return feed.after(after, 0.0)[1]


@pytest.fixture
def both(served: Served) -> tuple[Served, Bench]:
    """Return a desk and the watch of its shop, which has begun."""
    bench = Bench(served.root, feed=served.feed)
    bench.until_quiet()
    return served, bench


def test_each_recording_that_is_sent_gives_a_reading(both: tuple[Served, Bench]) -> None:
    served, bench = both
    assert fed(served.feed) == []
    served.send("New Recording.wav", served.sound(2, count=3))
    bench.until_quiet(5.0)
    (reading,) = fed(served.feed)
    assert (reading["n"], reading["instrument"], reading["stage"]) == (1, "cittern-12", "06-voicing step 1")
    assert reading["original"] == "New Recording.wav"
    assert reading["recording"] == "cittern-12/06-voicing/closed/step 1/New Recording.wav"
    # The strongest of the body that is tapped is at 268 Hz, which is 1200 log2(268 / 261.6256) = 41.7 c over C4.
    assert reading["where"].startswith("strongest C4 +41.")
    assert reading["since"].startswith("first stage")
    assert reading["trouble"] == ""
    assert served.state["last"][0]["taps"] == "3 taps"
    assert served.state["ask"]["setups"].startswith("3 taps")


def test_what_is_said_is_what_the_terminal_says(both: tuple[Served, Bench]) -> None:
    served, bench = both
    destination = dict(CITTERN)
    for number in range(2, 5):
        served.send("a.wav", served.sound(number, count=3), destination)
        bench.until_quiet(5.0)
        destination = served.ask("POST", "/phone/next", {"destination": destination})[1]["destination"]
    shop = open_shop(served.root)
    for reading in fed(served.feed)[-1:]:
        (history,) = histories_of(shop, ["cittern-12"]).of.values()
        said = " ".join(" ".join(text for text, _ in arrival_lines(history, reading["recording"])).split())
        for line in (reading["where"], reading["since"], reading["left"], reading["next"]):
            assert line
            assert line in said
        assert reading["fault"] == "" or reading["fault"] in said


def test_one_that_is_sent_during_the_start_is_told(served: Served) -> None:
    bench = Bench(served.root, feed=served.feed)
    recording = served.send("a.wav", served.sound(2, count=2))["recording"]
    told = bench.until_quiet(5.0)
    assert [line.partition(":")[0] for line in told][-1] == "began"
    assert [reading["recording"] for reading in fed(served.feed)] == [recording]


def test_what_could_not_be_used_is_trouble(both: tuple[Served, Bench]) -> None:
    served, bench = both
    cut = served.sound(2)[:300]
    recording = served.send("cut.wav", cut)["recording"]
    bench.until_quiet(120.0)
    (reading,) = [each for each in fed(served.feed) if each["trouble"]][:1]
    assert reading["recording"] == recording
    (served.inbox / "old.wav").write_bytes(served.sound(3))
    bench.until_quiet(5.0)
    last = fed(served.feed)[-1]
    assert (last["original"], bool(last["trouble"])) == ("old.wav", True)


def test_a_mistake_in_the_settings_is_no_reading(both: tuple[Served, Bench]) -> None:
    served, bench = both
    (served.root / "instruments").mkdir()
    (served.root / "instruments/lyre-2.toml").write_text("strings = 5\n")
    told = bench.until_quiet(5.0)
    assert [line for line in told if line.startswith("attention: ")]
    assert fed(served.feed) == []


def test_a_copy_from_the_inbox_is_read_without_a_wait(both: tuple[Served, Bench]) -> None:
    served, bench = both
    served.send("a.wav", served.sound(2), LYRE)
    before_s = bench.now_s
    for _ in range(10):
        bench.watch.step()
        if fed(served.feed):
            break
    assert (len(fed(served.feed)), bench.now_s) == (1, before_s)


def test_who_waits_is_woken_and_only_the_last_are_kept() -> None:
    feed, got = Feed(), []
    waiting = Thread(target=lambda: got.append(feed.after(0, 30.0)))
    waiting.start()
    for number in range(KEPT + 5):
        feed.add(PhoneReading(recording=f"{number}.wav"))
    waiting.join(timeout=30)
    assert got[0][0] >= 1
    latest, readings = feed.after(0, 0.0)
    assert (latest, [each["n"] for each in readings]) == (KEPT + 5, list(range(6, KEPT + 6)))
    assert feed.after(latest - 1, 0.0)[1] == readings[-1:]


def test_the_end_wakes_everyone() -> None:
    feed = Feed()
    waiting = Thread(target=feed.after, args=(0, 30.0))
    waiting.start()
    feed.close()
    waiting.join(timeout=30)
    assert not waiting.is_alive()


def test_a_room_and_plucked_strings_are_said_in_their_own_way(served: Served) -> None:
    (served.root / "instruments").mkdir()
    (served.root / "instruments/lyre-2.toml").write_text('strings = ["F#3"]\n')
    for number, word in enumerate(("room", "pluck"), start=3):
        served.send(f"{word}.wav", served.sound(number, count=2), {**LYRE, "words": [word]})
    tapbatch("run", served.root)
    (history,) = histories_of(open_shop(served.root), ["lyre-2"]).of.values()
    room, pluck = (phone_reading(history, f"lyre-2/05-closed/{w}/{w}.wav") for w in ("room", "pluck"))
    assert "room alone" in room.where
    assert "strings plucked" in pluck.where or pluck.trouble
