"""Scenes: a stage of recordings of known truth, drawn from the name of the scene and a number.

Conventions: scenes of one number share plate, room and places, whatever their distance, so that they differ in
nothing else. ``RECIPES`` holds them by name; :func:`play` makes one, and :class:`Played` holds sounds and truth.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tests.bench_simulator import codecs, hands, phones, rooms, voices
from tests.bench_simulator.hands import Hand
from tests.bench_simulator.taps import strike
from tests.bench_simulator.world import (
    Phone,
    Plate,
    draw_plate,
    draw_room,
    draw_spots,
    level_of,
    stream,
    with_lead_pair,
)

Float = NDArray[np.float64]

_HAND, _PHONE = Hand(), Phone()
DISTANCES_M = (0.3, 0.1, 0.05)
MOST_SPOTS = 5
DB_A_NEPER = 20 / math.log(10)


@dataclass(frozen=True, kw_only=True)
class Recipe:
    """What a scene is made of.

    ``of_plate`` counts modes by the levels that a short blow gives them: a soft one hides some, and they are missed.
    ``begins_late`` is a recording of one tap that begins 30 to 80 ms after it.
    """

    says: str
    distance_m: float = 0.3
    in_room: bool = False
    spots: int = 1
    hand: Hand = _HAND
    phone: Phone = _PHONE
    fan_db: float | None = None
    talk: bool = False
    alone: str = ""
    more_damping: float = 0.0
    pitch_cents: bool = False
    pair: bool = False
    of_plate: bool = False
    begins_late: bool = False
    trials: int = 24


@dataclass(frozen=True, kw_only=True, eq=False)
class Take:
    """One recording: its samples, when it was tapped, when something else sounded, and direct over room."""

    samples: Float
    sample_rate_hz: int
    taps_s: tuple[float, ...]
    others_s: tuple[float, ...]
    direct_db: float
    spot: int


@dataclass(frozen=True, kw_only=True, eq=False)
class Played:
    """A scene as it was played: ``levels_db`` of the modes are those of the direct sound, mean energy over taps."""

    plate: Plate
    levels_db: tuple[float, ...]
    takes: tuple[Take, ...]
    pair: tuple[int, int] | None = None


def _still(distance_m: float) -> Recipe:
    return Recipe(says=f"room, phone still at {100 * distance_m:.0f} cm", distance_m=distance_m, in_room=True)


def _carried(spots: int, taps: int, distance_m: float) -> Recipe:
    says = f"{spots} spots of {taps} taps, {100 * distance_m:.0f} cm"
    return Recipe(says=says, distance_m=distance_m, in_room=True, spots=spots, hand=Hand(taps=taps))


def _codec(name: str, kbps: int) -> Recipe:
    return Recipe(says=f"{name} at {kbps} kb/s", phone=Phone(codec=name, kbps=kbps), trials=16)


RECIPES: dict[str, Recipe] = {
    "dry": Recipe(says="no room, nothing amiss", trials=40),
    "still-30": _still(0.3),
    "still-10": _still(0.1),
    "still-5": _still(0.05),
    "spots3-30": _carried(3, 3, 0.3),
    "spots3-10": _carried(3, 3, 0.1),
    "spots3-5": _carried(3, 3, 0.05),
    "spots5-30": _carried(5, 2, 0.3),
    "spots5-10": _carried(5, 2, 0.1),
    "spots5-5": _carried(5, 2, 0.05),
    "bounce": Recipe(says="the mallet falls back after 60 to 150 ms", hand=Hand(bounces=True), trials=16),
    "contact": Recipe(
        says="contact of 3 to 8 ms",
        hand=Hand(contact_s=(0.003, 0.008), rub_db=-12.0),
        of_plate=True,
        trials=16,
    ),
    "fan": Recipe(says="a fan runs", fan_db=-43.0, trials=16),
    "scatter": Recipe(
        says="point scatter of 8 dB", hand=Hand(scatter_db=8.0, hardness_db=5.0), of_plate=True, trials=16
    ),
    "talk": Recipe(says="talk between taps", talk=True, trials=14),
    "speech": Recipe(says="speech and nothing else", alone="speech", trials=14),
    "claps": Recipe(says="claps and nothing else", alone="claps", trials=14),
    "doors": Recipe(says="doors and steps and nothing else", alone="doors", trials=14),
    "gain": Recipe(says="fast gain control", phone=Phone(gain_control=True), trials=16),
    "damping": Recipe(says="damping 30 % higher at the beginning", more_damping=0.3, trials=16),
    "pitch": Recipe(says="pitch falls by 2 to 8 cents", pitch_cents=True, trials=16),
    "pair": Recipe(says="the lead is a pair 0.5 to 1 Hz apart", pair=True, trials=16),
    "ringing": Recipe(says="begins in the ringing", hand=Hand(taps=1), begins_late=True, trials=16),
    "rate-8": Recipe(says="8 kHz", phone=Phone(sample_rate_hz=8000), trials=16),
    "aac-64": _codec("aac", 64),
    "aac-96": _codec("aac", 96),
    "aac-128": _codec("aac", 128),
    "opus-64": _codec("opus", 64),
    "mp3-128": _codec("mp3", 128),
}


def play(name: str, trial: int) -> Played:
    """Play a scene of :data:`RECIPES`.

    The same name and number give the same samples. Rooms need ``pyroomacoustics`` (:func:`rooms.missing`), codecs an
    encoder (:func:`codecs.missing`).
    """
    recipe = RECIPES[name]
    plate = _plate(recipe, trial)
    found = _responses(recipe, trial)
    takes, energies = [], []
    for spot in range(recipe.spots):
        rng = stream("hand", name, trial, spot)
        take, levels = _take(recipe, plate, found[spot], spot, rng)
        takes.append(take)
        energies += levels
    if recipe.of_plate:
        energies = [tuple(level_of(m.gain, m.decay_per_s) for m in plate.modes)]
    levels_db = _mean_levels(energies, plate, recipe.phone)
    return Played(plate=plate, levels_db=levels_db, takes=tuple(takes), pair=_pair(plate) if recipe.pair else None)


def why_not(name: str) -> str:
    """Return why a scene cannot be played here, or an empty string."""
    recipe = RECIPES[name]
    return (rooms.missing() if recipe.in_room else "") or codecs.missing(recipe.phone.codec)


def _plate(recipe: Recipe, trial: int) -> Plate:
    plate = draw_plate(stream("plate", trial))
    rng = stream("what plates do", trial)
    if recipe.pair:
        plate = with_lead_pair(plate, rng)
    if recipe.more_damping:
        plate = Plate(modes=tuple(replace(m, more_damping=recipe.more_damping) for m in plate.modes))
    if recipe.pitch_cents:
        plate = Plate(modes=tuple(replace(m, pitch_cents=float(rng.uniform(2, 8))) for m in plate.modes))
    return plate


def _pair(plate: Plate) -> tuple[int, int]:
    apart = np.diff([m.freq_hz for m in plate.modes])
    first = int(np.argmin(apart))
    return first, first + 1


def _responses(recipe: Recipe, trial: int) -> list[rooms.Response | None]:
    if not recipe.in_room:
        return [None] * recipe.spots
    rng = stream("room", trial)
    room = draw_room(rng)
    places = draw_spots(room, rng, MOST_SPOTS, DISTANCES_M)[: recipe.spots]
    # One computation serves all distances at a place.
    at = DISTANCES_M.index(recipe.distance_m)
    return [rooms.responses(room, place, recipe.phone.sample_rate_hz)[at] for place in places]


def _take(
    recipe: Recipe, plate: Plate, response: rooms.Response | None, spot: int, rng: np.random.Generator
) -> tuple[Take, list[tuple[float, ...]]]:
    from scipy.signal import fftconvolve

    phone, rate_hz = recipe.phone, recipe.phone.sample_rate_hz
    session = hands.tapped(plate, recipe.hand, rng)
    count = round(session.duration_s * rate_hz)
    dry, levels = np.zeros(count), []
    if not recipe.alone:
        for blow in session.blows:
            struck = strike(plate, blow, rate_hz)
            until = min(count, struck.first + len(struck.samples))
            dry[struck.first : until] += struck.samples[: until - struck.first]
            if blow.onset_s in session.taps_s:
                levels.append(struck.levels_db)
    direct_db, heard = math.inf, dry
    if response is not None:
        direct = fftconvolve(dry, response.direct)[:count]
        room = fftconvolve(dry, response.room)[:count]
        direct_db = 10 * math.log10(float(np.sum(direct**2) / np.sum(room**2)))
        heard = direct + room
    loudest = float(np.abs(heard).max()) or 1.0
    others: tuple[float, ...] = ()
    if recipe.talk or recipe.alone:
        said = (
            voices.said_alone(recipe.alone, count, rate_hz, rng)
            if recipe.alone
            else voices.said_between(session, count, rate_hz, rng)
        )
        heard, others = heard + loudest * said.samples, said.events_s
        loudest = float(np.abs(heard).max())
    noise = 10 ** (phones.SHOP_NOISE_DB / 20) * phones.shop_noise(count, rng, rate_hz)
    if recipe.fan_db is not None:
        noise += 10 ** (recipe.fan_db / 20) * phones.fan(count, rng, rate_hz)
    # The nearer the phone, the louder the tap over everything that is not near.
    heard = heard / loudest + recipe.distance_m / 0.3 * noise
    heard = phones.highpass(heard, phone)
    if phone.gain_control:
        heard = phones.gain_controlled(heard * 10 ** (phone.peak_dbfs / 20), rate_hz)
    heard = heard / float(np.abs(heard).max()) * 10 ** (phone.peak_dbfs / 20)
    heard = heard + 10 ** (phone.self_noise_dbfs / 20) * rng.standard_normal(count)
    if phone.codec:
        heard = codecs.through(heard, rate_hz, phone.codec, phone.kbps)
    taps_s = () if recipe.alone else session.taps_s
    if recipe.begins_late:
        late_s = float(rng.uniform(0.03, 0.08))
        heard, taps_s = heard[round((taps_s[0] + late_s) * rate_hz) :], ()
        fallen_db = [DB_A_NEPER * m.decay_per_s * late_s for m in plate.modes]
        levels = [tuple(np.subtract(each, fallen_db).tolist()) for each in levels]
    take = Take(samples=heard, sample_rate_hz=rate_hz, taps_s=taps_s, others_s=others, direct_db=direct_db, spot=spot)
    return take, levels


def _mean_levels(levels: list[tuple[float, ...]], plate: Plate, phone: Phone) -> tuple[float, ...]:
    if not levels:
        return ()
    energy = np.mean(10 ** (np.array(levels) / 10), axis=0)
    heard = [phones.highpass_db(phone, m.freq_hz) for m in plate.modes]
    level_db = 10 * np.log10(energy) + np.array(heard)
    return tuple((level_db - level_db.max()).tolist())
