"""From the inbox to its place: once, byte for byte, whatever happens in between; and out again."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from tapbatch.listen.files import hash_file
from tapbatch.model.errors import NamingError, ShopError
from tapbatch.results.files import is_half_written
from tapbatch.run import copies, inbox
from tapbatch.run.inbox import Looked, attention_of, look_into
from tapbatch.run.now import Answered, Asked, answer
from tapbatch.shop.folder import Shop, open_shop
from tapbatch.shop.now_file import read_log
from tests.shops import make_shop, rows_of, tapbatch, taps, write_wav

NOON = datetime.now().astimezone().replace(year=2026, month=3, day=14, hour=12, minute=0, second=0, microsecond=0)


class Day:
    """A shop with an inbox on one day, and its clock."""

    def __init__(self, root: Path) -> None:
        self.root = make_shop(root, {"lyre-2/05-closed/a.wav": taps(1, count=1)})
        self.inbox = root / "inbox"
        self.inbox.mkdir()
        self.now = NOON

    @property
    def shop(self) -> Shop:
        return open_shop(self.root)

    def clock(self) -> datetime:
        return self.now

    def wait(self, minutes: float) -> None:
        self.now += timedelta(minutes=minutes)

    def drop(self, name: str, number: int, *, at: bool = True) -> str:
        """Put a recording into the inbox; with ``at`` its name says that it was made now."""
        name = f"{name} {self.now:%Y-%m-%d %H-%M-%S}.wav" if at else f"{name}.wav"
        write_wav(self.inbox / name, taps(number, count=1))
        return name

    def say(self, *fields: str, **asked: object) -> Answered:
        return answer(self.shop, Asked(fields=fields, **asked), self.clock)  # type: ignore[arg-type]

    def look(self) -> Looked:
        return look_into(self.shop, self.clock)

    @property
    def there(self) -> set[str]:
        folder = self.root / "recordings"
        files = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
        return {f for f in files if not is_half_written(f.rpartition("/")[2])} - {"lyre-2/05-closed/a.wav"}


@pytest.fixture
def day(tmp_path: Path) -> Day:
    return Day(tmp_path / "shop")


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


# ---------------------------------------------------------------- hostile names, clocks and logs


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
    for name in ("append", "recorded_at"):
        real: Callable[..., object] = getattr(inbox, name)

        def counted(*args: object, of: Callable[..., object] = real, name: str = name) -> object:
            calls.append(name)
            return of(*args)

        monkeypatch.setattr(inbox, name, counted)
    for _ in range(2):
        assert len(day.look().waiting) == 3
    assert sorted(calls) == ["append", *["recorded_at"] * 3]
    assert len(read_log(day.root)[0].seen) == 3
