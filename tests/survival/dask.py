"""A Dask cluster on this machine: a real scheduler and real workers, each a process that can be killed."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent


def _start(module: str, *arguments: str) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", f"distributed.cli.{module}", *arguments]
    return subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


@contextmanager
def cluster(folder: Path, workers: int) -> Iterator[tuple[Path, list[subprocess.Popen[bytes]]]]:
    """Start a scheduler and workers without nannies, so that a killed worker is not restarted."""
    told = folder / "scheduler.json"
    started = [_start("dask_scheduler", "--port", "0", "--no-dashboard", "--scheduler-file", str(told))]
    try:
        while not told.exists():
            assert started[0].poll() is None
        for n in range(workers):
            place = ("--local-directory", str(folder / f"worker-{n}"))
            how = ("--nthreads", "1", "--no-nanny", "--no-dashboard", *place)
            started.append(_start("dask_worker", "--scheduler-file", str(told), *how))
        yield told, started[1:]
    finally:
        for process in started:
            process.kill()
        for process in started:
            process.wait()
