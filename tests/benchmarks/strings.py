"""How well plucked strings are read: pitch, and the distance of the two strings of a course, over random plucks.

``python -m tests.benchmarks.strings [PLUCKS]``. Each pluck has its own pitch (70 to 700 Hz), T60 (1.5 to 5 s),
stiffness, pluck point, noise (50 to 75 dB down), body of eight modes and rate; strings of a course differ in level by
up to 6 dB and in T60 by up to a fifth, and every partial in phase. The stretch that rings lasts 3 to 5 s.
"""

from __future__ import annotations

import dataclasses
import math
import sys
from collections import defaultdict

import numpy as np

from tapbatch import simulate as sim
from tapbatch.listen.judging import as_plucks
from tapbatch.listen.taps import find_taps
from tapbatch.measure.string_tone import measure_tone
from tapbatch.values import Sound, StringTone

APART_CENTS = (0.0, 1.0, 2.0, 3.0, 5.0, 8.0)


def one_pluck(rng: np.random.Generator, apart_cents: float) -> tuple[float, StringTone | None]:
    """Return the true pitch of a random pluck and what was read of it; nothing where it was not heard as one."""
    rate_hz, rings_s = int(rng.choice([16000, 44100])), float(rng.uniform(3.0, 5.0))
    freq_hz = math.exp(rng.uniform(math.log(70.0), math.log(700.0)))
    t60_s, stiffness = float(rng.uniform(1.5, 5.0)), 10.0 ** rng.uniform(-5.0, -3.3)
    point = float(rng.uniform(0.08, 0.25))
    if apart_cents:
        string = sim.course_modes(
            freq_hz, t60_s, apart_cents, fainter_db=float(rng.uniform(0, 6)), shorter=float(rng.uniform(0.8, 1.1)),
            inharmonicity=stiffness, pluck_point=point,
        )  # fmt: skip
    else:
        string = sim.string_modes(freq_hz, t60_s, inharmonicity=stiffness, pluck_point=point)
    heard = [dataclasses.replace(m, phase_rad=m.phase_rad + rng.normal(0, 0.3)) for m in string]
    body = [
        sim.SimMode(float(hz), float(rng.uniform(0.15, 0.5)), float(rng.uniform(0.01, 0.1)), float(rng.uniform(0, 6)))
        for hz in np.exp(rng.uniform(math.log(90.0), math.log(900.0), 8))
    ]
    modes = tuple(m for m in (*heard, *body) if m.freq_hz < 0.45 * rate_hz)
    count = round((1.0 + rings_s) * rate_hz)
    noise = 10.0 ** rng.uniform(-4.5, -3.3) * rng.standard_normal(count)
    strike = sim.Strike(onset_s=1.0, modes=modes, contact_s=0.0005)
    samples, _ = sim.recording([strike], duration_s=1.0 + rings_s, sample_rate_hz=rate_hz, noise=noise)
    sound = Sound(samples=samples, sample_rate_hz=rate_hz)
    used = [t for t in as_plucks(find_taps(sound), sound.duration_s) if t.used]
    return freq_hz, measure_tone(sound, used[0]) if used else None


def main(plucks: int) -> None:
    """Print the table."""
    rng = np.random.default_rng(2031)
    rows: dict[float, list[tuple[float, float, float, float]]] = defaultdict(list)
    for apart in APART_CENTS:
        for _ in range(plucks):
            freq_hz, tone = one_pluck(rng, apart)
            if tone is None:
                rows[apart].append((math.nan,) * 4)
                continue
            pitch, se = tone.middle_hz or tone.freq_hz, tone.middle_log_se or tone.freq_log_se
            off = 1200.0 * math.log2(pitch / freq_hz)
            pair = math.nan if tone.pair_cents is None else tone.pair_cents - apart
            rows[apart].append((off, se * 1200.0 / math.log(2.0), pair, tone.pair_se_cents or math.nan))
    print(
        "| apart, c | plucks | read | pitch within 0.5 c | median off | 95 % holds | two seen | pair within 0.5 c |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for apart, found in rows.items():
        off, se, pair, _ = np.array(found).T
        read, seen = np.isfinite(off), np.isfinite(pair)
        close = f"{np.mean(np.abs(pair[seen]) <= 0.5):.0%}" if seen.any() else ""
        print(
            f"| {apart:g} | {len(found)} | {read.mean():.0%} | {np.mean(np.abs(off[read]) <= 0.5):.0%} "
            f"| {np.median(np.abs(off[read])):.3f} c | {np.mean(np.abs(off[read]) <= 1.96 * se[read]):.0%} "
            f"| {seen.mean():.0%} | {close} |"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 60)
