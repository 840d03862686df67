"""A simulated day of voicing, whose truth is known: an air mode that rises by 22 cents a cut, and what goes wrong.

The air mode is labelled and has a target; another mode is louder. At each step five taps are recorded at 8 kHz. All
randomness comes from the number of the step.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tapbatch.simulate import disturbances
from tapbatch.simulate import taps as sim
from tests.shops import RATE_HZ

AIR_HZ, CENTS_A_CUT, CUTS = 181.0, 22.0, 6
BODY = (
    sim.SimMode(AIR_HZ, 0.34, 0.04, 0.3),
    sim.SimMode(268.0, 0.28, 0.12, 1.1),
    sim.SimMode(431.0, 0.22, 0.05, -0.7),
    sim.SimMode(655.0, 0.18, 0.04, 2.0),
)
SETTINGS = (
    'strings = ["D4", "A4"]\n\n[[mode]]\nlabel = "air"\nnear_hz = 181\nkind = "air"\n\n'
    '[[target]]\nmode = "air"\nnote = "A3"\n'
)
TARGET_HZ = 220.0  # A3 at A4 = 440 Hz (ISO 16)
TAPS = 5
_APART_S = 1.2


def recording_of(step: int) -> str:
    return f"cittern-12_06-voicing_step_{step}.wav"


def air_hz(step: int) -> float:
    """Where the air mode truly is at a step, from 1: the first is the box before any cut."""
    return AIR_HZ * 2.0 ** (CENTS_A_CUT * (step - 1) / 1200.0)


def sound_of(step: int, wrong: str = "") -> np.ndarray:
    """The recording of a step; ``wrong`` is ``bounce``, ``strings``, ``talk``, ``gain`` or ``loud``."""
    rng = np.random.default_rng([1208, step])
    body = [replace(BODY[0], freq_hz=air_hz(step)), *BODY[1:]]
    onsets_s = [0.6 + _APART_S * n for n in range(TAPS)]
    strikes = [sim.Strike(onset_s=t, modes=sim.scattered(body, rng), contact_s=0.0012) for t in onsets_s]
    duration_s = 0.6 + _APART_S * TAPS
    added: list[sim.Disturbance] = []
    if wrong == "bounce":
        soft = sim.scattered([sim.moved(m, level_db=-9.0) for m in body], rng)
        strikes.append(sim.Strike(onset_s=onsets_s[1] + 0.09, modes=soft, contact_s=0.0012, what="bounce"))
    if wrong == "strings":
        ringing = [m for hz in (293.66, 440.0) for m in sim.string_modes(hz, 3.0, amplitude=0.03, partials=3)]
        strikes = [replace(s, modes=(*s.modes, *ringing)) for s in strikes]
    if wrong == "talk":
        words = disturbances.speech(rng, sample_rate_hz=RATE_HZ, duration_s=0.5, peak=0.5)
        added = [sim.Disturbance(onset_s=t + 0.6, samples=words, what="speech") for t in onsets_s[1:4]]
    noise = sim.white_noise(round(duration_s * RATE_HZ), rng, rms=3e-4)
    sound, _ = sim.recording(
        sorted(strikes, key=lambda s: s.onset_s), duration_s=duration_s, sample_rate_hz=RATE_HZ, noise=noise,
        disturbances=added,
    )  # fmt: skip
    if wrong == "gain":
        sound, _ = disturbances.automatic_gain(
            0.3 * sound, sample_rate_hz=RATE_HZ, release_db_per_s=25.0, most_gain_db=20.0
        )
    if wrong == "loud":
        sound = np.clip(8.0 * sound, -1.0, 1.0)
    return sound
