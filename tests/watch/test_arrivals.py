"""Arrivals, on a folder that is a dictionary and a clock that is a number: nothing sleeps, all is decided here."""

from __future__ import annotations

import os
import unicodedata
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.shop.listing import Facts, Listing, list_folder
from tapbatch.watch.arrivals import PATIENCE_S, STILL_S, STILL_WITHOUT_PROMISE_S, Arrivals, Look, keeps_promise
from tests.shops import taps, write_wav


@dataclass
class Folder:
    """A folder of which each file says whether its header's promise is kept."""

    files: dict[str, Facts] = field(default_factory=dict)
    kept: dict[str, bool | None] = field(default_factory=dict)
    unlisted: tuple[OSError, ...] = ()
    now_s: float = 100.0

    def __post_init__(self) -> None:
        self.arrivals = Arrivals(self.listing, lambda path: self.kept.get(path, True), lambda: self.now_s)

    def listing(self) -> Listing:
        return Listing(files=dict(self.files), unlisted=self.unlisted)

    def look(self, after_s: float = 0.0) -> Look:
        self.now_s += after_s
        return self.arrivals.look()


def test_a_file_arrives_once_when_it_has_been_still() -> None:
    folder = Folder({"a.wav": Facts(100, 1)})
    assert folder.look().new == ()
    assert folder.look(STILL_S * 0.9).new == ()
    assert folder.arrivals.next_in_s() == pytest.approx(STILL_S * 0.1)
    look = folder.look(STILL_S * 0.1)
    assert (look.new, set(look.listing.files), look.changed) == (("a.wav",), {"a.wav"}, True)
    assert not folder.look(1.0).changed
    assert folder.arrivals.next_in_s() is None


def test_a_file_that_grows_is_waited_for_and_counts_as_not_there() -> None:
    folder = Folder({}, kept={"a.wav": False})
    for size in range(10, 60, 10):
        folder.files["a.wav"] = Facts(size, size)
        look = folder.look(0.25)
        assert (look.new, look.listing.files, look.listing.waiting) == ((), {}, frozenset({"a.wav"}))
    folder.kept["a.wav"] = True
    folder.files["a.wav"] = Facts(60, 60)
    assert folder.look(0.25).new == ()
    assert folder.look(STILL_S).new == ("a.wav",)


def test_what_promises_nothing_must_be_still_for_longer() -> None:
    folder = Folder({"a.mp3": Facts(100, 1)}, kept={"a.mp3": None})
    folder.look()
    assert folder.look(STILL_S).new == ()
    assert folder.look(STILL_WITHOUT_PROMISE_S - STILL_S).new == ("a.mp3",)


@pytest.mark.parametrize("facts", [Facts(50, 1), Facts(0, 1)])
def test_half_a_file_is_taken_as_it_is_when_nothing_more_comes(facts: Facts) -> None:
    # an empty file is one of which nothing has come yet, whatever its header says
    folder = Folder({"a.wav": facts}, kept={"a.wav": facts.size == 0})
    folder.look()
    assert folder.look(PATIENCE_S - 1).new == ()
    assert folder.look(1).new == ("a.wav",)


def test_a_copy_that_goes_on_after_a_pause_arrives_anew() -> None:
    folder = Folder({"a.wav": Facts(50, 1)}, kept={"a.wav": False})
    folder.look()
    assert folder.look(PATIENCE_S).new == ("a.wav",)
    folder.files["a.wav"], folder.kept["a.wav"] = Facts(100, 2), True
    assert folder.look(1.0).listing.waiting == {"a.wav"}
    assert folder.look(STILL_S).new == ("a.wav",)


def test_a_replaced_file_arrives_anew_also_at_the_same_size() -> None:
    folder = Folder({"a.wav": Facts(100, 1, 7)})
    folder.look()
    folder.look(STILL_S)
    for facts in (Facts(100, 2, 7), Facts(100, 2, 8)):
        folder.files["a.wav"] = facts
        assert folder.look(1.0).new == ()
        assert folder.look(STILL_S).new == ("a.wav",)


def test_a_move_is_an_arrival_at_once_and_what_it_left_is_gone() -> None:
    folder = Folder({"a_b.wav": Facts(100, 1, 7)})
    folder.look()
    folder.look(STILL_S)
    folder.files = {"a/c/b.wav": folder.files["a_b.wav"]}
    look = folder.look(0.01)
    assert (look.new, look.gone) == (("a/c/b.wav",), ("a_b.wav",))


def test_a_move_of_what_had_not_arrived_is_none() -> None:
    folder = Folder({"a_b.wav": Facts(100, 1, 7)})
    folder.look()
    folder.files = {"a_c.wav": folder.files["a_b.wav"]}
    look = folder.look(0.01)
    assert (look.new, look.gone) == ((), ())
    assert folder.look(STILL_S).new == ("a_c.wav",)


def test_a_file_that_is_gone_is_told_once_and_one_that_never_arrived_not_at_all() -> None:
    folder = Folder({"a.wav": Facts(100, 1), "b.wav": Facts(10, 1)}, kept={"b.wav": False})
    folder.look()
    folder.look(STILL_S)
    folder.files = {}
    assert folder.look().gone == ("a.wav",)
    assert folder.look().gone == ()


def test_nothing_is_gone_while_a_folder_cannot_be_listed() -> None:
    folder = Folder({"x/a.wav": Facts(100, 1)})
    folder.look()
    folder.look(STILL_S)
    before, folder.files, folder.unlisted = folder.files, {}, (PermissionError(13, "Permission denied", "x"),)
    assert folder.look().gone == ()
    folder.files, folder.unlisted = before, ()
    assert not folder.look(1.0).changed


MOVES = st.lists(
    st.tuples(st.sampled_from("abc"), st.sampled_from(["write", "finish", "delete", "wait"]), st.floats(0.0, 3.0)),
    max_size=30,
)


@given(MOVES)
def test_every_whole_file_that_stays_arrives_once_for_each_time_it_was_written(moves: list) -> None:
    folder, written, told = Folder(), dict.fromkeys("abc", 0), dict.fromkeys("abc", 0)
    stamp = 0
    for name, move, after_s in moves:
        if move in ("write", "finish"):
            stamp += 1
            folder.files[name], folder.kept[name] = Facts(stamp, stamp), move == "finish"
            written[name] += 1
        elif move == "delete":
            folder.files.pop(name, None)
        look = folder.look(after_s)
        for path in look.new:
            told[path] += 1
            assert told[path] <= written[path]
        assert set(look.listing.files) | look.listing.waiting == set(folder.files)
    before = dict(told)
    folder.look()
    settled = set(folder.look(PATIENCE_S).new)
    # whatever is there at the end has arrived by now, and arrives no second time
    assert set(folder.arrivals.look().listing.files) == set(folder.files)
    assert all(before[n] + (n in settled) >= 1 for n in folder.files)
    assert not folder.look(PATIENCE_S).new


# ---------------------------------------------------------- on a real disk


def test_the_listing_passes_over_what_is_not_sound_or_not_finished(tmp_path: Path) -> None:
    names = ["a_b.wav", "a/b/c.m4a", "Säge_x.flac"]
    passed = [
        ".a_b.wav", "~$a_b.wav", "a_b.wav.part", "a_b.wav.crdownload", "notes.txt", ".trash/a_b.wav", "a_b.wav~",
        ".a_c.wav.icloud", "a_b.tmp", "x.wav/readme.txt",
    ]  # fmt: skip
    for name in [*names, *passed]:
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"x")
    found = {unicodedata.normalize("NFC", n) for n in list_folder(tmp_path).files}
    assert found == set(names)


def test_links_to_folders_are_not_followed_and_a_dangling_link_is_there(tmp_path: Path) -> None:
    try:
        (tmp_path / "round.wav").symlink_to(tmp_path)
        (tmp_path / "a_b.wav").symlink_to(tmp_path / "nowhere.wav")
    except OSError:
        pytest.skip("this system makes no links")
    assert list_folder(tmp_path).files == {"a_b.wav": Facts(-1, 0)}


def test_a_folder_that_is_not_there_is_an_error_in_the_listing(tmp_path: Path) -> None:
    listing = list_folder(tmp_path / "gone")
    assert listing.files == {}
    assert [type(error) for error in listing.unlisted] == [FileNotFoundError]


def test_the_promise_of_a_real_header(tmp_path: Path) -> None:
    whole = write_wav(tmp_path / "whole.wav", taps(70, count=1))
    data = whole.read_bytes()
    for length, kept in ((len(data), True), (len(data) - 2, False), (1000, False), (20, None), (0, None)):
        path = tmp_path / f"{length}.wav"
        path.write_bytes(data[:length])
        assert keeps_promise(path) is kept
    assert keeps_promise(tmp_path / "gone.wav") is None
    (tmp_path / "text.wav").write_text("dear diary, " * 9)
    assert keeps_promise(tmp_path / "text.wav") is None


def test_room_kept_for_a_copy_is_no_arrival(tmp_path: Path) -> None:
    data = write_wav(tmp_path / "whole.wav", taps(70, count=1)).read_bytes()
    path = tmp_path / "a_b.wav"
    with path.open("wb") as copy:
        copy.write(data[:44])
        copy.truncate(len(data))
        copy.flush()
        for filled in (44, len(data) // 2, len(data) - 1500):
            copy.seek(0)
            copy.write(data[:filled])
            copy.flush()
            # as long as its header says, and with the pauses of a copy: still for longer than they last
            assert keeps_promise(path) is None
        copy.seek(0)
        copy.write(data)
    assert keeps_promise(path) is True


def test_a_real_copy_arrives_when_its_last_byte_has(tmp_path: Path) -> None:
    data = write_wav(tmp_path / "whole.wav", taps(70, count=1)).read_bytes()
    folder, now_s = tmp_path / "recordings", [0.0]
    folder.mkdir()
    arrivals = Arrivals(lambda: list_folder(folder), lambda path: keeps_promise(folder / path), lambda: now_s[0])
    with (folder / "a_b.wav").open("wb") as copy:
        for first in range(0, len(data), 8000):
            copy.write(data[first : first + 8000])
            copy.flush()
            # the system's own clock of changes is coarse
            os.utime(folder / "a_b.wav", ns=(first, first))
            now_s[0] += 5.0
            look = arrivals.look()
            assert (look.new, first + 8000 < len(data) or look.listing.waiting) != ((), frozenset())
            assert look.new == ()
    now_s[0] += STILL_S
    assert arrivals.look().new == ("a_b.wav",)
