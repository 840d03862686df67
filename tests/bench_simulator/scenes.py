"""Scenes: a stage of recordings of known truth, drawn from the name of the scene and a number.

Conventions: scenes of one number share plate, room and places, whatever their distance, so that they differ in
nothing else. :data:`~tests.bench_simulator.recipes.RECIPES` says what each is made of; :func:`play` makes one, and
:class:`Played` holds sounds and truth.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tests.bench_simulator import codecs, hands, phones, rooms, voices
from tests.bench_simulator.hands import Session
from tests.bench_simulator.recipes import RECIPES, Recipe
from tests.bench_simulator.rooms import Response
from tests.bench_simulator.taps import strike
from tests.bench_simulator.world import (
    Phone,
    Plate,
    Spot,
    draw_plate,
    draw_room,
    draw_spots,
    level_of,
    stream,
    with_lead_pair,
)

Float = NDArray[np.float64]
Levels = list[tuple[float, ...]]

DISTANCES_M = (0.3, 0.1, 0.05)
MOST_SPOTS = 5
DB_A_NEPER = 20 / math.log(10)


@dataclass(frozen=True, kw_only=True, eq=False)
class Take:
    """One recording: when it was tapped, when something else sounded, and direct over room.

    ``samples`` has the shape (n,), or (n, 2) where it is stereo.
    """

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


def play_stage(name: str, trial: int, plate: Plate, stage: int) -> Take:
    """Play one recording of a stage of a plate, in the room and at the first place of a scene of :data:`RECIPES`.

    Stages of one trial differ in the plate and in what the hand does.
    """
    recipe = RECIPES[name]
    return _take(recipe, plate, _responses(recipe, trial)[0], 0, stream("hand", name, trial, "stage", stage))[0]


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


def _responses(recipe: Recipe, trial: int) -> list[tuple[Response, ...]]:
    """Return, for each spot, the response of each microphone, all in the gain of the first; none without a room."""
    if not recipe.in_room:
        return [()] * recipe.spots
    room = draw_room(stream("room", trial))
    # One computation serves all distances at a place.
    at = DISTANCES_M.index(recipe.distance_m)
    rate_hz = recipe.phone.sample_rate_hz
    found = [(rooms.responses(room, place, rate_hz)[at],) for place in _places(recipe, trial, DISTANCES_M)]
    if recipe.in_line_m is None:
        return found
    far_m = recipe.distance_m + recipe.in_line_m
    behind = [rooms.responses(room, place, rate_hz)[0] for place in _places(recipe, trial, (far_m,))]
    softer = recipe.distance_m / far_m
    return [
        (near, replace(far, direct=softer * far.direct, room=softer * far.room))
        for (near,), far in zip(found, behind, strict=True)
    ]


def _places(recipe: Recipe, trial: int, distances_m: tuple[float, ...]) -> tuple[tuple[Spot, ...], ...]:
    rng = stream("room", trial)
    return draw_spots(draw_room(rng), rng, MOST_SPOTS, distances_m)[: recipe.spots]


def _take(
    recipe: Recipe, plate: Plate, responses: tuple[Response, ...], spot: int, rng: np.random.Generator
) -> tuple[Take, Levels]:
    rate_hz = recipe.phone.sample_rate_hz
    session = hands.tapped(plate, recipe.hand, rng)
    dry, levels = _struck(recipe, plate, session)
    heard, direct_db = _heard(dry, responses)
    loudest = float(np.abs(heard).max()) or 1.0
    others: tuple[float, ...] = ()
    if recipe.talk or recipe.alone:
        said = (
            voices.said_alone(recipe.alone, len(dry), rate_hz, rng)
            if recipe.alone
            else voices.said_between(session, len(dry), rate_hz, rng)
        )
        heard, others = heard + loudest * said.samples, said.events_s
        loudest = float(np.abs(heard).max())
    samples = _recorded(recipe, heard / loudest, rng)
    taps_s = () if recipe.alone else session.taps_s
    if recipe.begins_late:
        late_s = float(rng.uniform(0.03, 0.08))
        samples, taps_s = samples[:, round((taps_s[0] + late_s) * rate_hz) :], ()
        fallen_db = [DB_A_NEPER * m.decay_per_s * late_s for m in plate.modes]
        levels = [tuple(np.subtract(each, fallen_db).tolist()) for each in levels]
    take = Take(
        samples=samples[0] if len(samples) == 1 else samples.T,
        sample_rate_hz=rate_hz,
        taps_s=taps_s,
        others_s=others,
        direct_db=direct_db,
        spot=spot,
    )
    return take, levels


def _struck(recipe: Recipe, plate: Plate, session: Session) -> tuple[Float, Levels]:
    """Return the sound of all blows, and the levels of the modes in those that were meant."""
    rate_hz = recipe.phone.sample_rate_hz
    count = round(session.duration_s * rate_hz)
    dry, levels = np.zeros(count), []
    for blow in () if recipe.alone else session.blows:
        struck = strike(plate, blow, rate_hz)
        until = min(count, struck.first + len(struck.samples))
        dry[struck.first : until] += struck.samples[: until - struck.first]
        if blow.onset_s in session.taps_s:
            levels.append(struck.levels_db)
    return dry, levels


def _heard(dry: Float, responses: tuple[Response, ...]) -> tuple[Float, float]:
    """Return what reaches each microphone, shape (microphones, samples), and direct over room at the first."""
    from scipy.signal import fftconvolve

    if not responses:
        return dry[None], math.inf
    parts = [[fftconvolve(dry, r)[: len(dry)] for r in (each.direct, each.room)] for each in responses]
    direct, room = parts[0]
    return np.array([d + r for d, r in parts]), 10 * math.log10(float(np.sum(direct**2) / np.sum(room**2)))


def _recorded(recipe: Recipe, heard: Float, rng: np.random.Generator) -> Float:
    """Return what the phone makes of sounds whose loudest sample is 1, with the noise around."""
    phone, rate_hz = recipe.phone, recipe.phone.sample_rate_hz
    channels, count = heard.shape
    shop = [10 ** (phones.SHOP_NOISE_DB / 20) * phones.shop_noise(count, rng, rate_hz) for _ in range(channels)]
    if recipe.fan_db is not None:
        shop[0] += 10 ** (recipe.fan_db / 20) * phones.fan(count, rng, rate_hz)
    # Half of the power of the shop's noise is the same at two microphones that lie near one another.
    noise = np.array([shop[0], *((shop[0] + each) / math.sqrt(2) for each in shop[1:])])
    # The nearer the phone, the louder the tap over everything that is not near.
    samples = np.array([phones.highpass(each, phone) for each in heard + recipe.distance_m / 0.3 * noise])
    if phone.gain_control:
        samples = np.array([phones.gain_controlled(each * 10 ** (phone.peak_dbfs / 20), rate_hz) for each in samples])
    samples = samples / float(np.abs(samples).max()) * 10 ** (phone.peak_dbfs / 20)
    samples = samples + 10 ** (phone.self_noise_dbfs / 20) * rng.standard_normal(samples.shape)
    if phone.codec:
        samples = np.array([codecs.through(each, rate_hz, phone.codec, phone.kbps) for each in samples])
    return samples


def _mean_levels(levels: Levels, plate: Plate, phone: Phone) -> tuple[float, ...]:
    if not levels:
        return ()
    energy = np.mean(10 ** (np.array(levels) / 10), axis=0)
    heard = [phones.highpass_db(phone, m.freq_hz) for m in plate.modes]
    level_db = 10 * np.log10(energy) + np.array(heard)
    return tuple((level_db - level_db.max()).tolist())
