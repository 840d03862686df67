"""Hostile names, links, clocks and logs: no recording is lost or doubled, and the rest goes on."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tapbatch.listen.files import hash_file
from tapbatch.model.errors import ShopError
from tapbatch.run import inbox
from tapbatch.run.inbox import attention_of
from tapbatch.shop.now_file import read_log
from tests.run.inbox_day import Day
from tests.shops import rows_of, tapbatch, taps, write_wav


@pytest.mark.parametrize("name", ["a\nb\x07.wav", os.fsdecode(b"\xff\xfe.wav"), "b" * 251 + ".wav", "=1+1.wav"])
def test_a_recording_of_any_name_goes_in_and_out_of_its_place(day: Day, name: str) -> None:
    day.say("lyre-2", "06-closed", new=True)
    day.wait(1)
    for number in (2, 3):
        # The second replaces the first in the inbox, as a phone does that uses one name again.
        write_wav(day.inbox / name, taps(number, count=1))
        assert [e.original for e in day.look().placed] == [name]
    assert not day.look().placed
    assert len(day.there) == 2
    assert all(part.isprintable() for part in day.there)
    taken = day.say(undo=True).taken_out
    assert taken is not None
    assert len(day.there) == 1
    assert not {taken.recording} & day.there


def test_a_link_that_leads_nowhere_takes_a_name(day: Day) -> None:
    folder = day.root / "recordings/lyre-2/06-closed"
    folder.mkdir()
    (folder / "a.wav").symlink_to(day.root / "nowhere.wav")
    day.say("lyre-2", "06-closed", new=True)
    day.wait(1)
    day.drop("a", 2, at=False)
    day.look()
    assert day.there == {"lyre-2/06-closed/a (2).wav"}


def test_an_empty_file_waits_until_it_is_filled(day: Day) -> None:
    day.say("lyre-2", "06-closed", new=True)
    day.wait(1)
    (day.inbox / "a.mp3").touch()
    assert [w.original for w in day.look().waiting] == ["a.mp3"]
    assert not day.there


def test_a_log_that_leads_into_the_inbox_deletes_nothing_there(day: Day) -> None:
    day.say("lyre-2", "06-closed", new=True)
    day.wait(1)
    name = day.drop("a", 2)
    day.look()
    log = day.root / "now.csv"
    log.write_text(log.read_text(encoding="utf-8").replace("lyre-2/06-closed/a", "../inbox/a"), encoding="utf-8")
    # The row does not count; the copy that it was about is found again.
    taken = day.say(undo=True).taken_out
    assert taken is not None
    assert taken.recording == f"lyre-2/06-closed/{name}"
    assert (day.inbox / name).is_file()


def test_nothing_is_deleted_where_a_link_leads_out_of_the_recordings(day: Day, tmp_path: Path) -> None:
    day.say("lyre-2", "06-closed", new=True)
    day.wait(1)
    day.drop("a", 2)
    day.look()
    folder = day.root / "recordings/lyre-2/06-closed"
    folder.rename(tmp_path / "outside")
    folder.symlink_to(tmp_path / "outside", target_is_directory=True)
    with pytest.raises(ShopError):
        day.say(undo=True)
    assert len(list((tmp_path / "outside").iterdir())) == 1


def test_a_log_that_cannot_be_read_does_not_bring_back_what_was_taken_out(day: Day) -> None:
    day.say("lyre-2", "06-closed", new=True)
    day.wait(1)
    day.drop("a", 2)
    day.look()
    day.say(undo=True)
    log = day.root / "now.csv"
    kept = log.read_bytes()
    log.write_bytes(kept.decode().encode("utf-16"))
    unread = log.read_bytes()
    with pytest.raises(ShopError):
        day.say("lyre-2", "06-closed")
    done = tapbatch("run", day.root)
    assert (done.status, done.err.count("now.csv")) == (1, 1)
    assert (log.read_bytes(), day.there) == (unread, set())


@pytest.mark.parametrize("ahead_min", [3, 60, 60 * 24 * 400])
def test_what_was_said_last_counts_though_the_clock_went_back(day: Day, ahead_min: float) -> None:
    day.wait(ahead_min)
    day.say("rote-1", "01-joined")
    # The clock is set right.
    day.wait(5 - ahead_min)
    day.say("lyre-2", "06-closed", new=True)
    names = []
    for minutes in (1, ahead_min if ahead_min < 100 else 1):
        day.wait(minutes)
        names.append(day.drop("a", len(names) + 2))
    day.look()
    assert day.there == {f"lyre-2/06-closed/{n}" for n in names}


def test_a_later_recording_of_a_name_is_the_one_that_is_given_a_place(day: Day) -> None:
    day.say("lyre-2", "06-closed", new=True)
    day.wait(1)
    day.drop("a", 2, at=False)
    day.look()
    day.wait(600)
    day.drop("a", 3, at=False)
    (given,) = day.say("lyre-2", "05-closed", given=("inbox/a.wav",)).given
    assert given.sha256 == hash_file(day.inbox / "a.wav")
    assert day.there == {"lyre-2/06-closed/a.wav", "lyre-2/05-closed/a (2).wav"}


def test_a_name_that_two_folders_of_the_inbox_have_is_asked_back(day: Day) -> None:
    for number, folder in enumerate(("one", "two")):
        (day.inbox / folder).mkdir()
        write_wav(day.inbox / folder / "a.wav", taps(number + 2, count=1))
    with pytest.raises(ShopError, match=r"one/a\.wav or two/a\.wav"):
        day.say("lyre-2", "05-closed", given=("a.wav",))
    (given,) = day.say("lyre-2", "05-closed", given=("two/a.wav",)).given
    assert given.sha256 == hash_file(day.inbox / "two/a.wav")


@pytest.mark.parametrize("what", ["a file", "a link to nowhere", "a loop", "a name too long"])
def test_an_inbox_that_is_no_folder_is_named_and_the_rest_goes_on(day: Day, what: str) -> None:
    day.inbox.rmdir()
    if what == "a name too long":
        (day.root / "shop.toml").write_text(f'inbox = "{"x" * 300}"\n', encoding="utf-8")
    elif what == "a file":
        day.inbox.touch()
    else:
        day.inbox.symlink_to("inbox" if what == "a loop" else "nowhere")
    done = tapbatch("run", day.root)
    assert (done.status, "inbox: cannot be reached" in done.err) == (1, True)
    assert rows_of(day.root / "results/lyre-2/recordings.csv")


def test_a_missing_inbox_is_named_only_while_something_is_on_the_bench(day: Day) -> None:
    day.inbox.rmdir()
    assert not day.look().waiting
    assert day.say("lyre-2", "05-closed").looked.waiting


def test_many_without_a_time_are_written_down_at_once(day: Day, monkeypatch: pytest.MonkeyPatch) -> None:
    for number in range(3):
        day.drop(f"old {number}", number + 2, at=False)
    calls: list[str] = []
    for name in ("append", "stated_date"):
        real: Callable[..., object] = getattr(inbox, name)

        def counted(*args: object, of: Callable[..., object] = real, name: str = name) -> object:
            calls.append(name)
            return of(*args)

        monkeypatch.setattr(inbox, name, counted)
    for _ in range(2):
        assert len(day.look().waiting) == 3
    assert sorted(calls) == ["append", *["stated_date"] * 3]
    assert len(read_log(day.root)[0].seen) == 3


def test_a_folder_of_the_inbox_that_cannot_be_listed_is_named(day: Day, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.scandir

    def refused(path: Path) -> object:
        if Path(path).name == "sub":
            raise PermissionError(13, "Permission denied", str(path))
        return real(path)

    (day.inbox / "sub").mkdir()
    monkeypatch.setattr(os, "scandir", refused)
    (waits,) = attention_of(day.look().waiting)
    assert (waits.where, waits.what) == ("inbox/sub", "cannot be listed (permission denied)")


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone cannot be set here")
@pytest.mark.parametrize("hour_utc", [0, 1])
def test_in_the_hour_that_comes_twice_the_time_of_the_file_decides(
    day: Day, monkeypatch: pytest.MonkeyPatch, hour_utc: int
) -> None:
    # Central Europe goes back from three to two o'clock at 01:00 UTC on 25 October 2026 (Directive 2000/84/EC).
    with monkeypatch.context() as patch, ExitStack() as afterwards:
        afterwards.callback(time.tzset)
        afterwards.callback(patch.undo)
        patch.setenv("TZ", "Europe/Berlin")
        time.tzset()
        day.now = datetime(2026, 10, 25, hour_utc, 20, tzinfo=UTC)
        day.say("lyre-2", "06-closed", new=True)
        day.now = datetime(2026, 10, 25, hour_utc, 30, tzinfo=UTC).astimezone()
        name = day.drop("a", 2)
        assert "02-30-00" in name
        os.utime(day.inbox / name, (day.now.timestamp() + 9,) * 2)
        day.wait(1)
        day.look()
    assert day.there == {f"lyre-2/06-closed/{name}"}
