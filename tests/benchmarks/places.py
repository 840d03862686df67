"""How often two recordings are taken to be of the same place in a room, in the second simulator's rooms.

    python -m tests.benchmarks.places [--trials N] [--write]

Conventions: each trial is a plate and a room of :mod:`tests.bench_simulator`, with the phone at 30, 10 and 5 cm. Two
recordings of five taps are compared; *carried* means that instrument and phone stood a metre or more away, *moved*
that both, or the phone alone, were moved in a direction drawn at random. *Cut* means that three modes in ten moved by
20 cents. An interval of 95 % for the difference of two readings of an unmoved mode counts their taps and the room as
a comparison does; decay times are given 3 % for the hand.
"""

from __future__ import annotations

import argparse
import math
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import fmean

import numpy as np
from scipy import stats

from tapbatch.compare.same_room import SAME_FREQ, SAME_FROM, SAME_T60, same_share
from tapbatch.compare.spots import room_of_freq, room_of_t60
from tapbatch.measure.kept_taps import KeptTaps
from tapbatch.measure.recording import measure_recording
from tapbatch.measure.resemblance import left_of, resemblance
from tapbatch.model.reading import BandSettings, Reading
from tests.bench_simulator import phones, rooms, scenes
from tests.bench_simulator.recipes import RECIPES
from tests.bench_simulator.world import Plate, PlateMode, Room, Spot, draw_room, stream
from tests.benchmarks import tables

RESULTS = Path(__file__).with_name("PLACES.md")
SCENES = {"30 cm": "still-30", "10 cm": "still-10", "5 cm": "still-5"}
CUT_CENTS = 20.0
HAND_T60 = 0.03
_LEAST_TAPS = 3


@dataclass(frozen=True)
class Heard:
    """A recording: what was played, what was read, and what is kept of its taps."""

    plate: Plate
    reading: Reading
    kept: KeptTaps


@dataclass(frozen=True)
class Pair:
    """Two recordings: how alike they are, and for each unmoved mode the differences over their intervals."""

    alike: float
    freq_off: tuple[float, ...]
    t60_off: tuple[float, ...]


def main() -> None:
    """Print the table, and write it if asked to."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--trials", type=int, default=24)
    parser.add_argument("--first", type=int, default=0, help="the number of the first trial")
    parser.add_argument("--write", action="store_true", help=f"write the table to {RESULTS.name}")
    asked = parser.parse_args()
    found: dict[tuple[str, str], list[Pair]] = {}
    for trial in range(asked.first, asked.first + asked.trials):
        for key, pair in pairs(trial):
            found.setdefault(key, []).append(pair)
    text = "\n".join(_lines(found, asked.first, asked.trials)) + "\n"
    print(text)
    if asked.write:
        RESULTS.write_text(text, encoding="utf-8")


def pairs(trial: int, only: tuple[str, ...] = tuple(SCENES)) -> Iterator[tuple[tuple[str, str], Pair]]:
    """Yield, by situation and distance, how the recordings of a trial compare."""
    rng = stream("places", trial)
    plate, room = scenes._plate(RECIPES["still-10"], trial), draw_room(stream("room", trial))
    bent = Plate(modes=tuple(replace(m, more_damping=0.3) for m in plate.modes))
    cut = _cut(plate, rng)
    for distance in only:
        recipe = RECIPES[SCENES[distance]]
        at = scenes.DISTANCES_M.index(recipe.distance_m)
        places = scenes._places(replace(recipe, spots=2), trial, scenes.DISTANCES_M)
        here, there = (rooms.responses(room, place)[at] for place in places)
        spot = places[0][at]
        near, far = (rooms.responses(room, (_moved(room, spot, m, rng),))[0] for m in (0.02, 0.3))
        phone = rooms.responses(room, (_moved(room, spot, 0.1, rng, phone_only=True),))[0]
        played = {
            "once more": (plate, here), "cut": (cut, here), "moved by 2 cm": (plate, near),
            "phone moved by 10 cm": (plate, phone), "moved by 30 cm": (plate, far), "carried": (plate, there),
            "carried and cut": (cut, there),
        }  # fmt: skip
        first = _heard(recipe, plate, here, (trial, distance, "first"))
        both = {name: (first, _heard(recipe, p, r, (trial, distance, name))) for name, (p, r) in played.items()}
        damped = [_heard(recipe, bent, r, (trial, distance, n)) for n, r in (("bent", here), ("bent, away", there))]
        both["carried, damping 30 % higher at the beginning"] = (damped[0], damped[1])
        for name, (one, other) in both.items():
            yield (name, distance), _pair(one, other)


def _cut(plate: Plate, rng: np.random.Generator) -> Plate:
    count = len(plate.modes)
    cents = np.zeros(count)
    chosen = rng.choice(count, max(1, round(0.3 * count)), replace=False)
    cents[chosen] = CUT_CENTS * rng.choice([-1.0, 1.0], len(chosen))
    moved = zip(plate.modes, cents, strict=True)
    return Plate(modes=tuple(replace(m, freq_hz=m.freq_hz * 2.0 ** (float(c) / 1200.0)) for m, c in moved))


def _moved(room: Room, spot: Spot, by_m: float, rng: np.random.Generator, *, phone_only: bool = False) -> Spot:
    while True:
        step = rng.normal(size=3)
        step *= by_m / np.linalg.norm(step)
        phone = np.array(spot.phone_m) + step
        source = np.array(spot.source_m) + (0.0 if phone_only else 1.0) * step
        far = all(np.all((p > 0.15) & (p < np.array(room.size_m) - 0.15)) for p in (phone, source))
        if far and (not phone_only or np.linalg.norm(phone - source) > 0.03):
            return Spot(source_m=tuple(map(float, source)), phone_m=tuple(map(float, phone)))  # type: ignore[arg-type]


def _heard(recipe: object, plate: Plate, response: rooms.Response, seed: tuple[int, str, str]) -> Heard:
    take, _ = scenes._take(recipe, plate, (response,), 0, stream("places", *seed))  # type: ignore[arg-type]
    kept: list[KeptTaps] = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "take.wav"
        phones.write_wav(path, take.samples, take.sample_rate_hz, stream("dither", *seed))
        reading = measure_recording(path, "0" * 64, BandSettings(), kept.append)
    return Heard(plate, reading, kept[0] if kept else KeptTaps(take.sample_rate_hz, 50.0, 1500.0))


def _pair(one: Heard, other: Heard) -> Pair:
    alike = resemblance(left_of([one.kept]), left_of([other.kept]))
    same = alike is not None and alike >= SAME_FROM
    freq_off, t60_off = [], []
    for a, b in zip(one.plate.modes, other.plate.modes, strict=True):
        reads = [_read(h.reading, m) for h, m in ((one, a), (other, b))]
        if a.freq_hz != b.freq_hz or None in reads:
            continue
        (f1, v1, t1), (f2, v2, t2) = (r for r in reads if r is not None)
        left = 1.0 - (same_share(np.array([a.freq_hz * abs(f2 - f1)]))[0] if same else 0.0) * np.array(
            [SAME_FREQ, SAME_T60]
        )
        rooms_f = sum(room_of_freq(a.freq_hz, a.t60_s, h.reading.direct_db) ** 2 for h in (one, other))
        rooms_t = sum(room_of_t60(h.reading.direct_db) ** 2 for h in (one, other))
        reach = float(stats.t.ppf(0.975, 8))
        freq_off.append(abs(f2 - f1) / (reach * math.sqrt(v1 + v2 + left[0] * rooms_f)))
        t60_off.append(abs(t2 - t1) / (reach * math.sqrt(2 * HAND_T60**2 / 5 + left[1] * rooms_t)))
    return Pair(math.nan if alike is None else alike, tuple(freq_off), tuple(t60_off))


def _read(reading: Reading, mode: PlateMode) -> tuple[float, float, float] | None:
    """Return the mean error of ``ln f`` over the taps, the variance of the mean, and the mean of ``ln T60``."""
    reach_hz = max(mode.width_hz, mode.freq_hz * (2.0 ** (25.0 / 1200.0) - 1.0))
    logs, rings = [], []
    for tap in reading.used_taps:
        near = [
            m
            for m in tap.modes
            if m.resolved and abs(m.freq_hz - mode.freq_hz) < reach_hz and 1 / 3 < m.t60_s / mode.t60_s < 3
        ]
        if near:
            best = min(near, key=lambda m: abs(m.freq_hz - mode.freq_hz))
            logs.append(math.log(best.freq_hz / mode.freq_hz))
            rings.append(math.log(best.t60_s))
    if len(logs) < _LEAST_TAPS:
        return None
    return fmean(logs), float(np.var(logs, ddof=1)) / len(logs), fmean(rings)


def _lines(found: dict[tuple[str, str], list[Pair]], first: int, trials: int) -> Iterator[str]:
    yield f"# The same place or another\n\n{tables.machine()} Trials {first} to {first + trials - 1}.\n"
    yield f"Two recordings are taken to be of the same place if their resemblance is {SAME_FROM} or more.\n"
    yield "| the second recording | distance | pairs | called the same | resemblance, 5, 50, 95 % | f held, % | T60 |"
    yield "| --- | --- | --- | --- | --- | --- | --- |"
    for (name, distance), every in sorted(found.items(), key=lambda item: item[0][0]):
        alike = np.array([p.alike for p in every])
        spread = ", ".join(f"{v:.2f}" for v in np.nanpercentile(alike, [5, 50, 95]))
        held = ([off <= 1.0 for p in every for off in p.freq_off], [off <= 1.0 for p in every for off in p.t60_off])
        said = " | ".join(f"{100 * fmean(h):.0f}" if h else "" for h in held)
        same = int(np.sum(alike >= SAME_FROM))
        yield f"| {name} | {distance} | {len(every)} | {same} | {spread} | {said} |"


if __name__ == "__main__":
    main()
