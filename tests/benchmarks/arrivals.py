"""How soon an arrival is read: ``python -m tests.benchmarks.arrivals [--times N] [--write]``.

The program itself watches a copy of the sample shop; recordings of five taps at 44.1 kHz are copied into it in four
pieces, a tenth of a second apart. Told is the time from the last byte written to its stage standing in ``modes.csv``,
and to the line printed; the 0.3 s for which a file must be still are in it. ``--write`` writes ``ARRIVALS.md`` beside
this file.
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

from tests.benchmarks.tables import machine

ROOT = Path(__file__).parents[2]
RESULTS = Path(__file__).with_name("ARRIVALS.md")
PIECES = 4
PAUSE_S = 0.1
QUIET_S = 8.0
PATIENCE_S = 60.0


class Watched:
    """The program watching a shop, and the lines that it prints with the time of each."""

    def __init__(self, shop: Path) -> None:
        command = [sys.executable, "-u", "-m", "tapbatch", "watch", str(shop)]
        self.process = subprocess.Popen(command, cwd=ROOT, text=True, stdout=subprocess.PIPE)
        self._lines: queue.SimpleQueue[tuple[float, str]] = queue.SimpleQueue()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self._lines.put((time.perf_counter(), line))

    def line_with(self, text: str) -> float:
        """Return when a line with a text was printed; lines before it are passed over."""
        while True:
            at_s, line = self._lines.get(timeout=PATIENCE_S)
            if text in line:
                return at_s


def main() -> None:
    """Play, and say what came out."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.arrivals", description=__doc__)
    parser.add_argument("--times", type=int, default=12, help="arrivals; 12")
    parser.add_argument("--write", action="store_true", help=f"write {RESULTS.name}")
    said = parser.parse_args()
    sound = (ROOT / "sample_data" / "recordings" / "kantele-03_11-settled_strung_at-centre_1.wav").read_bytes()
    with tempfile.TemporaryDirectory() as folder:
        shop = Path(copytree(ROOT / "sample_data", Path(folder) / "shop", ignore=ignore_patterns("results")))
        watched = Watched(shop)
        watched.line_with("watching")
        # The reports of what was there are drawn first.
        time.sleep(QUIET_S)
        times = [_arrival(watched, shop, number, sound) for number in range(said.times)]
        began_s = time.perf_counter()
        watched.process.send_signal(signal.SIGINT)
        status = watched.process.wait()
        stopped_s = time.perf_counter() - began_s
    lines = [
        "# How soon an arrival is read\n",
        f"{machine()}\n",
        f"Made by `python -m tests.benchmarks.arrivals`, {said.times} arrivals; load {os.getloadavg()[0]:.1f} on"
        f" {os.cpu_count()} processors.\n",
        "| from the last byte written | median, s | slowest, s |",
        "| --- | --- | --- |",
        *(
            f"| {what} | {statistics.median(t[n] for t in times):.2f} | {max(t[n] for t in times):.2f} |"
            for n, what in enumerate(("to `modes.csv`", "to the printed line"))
        ),
        f"\nCtrl-C ended it after {stopped_s:.2f} s with status {status}.",
    ]
    print("\n".join(lines))
    if said.write:
        RESULTS.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _arrival(watched: Watched, shop: Path, number: int, sound: bytes) -> tuple[float, float]:
    stage = f"{number:02}-stage"
    data = bytearray(sound)
    # One sample differs, so that no two are the same sound.
    data[5000 + 2 * number] ^= 1
    with (shop / "recordings" / f"zither-1_{stage}_top_1.wav").open("wb") as copy:
        step = -(-len(data) // PIECES)
        for first in range(0, len(data), step):
            time.sleep(PAUSE_S)
            copy.write(data[first : first + step])
            copy.flush()
    written_s, table = time.perf_counter(), shop / "results" / "zither-1" / "modes.csv"
    while not (table.exists() and stage in table.read_text(encoding="utf-8")):
        time.sleep(0.002)
    in_table_s = time.perf_counter() - written_s
    printed_s = watched.line_with(f"{stage}:") - written_s
    time.sleep(1.0)
    return in_table_s, printed_s


if __name__ == "__main__":
    main()
