"""Measurements of real struck objects, compared with values on which four other methods agree.

    python -m tests.benchmarks.recordings [--jobs N] [FILE ...]

Conventions: the recordings are in ``tests/recordings``, with ``truth.csv`` (partials on which a spectrum's peak, an
envelope, a filter diagonalisation and a least-squares pole fit agree, and the spread of these methods), ``hits.csv``
(times of the strokes) and ``pairs.csv`` (close pairs that two methods separated). The band is 60 to 12,000 Hz. A
listed partial is *found* if a mode lies within 25 cents of it; of several modes the strongest is taken, and of
several taps the median. Its interval is the 95 % interval by one tap's standard error, widened by the spread of the
four methods: a value inside it agrees as well as can be judged.
"""

from __future__ import annotations

import argparse
import csv
import math
import statistics
import time
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from tapbatch.listen.files import hash_file
from tapbatch.model.errors import TapbatchError
from tapbatch.model.reading import BandSettings, Mode, Reading, Recording
from tapbatch.run.job import Job, measure_job
from tapbatch.run.workers import Processes

FOLDER = Path(__file__).parents[1] / "recordings"
BAND = BandSettings(band_low_hz=60.0, band_high_hz=12000.0)
NEAR_CENTS = 25.0
NEAR_S = 0.020
Z_95 = 1.96
MAY_BE_TWO = frozenset({"pair?", "not-exponential"})

Row = dict[str, str]


@dataclass(frozen=True)
class Partial:
    """A listed partial and its reading: errors are read minus true, intervals half-widths; ``None`` is unknown."""

    file: str
    true_hz: float
    true_t60_s: float | None
    in_band: bool
    cents: float | None = None
    cents_within: float | None = None
    t60_pct: float | None = None
    t60_pct_low: float | None = None
    t60_pct_high: float | None = None
    flags: tuple[str, ...] = ()

    @property
    def found(self) -> bool:
        return self.cents is not None

    @property
    def freq_inside(self) -> bool | None:
        if self.cents is None or self.cents_within is None:
            return None
        return abs(self.cents) <= self.cents_within

    @property
    def t60_inside(self) -> bool | None:
        if self.t60_pct is None or self.t60_pct_low is None or self.t60_pct_high is None:
            return None
        return self.t60_pct_low <= self.t60_pct <= self.t60_pct_high


@dataclass(frozen=True)
class Hits:
    """The strokes of a file: the number listed, the time errors of those found, and used taps that match none."""

    file: str
    listed: int
    errors_s: tuple[float, ...]
    false_s: tuple[float, ...]


@dataclass(frozen=True)
class ClosePair:
    """One half of a close pair: ``verdict`` is ``two``, ``flagged``, ``one`` or ``missed``."""

    file: str
    freq_hz: float
    separation_hz: float
    level_db: float
    verdict: str


def rows_of(name: str, folder: Path = FOLDER) -> list[Row]:
    """Return a table of the folder."""
    with (folder / name).open(encoding="utf-8", newline="") as text:
        return list(csv.DictReader(text))


def read_all(names: Iterable[str], folder: Path = FOLDER, *, jobs: int = 1) -> dict[str, Reading]:
    """Measure files, as a run does.

    Raises
    ------
    TapbatchError
        Where one cannot be measured.
    """
    wanted = []
    for name in names:
        sha256 = hash_file(folder / name)
        recording = Recording(
            path=name, sha256=sha256, instrument="struck", instrument_shown="struck", stage="s", stage_shown="s"
        )
        wanted.append(Job(path=folder / name, recording=recording, key=sha256, settings=BAND))
    readings = {}
    with Processes(jobs) as crew:
        results = dict(crew.each(measure_job, wanted))
    for job in wanted:
        result = results[job]
        if isinstance(result, TapbatchError):
            raise result
        readings[job.recording.path] = result
    return readings


def cents(freq_hz: float, true_hz: float) -> float:
    """Return how many cents a frequency lies above a true one."""
    return 1200.0 * math.log2(freq_hz / true_hz)


def nearest_strong(reading: Reading, freq_hz: float) -> list[Mode]:
    """Return, tap by tap, the strongest mode within 25 cents; taps without one are left out."""
    chosen = []
    for tap in reading.used_taps:
        near = [m for m in tap.modes if abs(cents(m.freq_hz, freq_hz)) < NEAR_CENTS]
        if near:
            chosen.append(max(near, key=lambda m: m.energy_db))
    return chosen


def hold_to_truth(row: Row, reading: Reading) -> Partial:
    """Compare one row of ``truth.csv`` with what was read."""
    true_hz, true_t60_s = float(row["freq_hz"]), float(row["t60_s"]) if row["t60_s"] else None
    in_band = BAND.band_low_hz <= true_hz <= BAND.band_high_hz
    modes = nearest_strong(reading, true_hz)
    if not modes:
        return Partial(row["file"], true_hz, true_t60_s, in_band)
    freq_hz = statistics.median(m.freq_hz for m in modes)
    se_cents = statistics.median(1200.0 / math.log(2.0) * m.freq_se_hz / m.freq_hz for m in modes)
    found = Partial(
        row["file"], true_hz, true_t60_s, in_band,
        cents=cents(freq_hz, true_hz),
        cents_within=Z_95 * se_cents + float(row["freq_spread_cents"]),
        flags=tuple(dict.fromkeys(flag for m in modes for flag in m.flags)),
    )  # fmt: skip
    if true_t60_s is None:
        return found
    ratio = statistics.median(m.t60_s for m in modes) / true_t60_s
    factor = math.exp(Z_95 * statistics.median(m.t60_log_se for m in modes)) * (
        1 + float(row["t60_spread_pct"]) / 100
    )
    return Partial(
        **{
            **vars(found),
            "t60_pct": 100 * (ratio - 1),
            "t60_pct_low": 100 / factor - 100,
            "t60_pct_high": 100 * factor - 100,
        }
    )


def hold_to_hits(file: str, rows: Sequence[Row], reading: Reading) -> Hits:
    """Compare the strokes of a file with the taps that were used."""
    used = [t.tap.onset_s for t in reading.used_taps]
    errors, spare = [], list(used)
    for true_s in (float(row["onset_s"]) for row in rows):
        near = min(spare, key=lambda s: abs(s - true_s), default=None)
        if near is not None and abs(near - true_s) <= NEAR_S:
            errors.append(near - true_s)
            spare.remove(near)
    return Hits(file, len(rows), tuple(errors), tuple(spare))


def hold_to_pair(row: Row, reading: Reading) -> ClosePair:
    """Tell whether a close pair was read as two modes, as one with a flag, as one without, or not at all."""
    freq_hz, apart_hz = float(row["freq_hz"]), float(row["separation_hz"])
    verdict = "missed"
    for tap in reading.used_taps:
        here = [m for m in tap.modes if abs(m.freq_hz - freq_hz) < apart_hz / 2]
        beside = [m for m in tap.modes if abs(abs(m.freq_hz - freq_hz) - apart_hz) < apart_hz / 2 and m not in here]
        near = [m for m in tap.modes if abs(cents(m.freq_hz, freq_hz)) < NEAR_CENTS]
        if here and beside:
            return ClosePair(row["file"], freq_hz, apart_hz, float(row["level_db"]), "two")
        if any(MAY_BE_TWO & set(m.flags) for m in near):
            verdict = "flagged"
        elif near and verdict == "missed":
            verdict = "one"
    return ClosePair(row["file"], freq_hz, apart_hz, float(row["level_db"]), verdict)


def partials_of(readings: Mapping[str, Reading], folder: Path = FOLDER) -> list[Partial]:
    """Compare all listed partials of the files read with the truth."""
    return [
        hold_to_truth(row, readings[row["file"]]) for row in rows_of("truth.csv", folder) if row["file"] in readings
    ]


def hits_of(readings: Mapping[str, Reading], folder: Path = FOLDER) -> list[Hits]:
    """Compare all listed strokes of the files read with the taps used."""
    listed: dict[str, list[Row]] = defaultdict(list)
    for row in rows_of("hits.csv", folder):
        if row["file"] in readings:
            listed[row["file"]].append(row)
    return [hold_to_hits(file, rows, readings[file]) for file, rows in listed.items()]


def pairs_of(readings: Mapping[str, Reading], folder: Path = FOLDER) -> list[ClosePair]:
    """Compare all listed close pairs of the files read with the modes."""
    return [
        hold_to_pair(row, readings[row["file"]]) for row in rows_of("pairs.csv", folder) if row["file"] in readings
    ]


def lone(partials: Sequence[Partial], folder: Path = FOLDER) -> list[Partial]:
    """Return the partials found that have no listed close pair within 25 cents; they may still be pairs."""
    halves: dict[str, list[float]] = defaultdict(list)
    for row in rows_of("pairs.csv", folder):
        halves[row["file"]].append(float(row["freq_hz"]))
    return [p for p in partials if p.found and all(abs(cents(f, p.true_hz)) > NEAR_CENTS for f in halves[p.file])]


# ------------------------------------------------------------------- printing


def may_be_two(partial: Partial) -> bool:
    """Tell whether a partial has a flag that it may be two modes, or does not decay exponentially."""
    return bool(MAY_BE_TWO & set(partial.flags))


def share(values: Iterable[bool | None]) -> float:
    """Return the share that is true, of those that are known."""
    known = [v for v in values if v is not None]
    return sum(known) / len(known) if known else math.nan


def print_partials(partials: Sequence[Partial]) -> None:
    print(f"{'file':28}{'true Hz':>10}{'cents':>8}{'95 %':>7} in{'T60 s':>8}{'error %':>9}{'95 %':>15} in  flags")
    for p in partials:
        if p.cents is None or p.cents_within is None:
            print(f"{p.file:28}{p.true_hz:10.2f}  not found{'' if p.in_band else ' (outside the band)'}")
            continue
        line = f"{p.file:28}{p.true_hz:10.2f}{p.cents:8.2f}{p.cents_within:7.2f} {_mark(p.freq_inside)}"
        if p.t60_pct is not None:
            bounds = f"{p.t60_pct_low:+.1f} to {p.t60_pct_high:+.1f}"
            line += f"{p.true_t60_s:8.3f}{p.t60_pct:9.1f}{bounds:>15} {_mark(p.t60_inside)}"
        elif p.flags:
            line += " " * 35
        print(f"{line}  {' '.join(p.flags)}".rstrip())


def _mark(inside: bool | None) -> str:
    return "  " if inside is None else "y " if inside else "NO"


def print_summary(partials: Sequence[Partial], hits: Sequence[Hits], pairs: Sequence[ClosePair]) -> None:
    if partials:
        found = [p for p in partials if p.found]
        off = [abs(p.cents) for p in partials if p.cents is not None]
        longer = [abs(p.t60_pct) for p in partials if p.t60_pct is not None]
        print(f"\npartials found within 25 cents: {len(found)} of {len(partials)} ({len(found) / len(partials):.1%})")
        print(f"median error: {statistics.median(off):.3f} cent; ", end="")
        print(f"T60 {statistics.median(longer):.2f} % of {len(longer)}" if longer else "no T60 listed")
        print(f"inside the 95 % interval: {share(p.freq_inside for p in partials):.1%}; ", end="")
        print(f"T60 {share(p.t60_inside for p in partials):.1%}")
    if hits:
        errors = [abs(e) for h in hits for e in h.errors_s]
        listed, false = sum(h.listed for h in hits), sum(len(h.false_s) for h in hits)
        in_sessions = sum(len(h.false_s) for h in hits if h.file.startswith("session"))
        print(f"strokes found within 20 ms: {len(errors)} of {listed}", end="")
        print(f", the worst off by {1e3 * max(errors):.1f} ms" if errors else "", end="")
        print(f"; taps beside them: {false}, in sessions {in_sessions}")
    if pairs:
        count = {v: sum(p.verdict == v for p in pairs) for v in ("two", "flagged", "one", "missed")}
        print("close pairs read as " + ", ".join(f"{verdict}: {n}" for verdict, n in count.items()))
        alone = lone(partials)
        print(f"partials without a pair that are flagged like one: {sum(map(may_be_two, alone))} of {len(alone)}")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.recordings", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("files", nargs="*", metavar="FILE", help="beginnings of file names; all by default")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="processes that measure")
    asked = parser.parse_args()
    if not (FOLDER / "truth.csv").exists():
        parser.error(f"there are no recordings in {FOLDER}")
    names = dict.fromkeys([r["file"] for r in rows_of("truth.csv")] + [r["file"] for r in rows_of("hits.csv")])
    names = [n for n in names if not asked.files or n.startswith(tuple(asked.files))]
    start_s = time.perf_counter()
    readings = read_all(names, jobs=asked.jobs)
    spent_s = time.perf_counter() - start_s
    partials, hits, pairs = partials_of(readings), hits_of(readings), pairs_of(readings)
    print_partials(partials)
    if pairs:
        print(f"\n{'file':28}{'pair at Hz':>11}{'apart Hz':>10}{'level dB':>10}  read as")
    for p in pairs:
        print(f"{p.file:28}{p.freq_hz:11.2f}{p.separation_hz:10.2f}{p.level_db:10.0f}  {p.verdict}")
    print_summary(partials, hits, pairs)
    print(f"{len(readings)} files measured in {spent_s:.0f} s")


if __name__ == "__main__":
    main()
