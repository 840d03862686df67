"""Lines that stand 20 dB over noise and surroundings after the contact, and whether the product lists them.

    python -m tests.benchmarks.strong_lines [FILE ...]                  beginnings of file names
    python -m tests.benchmarks.strong_lines --scene still-30 --scene pitch --trials 4

Conventions: no code is shared with :mod:`tapbatch.measure`, and nothing is decimated, whitened or fitted here. But a
line is one by the same rule as in :mod:`tapbatch.measure.unresolved`, so the count shows what is lost on the way to a
reading, and not whether the rule is a good one. The free decay, from 10 ms after the stroke to 20 ms before the next,
is seen through windows of 50 to 800 ms with three sine tapers each (Riedel and Sidorenko 1995), one directly after
the other. A *line* is a local peak of the first window's power which stands 20 dB over the median of its surroundings
(eight resolution cells to either side and at least 60 Hz, without the cells of the peak itself) and 20 dB over the
noise (the median, over +-60 Hz, of the spectrum of the last quiet before the stroke; none where the recording begins
with the stroke), and which the next window still shows, within one cell and 10 dB over its own surroundings. Lines of
several windows within a cell are one, that of the longest window. The level is that of the energy of the peak below
the largest. A line more than 40 dB below the loudest is not counted, nor one outside the band. The recordings are
those of ``tests/recordings`` (band 60 to 12,000 Hz); scenes are those of :mod:`tests.bench_simulator` (band 50 to
1500 Hz).

A line is *listed* if a mode of the same stroke lies within a cell of the window in which it was seen, or 25 cents.
"""

from __future__ import annotations

import argparse
import math
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tapbatch.listen.decode import decode
from tapbatch.measure.recording import measure_recording
from tapbatch.model.reading import BandSettings, Reading
from tests.bench_simulator import phones, scenes
from tests.bench_simulator.world import stream
from tests.benchmarks import recordings as bench

Float = NDArray[np.float64]

WINDOWS_S = (0.8, 0.4, 0.2, 0.1, 0.05)
AFTER_CONTACT_S = 0.010
OVER_DB = 20.0
STILL_DB = 10.0
FAINTEST_DB = 40.0
TAPERS = 3
LEAST_HZ = 20.0
DEFAULT = BandSettings()


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
    for window_s in WINDOWS_S:
        count, first = round(window_s * rate_hz), round((onset_s + AFTER_CONTACT_S) * rate_hz)
        if first + 2 * count <= round(until_s * rate_hz):
            pair = samples[first : first + count], samples[first + count : first + 2 * count]
            found += _lines_in(*pair, rate_hz, _noise(quiet, count, rate_hz), found)
    loudest = max((line.level_db for line in found), default=0.0)
    found = [Line(f.freq_hz, f.level_db - loudest, f.over_db, f.cell_hz) for f in found]
    strong = [f for f in found if f.level_db > -FAINTEST_DB and band_hz[0] <= f.freq_hz < band_hz[1]]
    return sorted(strong, key=lambda line: -line.level_db)


def _lines_in(early: Float, late: Float, rate_hz: float, noise: Float | None, before: Sequence[Line]) -> list[Line]:
    found: list[Line] = []
    power, bin_hz, cell_hz = spectrum(early, rate_hz)
    later, _, _ = spectrum(late, rate_hz)
    cell, wide = max(1, round(cell_hz / bin_hz)), round(max(8 * cell_hz, 60.0) / bin_hz)
    peaks = 1 + np.flatnonzero((power[1:-1] > power[:-2]) & (power[1:-1] >= power[2:]))
    peaks = peaks[(peaks * bin_hz > LEAST_HZ) & (peaks * bin_hz < 0.45 * rate_hz)]
    for at in peaks[np.argsort(-power[peaks])].tolist():
        freq_hz, near = at * bin_hz, power[max(at - cell, 0) : at + cell + 1]
        others = [*before, *found]
        if power[at] < near.max() or any(abs(freq_hz - o.freq_hz) < max(cell_hz, o.cell_hz) for o in others):
            continue
        under = max(surroundings(power, at, cell, wide), 1e-30 if noise is None else noise[at])
        over_db = 10 * math.log10(power[at] / max(under, 1e-30))
        if over_db >= OVER_DB and _still(later, at, cell, wide):
            # Energy of the peak, in units that do not depend on the window.
            level_db = 10 * math.log10(float(near.sum()) * bin_hz * len(early) / rate_hz)
            found.append(Line(freq_hz, level_db, over_db, cell_hz))
    return found


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


@dataclass(frozen=True)
class Heard:
    """A sound, its strokes, and what the product read in it."""

    name: str
    samples: Float
    rate_hz: float
    onsets_s: Sequence[float]
    reading: Reading
    band_hz: tuple[float, float]

    def lines(self) -> list[tuple[float, Line, str]]:
        """Return the lines of all strokes: onset, line, and how it is listed."""
        return [
            (onset_s, line, listed(line, self.reading, onset_s))
            for onset_s, until_s, quiet in strokes(self.samples, self.rate_hz, self.onsets_s)
            for line in lines_of(self.samples, self.rate_hz, onset_s, until_s, quiet, self.band_hz)
        ]


def of_recordings(beginnings: Sequence[str], folder: Path) -> Iterator[Heard]:
    """Yield the recordings of a folder whose names begin so; all without a beginning."""
    hits: dict[str, list[float]] = {}
    for row in bench.rows_of("hits.csv", folder):
        hits.setdefault(row["file"], []).append(float(row["onset_s"]))
    names = [n for n in hits if not beginnings or n.startswith(tuple(beginnings))]
    for name in names:
        sound = decode(folder / name)
        reading = bench.read_all([name], folder)[name]
        band = (bench.BAND.band_low_hz, min(bench.BAND.band_high_hz, 0.45 * sound.sample_rate_hz))
        yield Heard(name, sound.samples, sound.sample_rate_hz, sorted(hits[name]), reading, band)


def of_scenes(names: Sequence[str], trials: int) -> Iterator[Heard]:
    """Yield the recordings of simulated scenes."""
    for name in names:
        for number in range(trials):
            for at, take in enumerate(scenes.play(name, number).takes):
                with tempfile.TemporaryDirectory() as folder:
                    path = Path(folder) / "take.wav"
                    phones.write_wav(path, take.samples, take.sample_rate_hz, stream("dither", name, number, at + 1))
                    reading = measure_recording(path, "", DEFAULT)
                    sound = decode(path)
                band = (DEFAULT.band_low_hz, DEFAULT.band_high_hz)
                yield Heard(
                    f"{name} {number}", sound.samples, sound.sample_rate_hz, take.taps_s or (0.0,), reading, band
                )


def main() -> None:
    """List the lines, and which of them the product lacks."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.strong_lines")
    parser.add_argument("files", nargs="*", metavar="FILE", help="beginnings of file names; all by default")
    parser.add_argument("--folder", type=Path, default=bench.FOLDER, help="recordings, with hits.csv")
    parser.add_argument("--scene", action="append", metavar="NAME", help="a simulated scene; may be given again")
    parser.add_argument("--trials", type=int, default=4, metavar="N", help="trials a scene; 4")
    parser.add_argument("--each", action="store_true", help="name every line, not only those lost")
    said = parser.parse_args()
    heard = of_scenes(said.scene, said.trials) if said.scene else of_recordings(said.files, said.folder)
    total = lost = unresolved = 0
    print(f"{'':28}{'lines':>6}{'lost':>6}{'within 20 dB':>14}{'lost':>6}{'modes':>7}{'unresolved':>12}")
    for one in heard:
        rows = one.lines()
        gone = [r for r in rows if not r[2]]
        strong = [r for r in rows if r[1].level_db > -20.0]
        modes = [m for t in one.reading.used_taps for m in t.modes]
        vague = sum("unresolved" in m.flags for m in modes)
        counts = f"{len(strong):14}{sum(not r[2] for r in strong):6}{len(modes):7}{vague:12}"
        print(f"{one.name:28}{len(rows):6}{len(gone):6}{counts}", flush=True)
        for onset_s, line, how in rows if said.each else gone:
            print(
                f"    {onset_s:8.3f} s{line.freq_hz:10.1f} Hz  {line.level_db:6.1f} dB  over {line.over_db:5.1f} dB"
                f"  cell {line.cell_hz:5.1f} Hz  {how or 'LOST'}"
            )
        total, lost, unresolved = total + len(rows), lost + len(gone), unresolved + vague
    print(f"{total} lines, {lost} lost, {unresolved} listed as unresolved")


if __name__ == "__main__":
    main()
