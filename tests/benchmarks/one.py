"""What many recordings of one instrument cost: ``python -m tests.benchmarks.one [--sizes N ...] [--takes N ...]``.

The benchmark makes shops of one instrument, with recordings of one tap at 8 kHz. The program runs each once to
measure it, and once more at another concert pitch, which only makes tables and report again. It prints the processor
seconds and the peak memory of the process, which must stay under 400 MB.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from itertools import product
from pathlib import Path

from tests.benchmarks.many import make
from tests.benchmarks.tables import machine

PROMISED_MB = 400
ROOT = Path(__file__).parents[2]


def run(shop: Path) -> tuple[float, float]:
    """Run a shop in one process; return the processor seconds, and the peak memory in MB."""
    command = [sys.executable, "-c", _WEIGHED, "run", str(shop), "--jobs", "1"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    cpu_s, most_kb = map(float, done.stderr.splitlines()[-1].split())
    return cpu_s, most_kb / 1024


_WEIGHED = """
import resource, sys
sys.argv[0] = "tapbatch"
from tapbatch.cli import main
try:
    main()
finally:
    used = resource.getrusage(resource.RUSAGE_SELF)
    print(used.ru_utime + used.ru_stime, used.ru_maxrss, file=sys.stderr)
"""


def main() -> None:
    """Run what is asked for, and print the results."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.one", description=__doc__)
    parser.add_argument("--sizes", type=int, nargs="+", default=[100, 1000, 3000], help="recordings; 100 1000 3000")
    parser.add_argument("--takes", type=int, nargs="+", default=[1, 100], help="recordings a stage; 1 100")
    said = parser.parse_args()
    print(f"{machine()} Load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors.\n")
    print("| recordings | stages | first run, cpu s | memory, MB | tables and report again, cpu s | memory, MB |")
    print("| --- | --- | --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory() as folder:
        most = 0.0
        for size, takes in product(said.sizes, said.takes):
            shop = make(Path(folder) / f"shop-{size}-{takes}", size, 1, per_instrument=size, takes=takes)
            first = run(shop)
            (shop / "shop.toml").write_text("concert_pitch_hz = 431\n", encoding="utf-8")
            again = run(shop)
            costs = " | ".join(f"{cpu_s:.1f} | {most_mb:.0f}" for cpu_s, most_mb in (first, again))
            print(f"| {size} | {-(-size // takes)} | {costs} |", flush=True)
            most = max(most, first[1], again[1])
    print(f"\nThe most is {most:.0f} MB (promised: under {PROMISED_MB}).")


if __name__ == "__main__":
    main()
