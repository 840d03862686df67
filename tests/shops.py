"""Small shops for tests of the whole tool: simulated taps at 8 kHz, written as WAV, and the command line.

All randomness comes from the number that is passed in, never from a global seed: same number, same bytes.
"""

from __future__ import annotations

import csv
import io
import re
import sys
import wave
from collections.abc import Mapping
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

import numpy as np

from tapbatch.cli import main
from tapbatch.simulate import taps as sim

RATE_HZ = 8000
LYRE, NA = "lyre-2_01-joined_top_1.wav", "NA/01 closed/voice note.wav"
"""The recordings of a shop of two instruments, one named by file and one by folders."""

BODY = (
    sim.SimMode(182.0, 0.34, 0.06, 0.3),
    sim.SimMode(268.0, 0.28, 0.10, 1.1),
    sim.SimMode(431.0, 0.22, 0.05, -0.7),
    sim.SimMode(655.0, 0.18, 0.04, 2.0),
)
"""What every recording of these shops strikes, moved by as many cents as its maker is told."""


@dataclass(frozen=True)
class Result:
    """What a command returned and printed."""

    status: int
    out: str
    err: str

    @property
    def said(self) -> str:
        """Everything printed, as one line, so that a message is found however it was wrapped."""
        return " ".join((self.out + "\n" + self.err).split())

    @property
    def counts(self) -> list[int]:
        """The numbers of the last line of a run: recordings measured, instruments up to date."""
        return [int(number) for number in re.findall(r"\d+", self.out.splitlines()[-1])]

    @property
    def notes(self) -> list[str]:
        """The notes that were printed, each as one line."""
        return [" ".join(note.split()) for note in re.findall(r"^note: (.*(?:\n    .*)*)", self.err, re.MULTILINE)]

    @property
    def attention(self) -> list[str]:
        """The files and instruments that were printed as needing attention, in order."""
        return re.findall(r"^  (\S.*?): ", self.err, re.MULTILINE)


def tapbatch(*arguments: str | Path) -> Result:
    """Run the command line in this process, as ``python -m tapbatch`` would."""
    out, err = io.StringIO(), io.StringIO()
    status: object = 0
    with (
        redirect_stdout(out),
        redirect_stderr(err),
        mock.patch.object(sys, "argv", ["tapbatch", *map(str, arguments)]),
    ):
        try:
            main()
        except SystemExit as stop:
            status = stop.code
    assert isinstance(status, int)
    assert "Traceback" not in out.getvalue() + err.getvalue()
    return Result(status, out.getvalue(), err.getvalue())


def taps(number: int, *, cents: float = 0.0, count: int = 3) -> np.ndarray:
    """Return the sound of ``count`` taps, 0.8 s apart after 0.6 s of quiet, 55 dB over white noise."""
    rng = np.random.default_rng([8000, number])
    body = [sim.moved(mode, cents=cents) for mode in BODY]
    strikes = [
        sim.Strike(onset_s=0.6 + 0.8 * n, modes=sim.scattered(body, rng), contact_s=0.0012) for n in range(count)
    ]
    duration_s = 0.65 + 0.8 * count
    noise = sim.white_noise(round(duration_s * RATE_HZ), rng, rms=3e-4)
    return sim.recording(strikes, duration_s=duration_s, sample_rate_hz=RATE_HZ, noise=noise)[0]


def write_wav(path: Path, samples: np.ndarray, rate_hz: int = RATE_HZ) -> Path:
    """Write 16-bit mono."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(rate_hz)
        out.writeframes(np.clip(np.rint(samples * 32768), -32768, 32767).astype("<i2").tobytes())
    return path


def make_shop(root: Path, recordings: Mapping[str, np.ndarray], files: Mapping[str, str] | None = None) -> Path:
    """Make a shop with recordings by path below ``recordings/``, and other files by path below the shop."""
    (root / "recordings").mkdir(parents=True)
    for name, samples in recordings.items():
        write_wav(root / "recordings" / name, samples)
    for name, text in (files or {}).items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(text, encoding="utf-8")
    return root


def rows_of(path: Path) -> list[dict[str, str]]:
    """Return a table as rows, every cell as its text."""
    with path.open(encoding="utf-8", newline="") as text:
        return list(csv.DictReader(text))


def bytes_below(folder: Path, *, hidden: bool = False) -> dict[str, bytes]:
    """Return the bytes of every file below a folder, by path; hidden files (kept between runs) only if asked for."""
    files = (p for p in sorted(folder.rglob("*")) if p.is_file())
    shown = {p.relative_to(folder).as_posix(): p.read_bytes() for p in files}
    return {name: data for name, data in shown.items() if hidden or not name.startswith(".")}
