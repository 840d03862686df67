"""Run the program as a process, with a time limit and a memory check, and stop or kill it on demand.

Conventions: a command may take ``BUDGET_S`` seconds. Memory is measured every ``_LOOK_S``: the peak of each process
of the tree (``VmHWM`` in ``/proc``), and the sum over all of them, with shared pages counted once (``Pss``). On a
system without ``/proc``, the peak is the one that ``resource`` gives for all children that have ended so far.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent.parent
BUDGET_S = 120.0
"""The longest that a command may take, or that a watch may take to end or to read an arrival."""

_LOOK_S = 0.04


@dataclass(frozen=True, kw_only=True)
class Ended:
    """How a command ended.

    Attributes
    ----------
    command
        Its arguments.
    status
        The exit status; if a signal ended it, the negative number of the signal.
    said
        All that it printed.
    took_s
        How long it ran, in seconds.
    peak_mb, together_mb
        The memory of the largest process, and of all together.
    cut
        Whether the fuzzer killed or stopped it, or its disk was full, so that lines may be missing.
    hung
        Whether it still ran when its time was up.
    """

    command: tuple[str, ...]
    status: int
    said: str
    took_s: float
    peak_mb: float
    together_mb: float
    cut: bool = False
    hung: bool = False


@dataclass
class Program:
    """A command that was started; :meth:`ended` waits for it."""

    command: tuple[str, ...]
    process: subprocess.Popen[bytes]
    output: Path
    began_s: float
    peak_mb: float = 0.0
    together_mb: float = 0.0
    cut: bool = False
    hung: bool = False
    children: set[int] = field(default_factory=set)

    @property
    def age_s(self) -> float:
        """How long ago it was started."""
        return time.monotonic() - self.began_s

    def goes_on(self) -> bool:
        """Measure its memory, wait a moment, and return whether it still runs."""
        self._weigh()
        try:
            self.process.wait(_LOOK_S)
        except subprocess.TimeoutExpired:
            return True
        return False

    def until(self, done: Callable[[], bool], longest_s: float) -> bool:
        """Let it run until ``done``, it ends, or ``longest_s`` have passed; return whether it is done."""
        end_s = time.monotonic() + longest_s
        while not done():
            if not self.goes_on() or time.monotonic() > end_s:
                return done()
        return True

    def signal(self, number: signal.Signals) -> None:
        """Send it a signal; Ctrl-C goes to all its processes, as from a terminal."""
        if self.process.poll() is not None:
            return
        self.cut = True
        if number == signal.SIGINT:
            self._signal_all(number)
        else:
            self.process.send_signal(number)

    def _signal_all(self, number: signal.Signals) -> None:
        with suppress(ProcessLookupError):
            os.killpg(self.process.pid, number)

    def ended(self, budget_s: float = BUDGET_S) -> Ended:
        """Wait until it ends; when its time is up, kill it with all its processes."""
        self.until(lambda: False, max(budget_s - self.age_s, 0.0))
        if self.process.poll() is None:
            self.hung = self.cut = True
            self._signal_all(signal.SIGKILL)
            self.process.wait()
        self._end_children()
        said = self.output.read_bytes().decode("utf-8", "backslashreplace")
        return Ended(
            command=self.command,
            status=self.process.returncode,
            said=said,
            took_s=self.age_s,
            peak_mb=self.peak_mb or _children_peak_mb(),
            together_mb=self.together_mb,
            cut=self.cut,
            hung=self.hung,
        )

    def _end_children(self) -> None:
        """Wait for the processes that a killed program leaves, which end by themselves; kill any that do not."""
        end_s = time.monotonic() + 10
        while any(map(_runs, self.children)) and time.monotonic() < end_s:
            time.sleep(_LOOK_S)
        left = [pid for pid in self.children if _runs(pid)]
        if left:
            self.hung = True
            self._signal_all(signal.SIGKILL)

    def _weigh(self) -> None:
        tree = _tree(self.process.pid)
        self.children.update(tree[1:])
        self.peak_mb = max([self.peak_mb, *(_kb(f"/proc/{pid}/status", "VmHWM:") / 1024 for pid in tree)])
        if len(tree) > 1:
            together_mb = sum(_kb(f"/proc/{pid}/smaps_rollup", "Pss:") for pid in tree) / 1024
        else:
            together_mb = self.peak_mb
        self.together_mb = max(self.together_mb, together_mb)


def start(
    arguments: list[str],
    *,
    desk: Path,
    environment: dict[str, str],
    module: str = "tapbatch",
    most_bytes: int | None = None,
) -> Program:
    """Start a module of Python with arguments, in a session of its own.

    Parameters
    ----------
    desk
        Its working directory.
    environment
        Environment variables to set besides those of this process.
    most_bytes
        The largest file that it may write, in place of a small disk; default no limit.
    """
    command = [sys.executable, "-m", module, *arguments]
    handle, name = tempfile.mkstemp(dir=Path(environment["TMPDIR"]).parent / "said")
    with os.fdopen(handle, "wb") as out:
        process = subprocess.Popen(
            [os.fsencode(word) for word in command],
            cwd=desk,
            env={**os.environ, "PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1", **environment},
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=subprocess.STDOUT,
            start_new_session=True,
            preexec_fn=None if most_bytes is None else lambda: _limit(most_bytes),
        )
    return Program(tuple(command[2:]), process, Path(name), time.monotonic())


def _limit(most_bytes: int) -> None:
    import resource

    resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, most_bytes))


def _tree(pid: int) -> list[int]:
    """Return a process and all below it."""
    tree = [pid]
    for each in tree:
        try:
            listed = Path(f"/proc/{each}/task/{each}/children").read_text(encoding="ascii")
        except OSError:
            continue
        tree += [int(child) for child in listed.split()]
    return tree


def _kb(path: str, name: str) -> int:
    try:
        rows = Path(path).read_text(encoding="ascii", errors="replace").splitlines()
    except OSError:
        return 0
    return next((int(row.split()[1]) for row in rows if row.startswith(name)), 0)


def _runs(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text(encoding="ascii", errors="replace").rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state not in "ZX"


def _children_peak_mb() -> float:
    try:
        import resource
    except ImportError:
        return 0.0
    return resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / (2**20 if sys.platform == "darwin" else 2**10)
