"""Measure recordings in processes beside a watch, so that none waits for one that takes long.

Conventions: a job is begun for each recording that arrives, in order of arrival. Its bytes are hashed. If a reading
is kept for them, the job is done; otherwise they are measured. Answers are taken as soon as they are there, in the
order in which their jobs were begun.

Each process (:mod:`~tapbatch.watch.lane`) does one job after the other. A job that has run for ``SLOW_S`` no longer
takes the place of others: one more process is started for them, at most ``SPARE`` more. After ``LONG_S`` its process
leaves the processor to others. A job whose process is lost is tried once more. On Linux each process may use
``ROOM_BYTES`` of memory for its work; other systems set no such limit.

The clock only decides what runs when, never what is measured. That is limited by numbers of samples
(:data:`~tapbatch.listen.sections.BUDGET_SAMPLES`) and of knocks
(:data:`~tapbatch.measure.recording.MOST_TRANSIENTS`).
"""

from __future__ import annotations

import sys
from collections import deque
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from tapbatch.model.errors import UNFORESEEN, SoundError, TapbatchError, not_measured
from tapbatch.results.store import Entry
from tapbatch.run.job import Job, hash_job, measure_to_text, with_hash
from tapbatch.run.workers import cores
from tapbatch.watch.lane import Lane

SLOW_S = 1.0
"""How long a job may run before others no longer wait for it."""

LONG_S = 5.0
"""How long a job may run before its process leaves the processor to others, and the watch says so."""

SPARE = 4
"""How many slow jobs may run beside the others; if there are more, new jobs wait."""

WARM = 2
"""How many processes are kept ready, so that an arrival does not wait for one to start."""

ROOM_BYTES = 2 << 30
"""The memory in bytes that a process may use for its work, if the system can limit it."""

IsKept = Callable[[str], bool]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """The answer to a job.

    Attributes
    ----------
    path
        The recording, as it is listed.
    entry
        Its ledger entry, with the hash and the key of its reading; ``None`` if it could not be hashed.
    answer
        The reading as text, or the error that says why there is none; ``None`` if a reading is kept already or the
        bytes could not be hashed.
    """

    path: str
    entry: Entry | None
    answer: str | TapbatchError | None = None


class Measurer(Protocol):
    """Measures recordings that have arrived."""

    @property
    def pending(self) -> Mapping[str, float]:
        """The paths that have no answer yet, in the order they were begun, and for how many seconds each has run."""

    @property
    def done(self) -> bool:
        """Whether there is an answer to take."""

    def begin(self, job: Job, is_kept: IsKept) -> None:
        """Begin a job, replacing an earlier one for its path; ``is_kept`` returns whether a key has a reading."""

    def drop(self, path: str) -> None:
        """Let go of the job for a path, if there is one."""

    def take(self) -> tuple[Measured, ...]:
        """Return the answers that are there, each once."""

    def next_in_s(self) -> float | None:
        """Return in how many seconds ``take`` should be called even if no job ends; ``None`` if there is no need."""

    def close(self) -> None:
        """Stop, whatever is in hand."""


class Here:
    """Measures in this process, one recording whenever answers are taken."""

    def __init__(self) -> None:
        self._jobs: dict[str, tuple[Job, IsKept]] = {}

    @property
    def pending(self) -> Mapping[str, float]:
        """The paths that have no answer yet; none has run yet."""
        return dict.fromkeys(self._jobs, 0.0)

    @property
    def done(self) -> bool:
        """Whether there is a job whose answer was not taken yet."""
        return bool(self._jobs)

    def begin(self, job: Job, is_kept: IsKept) -> None:
        """Begin a job."""
        self.drop(job.recording.path)
        self._jobs[job.recording.path] = (job, is_kept)

    def drop(self, path: str) -> None:
        """Let go of a job."""
        self._jobs.pop(path, None)

    def take(self) -> tuple[Measured, ...]:
        """Measure the first recording and return its answer."""
        for path in self._jobs:
            return (_measure_here(*self._jobs.pop(path)),)
        return ()

    def next_in_s(self) -> float | None:
        """Return ``None``: nothing happens on its own."""
        return None

    def close(self) -> None:
        """Stop: there is nothing to stop."""
        self._jobs.clear()


@dataclass(slots=True, eq=False)
class _InHand:
    """A job, its place in the order of arrival, and what is known of it so far."""

    job: Job
    is_kept: IsKept
    since_s: float | None = None
    measured: Measured | None = None
    lost: bool = False

    def ran_s(self, now_s: float) -> float:
        return 0.0 if self.since_s is None else now_s - self.since_s


class _Lane(Lane):
    """A process that measures, and the job that it has in hand."""

    def __init__(self, rouse: Callable[[], None]) -> None:
        super().__init__(rouse, _warm)
        self.future: Future[str | TapbatchError] | None = None
        self.in_hand: _InHand | None = None

    def ran_s(self, now_s: float) -> float:
        return self.in_hand.ran_s(now_s) if self.in_hand else 0.0

    def take_up(self, work: Callable[[Job], str | TapbatchError], in_hand: _InHand) -> None:
        self.in_hand, self.future = in_hand, self.give(work, in_hand.job)


class Beside:
    """Measures in processes of their own, started with the first job or by :meth:`warm_up` and kept.

    Parameters
    ----------
    rouse
        Called from another thread when there is something to take.
    clock
        Returns seconds that never go backwards.
    hashing, measuring
        Functions of a module that hash and measure a recording; the answer is the text, or an error.
    """

    def __init__(
        self,
        rouse: Callable[[], None],
        clock: Callable[[], float],
        hashing: Callable[[Job], str | TapbatchError] = hash_job,
        measuring: Callable[[Job], str | TapbatchError] = measure_to_text,
    ) -> None:
        self._rouse, self._clock = rouse, clock
        self._hashing, self._measuring = hashing, measuring
        self._jobs: dict[str, _InHand] = {}
        self._waiting: deque[_InHand] = deque()
        self._lanes: list[_Lane] = []

    @property
    def pending(self) -> Mapping[str, float]:
        """The paths that have no answer yet, in the order they were begun, and for how many seconds each has run."""
        now_s = self._clock()
        return {path: in_hand.ran_s(now_s) for path, in_hand in self._jobs.items() if in_hand.measured is None}

    @property
    def done(self) -> bool:
        """Whether a process has finished what it had in hand."""
        answered = any(in_hand.measured is not None for in_hand in self._jobs.values())
        return answered or any(lane.future is not None and lane.future.done() for lane in self._lanes)

    def warm_up(self) -> None:
        """Start the processes that are kept ready."""
        self._tend()

    def begin(self, job: Job, is_kept: IsKept) -> None:
        """Begin a job."""
        self.drop(job.recording.path)
        in_hand = self._jobs[job.recording.path] = _InHand(job, is_kept)
        self._waiting.append(in_hand)
        self._tend()

    def drop(self, path: str) -> None:
        """Let go of a job; a process that has it in hand is ended."""
        in_hand = self._jobs.pop(path, None)
        if in_hand is None:
            return
        if in_hand in self._waiting:
            self._waiting.remove(in_hand)
        for lane in self._lanes:
            if lane.in_hand is in_hand:
                self._end(lane)
                break

    def take(self) -> tuple[Measured, ...]:
        """Return the answers that are there, in the order the jobs were begun."""
        for lane in list(self._lanes):
            if lane.future is not None and lane.future.done():
                self._finish(lane)
        self._tend()
        ready = [(path, in_hand.measured) for path, in_hand in self._jobs.items() if in_hand.measured is not None]
        for path, _ in ready:
            del self._jobs[path]
        return tuple(measured for _, measured in ready)

    def next_in_s(self) -> float | None:
        """Return in how many seconds the next job will have run for ``SLOW_S`` or ``LONG_S``."""
        now_s = self._clock()
        ran_s = [lane.ran_s(now_s) for lane in self._lanes if lane.in_hand is not None]
        times = [limit_s - s for s in ran_s for limit_s in (SLOW_S, LONG_S) if s < limit_s]
        return min(times, default=None)

    def close(self) -> None:
        """End the processes; what they had in hand is measured the next time."""
        for lane in list(self._lanes):
            self._end(lane)
        self._jobs.clear()
        self._waiting.clear()

    # ------------------------------------------------------------ inside

    def _finish(self, lane: _Lane) -> None:
        """Take the answer of a process; after hashing, have it measure, unless a reading is kept."""
        future, in_hand = lane.future, lane.in_hand
        assert future is not None
        assert in_hand is not None
        lane.future = lane.in_hand = None
        try:
            result = future.result()
        except (BrokenProcessPool, TapbatchError) as error:
            self._end(lane)
            if not in_hand.lost:
                # The process may have been ended for another reason, so try once more.
                in_hand.lost, in_hand.since_s = True, None
                self._waiting.appendleft(in_hand)
                return
            result = _lost(in_hand.job, error)
        except UNFORESEEN as error:
            result = not_measured(in_hand.job.path.name, error)
        if in_hand.job.key:
            in_hand.measured = _measured(in_hand.job, result)
        elif isinstance(result, TapbatchError):
            in_hand.measured = Measured(path=in_hand.job.recording.path, entry=None)
        else:
            in_hand.job = with_hash(in_hand.job, result)
            if in_hand.is_kept(in_hand.job.key):
                in_hand.measured = _measured(in_hand.job, None)
            else:
                lane.take_up(self._measuring, in_hand)
                return
        idle = sum(lane.in_hand is None for lane in self._lanes)
        if lane in self._lanes and (lane.stepped_back or idle > max(WARM, cores())):
            # A process that stepped back stays slow, since only an administrator can raise its priority again.
            self._end(lane)

    def _tend(self) -> None:
        """Step back from jobs that take long, start the processes that are needed, and hand out waiting jobs."""
        now_s = self._clock()
        for lane in list(self._lanes):
            if lane.in_hand is None and not lane.alive:
                self._end(lane)
            elif lane.ran_s(now_s) >= LONG_S and not lane.stepped_back:
                lane.step_back()
        self._start_lanes(now_s)
        idle = [lane for lane in self._lanes if lane.in_hand is None]
        while idle and self._waiting:
            in_hand, lane = self._waiting.popleft(), idle.pop(0)
            in_hand.since_s = now_s
            lane.take_up(self._measuring if in_hand.job.key else self._hashing, in_hand)
        if not self._lanes and self._waiting:
            in_hand = self._waiting.popleft()
            in_hand.measured = _measure_here(in_hand.job, in_hand.is_kept)

    def _start_lanes(self, now_s: float) -> None:
        quick = [lane for lane in self._lanes if lane.ran_s(now_s) < SLOW_S]
        busy = sum(lane.in_hand is not None for lane in quick)
        wanted = max(WARM, min(cores(), busy + len(self._waiting))) - len(quick)
        room = max(WARM, cores()) + SPARE - len(self._lanes)
        for _ in range(min(wanted, room)):
            try:
                self._lanes.append(_Lane(self._rouse))
            except TapbatchError:
                # The system has no room for one more, so go on with those that run.
                return

    def _end(self, lane: _Lane) -> None:
        lane.end()
        self._lanes.remove(lane)


def _measure_here(job: Job, is_kept: IsKept) -> Measured:
    hashed = job.recording.sha256 if job.key else hash_job(job)
    if isinstance(hashed, TapbatchError):
        return Measured(path=job.recording.path, entry=None)
    job = with_hash(job, hashed)
    return _measured(job, None if is_kept(job.key) else measure_to_text(job))


def _measured(job: Job, answer: str | TapbatchError | None) -> Measured:
    entry = Entry(sha256=job.recording.sha256, size=job.size, mtime_ns=job.mtime_ns, key=job.key)
    return Measured(path=job.recording.path, entry=entry, answer=answer)


def _lost(job: Job, error: BaseException) -> TapbatchError:
    if isinstance(error, TapbatchError):
        return error
    what = "the process that measured it was ended, perhaps because it took too much memory"
    return SoundError(job.path.name, what, "keep the file and report it; the others are measured")


def _warm(_: None) -> None:
    """Import what measures, then limit the memory that a recording may take."""
    import tapbatch.measure.recording  # noqa: F401

    if sys.platform != "linux":
        return
    import resource

    with suppress(OSError, ValueError):
        pages = int(Path("/proc/self/statm").read_text().split()[5])
        most = pages * resource.getpagesize() + ROOM_BYTES
        resource.setrlimit(resource.RLIMIT_DATA, (most, resource.getrlimit(resource.RLIMIT_DATA)[1]))
