"""Make the recordings of the sample shop, and the tables of the true values.

    python sample_data/make.py [FOLDER]

Everything is invented: the three instruments, their resonances, the work done on them, and the noise of the workshop.
The same seed gives the same samples, and the same bytes too, except that another version of the FLAC encoder may pack
its files otherwise. Each recording has its own random generator, seeded with its path, so adding a recording changes
no other. Plates held by the fingers ring for 0.15 to 0.5 s between 80 and 900 Hz. The air resonance of a box depends
on the area of its opening as f ~ area^(1/4), as for a round hole in a thin plate, whose effective neck length is
proportional to its radius.
"""

from __future__ import annotations

import csv
import math
import sys
import wave
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from tapbatch.simulate import taps as sim

SEED = 431
PEAK_DBFS = -14.0
NOISE_RMS = 10 ** (-62 / 20)
HUM = tuple(10 ** (-76 / 20) * a for a in (1.0, 0.3, 0.6, 0.1, 0.25))
STEADY_CENTS = 1.0

Moves = tuple[float | None, ...]


@dataclass(frozen=True)
class Part:
    """A vibrating part, and its true modes through its stages.

    Each mode has a name, a level in dB, a frequency series and a T60 series with one value a stage. The frequency is
    in Hz at the first stage of the mode and then in cents of change from stage to stage. The T60 is in seconds at the
    first stage and then in per cent of change. ``None`` means that the mode is absent.
    """

    instrument: str
    name: str
    stages: tuple[str, ...]
    modes: tuple[tuple[str, float, Moves, Moves], ...]


@dataclass(frozen=True)
class Take:
    """A recording: its path, what it shows, and what went wrong during it (times in seconds after a tap).

    ``ringing`` names the undamped strings that ring with each tap, and ``made_at`` is the time that the file itself
    states, in local time.
    """

    path: str
    part: Part
    stage: str
    point: str
    rate_hz: int = 16000
    taps: int = 5
    bounce: dict[int, float] = field(default_factory=dict)
    knock: dict[int, float] = field(default_factory=dict)
    ringing: tuple[str, ...] = ()
    made_at: str = ""
    misnamed: bool = False
    talk: bool = False
    rumble: bool = False
    set_up_cents: float = 0.0
    set_up_t60_pct: float = 0.0


TOP = Part(
    "kantele-03",
    "top",
    ("01-top-joined", "02-top-thinned", "05-bars-fitted", "06-bars-carved"),
    (
        ("twist", -8, (112.0, -42, 31, -18), (0.46, 3, -9, 5)),
        ("bend", -3, (178.0, -55, 48, -25), (0.38, 4, -7, 3)),
        ("ring", 0, (284.0, -38, 22, -12), (0.41, 5, -10, 4)),
        # These two cross when the bars are fitted; their T60 tells them apart.
        ("cup", -4, (402.9, -30, 36, -9), (0.18, 2, -5, 3)),
        ("wave", -13, (411.4, -40, -10, -6), (0.40, 3, 2, -3)),
        # This mode depends on a glued edge that was not planed, so it does not move.
        ("edge", -10, (557.0, 0, 0, 0), (0.24, 2, -4, 1)),
        ("slope", -12, (634.0, -47, 15, -9), (0.22, 3, -6, 2)),
        # The end of a bar that was not glued down yet; the mode is gone once the bars are carved.
        ("bar-end", -15, (None, None, 727.0, None), (None, None, 0.19, None)),
        ("fine", -15, (846.0, -33, 27, -20), (0.17, 4, -8, 3)),
    ),
)
BACK = Part(
    "kantele-03",
    "back",
    ("03-back-joined", "04-back-thinned"),
    (
        ("twist", -6, (96.0, -48), (0.47, 4)),
        ("bend", 0, (163.0, -57), (0.39, 5)),
        ("ring", -2, (247.0, -35), (0.36, 3)),
        ("cup", -9, (331.0, -29), (0.27, 6)),
        ("wave", -8, (468.0, -41), (0.23, 2)),
        ("edge", -12, (590.0, 0), (0.19, 0)),
    ),
)
BODY = Part(
    "kantele-03",
    "body",
    (
        "07-box-closed",
        *(f"08-opening step {n}" for n in range(1, 6)),
        "09-varnished",
        "10-strung",
        "11-settled",
    ),
    (
        ("air", 0, (176.0, 38, 41, 44, 40, 36, 0, -9, 0), (0.25, -2, -2, -3, -2, -2, -9, -6, 1)),
        ("main", -2, (262.0, 0, 0, 0, 0, 0, 0, 14, -7), (0.31, 1, -1, 0, 1, 0, -14, -12, 4)),
        ("side", -8, (331.0, -6, -7, -5, -6, -8, 0, 21, -9), (0.27, -1, 0, 1, -1, 0, -11, -9, 3)),
        ("floor", -6, (389.0, 0, 0, 0, 0, 0, 0, -12, 0), (0.34, 0, 0, 0, 0, 0, -8, -5, 0)),
        ("bow", -9, (455.0, 5, 6, 5, 7, 5, 0, 33, -11), (0.42, 0, 1, -1, 0, 0, -17, -15, 5)),
        ("hole", -7, (548.0, -9, -11, -10, -12, -8, 0, 10, -5), (0.24, -3, -3, -2, -4, -3, -12, -8, 2)),
        ("upper", -11, (671.0, 0, 0, 0, 0, 0, 0, 18, -6), (0.21, 0, 0, 0, 0, 0, -20, -7, 3)),
        ("fine", -14, (823.0, -5, -6, -6, -5, -7, 0, 12, 0), (0.17, 0, 0, 1, 0, 0, -22, -6, 2)),
    ),
)
PSALTERY = Part(
    "psaltery-11",
    "body",
    ("01-box-closed", "02-hole-cut"),
    (
        ("air", 0, (243.0, 58), (0.22, -8)),
        ("main", -3, (356.0, -11), (0.29, 3)),
        ("side", -7, (471.0, 0), (0.25, 0)),
        ("floor", -9, (612.0, -17), (0.20, -2)),
        ("fine", -12, (884.0, -8), (0.16, 4)),
    ),
)
CITTERN = Part(
    "cittern-12",
    "body",
    ("05-closed", *(f"06-voicing step {n}" for n in range(1, 7))),
    (
        # The area of the hole in notes.csv goes with the fourth power of this frequency.
        ("air", -3, (201.5, 22, 21, 24, 20, 23, 22), (0.29, -2, -1, -2, -2, -1, -2)),
        ("top", 0, (318.0, 0, 0, 0, 0, 0, 0), (0.33, 0, 1, 0, -1, 0, 0)),
        ("back", -6, (397.0, 0, 0, 0, 0, 0, 0), (0.28, 0, 0, 0, 0, 0, 0)),
        ("hole", -8, (489.0, -7, -6, -8, -7, -6, -7), (0.25, -2, -1, -2, -2, -1, -2)),
        ("bow", -7, (541.0, 0, 0, 0, 0, 0, 0), (0.31, 0, 0, 0, 0, 0, 0)),
        ("fine", -11, (706.0, 0, 0, 0, 0, 0, 0), (0.20, 0, 0, 0, 0, 0, 0)),
    ),
)
PARTS = (TOP, BACK, BODY, PSALTERY, CITTERN)

K = "kantele-03"
# Copied from the inbox to their places under the names that the phone gave them.
C, VOICING = "cittern-12", "cittern-12/06-voicing/closed"
CLOCK = ("09:21:44", "09:38:02", "09:55:37", "10:14:20", "10:31:09", "10:52:51")
TAKES = (
    Take(f"{K}_01-top-joined_top_free_at-centre_1.wav", TOP, "01-top-joined", "centre", knock={2: 0.58}),
    Take(f"{K}_02-top-thinned_top_free_at-centre_1.wav", TOP, "02-top-thinned", "centre"),
    Take(f"{K}_02-top-thinned_top_free_at-corner_1.wav", TOP, "02-top-thinned", "corner", bounce={3: 0.09}),
    # A deliberate typing error in the name, which is reported in attention.csv.
    Take(f"{K}_02-top-thinned_tpo_free_at-centre_2.wav", TOP, "02-top-thinned", "centre", taps=2, misnamed=True),
    Take(f"{K}_03-back-joined_back_free_at-centre_1.wav", BACK, "03-back-joined", "centre", rumble=True),
    Take(f"{K}_04-back-thinned_back_free_at-centre_1.wav", BACK, "04-back-thinned", "centre", knock={4: 0.61}),
    Take(f"{K}/05-bars-fitted/top/free/at-centre/2024-03-09 10.15.22.wav", TOP, "05-bars-fitted", "centre"),
    Take(f"{K}/06-bars-carved/top/free/at-centre/20240310_163005.wav", TOP, "06-bars-carved", "centre"),
    Take(f"{K}_07-box-closed_closed_at-centre_1.wav", BODY, "07-box-closed", "centre", rate_hz=44100),
    Take(f"{K}_07-box-closed_closed_at-edge_2.wav", BODY, "07-box-closed", "edge", bounce={2: 0.12}),
    Take(f"{K}_08-opening_closed_at-centre_step_1.wav", BODY, "08-opening step 1", "centre"),
    Take(f"{K}_08-opening_closed_at-centre_step_2.wav", BODY, "08-opening step 2", "centre", knock={1: 0.63}),
    Take(f"{K}_08-opening_closed_at-centre_step_3.wav", BODY, "08-opening step 3", "centre", bounce={4: 0.11}),
    Take(f"{K}_08-opening_closed_at-centre_step_4.wav", BODY, "08-opening step 4", "centre"),
    Take(f"{K}_08-opening_closed_at-centre_step_5.wav", BODY, "08-opening step 5", "centre"),
    Take(f"{K} - 09-varnished - closed - at-centre.wav", BODY, "09-varnished", "centre"),
    Take(f"{K} - 09-varnished - closed - at-edge.wav", BODY, "09-varnished", "edge", talk=True),
    Take(
        f"{K}_10-strung_strung_at-centre_1.wav",
        BODY,
        "10-strung",
        "centre",
        bounce={5: 0.07},
        set_up_cents=0.8,
        set_up_t60_pct=1.5,
    ),
    Take(
        f"{K}_10-strung_strung_at-centre_again_2.wav",
        BODY,
        "10-strung",
        "centre",
        set_up_cents=0.8,
        set_up_t60_pct=1.5,
    ),
    Take(f"{K}_10-strung_strung_room.wav", BODY, "10-strung", "centre", taps=0),
    Take(f"{K}_11-settled_strung_at-centre_1.wav", BODY, "11-settled", "centre"),
    Take("Psaltery-11/01-box-closed/closed/2024-05-02 17.05.33.wav", PSALTERY, "01-box-closed", "", rate_hz=22050),
    Take(
        "Psaltery-11/02-hole-cut/closed/2024-05-04 09.40.10.wav",
        PSALTERY,
        "02-hole-cut",
        "",
        rate_hz=22050,
        knock={3: 0.6},
    ),
    Take(f"{C}/05-closed/closed/New Recording 11.flac", CITTERN, "05-closed", "", made_at="2024-06-07T17:42:10"),
    *(
        Take(
            f"{VOICING}/step {step}/New Recording {11 + step}.flac",
            CITTERN,
            f"06-voicing step {step}",
            "",
            bounce={2: 0.09} if step == 3 else {},
            ringing=("D4", "A4") if step == 5 else (),
            made_at=f"2024-06-08T{clock}",
        )
        for step, clock in enumerate(CLOCK, start=1)
    ),
)
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


def mode_rows() -> Iterator[list[str]]:
    for part in PARTS:
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


def floor_of(count: int, rate_hz: int, rng: np.random.Generator) -> np.ndarray:
    hum = sim.mains_hum(count, rng, sample_rate_hz=rate_hz, mains_hz=50 * rng.uniform(0.9995, 1.0005), amplitudes=HUM)
    return hum + sim.pink_noise(count, rng, sample_rate_hz=rate_hz, rms=NOISE_RMS)


def tapped(take: Take) -> tuple[np.ndarray, tuple[sim.TrueEvent, ...]]:
    """Return the samples of a recording, and its true events."""
    rng, rate_hz = generator(take.path), take.rate_hz
    modes = seen_from(take.part, take.point, modes_at(take.part, take.stage))
    modes = sim.scattered(
        modes, rng, cents=take.set_up_cents, t60_pct=take.set_up_t60_pct, level_db=0, mode_level_db=0
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
        at_s += 0.92
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
    write_table(
        folder / "truth_drift.csv",
        "instrument part mode from_stage to_stage freq_change_cents t60_change_pct verdict",
        drift_rows(),
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
