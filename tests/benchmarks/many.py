"""What many recordings cost: ``python -m tests.benchmarks.many [--sizes N ...] [--jobs N ...] [--write]``.

The benchmark makes shops of simulated taps, with 50 short recordings at 8 kHz per instrument, and the program itself
runs them, reports included. Seconds are processor seconds of the program and its workers, since the clock depends on
what else the machine does; clock times are given too. *Master* is the processor time of the process that holds the
shop, without its workers. *Decoding* is only reading the same files into samples. Modules are compiled before
anything is counted, as an installation does. ``--write`` writes ``MANY.md`` beside this file.

*Starting* is the cost of the smallest shop whose run loads everything that thousands of recordings need, in every
worker: two instruments, so that both workers draw a report; two stages each, so that something is compared; two
recordings each, so that something is joined. A shop of two recordings of one tap needs fewer libraries; its cost is
given as well.
"""

from __future__ import annotations

import argparse
import csv
import functools
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from tapbatch.model.errors import TapbatchError
from tests.benchmarks.tables import machine
from tests.shops import bytes_below, taps, write_wav

ROOT = Path(__file__).parents[2]
RESULTS = Path(__file__).with_name("MANY.md")
PER_INSTRUMENT = 50
TAP_S = 0.012
"""What a tap may cost beside decoding."""


@dataclass(frozen=True)
class Cost:
    """What a run took, in seconds: by the clock, of all processes, and of the master alone."""

    clock_s: float
    cpu_s: float
    master_s: float


def make(folder: Path, count: int, taps_each: int = 2, per_instrument: int = PER_INSTRUMENT, takes: int = 2) -> Path:
    """Make a shop of ``count`` recordings, all different, ``takes`` of them per stage."""
    kinds = [taps(900 + n, count=taps_each) for n in range(12)]
    rng = np.random.default_rng(8000)
    for n in range(count):
        instrument, number = divmod(n, per_instrument)
        name = f"lyre-{instrument:04}_{number // takes + 1:02}-stage_top_{number % takes + 1}.wav"
        sound = kinds[n % len(kinds)]
        write_wav(folder / "recordings" / name, sound + rng.normal(0, 3e-5, len(sound)))
    return folder


def run(shop: Path, results: Path, *arguments: str) -> Cost:
    """Run the program, and return what it took, child processes included."""
    before, began_s = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    command = [sys.executable, "-c", _TIMED, "run", str(shop), "--results", str(results), *arguments]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False, env=_environment())
    clock_s, after = time.perf_counter() - began_s, resource.getrusage(resource.RUSAGE_CHILDREN)
    assert done.returncode in (0, 1), done.stderr
    cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Cost(clock_s, cpu_s, float(done.stderr.splitlines()[-1]))


_TIMED = """
import sys, time
sys.argv[0] = "tapbatch"
from tapbatch.cli import main
if __name__ == "__main__":
    try:
        main()
    finally:
        print(time.process_time(), file=sys.stderr)
"""


def _environment() -> dict[str, str]:
    kept = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    return kept | {"PYTHONPYCACHEPREFIX": _compiled().name}


@functools.cache
def _compiled() -> tempfile.TemporaryDirectory[str]:
    """Return a folder for compiled modules, which is deleted when this process ends."""
    return tempfile.TemporaryDirectory()


def recordings_of(shop: Path) -> list[Path]:
    """Return the recordings of a shop, of whatever format."""
    return sorted(path for path in (shop / "recordings").rglob("*") if path.is_file())


def decoding_s(shop: Path) -> float:
    """Return the processor seconds for reading all files of a shop into samples, after a first, uncounted pass."""
    from tapbatch.listen.decode import decode

    times = []
    for _ in range(3):
        began_s = time.process_time()
        for path in recordings_of(shop):
            try:
                decode(path)
            except TapbatchError:
                continue
        times.append(time.process_time() - began_s)
    return min(times)


def taps_used(results: Path) -> int:
    """Return the number of taps measured."""
    total = 0
    for path in results.glob("*/recordings.csv"):
        with path.open(encoding="utf-8", newline="") as rows:
            total += sum(int(row["taps_used"]) for row in csv.DictReader(rows))
    return total


class Page:
    """Lines that are printed at once, and kept."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def say(self, text: str = "") -> None:
        """Print and keep a line."""
        print(text, flush=True)
        self.lines.append(text)


def sizes(page: Page, folder: Path, counts: Sequence[int], jobs: int) -> None:
    """Print the cost of a recording by the size of the shop, and that of a run that finds nothing new."""
    page.say(f"## Cost of a recording of one tap, by the number of recordings (`--jobs {jobs}`)\n")
    page.say(
        "| recordings | cpu ms each | without starting | clock ms each | master ms each |"
        " run with nothing new, s | of that cpu |"
    )
    page.say("| --- | --- | --- | --- | --- | --- | --- |")
    small = least(make(folder / "shop-2", 2, 1, per_instrument=1), folder / "results-2", jobs, 3)
    start = least(make(folder / "shop-8", 8, 1, per_instrument=4), folder / "results-8", jobs, 3)
    each, whole = [], []
    for count in counts:
        shop = make(folder / f"shop-{count}", count, 1)
        first = least(shop, folder / f"results-{count}", jobs, 3 if count <= 100 else 1)
        again = [run(shop, folder / f"results-{count}-0") for _ in range(3)]
        each.append((first.cpu_s - start.cpu_s) / (count - 8))
        whole.append(first.cpu_s)
        page.say(
            f"| {count} | {1e3 * first.cpu_s / count:.1f} | {1e3 * each[-1]:.1f} |"
            f" {1e3 * first.clock_s / count:.1f} |"
            f" {1e3 * first.master_s / count:.1f} | {statistics.median(a.clock_s for a in again):.2f} |"
            f" {statistics.median(a.cpu_s for a in again):.2f} |"
        )
    page.say(
        f"\nStarting costs {start.cpu_s:.2f} s: the least of three runs with eight recordings."
        " The run with 100 is also the least of three."
    )
    times = max(each) / min(each)
    page.say(f"Without it, the most expensive recording costs {times:.2f} times the cheapest (promised: 1.15).")
    further = [1e3 * (b - a) / (m - n) for (n, a), (m, b) in pairwise(zip(counts, whole, strict=True))]
    page.say(
        f"From one size to the next, each additional recording costs {', '.join(f'{ms:.1f}' for ms in further)} ms."
    )
    plain = [(s - small.cpu_s) / (n - 2) for n, s in zip(counts, whole, strict=True)]
    page.say(
        f"Two recordings, with nothing to compare, cost {small.cpu_s:.2f} s. Without those, the most expensive costs"
    )
    times = max(plain) / min(plain)
    page.say(f"{times:.2f} times the cheapest: loading the comparing code in each worker then counts as their cost.")
    shared = [s / n for n, s in zip(counts, whole, strict=True)]
    times = max(shared) / min(shared)
    page.say(f"With starting included, it costs {times:.2f} times as much.\n")


def least(shop: Path, results: Path, jobs: int, times: int) -> Cost:
    """Run a shop several times from the start; return the cheapest run, since times vary by a tenth."""
    runs = [run(shop, results.with_name(f"{results.name}-{k}"), "--jobs", str(jobs)) for k in range(times)]
    return min(runs, key=lambda cost: cost.cpu_s)


def processes(page: Page, folder: Path, count: int, numbers: Sequence[int]) -> None:
    """Print how much faster several processes are, and whether they give the same bytes."""
    page.say(f"## Several processes, {count} recordings\n")
    page.say("| jobs | clock s | cpu s | master s | speed-up by the clock | speed-up on idle processors |")
    page.say("| --- | --- | --- | --- | --- | --- |")
    shop = make(folder / "shop-jobs", count)
    one, truth = None, None
    for jobs in numbers:
        results = folder / f"jobs-{jobs}"
        cost = run(shop, results, "--jobs", str(jobs))
        one = one or cost
        truth = truth if truth is not None else bytes_below(results)
        same = bytes_below(results) == truth
        # In the worst case, the master does all its work while its workers wait.
        alone_s = cost.master_s + (cost.cpu_s - cost.master_s) / jobs if jobs > 1 else cost.cpu_s
        page.say(
            f"| {jobs} | {cost.clock_s:.1f} | {cost.cpu_s:.1f} | {cost.master_s:.1f} |"
            f" {one.clock_s / cost.clock_s:.2f} | {one.cpu_s / alone_s:.2f} |{'' if same else ' OTHER BYTES'}"
        )
    page.say("\nThe tables and reports have the same bytes.\n" if same else "\nTHE BYTES DIFFER.\n")


def beside_decoding(page: Page, folder: Path, count: int) -> None:
    """Print the cost of a whole run and of decoding alone, for simulated recordings and the sample shop."""
    page.say("## The whole run compared with decoding alone, in processor seconds\n")
    page.say(
        "| shop | recordings | taps | run | decoding | 4 × (decoding + 12 ms a tap) | 4 × decoding + 12 ms a tap |"
    )
    page.say("| --- | --- | --- | --- | --- | --- | --- |")
    shops = {"sample_data": ROOT / "sample_data"}
    if count:
        shops["simulated"] = make(folder / "shop-decoding", count)
    shares = []
    for name, shop in shops.items():
        results = folder / f"results-{name}"
        cost, only_s = run(shop, results, "--jobs", "1"), decoding_s(shop)
        found = taps_used(results)
        files = len(recordings_of(shop))
        wide_s, narrow_s = 4 * (only_s + TAP_S * found), 4 * only_s + TAP_S * found
        page.say(f"| {name} | {files} | {found} | {cost.cpu_s:.2f} | {only_s:.2f} | {wide_s:.2f} | {narrow_s:.2f} |")
        shares.append((cost.cpu_s / wide_s, cost.cpu_s / narrow_s))
    page.say("\nThe run includes everything: starting, measuring, tables, and the PDF of each instrument. It takes")
    page.say(f"{' and '.join(f'{wide:.2f}' for wide, _ in shares)} of the promised limit (four times both), and")
    page.say(
        f"{' and '.join(f'{narrow:.2f}' for _, narrow in shares)} times what four times the decoding alone allows.\n"
    )


def main() -> None:
    """Run what is asked for, and print the results."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.many", description=__doc__)
    parser.add_argument(
        "--sizes", type=int, nargs="*", default=[100, 1000], help="recordings a shop; 100 1000, nothing for none"
    )
    parser.add_argument("--jobs", type=int, nargs="*", default=[1, 2], help="numbers of processes; 1 2")
    parser.add_argument(
        "--count", type=int, default=200, help="simulated recordings where sizes are not compared; 200, 0 for none"
    )
    parser.add_argument("--write", action="store_true", help=f"write {RESULTS.name}")
    said, page = parser.parse_args(), Page()
    page.say(f"# What many recordings cost\n\n{machine()}\n")
    page.say(
        f"Made by `python -m tests.benchmarks.many`; {os.cpu_count()} processors, load {os.getloadavg()[0]:.1f}.\n"
    )
    with tempfile.TemporaryDirectory() as folder:
        run(ROOT / "sample_data", Path(folder) / "compiled", "--jobs", "1")
        beside_decoding(page, Path(folder), said.count)
        if said.count:
            processes(page, Path(folder), said.count, said.jobs)
        if said.sizes:
            sizes(page, Path(folder), said.sizes, max(said.jobs))
    if said.write:
        RESULTS.write_text("\n".join(page.lines), encoding="utf-8")


if __name__ == "__main__":
    main()
