"""One tap on a plate: the force of the mallet, and the modes that it leaves ringing.

Conventions: the mallet touches at ``onset_s``, anywhere between two samples, and leaves after ``contact_s``. A mode
answers the force as a damped exponential does, so that after contact it is exactly
``a exp(-delta t) cos(2 pi f t + phase)`` on the samples. A mode whose damping or pitch depends on its amplitude
follows, with ``x = amplitude / amplitude at full blow``,

    d ln(a)/dt = -delta (1 + k x),    f(t) = f 2**(c x / 1200),

of which the first has the solution ``x = b x0 / ((1 + b) exp(delta t) - b)``, ``b = k x0``, divided by ``k``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.bench_simulator.world import Mallet, Plate, PlateMode, level_of

Float = NDArray[np.float64]

_MALLET = Mallet()

DYNAMIC_DB = 75.0
"""A mode is followed until it has fallen this far."""


@dataclass(frozen=True, kw_only=True)
class Blow:
    """One stroke: when, how hard, with what, and how much more or less each mode takes of it, in decibels.

    ``rub`` is the number of the noise that the contact makes.
    """

    onset_s: float
    hardness: float = 1.0
    mallet: Mallet = _MALLET
    takes_db: tuple[float, ...] = ()
    cents: tuple[float, ...] = ()
    phases_rad: tuple[float, ...] = ()
    rub: int = 0


@dataclass(frozen=True, eq=False)
class Struck:
    """The sound of a blow from the sample ``first`` on, and the level of each mode's free decay in it."""

    first: int
    samples: Float
    levels_db: tuple[float, ...]
    free_from_s: float


def force(mallet: Mallet, sample_rate_hz: int, late: float) -> Float:
    """Return the force of a mallet on the samples from its touch on; ``late`` is the first one's age in samples.

    The sum of the samples is 1: a mode far below ``1 / contact_s`` takes the blow in full.
    """
    age = (np.arange(math.ceil(mallet.contact_s * sample_rate_hz) + 1) + late) / (mallet.contact_s * sample_rate_hz)
    inside = age < 1.0
    shape = np.where(inside, 0.5 - 0.5 * np.cos(2 * np.pi * age), 0.0)
    if mallet.skewed:
        # A third of the impulse comes in the first eighth of the contact; the rest presses on.
        rise = np.where(age < 0.125, 0.5 - 0.5 * np.cos(2 * np.pi * age / 0.125), 0.0)
        shape = rise / max(rise.sum(), 1e-9) / 3 + shape / shape.sum() * 2 / 3
    return shape / max(float(shape.sum()), 1e-12)


def strike(plate: Plate, blow: Blow, sample_rate_hz: int) -> Struck:
    """Return the sound of a blow on a plate, at the distance where its gains hold."""
    first = math.ceil(blow.onset_s * sample_rate_hz)
    pulse = force(blow.mallet, sample_rate_hz, first - blow.onset_s * sample_rate_hz)
    until = max(round(_lasting_s(mode) * sample_rate_hz) for mode in plate.modes)
    samples = np.zeros(until + len(pulse) - 1)
    levels = []
    for number, mode in enumerate(plate.modes):
        moved = _of(blow.cents, number)
        gain = mode.gain * blow.hardness * 10 ** (_of(blow.takes_db, number) / 20)
        free = _free(mode, gain, moved, _of(blow.phases_rad, number), sample_rate_hz, until)
        samples[: len(free) + len(pulse) - 1] += np.convolve(free, pulse)
        taken = abs(_taken(mode, moved, pulse, sample_rate_hz)) * math.exp(-mode.decay_per_s * blow.mallet.contact_s)
        levels.append(level_of(gain * taken, mode.decay_per_s))
    samples[: len(pulse)] += float(np.abs(samples).max()) * _rubbing(blow, len(pulse), sample_rate_hz)
    return Struck(first, samples, tuple(levels), blow.onset_s + blow.mallet.contact_s)


def _rubbing(blow: Blow, count: int, sample_rate_hz: int) -> Float:
    """Return the noise of the contact, its loudest sample relative to that of the ringing."""
    if blow.mallet.rub_db is None:
        return np.zeros(count)
    from scipy.signal import butter, sosfilt

    noise = np.random.default_rng(blow.rub).standard_normal(count + 2000)
    noise = sosfilt(butter(1, (100.0, 2500.0), "bandpass", fs=sample_rate_hz, output="sos"), noise)[-count:]
    noise = noise * np.sin(np.pi * (np.arange(count) + 0.5) / count)
    return noise / np.abs(noise).max() * 10 ** (blow.mallet.rub_db / 20)


def _of(values: tuple[float, ...], number: int) -> float:
    return values[number] if values else 0.0


def _lasting_s(mode: PlateMode) -> float:
    return mode.t60_s * DYNAMIC_DB / 60.0


def _free(mode: PlateMode, gain: float, cents: float, phase_rad: float, sample_rate_hz: int, until: int) -> Float:
    count = min(until, round(_lasting_s(mode) * sample_rate_hz))
    time_s = np.arange(count) / sample_rate_hz
    decay, omega = mode.decay_per_s, 2 * np.pi * mode.freq_hz * 2 ** (cents / 1200)
    blow = abs(gain / mode.gain)
    b = mode.more_damping * blow
    dying = np.exp(-decay * time_s)
    if b or mode.pitch_cents:
        shape = dying / (1 + b - b * dying)
        # The integral of the momentary amplitude, relative to its beginning.
        passed_s = np.log(1 + b - b * dying) / (b * decay) if b else (1 - dying) / decay
        turned = omega * (time_s + blow * mode.pitch_cents * math.log(2) / 1200 * passed_s)
    else:
        shape, turned = dying, omega * time_s
    return gain * shape * np.cos(turned + mode.phase_rad + phase_rad)


def _taken(mode: PlateMode, cents: float, pulse: Float, sample_rate_hz: int) -> complex:
    """Return the complex amplitude that the force leaves in a mode, at the mallet's first sample, for a gain of 1."""
    pole = complex(-mode.decay_per_s, 2 * math.pi * mode.freq_hz * 2 ** (cents / 1200)) / sample_rate_hz
    return complex(np.sum(pulse * np.exp(-pole * np.arange(len(pulse)))))
