"""Lines that stand 20 dB over noise and surroundings after the contact, and whether the product lists them.

    python -m tests.benchmarks.strong_lines [FILE ...]                  beginnings of file names
    python -m tests.benchmarks.strong_lines --folder /some/where --scene dry --trials 4

Conventions: nothing here shares code or method with :mod:`tapbatch.measure`. The free decay, from 10 ms after the
stroke to 20 ms before the next, is seen through windows of 50 to 800 ms with three sine tapers each (Riedel and
Sidorenko 1995), one directly after the other. A *line* is a local peak of the first window's power which stands 20 dB
over the median of its surroundings (eight resolution cells to either side and at least 60 Hz, without the cells of
the peak itself) and 20 dB over the noise (the median, over +-60 Hz, of the spectrum of the last quiet before the
stroke; none where the recording begins with the stroke), and which the next window still shows, within one cell and
10 dB over its own surroundings. Lines of several windows within a cell are one, that of the longest window. The level
is that of the energy of the peak below the largest. A line more than 40 dB below the loudest is not counted.

A line is *listed* if a mode of the same stroke lies within a cell of the window in which it was seen, or 25 cents.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tapbatch.listen.decode import decode
from tapbatch.model.reading import Reading
from tests.benchmarks import recordings as bench

Float = NDArray[np.float64]

WINDOWS_S = (0.8, 0.4, 0.2, 0.1, 0.05)
AFTER_CONTACT_S = 0.010
OVER_DB = 20.0
STILL_DB = 10.0
FAINTEST_DB = 40.0
TAPERS = 3


@dataclass(frozen=True)
class Line:
    """A line of one stroke: its level below the loudest, and the resolution of the window that shows it."""

    freq_hz: float
    level_db: float
    over_db: float
    cell_hz: float


def spectrum(samples: Float, rate_hz: float) -> tuple[Float, float, float]:
    """Return power by frequency with sine tapers, the width of a bin, and the resolution, in hertz."""
    count = len(samples)
    length = 1 << (2 * count - 1).bit_length()
    n = np.arange(1, count + 1)
    power = np.zeros(length // 2 + 1)
    for k in range(1, TAPERS + 1):
        taper = math.sqrt(2.0 / (count + 1)) * np.sin(math.pi * k * n / (count + 1))
        power += np.abs(np.fft.rfft(samples * taper, length)) ** 2 / TAPERS
    return power, rate_hz / length, (TAPERS + 1) * rate_hz / count / 2


def surroundings(power: Float, at: int, cell: int, wide: int) -> float:
    """Return the median power beside a bin, its own cell and the next left out."""
    low, high = max(at - wide, 1), min(at + wide + 1, len(power))
    beside = np.concatenate([power[low : max(at - 2 * cell, low)], power[at + 2 * cell + 1 : high]])
    return float(np.median(beside)) if len(beside) else math.inf


def lines_of(
    samples: Float, rate_hz: float, onset_s: float, until_s: float, quiet: Float, band_hz: tuple[float, float]
) -> list[Line]:
    """Return the lines of one stroke, the loudest first."""
    found: list[Line] = []
    from_s = onset_s + AFTER_CONTACT_S
    for window_s in WINDOWS_S:
        count = round(window_s * rate_hz)
        first = round(from_s * rate_hz)
        if first + 2 * count > round(until_s * rate_hz):
            continue
        power, bin_hz, cell_hz = spectrum(samples[first : first + count], rate_hz)
        later, _, _ = spectrum(samples[first + count : first + 2 * count], rate_hz)
        noise = _noise(quiet, count, rate_hz)
        cell, wide = max(1, round(cell_hz / bin_hz)), round(max(8 * cell_hz, 60.0) / bin_hz)
        inside = slice(max(round(band_hz[0] / bin_hz), 1), min(round(band_hz[1] / bin_hz), len(power) - 1))
        peaks = 1 + np.flatnonzero((power[1:-1] > power[:-2]) & (power[1:-1] >= power[2:]))
        peaks = peaks[(peaks >= inside.start) & (peaks < inside.stop)]
        for at in peaks[np.argsort(-power[peaks])]:
            freq_hz = at * bin_hz
            if power[at] < power[max(at - cell, 0) : at + cell + 1].max():
                continue
            if any(abs(freq_hz - line.freq_hz) < max(cell_hz, line.cell_hz) for line in found):
                continue
            over_db = 10 * math.log10(power[at] / max(surroundings(power, at, cell, wide), 1e-30))
            if noise is not None:
                over_db = min(over_db, 10 * math.log10(power[at] / max(noise[min(at, len(noise) - 1)], 1e-30)))
            if over_db < OVER_DB or not _still(later, at, cell, wide):
                continue
            # Energy of the peak: its power over its width, so that windows compare.
            level_db = 10 * math.log10(float(power[max(at - cell, 0) : at + cell + 1].sum()) * bin_hz)
            found.append(Line(freq_hz, level_db, over_db, cell_hz))
    loudest = max((line.level_db for line in found), default=0.0)
    found = [Line(f.freq_hz, f.level_db - loudest, f.over_db, f.cell_hz) for f in found]
    return sorted((f for f in found if f.level_db > -FAINTEST_DB), key=lambda line: -line.level_db)


def _still(later: Float, at: int, cell: int, wide: int) -> bool:
    near = slice(max(at - cell, 1), at + cell + 1)
    top = near.start + int(np.argmax(later[near]))
    around = surroundings(later, top, cell, wide)
    return bool(10 * math.log10(max(later[top], 1e-30) / max(around, 1e-30)) > STILL_DB)


def _noise(quiet: Float, count: int, rate_hz: float) -> Float | None:
    """Return the smoothed power of the quiet on the bins of a window of ``count`` samples; ``None`` without quiet."""
    from scipy.ndimage import median_filter

    if len(quiet) < min(count, round(0.05 * rate_hz)):
        return None
    piece = quiet[-count:]
    power, bin_hz, _ = spectrum(piece, rate_hz)
    smooth = median_filter(power, size=max(3, round(120.0 / bin_hz)))
    length = 1 << (2 * count - 1).bit_length()
    if len(smooth) != length // 2 + 1:
        smooth = np.interp(np.arange(length // 2 + 1) * rate_hz / length, np.arange(len(smooth)) * bin_hz, smooth)
    return np.asarray(smooth)


def strokes(samples: Float, rate_hz: float, onsets_s: Sequence[float]) -> Iterator[tuple[float, float, Float]]:
    """Yield onset, end and the quiet before, for each stroke."""
    ends = [*(s - 0.02 for s in onsets_s[1:]), len(samples) / rate_hz]
    quiet = samples[: max(0, round((onsets_s[0] - 0.01) * rate_hz))]
    for onset_s, until_s in zip(onsets_s, ends, strict=True):
        yield onset_s, until_s, quiet


def listed(line: Line, reading: Reading, onset_s: float) -> str:
    """Return how a line is listed in the tap of a stroke: ``mode``, its flags, or empty."""
    taps = [t for t in reading.used_taps if abs(t.tap.onset_s - onset_s) < 0.05]
    reach_hz = max(line.cell_hz, line.freq_hz * (2 ** (25 / 1200) - 1))
    near = [m for t in taps for m in t.modes if abs(m.freq_hz - line.freq_hz) < reach_hz]
    if not near:
        return ""
    return ";".join(max(near, key=lambda m: m.energy_db).flags) or "mode"


def main() -> None:
    """List the lines of the recordings, and which the product lacks."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.strong_lines")
    parser.add_argument("files", nargs="*", metavar="FILE", help="beginnings of file names; all by default")
    parser.add_argument("--folder", type=Path, default=bench.FOLDER)
    parser.add_argument("--each", action="store_true", help="list every line")
    said = parser.parse_args()
    hits: dict[str, list[float]] = {}
    for row in bench.rows_of("hits.csv", said.folder):
        hits.setdefault(row["file"], []).append(float(row["onset_s"]))
    for row in bench.rows_of("truth.csv", said.folder):
        hits.setdefault(row["file"], [0.0])
    names = [n for n in hits if not said.files or n.startswith(tuple(said.files))]
    readings = bench.read_all(names, said.folder)
    total = lost = 0
    print(f"{'file':28}{'lines':>6}{'lost':>6}{'within 20 dB':>14}{'lost':>6}{'modes':>7}")
    for name in names:
        sound = decode(said.folder / name)
        rows = []
        for onset_s, until_s, quiet in strokes(sound.samples, sound.sample_rate_hz, sorted(hits[name])):
            band = (bench.BAND.band_low_hz, min(bench.BAND.band_high_hz, 0.45 * sound.sample_rate_hz))
            rows += [
                (onset_s, line, listed(line, readings[name], onset_s))
                for line in lines_of(sound.samples, sound.sample_rate_hz, onset_s, until_s, quiet, band)
            ]
        gone = [r for r in rows if not r[2]]
        strong = [r for r in rows if r[1].level_db > -20.0]
        modes = sum(len(t.modes) for t in readings[name].used_taps)
        print(
            f"{name:28}{len(rows):6}{len(gone):6}{len(strong):14}{sum(not r[2] for r in strong):6}{modes:7}",
            flush=True,
        )
        for onset_s, line, how in rows if said.each else gone:
            print(
                f"    {onset_s:8.3f} s{line.freq_hz:10.1f} Hz  {line.level_db:6.1f} dB  over {line.over_db:5.1f} dB"
                f"  cell {line.cell_hz:5.1f} Hz  {how or 'LOST'}"
            )
        total, lost = total + len(rows), lost + len(gone)
    print(f"{total} lines, {lost} lost")


if __name__ == "__main__":
    main()
