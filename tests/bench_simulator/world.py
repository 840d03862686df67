"""What is struck, what strikes it, what hears it and where: frozen values, and how they are drawn at random.

This simulator shares nothing with ``tapbatch.simulate``: it is there to judge the product from outside.

Conventions: frequencies in hertz, times in seconds, lengths in metres, levels in decibels. A mode's *level* is
``10 log10`` of the energy of its free decay at the microphone, ``a**2 / (4 delta)`` with ``delta = ln(1000) / T60``
and ``a`` its amplitude when the mallet leaves. All random numbers come from :func:`stream`, which names what they are
for: two scenes that ask for the same plate get the same plate.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass, replace

import numpy as np

LN_1000 = math.log(1000.0)
BAND_HZ = (80.0, 900.0)
"""Where the modes of a plate are drawn: inside the product's default band of 50 to 1500 Hz."""

LEVELS_DB = (-32.0, 0.0)
T60_S = (0.1, 0.6)
MODES = (8, 14)


@dataclass(frozen=True, kw_only=True)
class PlateMode:
    """A mode: ``gain`` is its amplitude for a blow that contains its frequency in full.

    A mode struck at full blow has a damping that is higher by ``more_damping`` (0.3 is 30 %) and a frequency that is
    higher by ``pitch_cents``. Both are proportional to its momentary amplitude and so vanish as it dies away.
    """

    freq_hz: float
    t60_s: float
    gain: float
    phase_rad: float = 0.0
    more_damping: float = 0.0
    pitch_cents: float = 0.0

    @property
    def decay_per_s(self) -> float:
        """Decay constant of the amplitude at small amplitudes."""
        return LN_1000 / self.t60_s

    @property
    def width_hz(self) -> float:
        """Width of its resonance at half power."""
        return self.decay_per_s / math.pi


@dataclass(frozen=True, kw_only=True)
class Plate:
    """The modes of an instrument, by frequency."""

    modes: tuple[PlateMode, ...]


@dataclass(frozen=True, kw_only=True)
class Mallet:
    """What strikes: the force lasts ``contact_s``.

    ``skewed`` means that it rises quickly and falls slowly. ``rub_db`` is how loud the contact itself is, its loudest
    sample over that of the ringing; ``None`` is silent.
    """

    contact_s: float = 0.0008
    skewed: bool = False
    rub_db: float | None = None


@dataclass(frozen=True, kw_only=True)
class Phone:
    """What hears: high-pass of second order, noise of its own, and where set, gain control and a codec."""

    sample_rate_hz: int = 48_000
    highpass_hz: float = 60.0
    self_noise_dbfs: float = -78.0
    peak_dbfs: float = -9.0
    gain_control: bool = False
    codec: str = ""
    kbps: int = 0


@dataclass(frozen=True, kw_only=True)
class Room:
    """A shoebox: its size and the reverberation time it is given."""

    size_m: tuple[float, float, float]
    rt60_s: float


@dataclass(frozen=True, kw_only=True)
class Spot:
    """Where instrument and phone are: both in metres from one corner of the room."""

    source_m: tuple[float, float, float]
    phone_m: tuple[float, float, float]


def stream(*what: str | int) -> np.random.Generator:
    """Return the generator of the random numbers for one purpose."""
    return np.random.default_rng([zlib.crc32(w.encode()) if isinstance(w, str) else w for w in what])


# --------------------------------------------------------------------- plates


def level_of(amplitude: float, decay_per_s: float) -> float:
    """Return the level of a free decay."""
    return 10.0 * math.log10(amplitude**2 / (4.0 * decay_per_s) + 1e-30)


def draw_plate(rng: np.random.Generator) -> Plate:
    """Draw 8 to 14 modes, T60 0.1 to 0.6 s, levels over 32 dB, no two nearer than the wider one is wide."""
    count = int(rng.integers(MODES[0], MODES[1] + 1))
    while True:
        freq_hz = np.sort(np.exp(rng.uniform(*np.log(BAND_HZ), count)))
        t60_s = np.exp(rng.uniform(*np.log(T60_S), count))
        width_hz = LN_1000 / t60_s / np.pi
        apart_hz = np.maximum(0.02 * freq_hz[1:], np.maximum(width_hz[1:], width_hz[:-1]))
        if np.all(np.diff(freq_hz) > apart_hz):
            break
    level_db = rng.uniform(*LEVELS_DB, count)
    level_db -= level_db.max()
    gain = np.sqrt(4.0 * LN_1000 / t60_s) * 10 ** (level_db / 20)
    gain *= rng.choice([-1.0, 1.0], count)
    return Plate(
        modes=tuple(
            PlateMode(freq_hz=float(f), t60_s=float(t), gain=float(g))
            for f, t, g in zip(freq_hz, t60_s, gain, strict=True)
        )
    )


def with_lead_pair(plate: Plate, rng: np.random.Generator) -> Plate:
    """Return a plate whose strongest mode is two, 0.5 to 1 Hz apart and within 6 dB of each other."""
    lead = max(plate.modes, key=lambda m: level_of(m.gain, m.decay_per_s))
    at = plate.modes.index(lead)
    second = replace(
        lead,
        freq_hz=lead.freq_hz + float(rng.uniform(0.5, 1.0)),
        t60_s=lead.t60_s * float(rng.uniform(0.8, 1.25)),
        gain=lead.gain * 10 ** (float(rng.uniform(-6.0, 0.0)) / 20) * float(rng.choice([-1.0, 1.0])),
    )
    return Plate(modes=(*plate.modes[:at], lead, second, *plate.modes[at + 1 :]))


# ---------------------------------------------------------------------- rooms


def draw_room(rng: np.random.Generator) -> Room:
    """Draw a workshop of 20 to 60 cubic metres with a reverberation time of 0.3 to 0.8 s."""
    size = (rng.uniform(3.4, 5.2), rng.uniform(2.8, 4.2), rng.uniform(2.3, 2.8))
    return Room(size_m=tuple(float(s) for s in size), rt60_s=float(rng.uniform(0.3, 0.8)))  # type: ignore[arg-type]


_TRIES = 2000


def draw_spots(
    room: Room, rng: np.random.Generator, count: int, distances_m: tuple[float, ...]
) -> tuple[tuple[Spot, ...], ...]:
    """Draw places for the instrument, each a metre or more from all others, and the phone above it at each distance.

    Returns
    -------
    tuple of tuples of Spot
        One tuple for each place, with one spot for each distance in one direction.
    """
    places: list[np.ndarray] = []
    tries = 0
    while len(places) < count:
        tries += 1
        if tries % _TRIES == 0:
            # The first places may leave no room for the others.
            places = []
        place = np.array([*(rng.uniform(0.7, s - 0.7) for s in room.size_m[:2]), rng.uniform(0.75, 1.15)])
        if all(np.linalg.norm(place - other) >= 1.0 for other in places):
            places.append(place)
    spots = []
    for place in places:
        up, around = np.arcsin(rng.uniform(0.2, 0.95)), rng.uniform(0, 2 * np.pi)
        towards = np.array([np.cos(up) * np.cos(around), np.cos(up) * np.sin(around), np.sin(up)])
        spots.append(tuple(_spot(place, place + d * towards) for d in distances_m))
    return tuple(spots)


def _spot(source: np.ndarray, phone: np.ndarray) -> Spot:
    return Spot(source_m=tuple(map(float, source)), phone_m=tuple(map(float, phone)))  # type: ignore[arg-type]
