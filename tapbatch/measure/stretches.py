"""Choose the stretch of a tap that is measured, and fit its modes in each zone.

Conventions: those of :mod:`tapbatch.measure.tap`.

A mallet that falls back cuts the free decay short, and a second free decay follows the last bounce. It is weaker but
often much longer. The one in which more modes have a known decay is measured, or in which they are better known. The
modes are the same, since the mallet falls on the same spot.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tapbatch.listen.judging import BOUNCE
from tapbatch.measure.bound import covariance
from tapbatch.measure.doubtful import SURE_LOG_SE
from tapbatch.measure.prepare import Prepared
from tapbatch.measure.prune import TapFit
from tapbatch.measure.tap import fit_tap
from tapbatch.model.reading import Sound, Tap

_FLAT_TOP_S = 0.0005

Fits = list[list[TapFit | None]]


def fits_of(
    taps: tuple[Tap, ...], prepared: tuple[Prepared, ...], sound: Sound, asked: str
) -> tuple[tuple[Tap, ...], Fits]:
    """Fit the taps of a section.

    Parameters
    ----------
    taps
        Every transient.
    prepared, sound
        The zones, and the sound they come from.
    asked
        A reason for a refusal that is not final: such taps are fitted as well if two others are used; none if empty.

    Returns
    -------
    tuple
        The taps, with the beginning and end of the stretch that was chosen, and for each zone a fit of every
        transient, ``None`` where there is none.
    """
    enough = bool(asked) and sum(tap.used for tap in taps) > 1
    chosen, fits = [], []
    for at, tap in enumerate(taps):
        none: list[TapFit | None] = [None] * len(prepared)
        measured = tap.used or (enough and tap.reason == asked)
        best, found = _best(taps[at:], prepared, sound) if measured else (tap, none)
        chosen.append(best)
        fits.append(found)
    return tuple(chosen), [list(of_zone) for of_zone in zip(*fits, strict=True)]


def _best(taps: tuple[Tap, ...], prepared: tuple[Prepared, ...], sound: Sound) -> tuple[Tap, list[TapFit | None]]:
    """Return the first tap, or the same from its last bounce on, with its fits."""
    found = [_fit_zone(taps[0], zone, sound) for zone in prepared]
    last = taps[0]
    for tap in taps[1:]:
        if tap.reason != BOUNCE:
            break
        last = tap
    if last is taps[0]:
        return taps[0], found
    later = replace(taps[0], free_from_s=last.free_from_s, free_until_s=last.free_until_s)
    then = [_fit_zone(later, zone, sound) for zone in prepared]
    return (later, then) if _known(then) > _known(found) else (taps[0], found)


def _known(fits: list[TapFit | None]) -> tuple[int, float]:
    """Return how many modes have a known decay, and how well they are known: minus the mean log variance."""
    variances = [
        np.abs(np.diagonal(covariance(found.fit)[0])[: found.fit.count]) * found.excess
        for found in fits
        if found is not None
    ]
    known = [float(v) for of_zone in variances for v in of_zone if v < SURE_LOG_SE**2]
    return len(known), -float(np.mean(np.log(known))) if known else 0.0


def _fit_zone(tap: Tap, zone: Prepared, sound: Sound) -> TapFit | None:
    rate_hz = zone.rate_hz
    first = int(np.ceil(tap.free_from_s * rate_hz))
    reach_s = zone.decimator.reach / sound.sample_rate_hz + (len(zone.noise.whitener) - 1) / rate_hz
    last = min(int((tap.free_until_s - reach_s) * rate_hz), len(zone.whitened))
    if sound.clipped is not None:
        first = max(first, _after_clipping(sound, tap, rate_hz))
    inside_hz = (max(zone.decimator.pass_low_hz - 60.0, 20.0), zone.decimator.pass_high_hz)
    return fit_tap(zone.whitened, first, last, rate_hz, zone.noise.hum_poles, inside_hz)


def _after_clipping(sound: Sound, tap: Tap, rate_hz: float) -> int:
    """Return the first decimated sample after the last flat top of half a millisecond or more.

    A peak clipped for only a few samples has lost little, and waiting for the last of these would lose the loudest
    part of the decay. What is missing stays in the residual and widens the intervals.
    """
    assert sound.clipped is not None
    first, last = int(tap.onset_s * sound.sample_rate_hz), int(tap.free_until_s * sound.sample_rate_hz)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], sound.clipped[first:last].astype(np.int8), [0]])))
    ends = [b for a, b in edges.reshape(-1, 2) if b - a >= max(4, _FLAT_TOP_S * sound.sample_rate_hz)]
    return 0 if not ends else int(np.ceil((first + ends[-1]) / sound.sample_rate_hz * rate_hz))
