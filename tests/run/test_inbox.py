"""From the inbox to its place: once, byte for byte, whatever happens in between; and out again."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import suppress
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapbatch.listen.files import hash_file
from tapbatch.model.errors import NamingError, ShopError
from tapbatch.run import copies, inbox
from tapbatch.run.inbox import attention_of
from tapbatch.shop.now_file import read_log
from tests.run.inbox_day import Day
from tests.shops import rows_of, tapbatch, taps, write_wav


def test_a_recording_goes_where_the_bench_was_when_it_was_made(day: Day) -> None:
    day.say("lyre-2", "06-voicing", "closed", "step", new=True)
    day.wait(1)
    first = day.drop("Rec", 2)
    day.wait(10)
    day.say("rote-1", "01-joined", "top")
    day.wait(1)
    second = day.drop("Rec", 3)
    # Both came before anyone looked.
    placed = day.look().placed
    assert {e.recording for e in placed} <= day.there
    assert day.there == {f"lyre-2/06-voicing/closed/step 1/{first}", f"rote-1/01-joined/top/{second}"}
    for event in read_log(day.root)[0].placed.values():
        assert hash_file(day.root / "recordings" / event.recording) == event.sha256
    # The originals stay, and another look does nothing.
    assert {p.name for p in day.inbox.iterdir()} == {first, second}
    assert not day.look().placed


def test_a_tag_in_the_file_says_when_it_was_made(day: Day) -> None:
    day.say("lyre-2", "06-closed", new=True)
    day.wait(10)
    with soundfile.SoundFile(day.inbox / "Rec.flac", "w", 8000, 1, "PCM_16", format="FLAC") as flac:
        flac.date = f"{day.now:%Y-%m-%dT%H:%M:%S}"
        flac.write(np.zeros(8000))
    day.wait(10)
    day.say("rote-1", "01-joined", "top")
    day.wait(10)
    day.look()
    assert day.there == {"lyre-2/06-closed/Rec.flac"}


def test_recordings_join_the_step_until_the_maker_has_cut(day: Day) -> None:
    day.say("lyre-2", "06-voicing", "step", new=True)
    for number in (2, 3):
        day.wait(1)
        day.drop("Rec", number)
    day.wait(1)
    with_next = day.say(next_step=True)
    assert with_next.bench is not None
    assert with_next.bench.step == 2
    day.wait(1)
    day.drop("Rec", 4)
    day.look()
    assert sorted(p.split("/")[2] for p in day.there) == ["step 1", "step 1", "step 2"]
    assert tapbatch("run", day.root).status == 0
    stages = {row["stage"] for row in rows_of(day.root / "results/lyre-2/recordings.csv")}
    assert stages == {"05-closed", "06-voicing step 1", "06-voicing step 2"}
    # After lunch the same words go on with the step that was reached.
    day.wait(30)
    again = day.say("lyre-2", "06-voicing", "step")
    assert again.bench is not None
    assert again.bench.step == 2


def test_a_step_without_a_recording_is_not_ended(day: Day) -> None:
    day.say("lyre-2", "06-voicing", "step", new=True)
    with pytest.raises(ShopError):
        day.say(next_step=True)
    assert len(read_log(day.root)[0].events) == 1


def test_one_without_a_time_belongs_to_what_is_on_the_bench_when_it_is_first_seen(day: Day) -> None:
    day.drop("old", 2, at=False)
    day.say("lyre-2", "06-closed", new=True)
    day.wait(1)
    day.drop("new", 3, at=False)
    looked = day.look()
    assert day.there == {"lyre-2/06-closed/new.wav"}
    assert [w.original for w in looked.waiting] == ["old.wav"]
    assert [a.where for a in attention_of(looked.waiting)] == ["inbox/old.wav"]
    # It goes where it is told, and is no longer asked about.
    day.say("lyre-2", "05-closed", given=("old.wav",))
    assert "lyre-2/05-closed/old.wav" in day.there
    assert not day.look().waiting


def test_what_was_recorded_after_the_bench_lapsed_waits(day: Day) -> None:
    day.say("lyre-2", "06-closed", new=True)
    day.wait(5 * 60)
    day.drop("Rec", 2)
    (waits,) = day.look().waiting
    assert (waits.why, day.there) == ("lapsed", set())


def test_old_recordings_of_a_cloud_folder_are_left_alone(day: Day) -> None:
    day.now -= timedelta(days=90)
    day.drop("Memo", 2)
    day.now += timedelta(days=90)
    day.say("lyre-2", "06-closed", new=True)
    looked = day.look()
    assert (looked.waiting, day.there) == ((), set())


def test_a_clock_that_is_ahead_is_asked_about(day: Day) -> None:
    day.say("lyre-2", "06-closed", new=True)
    day.wait(60)
    day.drop("Rec", 2)
    day.wait(-59)
    assert [w.why for w in day.look().waiting] == ["ahead"]


def test_the_same_bytes_are_placed_once(day: Day) -> None:
    day.say("lyre-2", "06-closed", new=True)
    day.wait(1)
    name = day.drop("Rec", 2)
    day.look()
    (day.inbox / f"copy {name}").write_bytes((day.inbox / name).read_bytes())
    write_wav(day.inbox / f"known {name}", taps(1, count=1))
    assert tapbatch("run", day.root).status == 0
    assert day.there == {f"lyre-2/06-closed/{name}"}


def test_another_recording_of_the_same_name_gets_another_name(day: Day) -> None:
    day.say("lyre-2", "06-closed", new=True)
    for number, folder in ((2, "a"), (3, "b")):
        write_wav(day.inbox / folder / "New Recording.wav", taps(number, count=1))
    day.look()
    assert day.there == {"lyre-2/06-closed/New Recording.wav", "lyre-2/06-closed/New Recording (2).wav"}


def test_a_link_and_a_file_that_is_not_whole_wait(day: Day, tmp_path: Path) -> None:
    day.say("lyre-2", "06-closed", new=True)
    (day.inbox / "link.wav").symlink_to(write_wav(tmp_path / "secret.wav", taps(2, count=1)))
    whole = write_wav(tmp_path / "whole.wav", taps(3, count=1)).read_bytes()
    (day.inbox / "half.wav").write_bytes(whole[: len(whole) // 2])
    looked = day.look()
    assert sorted(w.original for w in looked.waiting) == ["half.wav", "link.wav"]
    (day.inbox / "half.wav").write_bytes(whole)
    day.look()
    assert day.there == {"lyre-2/06-closed/half.wav"}


def test_no_place_is_outside_the_recordings(day: Day, tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (day.root / "recordings/rote-1").symlink_to(outside, target_is_directory=True)
    day.say("rote-1", "01-joined")
    day.wait(1)
    day.drop("Rec", 2)
    (waits,) = day.look().waiting
    assert (waits.what != "", list(outside.iterdir())) == (True, [])
    last = ("lyre-2", "05-closed", "nonsense")
    for fields in (("..", "x"), ("lyre-2", "../x"), ("lyre-2", "a/b"), last, ("lyre-2",)):
        with pytest.raises(NamingError):
            day.say(*fields)


def test_a_slip_is_asked_back(day: Day) -> None:
    for fields in (("lyre-2", "05-clsed"), ("lyer-2", "05-closed")):
        with pytest.raises(ShopError):
            day.say(*fields)
        assert day.say(*fields, new=True).is_new


# ------------------------------------------------------------ taking out


def test_undo_takes_out_the_copy_and_forgets_its_reading(day: Day) -> None:
    day.say("lyre-2", "06-closed", new=True)
    day.wait(1)
    name = day.drop("Rec", 2)
    day.look()
    tapbatch("run", day.root)
    done = day.say(undo=True)
    assert done.taken_out is not None
    assert (day.there, (day.inbox / name).is_file()) == (set(), True)
    tapbatch("run", day.root)
    assert {r["stage"] for r in rows_of(day.root / "results/lyre-2/recordings.csv")} == {"05-closed"}
    # It does not come back by itself, and can be given a place.
    assert day.there == set()
    day.say("lyre-2", "05-closed", given=(name,))
    assert day.there == {f"lyre-2/05-closed/{name}"}


def test_the_last_copy_of_a_recording_is_never_taken_out(day: Day) -> None:
    day.say("lyre-2", "06-closed", new=True)
    day.wait(1)
    name = day.drop("Rec", 2)
    day.look()
    (day.inbox / name).unlink()
    with pytest.raises(ShopError):
        day.say(undo=True)
    assert day.there == {f"lyre-2/06-closed/{name}"}


def test_a_copy_that_was_changed_is_left_alone(day: Day) -> None:
    day.say("lyre-2", "06-closed", new=True)
    day.wait(1)
    name = day.drop("Rec", 2)
    day.look()
    write_wav(day.root / "recordings/lyre-2/06-closed" / name, taps(9, count=1))
    with pytest.raises(ShopError):
        day.say(undo=True)
    assert day.there == {f"lyre-2/06-closed/{name}"}


def test_any_of_the_last_can_be_given_another_place(day: Day) -> None:
    day.say("lyre-2", "06-closed", new=True)
    names = []
    for number in (2, 3, 4):
        day.wait(1)
        names.append(day.drop("Rec", number))
    day.look()
    done = day.say("lyre-2", "05-closed", given=(names[0],))
    assert [e.recording for e in done.given] == [f"lyre-2/05-closed/{names[0]}"]
    assert day.there == {f"lyre-2/05-closed/{names[0]}", *(f"lyre-2/06-closed/{n}" for n in names[1:])}
    assert not day.look().placed


# ----------------------------------------------------------------- kills


class Kill(BaseException):
    """Stands for a kill: nothing catches it."""


def killed_at(monkeypatch: pytest.MonkeyPatch, owner: object, name: str, after: int) -> None:
    """Let the n-th call of a function be the last thing that happens; ``after`` calls go well."""
    real: Callable[..., object] = getattr(owner, name)
    left = [after]

    def call(*args: object, **kwargs: object) -> object:
        if not left[0]:
            raise Kill
        left[0] -= 1
        return real(*args, **kwargs)

    monkeypatch.setattr(owner, name, call)


@pytest.mark.parametrize(
    ("owner", "name"), [(os, "link"), (os, "fsync"), (inbox, "append"), (copies, "put_copy"), (inbox, "hash_file")]
)
@pytest.mark.parametrize("after", range(3))
def test_a_kill_while_copying_loses_and_doubles_nothing(day: Day, owner: object, name: str, after: int) -> None:
    day.say("lyre-2", "06-closed", new=True)
    day.wait(1)
    names = [day.drop("a", 2), day.drop("b", 3)]
    with pytest.MonkeyPatch.context() as patch:
        killed_at(patch, owner, name, after)
        with suppress(Kill):
            day.look()
    day.look()
    assert day.there == {f"lyre-2/06-closed/{n}" for n in names}
    assert set(read_log(day.root)[0].placed) == day.there
    assert {p.name for p in day.inbox.iterdir()} == set(names)


def test_a_kill_just_after_the_copy_leaves_no_hidden_file(day: Day) -> None:
    day.say("lyre-2", "06-closed", new=True)
    day.wait(1)
    name = day.drop("a", 2)
    folder = day.root / "recordings/lyre-2/06-closed"
    folder.mkdir(parents=True)
    os.link(write_wav(folder / ".0123456789ab.part", taps(2, count=1)), folder / name)
    day.look()
    assert [p.name for p in folder.iterdir()] == [name]


@pytest.mark.parametrize(("owner", "name"), [(Path, "unlink"), (inbox, "append"), (copies, "put_copy")])
@pytest.mark.parametrize("after", range(3))
@pytest.mark.parametrize("asked", [{"undo": True}, {"given": True}])
def test_a_kill_while_taking_out_is_mended_by_asking_again(
    day: Day, owner: object, name: str, after: int, asked: dict[str, bool]
) -> None:
    day.say("lyre-2", "06-closed", new=True)
    day.wait(1)
    original = day.drop("a", 2)
    day.look()
    fields = ("lyre-2", "05-closed") if "given" in asked else ()
    ask = {"given": (original,)} if "given" in asked else asked
    with pytest.MonkeyPatch.context() as patch:
        killed_at(patch, owner, name, after)
        try:
            day.say(*fields, **ask)
            done = True
        except Kill:
            done = False
    if not done and (read_log(day.root)[0].last() or "given" in asked):
        day.say(*fields, **ask)
    assert day.there == ({f"lyre-2/05-closed/{original}"} if "given" in asked else set())
    assert (day.inbox / original).is_file()


def test_what_is_said_to_be_worked_on_comes_first_from_that_step_on(day: Day) -> None:
    labels = '[[mode]]\nlabel = "air"\nnear_hz = 182\n\n[[mode]]\nlabel = "main"\nnear_hz = 268\n'
    (day.root / "instruments").mkdir()
    (day.root / "instruments/lyre-2.toml").write_text(labels, encoding="utf-8")
    for on in ("air", "main"):
        day.say("lyre-2", "06-voicing", "step", on=(on,), new=True)
        day.wait(1)
        day.drop("Rec", 2 if on == "air" else 3)
        day.look()
        if on == "air":
            day.wait(1)
            day.say(next_step=True)
    assert tapbatch("run", day.root).status == 0
    rows = rows_of(day.root / "results/lyre-2/modes.csv")
    worked_on = {(r["stage"], r["mode"]) for r in rows if r["working_on"] == "true"}
    assert {("06-voicing step 1", "air"), ("06-voicing step 2", "main")} <= worked_on
    with pytest.raises(ShopError):
        day.say("lyre-2", "06-voicing", "step", on=("aire",))
