"""The benchmark's tables, as Markdown: every figure in them comes out of a run."""

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
from tests.benchmarks.montecarlo import OURS
from tests.benchmarks.score import Tally

TAP_HEAD = (
    "case", "method", "taps", "f / bound", "T60 / bound", "f rms, cents", "T60 rms, %", "f bias, cents",
    "T60 bias, %", "found, %", "false a tap", "taps without false, %", "cover f, %", "cover T60, %", "ms a tap",
)  # fmt: skip
STAGE_HEAD = (
    "case", "recordings", "f / bound", "T60 / bound", "f bias, cents", "T60 bias, %", "all found, %",
    "false a recording", "cover f, %", "cover T60, %", "width f", "width T60", "ms a tap",
)  # fmt: skip


def _number(value: float, digits: int) -> str:
    return "" if math.isnan(value) else f"{value:.{digits}f}"


def _ratio(value: float) -> str:
    return _number(value, 2 if value < 10 else 0)


def _line(cells: Iterable[str]) -> str:
    return "| " + " | ".join(cells) + " |"


def head(names: tuple[str, ...]) -> str:
    """Return the two lines that begin a table."""
    return _line(names) + "\n" + _line("---" for _ in names)


def tap_row(case: Case, method: str, tally: Tally) -> str:
    """Return a row of the table of taps."""
    ratios = [_ratio(r) if case.bounded else "" for r in tally.ratios]
    bias, cover = tally.bias, tally.cover
    cells = [
        case.name,
        f"**{method}**" if method == OURS else method,
        str(tally.taps),
        *ratios,
        _number(tally.rms_cents, 3),
        _number(tally.rms_t60_pct, 2),
        _number(bias[0], 3),
        _number(bias[1], 2),
        _number(100 * tally.found / max(tally.counting, 1), 1),
        "told" if method == "lscf" else _number(tally.false / max(tally.taps, 1), 2),
        "" if method == "lscf" else _number(100 * tally.clean / max(tally.taps, 1), 1),
        *(_number(100 * c, 1) for c in cover),
        _number(float(np.median(tally.spent_ms)), 1),
    ]
    return _line(cells)


def stage_row(case: Case, tally: Tally) -> str:
    """Return a row of the table of stages."""
    cells = [
        case.name,
        str(tally.taps),
        *(_ratio(r) if case.bounded else "" for r in tally.ratios),
        _number(tally.bias[0], 3),
        _number(tally.bias[1], 2),
        _number(100 * tally.whole / max(tally.taps, 1), 1),
        _number(tally.false / max(tally.taps, 1), 2),
        *(_number(100 * c, 1) for c in tally.cover),
        *(_number(w, 2) if case.bounded else "" for w in tally.width),
        _number(float(np.median(tally.spent_ms)), 1),
    ]
    return _line(cells)


def machine() -> str:
    """Return what the figures were made on, and when."""
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


def legend(cases: Iterable[Case]) -> str:
    """Return what the columns and the cases mean."""
    columns = (score.__doc__ or "").partition("Conventions: ")[2].strip()
    methods = (peers.__doc__ or "").partition("\n\n")[2].strip()
    rows = "\n".join(f"- `{c.name}`: {c.about}, {c.rate_hz} Hz" for c in cases)
    return f"## How to read it\n\n{columns}\n\n## The other methods\n\n{methods}\n\n## The cases\n\n{rows}\n"
