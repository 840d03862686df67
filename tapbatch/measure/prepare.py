"""Prepare a sound for fitting: decimate it zone by zone, estimate its noise where nothing rings, and whiten it.

Conventions: stretches are ``(first, last)`` in samples of the recording, last excluded; frequencies are in hertz,
times in seconds. Whitened noise has variance 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tapbatch.listen.taps import quiet_stretches
from tapbatch.measure.decimate import Decimator, zones
from tapbatch.measure.geometric import Float
from tapbatch.measure.noise import LEAST_QUIET_S, Noise, estimate_noise, white_noise
from tapbatch.model.reading import BandSettings, Sound, Tap

_MOST_QUIET_S = 20.0
_RUNG_OUT_S = 1.2
_SURELY_RUNG_OUT_S = 4.8
_LEAST_STRETCH_S = 0.05
_ENOUGH_QUIET_S = 0.4


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """One zone of a sound, decimated and whitened, with its decimator and its noise.

    ``decimated`` (full scale 1.0) and ``whitened`` (noise variance 1) have shape (n,).
    """

    decimated: Float
    whitened: Float
    decimator: Decimator
    noise: Noise

    @property
    def rate_hz(self) -> float:
        """Sample rate of the decimated sound in hertz."""
        return self.decimator.out_rate_hz


def prepare(sound: Sound, taps: tuple[Tap, ...], settings: BandSettings) -> tuple[Prepared, ...]:
    """Decimate a sound zone by zone, estimate its noise from stretches in which nothing rings, and whiten it.

    Parameters
    ----------
    sound, taps
        The decoded sound, and the taps found in it.
    settings
        Band and mains frequency.

    Returns
    -------
    tuple of Prepared
        One per zone, by frequency; empty if the sound is shorter than the filters.
    """
    lowered = zones(sound.sample_rate_hz, settings.band_low_hz, _band_high_hz(sound, settings))
    if len(sound.samples) < max(z.reach + 64 * z.factor for z in lowered):
        return ()
    stretches = _settled_stretches(quiet_stretches(sound, taps), taps, sound.sample_rate_hz)
    may_ring = _may_ring(stretches, taps, sound.sample_rate_hz)
    prepared = []
    for zone in lowered:
        x = zone.apply(sound.samples)
        noise = _noise(x, stretches, zone, settings, may_ring=may_ring)
        prepared.append(Prepared(x, noise.whiten(x), zone, noise))
    return tuple(prepared)


def _settled_stretches(
    stretches: list[tuple[int, int]], taps: tuple[Tap, ...], rate_hz: int
) -> list[tuple[int, int]]:
    """Return the quiet stretches in which no mode still rings: before the first tap, or well after one.

    A mode that has fallen below the noise of the whole band stands above the noise at its own line for another half
    T60, and would be taken for noise exactly where that matters. If there is too little of such quiet, the later half
    of each stretch is used.
    """
    onsets = np.array([t.onset_s for t in taps]) * rate_hz
    late, half = [], []
    for first, last in stretches:
        before = onsets[onsets <= first]
        if not len(before):
            late.append((first, last))
            half.append((first, last))
            continue
        begin = max(first, int(before[-1] + _RUNG_OUT_S * rate_hz))
        if last - begin > _LEAST_STRETCH_S * rate_hz:
            late.append((begin, last))
        half.append(((first + last) // 2, last))
    enough = sum(b - a for a, b in late) >= _ENOUGH_QUIET_S * rate_hz
    return sorted(late if enough else half, key=lambda s: (s[0] - s[1], s[0]))


def _may_ring(stretches: list[tuple[int, int]], taps: tuple[Tap, ...], rate_hz: int) -> bool:
    """Tell whether less than half of the quiet lies before any tap, or 4.8 s and more after one."""
    onsets = np.array([t.onset_s for t in taps]) * rate_hz
    sure = 0.0
    for first, last in stretches:
        before = onsets[onsets <= first]
        begin = first if not len(before) else float(before[-1]) + _SURELY_RUNG_OUT_S * rate_hz
        sure += max(0.0, last - max(first, begin))
    return sure < 0.5 * sum(last - first for first, last in stretches)


def _band_high_hz(sound: Sound, settings: BandSettings) -> float:
    return min(settings.band_high_hz, 0.46 * sound.sample_rate_hz)


def _noise(
    x: Float, stretches: list[tuple[int, int]], zone: Decimator, settings: BandSettings, *, may_ring: bool
) -> Noise:
    quiet, total_s = [], 0.0
    for first, last in stretches:
        a, b = -(-first // zone.factor), (last - zone.reach) // zone.factor
        # More of one stretch would tell nothing new; a minute's spectrum would take 100 MB.
        b = min(b, a + int(_MOST_QUIET_S * zone.out_rate_hz))
        if b - a >= 64 and total_s < _MOST_QUIET_S:
            quiet.append(x[a:b])
            total_s += (b - a) / zone.out_rate_hz
    if total_s >= LEAST_QUIET_S:
        mains_hz = None if zone.shift_hz else settings.mains_hz
        return estimate_noise(
            quiet, zone.out_rate_hz, zone.pass_low_hz, zone.pass_high_hz, mains_hz, may_ring=may_ring
        )
    return white_noise(_calmest(x, zone.out_rate_hz), zone.out_rate_hz)


def _calmest(x: Float, rate_hz: float) -> float:
    """Guess the noise if there is no quiet: from the calmest 20 ms, which may still ring, at least 16-bit noise."""
    width = max(8, int(0.02 * rate_hz))
    count = len(x) // width
    if count == 0:
        return 1e-4
    level = x[: count * width].reshape(count, width).std(axis=1)
    return float(max(level.min(), 2.0**-15 / np.sqrt(12)))
