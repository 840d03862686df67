"""Recordings measured beside a watch: none waits for a long one, and a lost process is an error for one recording.

A job that takes long reads a pipe to which nobody has written yet, so no test sleeps.
"""

from __future__ import annotations

import errno
import hashlib
import os
import signal
from collections.abc import Iterator
from multiprocessing.connection import wait
from pathlib import Path
from queue import SimpleQueue

import pytest

from tapbatch.model.errors import SoundError, TapbatchError
from tapbatch.model.names import parse_name
from tapbatch.model.reading import BandSettings
from tapbatch.results.readings import reading_key
from tapbatch.run.job import Job, hash_job, measure_to_text
from tapbatch.run.workers import living
from tapbatch.watch.measuring import LONG_S, ROOM_BYTES, SLOW_S, SPARE, Beside, Here, Measured
from tests.shops import taps, write_wav

needs_pipes = pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")


def read_pipe(job: Job) -> str:
    """Stand in for measuring: read the file; a pipe blocks until somebody writes to it."""
    return job.path.read_text()


def name_of(job: Job) -> str:
    return f"hash of {job.path.name}"


def end_process(job: Job) -> str:
    if "bad" in job.path.name:
        os.kill(os.getpid(), signal.SIGKILL)
    return "well"


def take_memory(job: Job) -> str | TapbatchError:
    try:
        return str(len(bytearray(ROOM_BYTES + (1 << 28))))
    except MemoryError:
        return SoundError(job.path.name, "no memory", "take less")


def end_process_once(job: Job) -> str:
    ended = job.path.with_suffix(".ended")
    if not ended.exists():
        ended.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return "well"


def fail(_: Job) -> str:
    raise MemoryError("no room for the answer")


class Bench:
    """A measurer with a clock that only the test moves."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.now_s = folder, 0.0
        self.roused: SimpleQueue[None] = SimpleQueue()
        self.kept: set[str] = set()
        self.others = living()
        self.measurer = Beside(self.rouse, self.clock)

    def rouse(self) -> None:
        self.roused.put(None)

    def clock(self) -> float:
        return self.now_s

    def use(self, measuring: object, hashing: object = name_of) -> None:
        self.measurer = Beside(self.rouse, self.clock, hashing, measuring)  # type: ignore[arg-type]

    def begin(self, name: str, key: str = "") -> None:
        """Begin a job; with a key it counts as hashed."""
        job = Job(
            path=self.folder / name, recording=parse_name(name), key=key, settings=BandSettings(), size=1, mtime_ns=1
        )
        self.measurer.begin(job, self.kept.__contains__)

    def block(self, name: str) -> Path:
        os.mkfifo(self.folder / name)
        self.begin(name, key=name)
        return self.folder / name

    def until_taken(self, count: int) -> list[Measured]:
        taken: list[Measured] = []
        while len(taken) < count:
            self.roused.get(timeout=60)
            taken += self.measurer.take()
        return taken

    def processes(self) -> int:
        return len(living() - self.others)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    bench = Bench(tmp_path)
    yield bench
    started = living() - bench.others
    bench.measurer.close()
    assert all(wait([process.sentinel], timeout=30) for process in started)


@pytest.mark.slow
def test_beside_and_here_give_the_same_answer(bench: Bench) -> None:
    path = write_wav(bench.folder / "a_01-x_top.wav", taps(1, count=1))
    bench.use(measure_to_text, hash_job)
    facts, key = path.stat(), reading_key(hashlib.sha256(path.read_bytes()).hexdigest(), BandSettings())
    job = Job(
        path=path, recording=parse_name(path.name), key="", settings=BandSettings(),
        size=facts.st_size, mtime_ns=facts.st_mtime_ns,
    )  # fmt: skip
    here = Here()
    here.begin(job, bench.kept.__contains__)
    expected = here.take()
    assert expected[0].entry is not None
    assert (expected[0].entry.key, type(expected[0].answer)) == (key, str)
    bench.measurer.begin(job, bench.kept.__contains__)
    assert tuple(bench.until_taken(1)) == expected
    # A reading that is kept is not measured again.
    bench.kept.add(key)
    bench.measurer.begin(job, bench.kept.__contains__)
    assert [measured.answer for measured in bench.until_taken(1)] == [None]


@needs_pipes
@pytest.mark.slow
def test_no_recording_waits_for_those_that_take_long(bench: Bench) -> None:
    bench.use(read_pipe)
    pipes = []
    for number in range(SPARE):
        pipes.append(bench.block(f"a_0{number}-long_top.wav"))
        bench.now_s += SLOW_S
        assert bench.measurer.take() == ()
    (bench.folder / "b_01-x_top.wav").write_text("reading of b")
    bench.begin("b_01-x_top.wav")
    assert [measured.answer for measured in bench.until_taken(1)] == ["reading of b"]
    assert list(bench.measurer.pending) == [pipe.name for pipe in pipes]
    assert bench.measurer.pending[pipes[0].name] == SPARE * SLOW_S
    for pipe in pipes:
        pipe.write_text(f"reading of {pipe.name}")
    assert {m.answer for m in bench.until_taken(SPARE)} == {f"reading of {pipe.name}" for pipe in pipes}


@needs_pipes
@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "getpriority"), reason="no priorities here")
def test_a_process_that_takes_long_steps_back_and_ends_with_its_job(bench: Bench) -> None:
    bench.use(read_pipe)
    pipe = bench.block("a_01-long_top.wav")
    assert bench.measurer.next_in_s() == SLOW_S
    bench.now_s = LONG_S
    bench.measurer.take()
    assert bench.measurer.next_in_s() is None
    behind = [p for p in living() - bench.others if p.pid and os.getpriority(os.PRIO_PROCESS, p.pid) > 0]
    assert len(behind) == 1
    pipe.write_text("at last")
    assert [measured.answer for measured in bench.until_taken(1)] == ["at last"]
    assert wait([behind[0].sentinel], timeout=30)


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="no such signal here")
def test_a_lost_process_is_an_error_for_its_recording_alone(bench: Bench) -> None:
    bench.use(end_process)
    for name in ("a_01-bad_top.wav", "a_02-good_top.wav", "a_03-bad_top.wav", "a_04-good_top.wav"):
        bench.begin(name)
    taken = {measured.path: measured.answer for measured in bench.until_taken(4)}
    assert [taken["a_02-good_top.wav"], taken["a_04-good_top.wav"]] == ["well", "well"]
    assert all(isinstance(taken[name], SoundError) for name in ("a_01-bad_top.wav", "a_03-bad_top.wav"))
    # A process that is killed while it has nothing to do costs nothing.
    for process in living() - bench.others:
        process.kill()
        process.join()
    bench.begin("a_05-good_top.wav")
    assert [measured.answer for measured in bench.until_taken(1)] == ["well"]


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="no such signal here")
@pytest.mark.parametrize("key", ["", "hashed"])
def test_a_process_that_is_ended_once_costs_nothing(key: str, bench: Bench) -> None:
    bench.use(end_process_once, name_of if key else end_process_once)
    bench.begin("a_01-x_top.wav", key)
    assert [measured.answer for measured in bench.until_taken(1)] == ["well"]


@pytest.mark.slow
def test_an_unforeseen_fault_is_an_error_for_its_recording(bench: Bench) -> None:
    bench.use(fail)
    bench.begin("a_01-x_top.wav")
    (measured,) = bench.until_taken(1)
    assert "no room for the answer" in str(measured.answer)
    bench.measurer.close()
    bench.use(fail, fail)
    bench.begin("a_01-x_top.wav")
    assert [measured.entry for measured in bench.until_taken(1)] == [None]


@needs_pipes
@pytest.mark.slow
def test_a_recording_that_goes_away_ends_its_process(bench: Bench) -> None:
    bench.use(read_pipe)
    bench.block("a_01-long_top.wav")
    before = living()
    bench.measurer.drop("a_01-long_top.wav")
    assert bench.measurer.pending == {}
    assert any(wait([process.sentinel], timeout=30) for process in before - bench.others)
    (bench.folder / "a_02-x_top.wav").write_text("next")
    bench.begin("a_02-x_top.wav")
    assert [measured.answer for measured in bench.until_taken(1)] == ["next"]


@needs_pipes
@pytest.mark.slow
@pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="no process is suspended here")
def test_a_suspended_process_ends_with_the_measurer(bench: Bench) -> None:
    bench.use(read_pipe)
    bench.block("a_01-long_top.wav")
    started = living() - bench.others
    assert started
    for process in started:
        os.kill(process.pid or 0, signal.SIGSTOP)
    bench.measurer.close()
    assert all(wait([process.sentinel], timeout=30) for process in started)


@pytest.mark.slow
@pytest.mark.skipif(
    os.uname().sysname != "Linux" if hasattr(os, "uname") else True, reason="only Linux limits memory"
)
def test_a_recording_that_takes_too_much_memory_is_an_error(bench: Bench) -> None:
    bench.use(take_memory)
    bench.begin("a_01-x_top.wav")
    (measured,) = bench.until_taken(1)
    assert isinstance(measured.answer, SoundError)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("refused", "error"),
    [
        ("multiprocessing.context.SpawnProcess.start", BlockingIOError(errno.EAGAIN, "Resource unavailable")),
        ("multiprocessing.context.BaseContext.Lock", OSError(errno.EMFILE, "Too many open files")),
        ("threading.Thread.start", RuntimeError("can't start new thread")),
    ],
    ids=["process", "file", "thread"],
)
def test_a_system_without_room_for_processes_measures_here(
    refused: str, error: Exception, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise error

    monkeypatch.setattr(refused, refuse)
    write_wav(bench.folder / "a_01-x_top.wav", taps(1, count=1))
    bench.begin("a_01-x_top.wav")
    assert bench.measurer.done
    (measured,) = bench.measurer.take()
    assert all(wait([process.sentinel], timeout=30) for process in living() - bench.others)
    # The file is not the one that was listed (size 1), so there is an answer and it is an error.
    assert isinstance(measured.answer, SoundError)


def test_a_file_that_cannot_be_read_is_answered_without_bytes(tmp_path: Path) -> None:
    here = Here()
    job = Job(path=tmp_path / "a_b.wav", recording=parse_name("a_b.wav"), key="", settings=BandSettings())
    here.begin(job, lambda _: False)
    assert here.take() == (Measured(path="a_b.wav", entry=None),)
    assert (here.done, here.take()) == (False, ())
