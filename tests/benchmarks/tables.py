"""The benchmark's tables, as Markdown: every figure in them comes from a run."""

from __future__ import annotations

import datetime
import math
import os
import platform
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from tests.benchmarks import peers, score
from tests.benchmarks.cases import Case
from tests.benchmarks.montecarlo import IDEAL, OURS, SAME
from tests.benchmarks.score import Tally

TAP_HEAD = (
    "case", "method", "taps", "f / bound", "T60 / bound", "f over ideal", "T60 over ideal", "f rms, cents",
    "T60 rms, %", "f bias, cents", "T60 bias, %", "found, %", "false a tap", "taps without false, %", "cover f, %",
    "cover T60, %", "ms a tap",
)  # fmt: skip
STAGE_HEAD = (
    "case", "method", "recordings", "f / bound", "T60 / bound", "f over ideal", "T60 over ideal", "f bias, cents",
    "T60 bias, %", "all found, %", "false a recording", "cover f, %", "cover T60, %", "width f", "width T60",
    "ms a tap",
)  # fmt: skip


def _number(value: float, digits: int) -> str:
    return "" if math.isnan(value) else f"{value:.{digits}f}"


def _ratio(value: float) -> str:
    return _number(value, 2 if value < 10 else 0)


def _line(cells: Iterable[str]) -> str:
    return "| " + " | ".join(cells) + " |"


def head(names: tuple[str, ...]) -> str:
    """Return the first two lines of a table."""
    return _line(names) + "\n" + _line("---" for _ in names)


def tap_row(case: Case, method: str, tally: Tally, ideal: Tally | None = None) -> str:
    """Return a row of the table of taps; ``ideal`` is given for this project's own."""
    ratios = [_ratio(r) if case.bounded else "" for r in tally.ratios]
    told = method in (IDEAL, "lscf")
    bias, cover = tally.bias, tally.cover
    cells = [
        case.name,
        f"**{method}**" if method in (OURS, SAME) else method,
        str(tally.taps),
        *ratios,
        *(_number(r, 3) for r in tally.over(ideal)),
        _number(tally.rms_cents, 3),
        _number(tally.rms_t60_pct, 2),
        _number(bias[0], 3),
        _number(bias[1], 2),
        _number(100 * tally.found / max(tally.counting, 1), 1),
        "told" if told else _number(tally.false / max(tally.taps, 1), 2),
        "" if told else _number(100 * tally.clean / max(tally.taps, 1), 1),
        *(_number(100 * c, 1) for c in cover),
        _number(float(np.median(tally.spent_ms)), 1),
    ]
    return _line(cells)


def stage_row(case: Case, method: str, tally: Tally, ideal: Tally | None = None) -> str:
    """Return a row of the table of stages; ``ideal`` is given for this project's own."""
    told = method == IDEAL
    cells = [
        case.name,
        f"**{method}**" if method == OURS else method,
        str(tally.taps),
        *(_ratio(r) if case.bounded else "" for r in tally.ratios),
        *(_number(r, 3) for r in tally.over(ideal)),
        _number(tally.bias[0], 3),
        _number(tally.bias[1], 2),
        _number(100 * tally.whole / max(tally.taps, 1), 1),
        "told" if told else _number(tally.false / max(tally.taps, 1), 2),
        *(_number(100 * c, 1) for c in tally.cover),
        *(_number(w, 2) if case.bounded else "" for w in tally.width),
        _number(float(np.median(tally.spent_ms)), 1),
    ]
    return _line(cells)


def machine() -> str:
    """Return the machine, the versions and the date of the figures."""
    import scipy

    return (
        f"{datetime.date.today().isoformat()}, {_processor()}, {os.cpu_count()} cores, Python "
        f"{platform.python_version()}, numpy {np.__version__}, scipy {scipy.__version__}, one process."
    )


def _processor() -> str:
    info = Path("/proc/cpuinfo")
    if info.exists():
        for line in info.read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    return platform.processor() or platform.machine()


OUT_OF_REACH = """\
- **False modes in a room.** The modes of a room are damped sines too, excited by the same blow and recorded by the
  same microphone. One tap at one place cannot tell them from the modes of the body: both are poles of one transfer
  function. They count as false here because the simulation knows which is which. The estimator can only require that
  a mode stands well above the residual around it, and that its decay is known to some accuracy. Stricter limits would
  leave fewer false modes and lose partials of real objects; they were set where neither loss is large. The false
  modes that remain in one tap seldom repeat in the next (`room-stage`).
- **False modes through AAC.** The codec replaces what it leaves out by noise in bands of some hundred hertz and
  frames of 1024 samples, as loud as the sound in that band and decaying with it. Such a burst has the envelope of
  a mode. Those that pass both limits in one tap seldom repeat in the next (`aac-64-stage`)."""


def legend(cases: Iterable[Case]) -> str:
    """Return what the columns, methods and cases mean."""
    columns = (score.__doc__ or "").partition("Conventions: ")[2].strip()
    columns = columns[:1].upper() + columns[1:]
    methods = (peers.__doc__ or "").partition("\n\n")[2].strip()
    rows = "\n".join(f"- `{c.name}`: {c.about}, {c.rate_hz} Hz" for c in cases)
    parts = (
        ("How to read it", columns),
        ("What is out of reach, and why", OUT_OF_REACH),
        ("The other methods", methods),
        ("The cases", rows),
    )
    return "\n".join(f"## {heading}\n\n{text}\n" for heading, text in parts)
