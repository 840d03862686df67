"""How far the direct sound stands over the room's, estimated from what the modes of a recording leave.

Conventions: levels in decibels. What a room sends back is a decay convolved with a long random tail. A fit of damped
modes explains some of it (the room's answer to a mode still ringing has the pole of that mode) and leaves the rest in
its residual. So the residual says how much room there is. For each tap, over the window in which most of the decay
lies,

    L = 10 log10((residual - noise) / (sound - noise)),

in whitened samples, where the noise is known. The longer the modes ring, the more of the room their fit explains.
So ``direct_db = A + B L + C ln(T60/0.3 s)``, with the mean ``ln T60`` of the modes, weighted by energy. The median
over the taps counts.

The estimate fails where something else leaves a residual: a decay that is not exponential, a bounce, a second
instrument that rings along, gain control. It can only be too low then.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np
from numpy.typing import NDArray

from tapbatch.measure.geometric import Float, decays
from tapbatch.measure.prepare import Prepared
from tapbatch.model.notice import Notice
from tapbatch.model.reading import LN_1000, Mode, TapReading

OF_NO_LEFTOVER_DB = -0.3
A_DECIBEL_LEFT_DB = -0.86
A_NEPER_OF_T60_DB = -5.4
"""Fitted to 66 image-source rooms of two simulators, with the phone at 30, 10 and 5 cm (198 recordings).

Fitted to either simulator alone and tried on the other, the standard deviation is 3.4 and 3.5 dB, the bias under
0.3 dB. Without the term of T60 it is 3.4 and 4.1 dB, the bias under 0.9 dB.
"""

OF_T60_S = 0.3
T60_LIMITS_S = (0.1, 0.6)
"""The range to which the term of T60 was fitted; beyond it, its ends count."""

MOST_DB = 30.0
"""Values are cut off here: what is left then is not the room's."""

MOSTLY_ROOM_DB = 9.0
SOME_ROOM_DB = 13.5
"""Below these the notices stand; where modes ring for 0.25 s, L is then over -9.7 and -14.9."""

_WINDOW_OF_T60 = 0.7
_LEAST_WINDOW_S = 0.12
_LEAST_SAMPLES = 32


@dataclass(frozen=True, slots=True)
class Left:
    """Energy of a tap in its window, of its residual, and of the noise in either; in units of the noise's variance.

    ``t60_s`` is that of its modes: the geometric mean, weighted by their energies.

    Examples
    --------
    >>> left = Left(whole=1100.0, residual=200.0, noise=100.0, t60_s=0.3)
    >>> round(left.left_db, 6), round(left.direct_db, 2)
    (-10.0, 8.3)
    """

    whole: float
    residual: float
    noise: float
    t60_s: float

    @property
    def left_db(self) -> float:
        """Level of what the modes leave, relative to the whole, both without the noise."""
        # Noise varies: what lies within three standard deviations of it (chi-square) may be nothing but noise.
        least = 3.0 * math.sqrt(2.0 * self.noise)
        left, whole = max(self.residual - self.noise, least), max(self.whole - self.noise, least)
        return 10.0 * math.log10(min(left / whole, 1.0))

    @property
    def direct_db(self) -> float:
        """How far the direct sound stands over the room's, by this tap alone."""
        t60_s = min(max(self.t60_s, T60_LIMITS_S[0]), T60_LIMITS_S[1])
        return OF_NO_LEFTOVER_DB + A_DECIBEL_LEFT_DB * self.left_db + A_NEPER_OF_T60_DB * math.log(t60_s / OF_T60_S)


@dataclass(frozen=True, slots=True, eq=False)
class Residual:
    """A tap in a zone, over the window in which most of its decay lies: whitened sound, and what its modes leave."""

    zone: Prepared
    sound: Float
    left: Float
    holds_modes: bool


def left_by_modes(
    reading: TapReading, prepared: Sequence[Prepared], residuals: Sequence[Residual] | None = None
) -> Left | None:
    """Return what the modes of a used tap leave of its sound; ``None`` if its decay is too short to say.

    Parameters
    ----------
    reading
        The tap with its modes, in the time of the section.
    prepared
        The zones of the section, from :func:`tapbatch.measure.sound.fit_taps`.
    residuals
        Those of the tap, if they are at hand; by default they are worked out.

    Returns
    -------
    Left or None
        ``None`` also if no zone has both a mode and 32 samples of free decay, or if its modes depend on amplitude.
    """
    if any("by-amplitude" in m.flags for m in reading.modes):
        return None  # what exponential decays leave of it is not the room's
    residuals = residuals_of(reading, prepared) if residuals is None else residuals
    of_zones = [_left_in(one) for one in residuals if one.holds_modes]
    if not of_zones:
        return None
    whole, residual, noise = (sum(energies) for energies in zip(*of_zones, strict=True))
    return Left(whole, residual, noise, typical_t60_s(reading.modes))


def typical_t60_s(modes: Sequence[Mode]) -> float:
    """Return the mean T60 of at least one mode: the geometric mean, weighted by their energies."""
    loudest_db = max(m.energy_db for m in modes)
    weights = [10.0 ** ((m.energy_db - loudest_db) / 10.0) for m in modes]
    logs = [w * math.log(m.t60_s) for w, m in zip(weights, modes, strict=True)]
    return math.exp(sum(logs) / sum(weights))


def direct_db_of(left: Sequence[Left]) -> float | None:
    """Return how far the direct sound of a recording stands over the room's, in decibels, rounded to 0.01 dB.

    It is the median over the taps, at most ``MOST_DB``; ``None`` without a tap that says so.

    Examples
    --------
    >>> direct_db_of([]) is None
    True
    """
    if not left:
        return None
    return round(min(median(one.direct_db for one in left), MOST_DB), 2)


def room_notices(direct_db: float | None) -> tuple[Notice, ...]:
    """Return what is to be said of the room in a recording; nothing if it is clean, or if that is not known.

    Examples
    --------
    >>> [notice.kind for db in (3.0, 10.0, 25.0, None) for notice in room_notices(db)]
    ['mostly room', 'some room']
    """
    if direct_db is None or direct_db >= SOME_ROOM_DB:
        return ()
    return (Notice("mostly room" if direct_db < MOSTLY_ROOM_DB else "some room"),)


def residuals_of(reading: TapReading, prepared: Sequence[Prepared]) -> list[Residual]:
    """Return what the modes of a used tap leave, for each zone in which it has 32 samples of free decay.

    Parameters
    ----------
    reading, prepared
        As for :func:`left_by_modes`.
    """
    return [one for zone in prepared if (one := _residual_in(zone, reading)) is not None]


def _residual_in(zone: Prepared, reading: TapReading) -> Residual | None:
    inside = [m for m in reading.modes if zone.decimator.holds(m.freq_hz)]
    rate_hz, tap = zone.rate_hz, reading.tap
    first = math.ceil(tap.free_from_s * rate_hz - 1e-6)
    window_s = max([_LEAST_WINDOW_S, *(_WINDOW_OF_T60 * m.t60_s for m in inside)])
    # The filters look ahead, past the end of the decay.
    reach = len(zone.noise.whitener) + math.ceil(zone.decimator.reach / zone.decimator.factor)
    last = min(first + int(window_s * rate_hz), int(tap.free_until_s * rate_hz) - reach, len(zone.whitened))
    if last - first < _LEAST_SAMPLES:
        return None
    sound = zone.whitened[first:last]
    if not inside:
        return Residual(zone, sound, sound, holds_modes=False)
    left = sound - _of_modes(zone, inside, first, tap.free_from_s, last - first)
    return Residual(zone, sound, left, holds_modes=True)


def _left_in(residual: Residual) -> tuple[float, float, float]:
    zone, sound = residual.zone, residual.sound
    freq_hz = np.fft.rfftfreq(len(sound), 1.0 / zone.rate_hz) + zone.decimator.shift_hz
    band = zone.decimator.holds(np.asarray(freq_hz, dtype=np.float64))
    # Parseval: white noise of variance 1 has the energy 2 in each line of a one-sided spectrum.
    return _energy(sound, band), _energy(residual.left, band), 2.0 * int(band.sum())


def _energy(samples: Float, band: NDArray[np.bool_]) -> float:
    return 2.0 / len(samples) * float(np.sum(np.abs(np.fft.rfft(samples)[band]) ** 2))


def _of_modes(zone: Prepared, modes: Sequence[Mode], first: int, at_s: float, count: int) -> Float:
    """Return the modes as they are in the whitened samples of a zone; the inverse of what made them modes."""
    rate_hz, shift_hz = zone.rate_hz, zone.decimator.shift_hz
    delta = np.array([LN_1000 / m.t60_s for m in modes])
    freq_hz = np.array([m.freq_hz for m in modes])
    poles = np.exp((-delta + 2j * np.pi * (freq_hz - shift_hz)) / rate_hz)
    weights = np.array([m.amplitude * np.exp(1j * m.phase_rad) for m in modes])
    weights = weights * np.exp((-delta + 2j * np.pi * freq_hz) * (first / rate_hz - at_s))
    turned = np.exp(2j * np.pi * (shift_hz * first / rate_hz % 1.0))
    return decays(poles, weights * zone.noise.gain(poles) * zone.decimator.gain(poles) / turned, count)
