"""A shop under watch: the clock and the hints are passed in, the folder and the runs are real; no test sleeps."""

from __future__ import annotations

import errno
import os
from collections.abc import Mapping
from pathlib import Path

import pytest

from tapbatch.model.errors import ShopError
from tapbatch.results.lock import hold
from tapbatch.results.store import ReadingStore
from tapbatch.run.job import Job, hash_job, with_hash
from tapbatch.watch.arrivals import STILL_S
from tapbatch.watch.measuring import LONG_S, IsKept, Measured
from tapbatch.watch.measuring import Here as MeasureHere
from tapbatch.watch.watching import AGAIN_S, QUIET_S
from tests.refusals import misses
from tests.shops import LYRE, NA, bytes_below, make_shop, rows_of, tapbatch, taps, write_wav
from tests.watch.bench import Bench, Sounds, as_a_run, kinds, renamed

pytestmark = pytest.mark.usefixtures("drawn")


def test_what_is_there_at_the_start_is_measured_and_then_drawn(
    bench: Bench, drawn: list[str], tmp_path: Path
) -> None:
    assert sorted(drawn) == ["lyre-2", "na"]
    assert as_a_run(bench, tmp_path / "run")


def test_an_arrival_is_told_at_once_and_its_report_follows_when_it_is_quiet(
    bench: Bench, drawn: list[str], tmp_path: Path
) -> None:
    drawn.clear()
    bench.put("lyre-2_02-thinned_top_1.wav", taps(73, count=2, cents=-40))
    began_s = bench.now_s
    wait_s = bench.watch.step()
    while not bench.told[-1].startswith("arrived"):
        bench.now_s += wait_s
        wait_s = bench.watch.step()
    # looked at once, and once more when it had been still; the tables are there, the report is not
    assert bench.now_s - began_s == pytest.approx(STILL_S)
    assert bench.told[-1] == "arrived: lyre-2_02-thinned_top_1.wav"
    assert {row["stage"] for row in bench.modes("lyre-2")} == {"01-joined", "02-thinned"}
    assert drawn == []
    bench.until_quiet(QUIET_S)
    assert drawn == ["lyre-2"]
    assert as_a_run(bench, tmp_path / "run")


def test_renamed_replaced_moved_and_deleted(bench: Bench, tmp_path: Path) -> None:
    folder = bench.root / "recordings"
    (folder / LYRE).rename(folder / "lyre-2_01-joined_top_2.wav")
    told = bench.until_quiet(1.0)
    assert "arrived: lyre-2_01-joined_top_2.wav" in told
    # that it was renamed, and not that it is gone
    assert [line for line in told if LYRE in line] == [renamed(LYRE, "lyre-2_01-joined_top_2.wav")]

    bench.put(NA, taps(74, count=3, cents=60))
    assert bench.until_quiet(1.0) == [f"arrived: {NA}"]
    assert {row["taps"] for row in bench.modes("na")} == {"3"}

    (folder / "NA" / "02 opened").mkdir()
    (folder / NA).rename(folder / "NA" / "02 opened" / "voice note.wav")
    assert "arrived: NA/02 opened/voice note.wav" in bench.until_quiet(1.0)
    assert {row["stage"] for row in bench.modes("na")} == {"02 opened"}

    (folder / "lyre-2_01-joined_top_2.wav").unlink()
    (gone,) = bench.until_quiet(10.0)
    assert gone.startswith("note: lyre-2_01-joined_top_2.wav ")
    # what a later run says is what the watch left
    before = bytes_below(bench.root / "results")
    assert tapbatch("run", bench.root).counts[0] == 0
    assert bytes_below(bench.root / "results") == before


def test_a_recording_that_is_gone_is_not_taken_for_another_that_was_renamed(tmp_path: Path) -> None:
    """The path of the one is the end of the path of the other, so a search in a sentence would find both."""
    gone, before, now = "a_01-x.wav", "data_01-x.wav", "data_02-y.wav"
    bench = Bench(make_shop(tmp_path / "shop", {gone: taps(71, count=2), before: taps(72, count=2)}))
    bench.until_quiet()
    folder = bench.root / "recordings"
    (folder / before).rename(folder / now)
    (folder / gone).unlink()
    told = bench.until_quiet(10.0)
    notes = [line for line in told if line.startswith("note: ")]
    assert [line for line in notes if before in line] == [renamed(before, now)]
    (said,) = (line for line in notes if line.startswith(f"note: {gone} "))
    assert len(notes) == 2
    assert now not in said


def test_half_a_file_is_waited_for_then_named_and_whole_it_is_read(bench: Bench, tmp_path: Path) -> None:
    name = "lyre-2_02-thinned_top_1.wav"
    whole = write_wav(tmp_path / "whole.wav", taps(73, count=2)).read_bytes()
    path = bench.root / "recordings" / name
    path.write_bytes(whole[: len(whole) * 2 // 3])
    assert bench.until_quiet(50.0) == []
    told = bench.until_quiet(20.0)
    (named,) = (line for line in told if line.startswith("attention"))
    # two thirds of 2.25 s, but for the header
    assert named.startswith(f"attention: {name}: ")
    assert misses(named, "1.50", "2.25") == []
    assert name in {row["where"] for row in rows_of(bench.root / "results" / "attention.csv")}
    path.write_bytes(whole)
    assert bench.until_quiet(10.0) == [f"arrived: {name}"]
    assert rows_of(bench.root / "results" / "attention.csv") == []
    assert as_a_run(bench, tmp_path / "run")


def test_an_error_in_one_file_is_told_once_and_stops_nothing(bench: Bench) -> None:
    folder = bench.root / "recordings"
    (folder / "lyre-2_02-thinned_tpo.wav").write_bytes((folder / LYRE).read_bytes())
    (folder / "lyre-2_03-x_top.wav").write_text("dear diary, " * 9)
    (folder / ".lyre-2_04-y_top.wav.part").write_bytes(b"RIFF")
    (folder / "my list.txt").write_text("not sound")
    told = bench.until_quiet(10.0)
    assert sorted(line.partition(": ")[2].partition(":")[0] for line in told) == [
        "lyre-2_02-thinned_tpo.wav", "lyre-2_03-x_top.wav",
    ]  # fmt: skip
    bench.put("lyre-2_04-z_top.wav", taps(75, count=2))
    assert bench.until_quiet(10.0) == ["arrived: lyre-2_04-z_top.wav"]


def test_a_broken_file_is_decoded_once_for_all_passes(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    from tapbatch.measure import recording as reading

    decoded: list[str] = []
    measure = reading.measure_recording
    monkeypatch.setattr(reading, "measure_recording", lambda p, *rest: (decoded.append(p.name), measure(p, *rest))[1])
    (bench.root / "recordings" / "lyre-2_03-x_top.wav").write_text("dear diary, " * 9)
    bench.until_quiet(10.0)
    bench.put("lyre-2_04-z_top.wav", taps(75, count=2))
    bench.until_quiet(10.0)
    assert sorted(decoded) == ["lyre-2_03-x_top.wav", "lyre-2_04-z_top.wav"]


def test_many_at_once_come_a_few_at_a_time_and_all_arrive(bench: Bench, tmp_path: Path) -> None:
    names = [f"lyre-3_0{n}-stage_top.wav" for n in range(1, 8)]
    for n, name in enumerate(names):
        bench.put(name, taps(80 + n, count=1))
    told = bench.until_quiet(10.0)
    assert [line for line in told if line.startswith("arrived")] == [f"arrived: {name}" for name in names]
    assert as_a_run(bench, tmp_path / "run")


class OneTakesLong(MeasureHere):
    """Measures at once, except for the recordings of one instrument, until ``finish``."""

    def __init__(self, name: str) -> None:
        super().__init__()
        self.name, self.finished = name, False
        self.held: dict[str, tuple[Job, IsKept]] = {}

    @property
    def pending(self) -> Mapping[str, float]:
        return {**super().pending, **dict.fromkeys(self.held, LONG_S)}

    def begin(self, job: Job, is_kept: IsKept) -> None:
        if job.recording.instrument == self.name and not self.finished:
            self.held[job.recording.path] = (job, is_kept)
        else:
            super().begin(job, is_kept)

    def drop(self, path: str) -> None:
        self.held.pop(path, None)
        super().drop(path)

    def finish(self) -> None:
        self.finished, held, self.held = True, self.held, {}
        for job, is_kept in held.values():
            super().begin(job, is_kept)


@pytest.mark.parametrize("is_there_first", [True, False])
def test_an_arrival_does_not_wait_for_a_long_recording(
    sounds: Sounds, tmp_path: Path, *, is_there_first: bool
) -> None:
    """An hour of sound, before the watch or during it, keeps no other recording waiting; then it is told as well."""
    measurer, name = OneTakesLong("hours"), "hours_01-x_top_1.wav"
    bench = Bench(make_shop(tmp_path / "shop", sounds), measurer=measurer)
    if is_there_first:
        bench.put(name, taps(78, count=2))
        bench.until_quiet(10.0)
    else:
        bench.until_quiet(10.0)
        bench.put(name, taps(78, count=2))
        bench.until_quiet(10.0)
    assert "began: 2" in bench.told
    assert [line for line in bench.told if name in line and line.startswith("note")] != []
    bench.put("lyre-2_02-thinned_top_1.wav", taps(73, count=2, cents=-40))
    assert bench.until_quiet(10.0) == ["arrived: lyre-2_02-thinned_top_1.wav"]
    assert not (bench.root / "results" / "hours").exists()
    measurer.finish()
    assert bench.until_quiet(10.0) == [f"arrived: {name}"]
    assert as_a_run(bench, tmp_path / "run")


def test_a_long_recording_that_is_removed_or_replaced_is_let_go(sounds: Sounds, tmp_path: Path) -> None:
    measurer, name = OneTakesLong("hours"), "hours_01-x_top_1.wav"
    bench = Bench(make_shop(tmp_path / "shop", sounds), measurer=measurer)
    bench.until_quiet(10.0)
    path = bench.put(name, taps(78, count=2))
    bench.until_quiet(10.0)
    path.unlink()
    bench.until_quiet(10.0)
    assert measurer.pending == {}
    bench.put(name, taps(78, count=2))
    bench.until_quiet(10.0)
    bench.put(name, taps(79, count=3))
    bench.until_quiet(10.0)
    assert list(measurer.pending) == [name]
    measurer.finish()
    assert bench.until_quiet(10.0) == [f"arrived: {name}"]
    assert {row["taps"] for row in bench.modes("hours")} == {"3"}


def test_new_settings_leave_a_long_recording_with_its_earlier_reading(sounds: Sounds, tmp_path: Path) -> None:
    """The band decides how a recording is measured, so new settings have all of them measured again."""
    measurer = OneTakesLong("none")
    bench = Bench(make_shop(tmp_path / "shop", sounds), measurer=measurer)
    bench.until_quiet(10.0)
    before = bench.modes("lyre-2")
    measurer.name = "lyre-2"
    (bench.root / "shop.toml").write_text("band_hz = [60, 1500]\n")
    bench.until_quiet(10.0)
    assert list(measurer.pending) == [LYRE]
    assert bench.modes("lyre-2") == before
    measurer.finish()
    bench.until_quiet(10.0)
    assert as_a_run(bench, tmp_path / "run")


@pytest.mark.slow
def test_of_many_at_once_the_first_are_told_before_the_last_are_measured(bench: Bench, tmp_path: Path) -> None:
    names = [f"lyre-{n:02d}_01-stage_top.wav" for n in range(10, 24)]
    for n, name in enumerate(names):
        bench.put(name, taps(80 + n, count=1))
    began = len(bench.told)
    while not any(line.startswith("arrived") for line in bench.told[began:]):
        bench.now_s += max(bench.watch.step(), 0.3)
    assert len(bench.watch.measurer.pending) > 0
    told = [*bench.told[began:], *bench.until_quiet(10.0)]
    assert [line for line in told if line.startswith("arrived")] == [f"arrived: {name}" for name in names]
    assert as_a_run(bench, tmp_path / "run")


def test_settings_and_notes_that_change_are_taken_up(bench: Bench) -> None:
    (bench.root / "shop.toml").write_text("concert_pitch_hz = 431\n")
    assert kinds(bench.until_quiet(1.0)) == ["note"]
    assert {row["concert_pitch_hz"] for row in bench.modes("na")} == {"431.00"}
    (bench.root / "shop.toml").write_text("concert_pitch_hz = 4310\n")
    told = bench.until_quiet(30.0)
    assert kinds(told) == ["note"]
    assert misses(told[0], "shop.toml", "concert_pitch_hz", 4310) == []
    (bench.root / "shop.toml").write_text("concert_pitch_hz = 440\n")
    bench.until_quiet(1.0)
    assert {row["concert_pitch_hz"] for row in bench.modes("na")} == {"440.00"}


def test_a_drive_that_goes_and_comes_again_costs_nothing(bench: Bench) -> None:
    before = bytes_below(bench.root / "results")
    (bench.root / "recordings").rename(bench.root / "taken away")
    (told,) = bench.until_quiet(30.0)
    assert told.startswith(f"note: {bench.root / 'recordings'}: ")
    (bench.root / "taken away").rename(bench.root / "recordings")
    assert bench.until_quiet(30.0) == []
    assert bytes_below(bench.root / "results") == before


class Answered(OneTakesLong):
    """What takes long is hashed at once, and measured when it finishes, not when its answer is taken."""

    answers: tuple[Measured, ...] = ()

    def begin(self, job: Job, is_kept: IsKept) -> None:
        hashed = job.key or hash_job(job)
        assert isinstance(hashed, str)
        super().begin(job if job.key else with_hash(job, hashed), is_kept)

    @property
    def pending(self) -> Mapping[str, float]:
        return {**super().pending, **{measured.path: LONG_S for measured in self.answers}}

    def drop(self, path: str) -> None:
        self.answers = tuple(measured for measured in self.answers if measured.path != path)
        super().drop(path)

    def finish(self) -> None:
        super().finish()
        self.answers = super().take()

    def take(self) -> tuple[Measured, ...]:
        answers, self.answers = self.answers, ()
        return answers or super().take()


def test_a_recording_is_measured_though_its_drive_was_gone_meanwhile(sounds: Sounds, tmp_path: Path) -> None:
    measurer, name = Answered("hours"), "hours_01-x_top_1.wav"
    bench = Bench(make_shop(tmp_path / "shop", sounds), measurer=measurer)
    bench.until_quiet(10.0)
    bench.put(name, taps(78, count=2))
    bench.until_quiet(10.0)
    (bench.root / "recordings").rename(bench.root / "taken away")
    measurer.finish()
    bench.until_quiet(30.0)
    (bench.root / "taken away").rename(bench.root / "recordings")
    assert bench.until_quiet(30.0) == [f"arrived: {name}"]
    assert as_a_run(bench, tmp_path / "run")


def test_a_recording_is_measured_though_its_folder_could_not_be_listed_meanwhile(
    sounds: Sounds, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    measurer, name = Answered("hours"), "hours/01-x/top 1.wav"
    bench = Bench(make_shop(tmp_path / "shop", sounds), measurer=measurer)
    bench.until_quiet(10.0)
    bench.put(name, taps(78, count=2))
    bench.until_quiet(10.0)
    with monkeypatch.context() as patch:
        scandir, closed = os.scandir, bench.root / "recordings" / "hours"

        def refuse(path: Path) -> object:
            if Path(path) == closed:
                raise PermissionError(errno.EACCES, "Permission denied", str(path))
            return scandir(path)

        patch.setattr(os, "scandir", refuse)
        measurer.finish()
        told = bench.until_quiet(10.0)
        assert [kind for kind in kinds(told) if kind == "arrived"] == []
        assert any(line.startswith("attention: hours: ") for line in told)
    assert bench.until_quiet(10.0) == [f"arrived: {name}"]
    assert as_a_run(bench, tmp_path / "run")


def test_a_drive_that_fails_is_told_once_and_ends_nothing(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    folder, is_dir = bench.root / "recordings", Path.is_dir

    def fail(path: Path) -> bool:
        if path == folder:
            raise OSError(errno.EIO, "Input/output error", str(path))
        return is_dir(path)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "is_dir", fail)
        (told,) = bench.until_quiet(3 * AGAIN_S)
    assert "Input/output error" in told
    assert bench.until_quiet(AGAIN_S) == []


def test_a_recording_whose_settings_are_refused_keeps_no_other_waiting(bench: Bench) -> None:
    own = bench.root / "instruments" / "hours.toml"
    own.parent.mkdir(exist_ok=True)
    own.write_text("band_hz = [\n")
    bench.until_quiet(1.0)
    bench.put("hours_01-x_top_1.wav", taps(78, count=2))
    bench.put("lyre-2_02-thinned_top_1.wav", taps(73, count=2, cents=-40))
    began_s = bench.now_s
    told = []
    while bench.now_s < began_s + AGAIN_S / 2:
        told += bench.until_quiet()
        bench.now_s += 1.0
    assert told == ["arrived: lyre-2_02-thinned_top_1.wav"]
    own.unlink()
    assert "arrived: hours_01-x_top_1.wav" in bench.until_quiet(1.0)


def test_a_shop_whose_only_recording_is_being_measured_is_not_empty(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "recordings").mkdir()
    (tmp_path / "shop.toml").touch()
    bench, began = Bench(tmp_path, measurer=OneTakesLong("hours")), []
    monkeypatch.setattr(bench, "began", began.append)
    bench.put("hours_01-x_top_1.wav", taps(78, count=2))
    bench.until_quiet(10.0)
    assert [outcome.notices for outcome in began] == [()]


def test_a_disk_that_is_full_is_told_once_and_tried_again(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    error = ShopError("results", "no space left on device", "make room, then run again")

    def full(*_: object) -> None:
        raise error

    with monkeypatch.context() as patch:
        patch.setattr(ReadingStore, "put", full)
        bench.put("lyre-2_02-thinned_top_1.wav", taps(73, count=2))
        assert bench.until_quiet(3 * AGAIN_S) == [f"note: {error}"]
    assert bench.until_quiet(AGAIN_S) == ["arrived: lyre-2_02-thinned_top_1.wav"]


def test_the_results_are_held_for_a_pass_only(bench: Bench) -> None:
    # another run may come in between: it would wait here for ever if the watch held on
    assert tapbatch("run", bench.root).status == 0
    with hold(bench.root / "results", "test", pytest.fail):
        pass


def test_a_watch_ends_with_its_interruption_and_closes_its_hints(bench: Bench) -> None:
    steps = iter([None, None])

    def interrupted(timeout_s: float) -> bool:
        if next(steps, "end") == "end":
            raise KeyboardInterrupt
        return False

    bench.wait = interrupted  # type: ignore[method-assign]
    with pytest.raises(KeyboardInterrupt):
        bench.watch.go_on()
    assert bench.told[-1] == "closed"
