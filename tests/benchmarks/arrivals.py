"""How soon a new recording is read: ``python -m tests.benchmarks.arrivals [--times N] [--stages N ...] [--write]``.

The program watches a copy of the sample shop. Recordings of five taps at 44.1 kHz are copied into it in four pieces,
a tenth of a second apart. Measured is the time from the last byte written until the stage is in ``modes.csv``, and
until its line is printed. It includes the 0.3 s for which a file must not change. Half of the recordings arrive while
the program is idle, half while it draws the report of the recording before. At the end Ctrl-C is sent to all
processes, as a terminal does, while a report is being drawn. Then the same recordings arrive, while the program is
idle, for an instrument that already has many stages. ``--write`` writes ``ARRIVALS.md`` beside this file.
"""

from __future__ import annotations

import argparse
import os
import queue
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from shutil import copytree, ignore_patterns

from tapbatch.watch import watching
from tests.benchmarks.many import make
from tests.benchmarks.tables import machine

ROOT = Path(__file__).parents[2]
RESULTS = Path(__file__).with_name("ARRIVALS.md")
PIECES = 4
PAUSE_S = 0.1
QUIET_S = 8.0
PATIENCE_S = 60.0
DRAWING_S = 0.2
"""How long a report has been drawing when the last byte of a recording is written: less than any report takes."""


class Watched:
    """The program watching a shop, and the lines that it prints, each with its time."""

    def __init__(self, shop: Path) -> None:
        command = [sys.executable, "-u", "-m", "tapbatch", "watch", str(shop)]
        self.process = subprocess.Popen(
            command, cwd=ROOT, text=True, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, start_new_session=True
        )
        self._lines: queue.SimpleQueue[tuple[float, str]] = queue.SimpleQueue()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self._lines.put((time.perf_counter(), line))

    def line_with(self, text: str) -> float:
        """Return when a line with a text was printed; earlier lines are skipped."""
        while True:
            at_s, line = self._lines.get(timeout=PATIENCE_S)
            if text in line:
                return at_s


def main() -> None:
    """Run the benchmark, and print the results."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.arrivals", description=__doc__)
    parser.add_argument("--times", type=int, default=12, help="arrivals; 12")
    parser.add_argument(
        "--stages",
        type=int,
        nargs="*",
        default=[50, 100],
        help="stages that an instrument has; 50 100, nothing for none",
    )
    parser.add_argument("--write", action="store_true", help=f"write {RESULTS.name}")
    said = parser.parse_args()
    sound = (ROOT / "sample_data" / "recordings" / "kantele-03_11-settled_strung_at-centre_1.wav").read_bytes()
    with tempfile.TemporaryDirectory() as folder:
        shop = Path(copytree(ROOT / "sample_data", Path(folder) / "shop", ignore=ignore_patterns("results")))
        watched = Watched(shop)
        watched.line_with("watching")
        # The reports of the sample shop are drawn first.
        time.sleep(QUIET_S)
        quiet = [_arrival(watched, shop, number, sound, QUIET_S) for number in range(said.times)]
        numbers = range(said.times, 2 * said.times)
        during = [_arrival(watched, shop, n, sound, watching.QUIET_S + DRAWING_S - PIECES * PAUSE_S) for n in numbers]
        time.sleep(DRAWING_S)
        began_s = time.perf_counter()
        os.killpg(watched.process.pid, signal.SIGINT)
        status = watched.process.wait()
        stopped_s = time.perf_counter() - began_s
    met = sum(drawing for _, _, drawing in during)
    rows = [
        ("idle, to `modes.csv`", [a for a, _, _ in quiet]),
        ("idle, to the printed line", [b for _, b, _ in quiet]),
        ("while a report is drawn, to `modes.csv`", [a for a, _, _ in during]),
        ("while a report is drawn, to the printed line", [b for _, b, _ in during]),
    ]
    for stages in said.stages:
        told = _to_many(stages, said.times, sound)
        rows.append((f"idle, to an instrument of {stages} stages, to the printed line", [b for _, b, _ in told]))
    lines = [
        "# How soon a new recording is read\n",
        f"{machine()}\n",
        f"Made by `python -m tests.benchmarks.arrivals`, two sets of {said.times} recordings; load"
        f" {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors. When the last byte was written, a report"
        f" was still due in {sum(drawing for _, _, drawing in quiet)} of the {said.times} idle cases, and in {met} of"
        f" the {said.times} others.\n",
        "| from the last byte written | median, s | slowest, s |",
        "| --- | --- | --- |",
        *(f"| {what} | {statistics.median(times):.2f} | {max(times):.2f} |" for what, times in rows),
        f"\nCtrl-C ended it after {stopped_s:.2f} s with status {status}.",
    ]
    print("\n".join(lines))
    if said.write:
        RESULTS.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _to_many(stages: int, times: int, sound: bytes) -> list[tuple[float, float, bool]]:
    """Return what :func:`_arrival` does, for an instrument that already has so many stages."""
    with tempfile.TemporaryDirectory() as folder:
        shop = make(Path(folder), 2 * stages, 1, per_instrument=2 * stages)
        watched = Watched(shop)
        watched.line_with("watching")
        report = shop / "results" / "lyre-0000" / "report.pdf"
        told = []
        for number in range(times):
            while _is_older(report, report.with_name("modes.csv")):
                time.sleep(0.05)
            told.append(_arrival(watched, shop, 1000 + number, sound, 1.0, "lyre-0000"))
        os.killpg(watched.process.pid, signal.SIGINT)
        watched.process.wait()
    return told


def _arrival(
    watched: Watched, shop: Path, number: int, sound: bytes, after_s: float, instrument: str = "zither-1"
) -> tuple[float, float, bool]:
    """Return the seconds to the table and to the line, and whether a report was due.

    The recording arrives ``after_s`` after the line of the one before was printed.
    """
    time.sleep(after_s)
    stage = f"{number:02}-stage"
    data = bytearray(sound)
    # One sample differs, so that no two recordings are the same sound.
    data[5000 + 2 * number] ^= 1
    with (shop / "recordings" / f"{instrument}_{stage}_top_1.wav").open("wb") as copy:
        step = -(-len(data) // PIECES)
        for first in range(0, len(data), step):
            time.sleep(PAUSE_S)
            copy.write(data[first : first + step])
            copy.flush()
    written_s, table = time.perf_counter(), shop / "results" / instrument / "modes.csv"
    drawing = number > 0 and _is_older(table.with_name("report.pdf"), table)
    while not (table.exists() and stage in table.read_text(encoding="utf-8")):
        time.sleep(0.002)
    in_table_s = time.perf_counter() - written_s
    printed_s = watched.line_with(f"{stage}:") - written_s
    return in_table_s, printed_s, drawing


def _is_older(report: Path, table: Path) -> bool:
    return not report.exists() or report.stat().st_mtime_ns < table.stat().st_mtime_ns


if __name__ == "__main__":
    main()
