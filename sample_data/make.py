"""Make the recordings of the sample shop, and the tables of the true values.

    python sample_data/make.py [FOLDER]

Everything is invented: ``story.py`` has the instruments, their resonances and the work done on them. The same seed
gives the same samples, and the same bytes too, except that another version of the FLAC encoder may pack its files
otherwise. Each recording has its own random generator, seeded with its path, so adding a recording changes no
other. The board is one of ``tapbatch/simulate/boards.py``.
"""

from __future__ import annotations

import csv
import math
import sys
import wave
import zlib
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from story import AIMED, BOARD, BODY, COVERED, PARTS, TAKES, K, Part, Planed, Take

from tapbatch.simulate import boards
from tapbatch.simulate import taps as sim
from tapbatch.wood.board import Board

SEED = 431
PEAK_DBFS = -14.0
NOISE_RMS = 10 ** (-62 / 20)
HUM = tuple(10 ** (-76 / 20) * a for a in (1.0, 0.3, 0.6, 0.1, 0.25))
STEADY_CENTS = 1.0

RINGING_HZ = {"D4": 293.665, "A4": 440.0}
RINGING_T60_S = 3.0
RINGING_AMPLITUDE = 0.03
RINGING_PARTIALS = 3
RINGING_INHARMONICITY = 1e-4

PLUCKED = f"{K}_11-settled_strung_pluck.wav"
STRINGS = (
    ("D4", 293.665, 2.1),
    ("E4", 329.628, -3.4),
    ("F#4", 369.994, 0.8),
    ("G4", 391.995, 5.2),
    ("A4", 440.0, -1),
)
"""Open strings: note, its frequency at A4 = 440 Hz in equal temperament, and the tuning error in cents."""
PLUCK_S = 1.4
PLUCKED_T60_S = 2.4
INHARMONICITY = 2e-4


# ------------------------------------------------------------- the truth


def modes_at(part: Part, stage: str) -> dict[str, sim.SimMode]:
    """Return the modes present at a stage, by name, with the levels of the table."""
    present: dict[str, sim.SimMode] = {}
    for name, level_db, pitch, sustain in part.modes:
        mode: sim.SimMode | None = None
        for at in range(part.stages.index(stage) + 1):
            step, longer = pitch[at], sustain[at]
            if step is None or longer is None:
                mode = None
            elif mode is None:
                mode = sim.SimMode(step, longer, 10 ** (level_db / 20))
            else:
                mode = sim.moved(mode, cents=step, t60_pct=longer)
        if mode is not None:
            present[name] = mode
    return present


def planed(board: Planed, stage: str) -> Board:
    """Return the sizes and the mass of the board at a stage."""
    thickness_mm = board.thickness_mm[board.stages.index(stage)]
    mass_g = board.length_mm * board.width_mm * thickness_mm * board.density_kg_m3 / 1e6
    return Board(
        length_mm=board.length_mm, width_mm=board.width_mm, thickness_mm=thickness_mm, mass_g=round(mass_g, 1)
    )


@cache
def board_modes(board: Planed, stage: str) -> tuple[boards.TrueMode, ...]:
    """Return the modes of the board, a little uneven, at a stage."""
    uneven = boards.Unevenness.drawn(generator(board.instrument), 0.008, 0.015, 0.01)
    return boards.board_modes(planed(board, stage), board.wood, board.losses, uneven)


def wood_rows() -> Iterator[list[Any]]:
    for stage in BOARD.stages:
        size, wood = planed(BOARD, stage), BOARD.wood
        sizes = [size.length_mm, size.width_mm, size.thickness_mm, size.mass_g]
        yield [BOARD.instrument, stage, *sizes, wood.e_along_gpa, wood.e_across_gpa, wood.g_gpa, *BOARD.losses]


def mode_rows(parts: Iterable[Part] = PARTS) -> Iterator[list[str]]:
    for part in parts:
        for stage in part.stages:
            for name, mode in modes_at(part, stage).items():
                yield [part.instrument, part.name, stage, name, f"{mode.freq_hz:.4f}", f"{mode.t60_s:.5f}"]


def drift_rows() -> Iterator[list[str]]:
    for part in PARTS:
        for before, after in zip(part.stages, part.stages[1:], strict=False):
            was, now = modes_at(part, before), modes_at(part, after)
            for name in (m[0] for m in part.modes if m[0] in was or m[0] in now):
                place = [part.instrument, part.name, name, before, after]
                if name not in was or name not in now:
                    yield [*place, "", "", "new" if name in now else "gone"]
                    continue
                cents = 1200 * math.log2(now[name].freq_hz / was[name].freq_hz)
                longer_pct = 100 * (now[name].t60_s / was[name].t60_s - 1)
                verdict = "steady" if abs(cents) < STEADY_CENTS else "up" if cents > 0 else "down"
                yield [*place, f"{cents + 0.0:.2f}", f"{longer_pct + 0.0:.2f}", verdict]


# ------------------------------------------------------------- the sound


def generator(*key: str) -> np.random.Generator:
    return np.random.default_rng([SEED, *(zlib.crc32(k.encode()) for k in key)])


def seen_from(part: Part, point: str, modes: dict[str, sim.SimMode]) -> tuple[sim.SimMode, ...]:
    """Return the modes as excited at a point of the part; level and phase depend on the point, not the recording."""
    loudest = 10 ** (PEAK_DBFS / 20) / 1.8
    heard = []
    for name, mode in modes.items():
        rng = generator(part.instrument, part.name, point, name)
        amplitude = mode.amplitude * loudest * 10 ** (rng.uniform(-5, 3) / 20)
        heard.append(sim.SimMode(mode.freq_hz, mode.t60_s, amplitude, rng.uniform(-math.pi, math.pi)))
    return tuple(heard)


def seen_by(take: Take) -> tuple[sim.SimMode, ...]:
    """Return the modes as a recording shows them, in the set-up of that recording."""
    if isinstance(take.part, Planed):
        at, held = AIMED[take.point]
        return boards.struck_board(board_modes(take.part, take.stage), at, held, 10 ** (PEAK_DBFS / 20) / 3)
    return seen_from(take.part, take.point, modes_at(take.part, take.stage))


def floor_of(count: int, rate_hz: int, rng: np.random.Generator) -> np.ndarray:
    hum = sim.mains_hum(count, rng, sample_rate_hz=rate_hz, mains_hz=50 * rng.uniform(0.9995, 1.0005), amplitudes=HUM)
    return hum + sim.pink_noise(count, rng, sample_rate_hz=rate_hz, rms=NOISE_RMS)


def tapped(take: Take) -> tuple[np.ndarray, tuple[sim.TrueEvent, ...]]:
    """Return the samples of a recording, and its true events."""
    rng, rate_hz = generator(take.path), take.rate_hz
    modes = sim.scattered(
        seen_by(take), rng, cents=take.set_up_cents, t60_pct=take.set_up_t60_pct, level_db=0, mode_level_db=0
    )
    # The spectrum of a half-sine of length T is zero at 1.5/T; a longer contact would not excite the highest modes.
    contact_s = float(rng.uniform(0.00105, 0.0014))
    strings = [m for name in take.ringing for m in ringing_string(name)]
    strikes: list[sim.Strike] = []
    others: list[sim.Disturbance] = []
    at_s = 0.75 + 0.9 * take.talk
    if take.talk:
        talk = sim.speech(rng, sample_rate_hz=rate_hz, duration_s=0.7, peak=0.03)
        others.append(sim.Disturbance(onset_s=0.15, samples=talk, what="speech"))
    if take.rumble:
        rumble = sim.handling(round(0.3 * rate_hz), rng, sample_rate_hz=rate_hz, peak=0.02)
        others.append(sim.Disturbance(onset_s=0.0, samples=rumble, what="handling"))
    for number in range(1, take.taps + 1):
        onset_s = round(at_s + float(rng.uniform(-0.04, 0.04)), 6)
        struck = (*sim.scattered(modes, rng), *strings)
        contact = contact_s * float(rng.uniform(0.95, 1.05))
        strikes.append(sim.Strike(onset_s=onset_s, modes=struck, contact_s=contact))
        if number in take.bounce:
            weaker = tuple(sim.moved(m, level_db=-16) for m in struck)
            later_s = onset_s + take.bounce[number]
            strikes.append(sim.Strike(onset_s=later_s, modes=weaker, contact_s=contact, what="bounce"))
        if number in take.knock:
            thud = sim.knock(rng, sample_rate_hz=rate_hz, peak=0.04)
            others.append(sim.Disturbance(onset_s=onset_s + take.knock[number], samples=thud, what="knock"))
        at_s += 2.3 if isinstance(take.part, Planed) else 0.92
    duration_s = at_s + (0.05 if take.taps else 1.25)
    noise = floor_of(round(duration_s * rate_hz), rate_hz, rng)
    return sim.recording(strikes, duration_s=duration_s, sample_rate_hz=rate_hz, disturbances=others, noise=noise)


def ringing_string(name: str) -> list[sim.SimMode]:
    """Return the partials of an open string that was left undamped and rings with the tap."""
    return list(
        sim.string_modes(
            RINGING_HZ[name],
            RINGING_T60_S,
            amplitude=RINGING_AMPLITUDE,
            partials=RINGING_PARTIALS,
            inharmonicity=RINGING_INHARMONICITY,
        )
    )


def plucked(rate_hz: int = 16000) -> tuple[np.ndarray, tuple[sim.TrueEvent, ...]]:
    """Return a recording of open strings plucked one by one, each damped before the next, and its true events."""
    rng = generator(PLUCKED)
    body = seen_from(BODY, "centre", modes_at(BODY, "11-settled"))
    sounds = []
    for number, (_, note_hz, cents) in enumerate(STRINGS):
        string = sim.string_modes(
            note_hz * 2 ** (cents / 1200), PLUCKED_T60_S, amplitude=0.08, inharmonicity=INHARMONICITY
        )
        struck = tuple(sim.moved(m, level_db=-24) for m in body)
        heard = sim.tap((*string, *struck), duration_s=PLUCK_S, sample_rate_hz=rate_hz, contact_s=0.0006).samples
        left_s = PLUCK_S - np.arange(len(heard)) / rate_hz
        heard *= np.sin(np.pi / 2 * np.clip(left_s / 0.06, 0, 1)) ** 2
        onset_s = round(0.6 + number * PLUCK_S, 6)
        sounds.append(sim.Disturbance(onset_s=onset_s, samples=heard, what="pluck"))
    duration_s = 0.9 + len(STRINGS) * PLUCK_S
    noise = floor_of(round(duration_s * rate_hz), rate_hz, rng)
    return sim.recording([], duration_s=duration_s, sample_rate_hz=rate_hz, disturbances=sounds, noise=noise)


# ------------------------------------------------------------- the files


def write_sound(path: Path, samples: np.ndarray, rate_hz: int, made_at: str = "") -> None:
    """Write 16-bit mono, as FLAC or WAV by the ending of the path; only FLAC states when it was made."""
    path.parent.mkdir(parents=True, exist_ok=True)
    steps = np.clip(np.rint(samples * 32768), -32768, 32767).astype("<i2")
    if path.suffix == ".flac":
        with soundfile.SoundFile(path, "w", rate_hz, 1, "PCM_16", format="FLAC") as flac:
            flac.date = made_at
            flac.write(steps)
        return
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(rate_hz)
        out.writeframes(steps.tobytes())


def write_table(path: Path, header: str, rows: Iterable[list[Any]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(header.split())
        writer.writerows(rows)


def make(folder: Path) -> None:
    """Write ``recordings/`` and the tables of true values into ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    events: list[list[str]] = []
    sounds = [(t.path, tapped(t), t.rate_hz, t.made_at) for t in TAKES] + [(PLUCKED, plucked(), 16000, "")]
    for path, (samples, truth), rate_hz, made_at in sounds:
        write_sound(folder / "recordings" / path, samples, rate_hz, made_at)
        events += [[path, f"{e.onset_s:.6f}", str(e.is_tap).lower(), e.what] for e in truth]
    unread = {t.path for t in TAKES if t.misnamed}
    events = [row for row in events if row[0] not in unread]
    write_table(folder / "truth_taps.csv", "recording onset_s is_tap what", sorted(events))
    write_table(folder / "truth_modes.csv", "instrument part stage mode freq_hz t60_s", mode_rows())
    write_table(folder / "truth_covered.csv", "instrument part stage mode freq_hz t60_s", mode_rows((COVERED,)))
    write_table(
        folder / "truth_drift.csv",
        "instrument part mode from_stage to_stage freq_change_cents t60_change_pct verdict",
        drift_rows(),
    )
    write_table(
        folder / "truth_wood.csv",
        "instrument stage length_mm width_mm thickness_mm mass_g e_along_gpa e_across_gpa g_gpa"
        " loss_along loss_across loss_twist",
        wood_rows(),
    )
    write_table(
        folder / "truth_strings.csv",
        "recording string expected_note freq_hz inharmonicity t60_s",
        [
            [PLUCKED, n, note, f"{hz * 2 ** (cents / 1200):.4f}", f"{INHARMONICITY:.6f}", f"{PLUCKED_T60_S:.1f}"]
            for n, (note, hz, cents) in enumerate(STRINGS, start=1)
        ]
        + [
            [t.path, n, note, f"{RINGING_HZ[note]:.4f}", f"{RINGING_INHARMONICITY:.6f}", f"{RINGING_T60_S:.1f}"]
            for t in TAKES
            for n, note in enumerate(t.ringing, start=1)
        ],
    )


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
