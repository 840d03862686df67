"""The trials: how runs are disturbed, and how often."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from shutil import rmtree

import pytest

from tapbatch.results.lock import hold
from tapbatch.shop.folder import open_shop
from tapbatch.watch.hints import NoHints
from tapbatch.watch.watching import QUIET_S, Watch
from tests.shops import bytes_below, make_shop, taps
from tests.survival.dask import cluster
from tests.survival.shop import (
    Tally,
    Undisturbed,
    begin,
    change,
    new_shop,
    quick,
    recordings_of,
    run,
    undisturbed,
)
from tests.survival.steps import Blow, stopped_at

ROOT = Path(__file__).parent.parent.parent


@dataclass(frozen=True)
class Trial:
    """One way of disturbing runs; ``play`` is given an empty folder."""

    name: str
    tried: str
    play: Callable[[Path], Tally]


# ------------------------------------------------------ at every step


def _at_every_step(blow: Blow, changed: bool, work: Callable[[Path, Path], None] = run) -> Callable[[Path], Tally]:
    def play(folder: Path) -> Tally:
        if not hasattr(os, "fork"):
            pytest.skip("this system has no fork")
        with quick():
            shop, before = new_shop(folder), None
            if changed:
                before = folder / "before"
                run(shop, before)
                change(shop)
            truth = undisturbed(shop, folder / "truth", before)
            # What is done only once must be done here: what a child remembers is lost with it.
            work(shop, begin(folder / "rehearsed", before))
            tally = Tally()
            for step in count(1):
                results = begin(folder / f"results-{step}", before)
                ended = stopped_at(step, blow, results, lambda results=results: work(shop, results))
                if ended == "done":
                    return tally
                _next_run(tally, truth, results, f"step {step}, {ended}")
        raise AssertionError

    return play


def _next_run(tally: Tally, truth: Undisturbed, results: Path, what: str) -> None:
    tally.tried += 1
    if "broken" in what:
        tally.lost.append(what)
        return
    if recordings_of(truth.shop) != truth.recordings:
        tally.lost.append(f"{what}: a recording was touched")
    run(truth.shop, results)
    amiss = truth.amiss(results)
    if amiss:
        tally.lost.append(f"{what}: {amiss}")


# ------------------------------------------------- the program itself


def _program(shop: Path, results: Path, *arguments: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "tapbatch", "run", str(shop), "--results", str(results), *arguments]
    return subprocess.Popen(
        command, cwd=ROOT, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True
    )


def _killed_with_workers(folder: Path) -> Tally:
    """Kill a run of two processes once it has kept a given number of readings; its workers must end with it."""
    shop = new_shop(folder)
    truth = undisturbed(shop, folder / "truth")
    tally = Tally()
    for kept in range(len(truth.recordings)):
        results = folder / f"results-{kept}"
        started = _program(shop, results, "--jobs", "2")
        while _goes_on(started, 0.002) and len(list((results / ".readings").glob("?" * 40 + ".json"))) < kept:
            pass
        workers = _children(started.pid)
        started.send_signal(signal.SIGKILL)
        started.communicate()
        if _outlive(workers):
            tally.lost.append(f"{kept} kept: a worker outlived its master")
        _next_run(tally, truth, results, f"{kept} kept")
    return tally


def _children(process: int) -> list[int]:
    try:
        listed = Path(f"/proc/{process}/task/{process}/children").read_text(encoding="ascii")
    except OSError:
        return []
    return [int(child) for child in listed.split()]


def _outlive(processes: list[int], patience: int = 2_000_000) -> bool:
    """Tell whether processes go on running; checked repeatedly, since ending takes a moment."""
    return all(any(map(_runs, processes)) for _ in range(patience))


def _runs(process: int) -> bool:
    try:
        state = Path(f"/proc/{process}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state not in "ZX"


def _two_at_once(folder: Path) -> Tally:
    """Start runs on results that are locked; each says by whom. Then all are let go, and take turns."""
    shop = new_shop(folder)
    truth = undisturbed(shop, folder / "truth")
    tally = Tally()
    waited = 0
    for number in range(4):
        results = folder / f"results-{number}"
        with hold(results, "tapbatch watch", tally.lost.append):
            together = [_program(shop, results, "--jobs", str(1 + n % 2)) for n in range(2 + number % 2)]
            first = [started.stderr.readline() for started in together if started.stderr is not None]
            waited += sum("tapbatch watch" in line and str(os.getpid()) in line for line in first)
            if bytes_below(results):
                tally.lost.append(f"{number}: written while another held the results")
        for started in together:
            said = started.communicate()[1]
            if started.returncode != 1 or "Traceback" in said:
                tally.lost.append(f"{number}: status {started.returncode}: {said}")
        _next_run(tally, truth, results, f"{number}")
    tally.note = f"{waited} runs named the run they waited for"
    if waited != 10:
        tally.lost.append(f"{waited} of 10 runs waited")
    return tally


# ------------------------------------------------------------ no room


@contextmanager
def small_disk(folder: Path, kilobytes: int) -> Iterator[Path]:
    """Mount a file system of a few kilobytes; skip where that is not permitted."""
    folder.mkdir()
    options = ["-t", "tmpfs", "-o", f"size={kilobytes}k", "tmpfs", str(folder)]
    mounted = subprocess.run(["mount", *options], capture_output=True, text=True, check=False)
    if mounted.returncode != 0:
        pytest.skip(f"a small disk cannot be mounted here: {mounted.stderr.strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def _full_disk(folder: Path) -> Tally:
    """Run on disks from far too small to just large enough; then make room, and run again."""
    shop = new_shop(folder)
    with quick():
        truth = undisturbed(shop, folder / "truth")
        whole = sum(-(-len(b) // 4096) * 4 for b in truth.results.values()) + 200
        tally = Tally()
        full = 0
        for kilobytes in range(4, whole, 12):
            with small_disk(folder / f"disk-{kilobytes}", kilobytes) as disk:
                results = disk / "results"
                ended = stopped_at(0, "kill", results, lambda results=results: run(shop, results))
                full += ended == "refused"
                subprocess.run(["mount", "-o", "remount,size=8m", str(disk)], check=True)
                _next_run(tally, truth, results, f"{kilobytes} kB, {ended}")
    tally.note = f"{full} of them filled up"
    if not full:
        tally.lost.append("no disk filled up")
    return tally


def _locked(folder: Path) -> Tally:
    """Make each output in turn impossible to replace; the new file stays beside it until it can be replaced."""
    with quick():
        shop = new_shop(folder)
        truth = undisturbed(shop, folder / "truth")
        tally = Tally()
        for number, name in enumerate(sorted(truth.results)):
            results = folder / f"results-{number}"
            # No system can replace a folder that is not empty by a file.
            (results / name / "open in a spreadsheet").mkdir(parents=True)
            run(shop, results)
            kept = (results / name).with_name(f"{Path(name).stem} (new){Path(name).suffix}")
            if not kept.exists() or kept.read_bytes() != truth.results[name]:
                tally.lost.append(f"{name}: the new one is not beside it")
            (results / name / "open in a spreadsheet").rmdir()
            (results / name).rmdir()
            _next_run(tally, truth, results, name)
        return tally


# ------------------------------------------------- a watch, and a cluster


def _watched(shop: Path, results: Path) -> None:
    """Watch a shop until all its recordings have been read and all reports drawn."""
    now_s = [0.0]

    class Silent(NoHints):
        def began(self, outcome: object) -> None: ...
        def arrived(self, history: object, path: str, shop: object) -> None: ...
        def attention(self, items: object) -> None: ...
        def note(self, text: str) -> None: ...

    watch = Watch(
        opened=lambda: open_shop(shop, results), root=shop, hints=Silent(), clock=lambda: now_s[0], teller=Silent()
    )
    while now_s[0] < 4 * QUIET_S:
        now_s[0] += max(watch.step(), 0.01)


def _watch_killed(folder: Path) -> Tally:
    return _at_every_step("kill", False, _watched)(folder)


def _stopped_while_drawing(stop: signal.Signals) -> Callable[[Path], Tally]:
    return lambda folder: _while_drawing(folder, stop)


def _while_drawing(folder: Path, stop: signal.Signals) -> Tally:
    """Stop the program that watches a shop when its drawing process has just begun, is busy, or has drawn one."""
    shop = new_shop(folder)
    truth = undisturbed(shop, folder / "truth")
    tally = Tally()
    results = shop / "results"
    moments: dict[str, Callable[[int], bool]] = {
        "begun": lambda _: True,
        # A third of a second is longer than starting takes, and shorter than two reports take.
        "at it": lambda process: 3 * _ticks(process) >= os.sysconf("SC_CLK_TCK") or _one_is_done(results),
        "one done": lambda _: _one_is_done(results),
    }
    for moment, has_come in moments.items():
        command = [sys.executable, "-m", "tapbatch", "watch", str(shop), "--poll", "0.2"]
        pipes: dict[str, int] = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
        watch = subprocess.Popen(command, cwd=ROOT, text=True, start_new_session=True, **pipes)
        while _goes_on(watch) and not (drawing := [c for c in _children(watch.pid) if _draws(c)]):
            pass
        while _goes_on(watch) and _runs(drawing[0]) and not has_come(drawing[0]):
            pass
        children = _children(watch.pid)
        if stop == signal.SIGINT:
            # A terminal sends it to the whole process group.
            os.killpg(watch.pid, stop)
        else:
            watch.send_signal(stop)
        said = watch.communicate()[1]
        if stop == signal.SIGINT and (watch.returncode != 0 or "Traceback" in said):
            tally.lost.append(f"{moment}: status {watch.returncode}: {said}")
        if not children or _outlive(children):
            tally.lost.append(f"{moment}: whoever drew outlived the watch")
        _next_run(tally, truth, results, moment)
        rmtree(results)
    return tally


def _one_is_done(results: Path) -> bool:
    return any(results.glob("*/report.pdf"))


def _goes_on(process: subprocess.Popen[str], moment_s: float = 0.02) -> bool:
    """Wait a moment, so that the program has the processor, and tell whether it is still running."""
    try:
        process.wait(moment_s)
    except subprocess.TimeoutExpired:
        return True
    return False


def _draws(process: int) -> bool:
    try:
        return b"spawn_main" in Path(f"/proc/{process}/cmdline").read_bytes()
    except OSError:
        return False


def _ticks(process: int) -> int:
    """Return the processor time that a process has used, in clock ticks."""
    try:
        return int(Path(f"/proc/{process}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[11])
    except OSError:
        return 0


def _cluster(folder: Path) -> Tally:
    """Kill one of two workers once a given number of readings is kept."""
    pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    shop = make_shop(folder / "shop", {f"lyre-{n % 2}_{n:02}-s_top.wav": taps(n, count=2) for n in range(14)})
    (shop / "recordings" / "lyre-2_03 x_top.wav").write_bytes(b"RIFF")
    truth = undisturbed(shop, folder / "truth")
    tally = Tally()
    for kept in (1, 4, 8):
        results = folder / f"results-{kept}"
        (folder / f"cluster-{kept}").mkdir()
        with cluster(folder / f"cluster-{kept}", 2) as (address, workers):
            run = _program(shop, results, "--cluster", str(address))
            while _goes_on(run, 0.002) and len(list((results / ".readings").glob("?" * 40 + ".json"))) < kept:
                pass
            workers[0].send_signal(signal.SIGKILL)
            out, err = run.communicate()
        if run.returncode != 1 or not re.search(r"^14\b", out, re.MULTILINE) or "Traceback" in err:
            tally.lost.append(f"{kept} kept: status {run.returncode}: {err}")
        if bytes_below(results) != truth.results:
            tally.lost.append(f"{kept} kept: other bytes than alone")
        _next_run(tally, truth, results, f"{kept} kept")
    return tally


TRIALS = (
    Trial("kill", "`kill -9` before each step of a first run", _at_every_step("kill", False)),
    Trial("kill-changed", "the same, in a run with new, replaced, renamed and deleted recordings",
          _at_every_step("kill", True)),
    Trial("power", "power cut at each flush of a first run, the file torn in half", _at_every_step("tear", False)),
    Trial("power-changed", "the same, in a run with such changes", _at_every_step("tear", True)),
    Trial("no-room", "disk full from each step on, first run", _at_every_step("full", False)),
    Trial("no-room-changed", "the same, in a run with such changes", _at_every_step("full", True)),
    Trial("full-disk", "a small tmpfs that fills up, in steps of 12 kB", _full_disk),
    Trial("workers", "`kill -9` of `run --jobs 2` after each reading kept; workers end too", _killed_with_workers),
    Trial("watch", "`kill -9` before each step of a watch, then a run", _watch_killed),
    Trial("drawing", "`kill -9` of a watch while a process beside it draws reports; that process ends too",
          _stopped_while_drawing(signal.SIGKILL)),
    Trial("drawing-stopped", "Ctrl-C to the same, at the same moments; status 0 and no traceback",
          _stopped_while_drawing(signal.SIGINT)),
    Trial("cluster", "one of two Dask workers killed during `run --cluster`; the same run ends well", _cluster),
    Trial("two-runs", "two or three runs at once on results that are already locked", _two_at_once),
    Trial("locked", "each output in turn impossible to replace, then free again", _locked),
)  # fmt: skip
