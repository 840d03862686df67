"""How well plucked strings are read: pitch, sustain, and the interval between the two strings of a course.

``python -m tests.benchmarks.strings [PLUCKS]``. Each pluck has its own pitch (70 to 700 Hz), T60 (1.5 to 5 s),
stiffness, pluck point, noise (50 to 75 dB down), body of eight modes and rate; strings of a course differ in level by
up to 6 dB and in T60 by up to a fifth, and every partial in phase. The stretch that rings lasts 3 to 5 s.

The rows are: courses, by the interval between their two strings; the same string or course plucked again while it
still rings, 1.6 to 2.5 s later; and one string that vibrates in two directions. Its second direction is 3 to 20 dB
fainter, rings 1.3 to 4 times as long, and differs in pitch by the same cents in all partials (0.3 to 3, ``alike``) or
by different cents in each (1.5 rms, ``each other``). There it is an error to read two strings.

The pitch is compared with the middle of a course, and T60 with the geometric mean of its two strings. For one string
that vibrates in two directions there is no single true value to compare with.
"""

from __future__ import annotations

import dataclasses
import math
import sys
import time
from dataclasses import dataclass

import numpy as np

from tapbatch.listen.judging import as_plucks
from tapbatch.listen.taps import find_taps
from tapbatch.measure.string_tone import measure_tone
from tapbatch.model.reading import Sound, StringTone
from tapbatch.simulate import taps as sim

_CENTS = 1200.0 / math.log(2.0)


@dataclass(frozen=True)
class Case:
    """A row: what is plucked."""

    name: str
    apart_cents: float = 0.0
    again: bool = False
    swings: str = ""


CASES = (
    *(Case(f"{cents:g} c apart" if cents else "one string", cents) for cents in (0.0, 1.0, 2.0, 3.0, 5.0, 8.0)),
    Case("one, plucked again", again=True),
    Case("5 c, plucked again", 5.0, again=True),
    Case("one, swings alike", swings="alike"),
    Case("one, swings each other", swings="each other"),
)


@dataclass(frozen=True)
class Pluck:
    """What was plucked, what was read (nothing if it was not heard), and what reading cost."""

    freq_hz: float
    t60_s: float
    tone: StringTone | None
    cost_s: float


def one_pluck(rng: np.random.Generator, case: Case) -> Pluck:
    """Pluck at random, and read it."""
    rate_hz, rings_s = int(rng.choice([16000, 44100])), float(rng.uniform(3.0, 5.0))
    freq_hz = math.exp(rng.uniform(math.log(70.0), math.log(700.0)))
    t60_s, stiffness = float(rng.uniform(1.5, 5.0)), 10.0 ** rng.uniform(-5.0, -3.3)
    point, shorter = float(rng.uniform(0.08, 0.25)), 1.0
    if case.apart_cents:
        fainter_db, shorter = float(rng.uniform(0, 6)), float(rng.uniform(0.8, 1.1))
        string = sim.course_modes(
            freq_hz, t60_s, case.apart_cents, fainter_db=fainter_db, shorter=shorter,
            inharmonicity=stiffness, pluck_point=point,
        )  # fmt: skip
    else:
        string = sim.string_modes(freq_hz, t60_s, inharmonicity=stiffness, pluck_point=point)
    if case.swings:
        string = (*string, *_second_direction(rng, string, case.swings))
    heard = [dataclasses.replace(m, phase_rad=m.phase_rad + rng.normal(0, 0.3)) for m in string]
    body = [
        sim.SimMode(float(hz), float(rng.uniform(0.15, 0.5)), float(rng.uniform(0.01, 0.1)), float(rng.uniform(0, 6)))
        for hz in np.exp(rng.uniform(math.log(90.0), math.log(900.0), 8))
    ]
    modes = tuple(m for m in (*heard, *body) if m.freq_hz < 0.45 * rate_hz)
    onsets_s = [1.0, 1.0 + float(rng.uniform(1.6, 2.5))] if case.again else [1.0]
    duration_s = onsets_s[-1] + rings_s
    noise = 10.0 ** rng.uniform(-4.5, -3.3) * rng.standard_normal(round(duration_s * rate_hz))
    strikes = [sim.Strike(onset_s=onset, modes=modes, contact_s=0.0005) for onset in onsets_s]
    samples, _ = sim.recording(strikes, duration_s=duration_s, sample_rate_hz=rate_hz, noise=noise)
    sound = Sound(samples=samples, sample_rate_hz=rate_hz)
    used = [t for t in as_plucks(find_taps(sound), sound.duration_s) if t.used and t.onset_s > onsets_s[-1] - 0.5]
    began = time.process_time()
    # If one pluck was heard as two, the reading of either counts, as it does in a shop.
    tone = next((tone for tap in used if (tone := measure_tone(sound, tap)) is not None), None)
    return Pluck(freq_hz, t60_s * math.sqrt(shorter), tone, time.process_time() - began)


def _second_direction(
    rng: np.random.Generator, string: tuple[sim.SimMode, ...], swings: str
) -> tuple[sim.SimMode, ...]:
    level, longer, cents = 10.0 ** (-rng.uniform(3, 20) / 20), rng.uniform(1.3, 4.0), rng.uniform(0.3, 3.0)
    return tuple(
        dataclasses.replace(
            m,
            freq_hz=m.freq_hz * math.exp((cents if swings == "alike" else rng.normal(0, 1.5)) / _CENTS),
            t60_s=m.t60_s * longer,
            amplitude=m.amplitude * level * (1.0 if swings == "alike" else 10.0 ** (rng.normal(0, 3) / 20)),
        )
        for m in string
    )


def row(case: Case, found: list[Pluck]) -> str:
    """Return a line of the table."""
    tones = [(p, p.tone) for p in found if p.tone is not None]
    pairs = [t for _, t in tones if t.pair_cents is not None]
    cells = [case.name, f"{len(found)}", f"{len(tones) / len(found):.0%}"]
    if case.swings:
        cells += [""] * 3
    else:
        off = np.array([_CENTS * math.log((t.middle_hz or t.freq_hz) / p.freq_hz) for p, t in tones])
        se = np.array([_CENTS * (t.middle_log_se or t.freq_log_se) for _, t in tones])
        cells += [_share(np.abs(off) <= 0.5), f"{np.median(np.abs(off)):.3f} c", _share(np.abs(off) <= 1.96 * se)]
    cells.append(f"{len(pairs) / len(found):.0%}")
    if case.apart_cents:
        off = np.array([(t.pair_cents or 0.0) - case.apart_cents for t in pairs])
        cells += [
            _share(np.abs(off) <= 0.5),
            _share(np.abs(off) <= 1.96 * np.array([t.pair_se_cents for t in pairs])),
        ]
    else:
        cells += [""] * 2
    decays = [(math.log(t.t60_s / p.t60_s), t.t60_log_se or 0.0) for p, t in tones if t.t60_s is not None]
    cells.append(f"{len(decays) / len(found):.0%}")
    if case.swings:
        cells += [""] * 2
    else:
        off, se = np.array(decays).T
        cells += [_share(np.abs(off) <= 0.05), _share(np.abs(off) <= 1.96 * se)]
    return "| " + " | ".join(cells) + " |"


def _share(holds: np.ndarray) -> str:
    return f"{np.mean(holds):.0%}" if len(holds) else ""


def main(plucks: int) -> None:
    """Print the table, and the processor time per pluck."""
    rng = np.random.default_rng(2031)
    print(
        "| | plucks | read | pitch within 0.5 c | median off | 95 % holds | two seen | pair within 0.5 c "
        "| 95 % holds | T60 read | T60 within 5 % | 95 % holds |"
    )
    print("| --- " * 12 + "|")
    cost_s = []
    for case in CASES:
        found = [one_pluck(rng, case) for _ in range(plucks)]
        cost_s += [p.cost_s for p in found if p.tone is not None]
        print(row(case, found), flush=True)
    print(f"\n{1000 * np.mean(cost_s):.0f} ms of processor time per pluck")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 60)
