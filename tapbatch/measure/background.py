"""How strong a mode must be to be heard: what lies behind the modes of a recording, band by band.

Conventions: bands of a sixth of an octave, between fixed edges, so that those of all recordings are the same.
Densities are two-sided, in decibels relative to 1 (full scale)^2/Hz. The energy of a mode, ``a**2/(4 delta)``, over
such a density is the ratio ``R`` on which all errors of the mode depend.

Behind the modes lie the noise and what they leave: the room, the skirt of a decay that is not exponential, modes too
weak to be listed. The residual of each tap is weighted as a typical decay is, its power averaged over 12 cells. The
band takes the largest of its averages, because a mode may lie anywhere in it, and the mean over the taps. So the
density is rather too high than too low.

:func:`heard_db` turns a density into the energy that is heard. A single tap lists a mode if the Wald statistic of its
amplitude is at least 100, times the excess where more than noise is left (:mod:`tapbatch.measure.prune`). With its
pole unknown, the amplitude of a mode has a Wald statistic that follows the non-central chi-square distribution
with 2 degrees of freedom and the non-centrality ``R/2`` (half of ``R``, because the unknown decay and frequency take
the other half). Once one tap lists a mode, all taps together decide on it (:mod:`tapbatch.measure.all_taps`), which
asks for less. So a mode is heard in ``n`` taps with 95 % if it passes in a single tap with ``1 - 0.05**(1/n)``. What
only all of them show (:mod:`tapbatch.measure.found_together`) is not counted on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray

from tapbatch.measure.geometric import Float
from tapbatch.measure.misfit import UP_TO_NOISE, weighted_power
from tapbatch.measure.prepare import Prepared
from tapbatch.measure.prune import LEAST_OVER_MISFIT
from tapbatch.measure.room_share import Residual
from tapbatch.model.reading import LN_1000, Background

Densities = NDArray[np.float32]

BANDS_AN_OCTAVE = 6
BANDS = 60
"""Number of bands: ten octaves from 20 Hz."""

HEARD_WITH = 0.95
"""Probability with which a mode of the energy that :func:`heard_db` gives is listed."""

_LOWEST_HZ = 20.0
_POINTS = 5  # of a band, at which the noise is looked up


def band_of(freq_hz: float) -> int:
    """Return the number of the band in which a frequency lies; band 0 begins at 20 Hz.

    Examples
    --------
    >>> band_of(20.0), band_of(40.0), band_of(41.0)
    (0, 6, 6)
    """
    return math.floor(BANDS_AN_OCTAVE * math.log2(freq_hz / _LOWEST_HZ) + 1e-9)


class Behind:
    """Looks behind the modes of taps in the zones of one section; the noise of the bands is worked out once.

    Parameters
    ----------
    prepared
        The zones of the section, from :func:`tapbatch.measure.sound.fit_taps`.
    """

    def __init__(self, prepared: Sequence[Prepared]) -> None:
        self._noise = [_noise_by_band(zone) for zone in prepared]
        self._zones = list(prepared)

    def of_tap(self, residuals: Sequence[Residual], t60_s: float) -> Densities:
        """Return the noise behind the modes of one tap, and what is left there, by band.

        Parameters
        ----------
        residuals
            Those of the tap, from :func:`tapbatch.measure.room_share.residuals_of`.
        t60_s
            Its typical T60 in seconds.

        Returns
        -------
        ndarray
            Two-sided densities in (full scale)^2/Hz, shape (``BANDS``, 2), single precision: the noise, and what is
            left, at least as much. 0 where nothing is known.
        """
        found = np.zeros((BANDS, 2), dtype=np.float32)
        for one in residuals:
            noise = next(n for n, zone in zip(self._noise, self._zones, strict=True) if zone is one.zone)
            weight = np.exp(-LN_1000 / (t60_s * one.zone.rate_hz) * np.arange(len(one.left)))
            excess = _by_band(_averaged(*weighted_power(one.left, weight)), one.zone)
            left = noise * np.where(excess > UP_TO_NOISE, excess, 1.0)
            found = np.maximum(found, np.stack([noise, left], axis=1).astype(np.float32))
        return found


def _noise_by_band(zone: Prepared) -> Float:
    """Return the density of the noise in each band of a zone: the highest of a few points; 0 outside the zone."""
    edges_hz = _LOWEST_HZ * 2.0 ** (np.arange(BANDS)[:, None] / BANDS_AN_OCTAVE)
    freq_hz = edges_hz * 2.0 ** (np.linspace(0.0, 1.0, _POINTS)[None] / BANDS_AN_OCTAVE)
    inside = zone.decimator.holds(freq_hz)
    noise = np.zeros(freq_hz.shape)
    turn = np.exp(2j * np.pi * (freq_hz[inside] - zone.decimator.shift_hz) / zone.rate_hz)
    noise[inside] = 1.0 / (zone.rate_hz * np.abs(zone.noise.gain(turn) * zone.decimator.gain(turn)) ** 2)
    return np.asarray(noise.max(axis=1))


def _averaged(power: Float, half: int) -> Float:
    """Return a power spectrum averaged over up to ``half`` lines to either side of each."""
    running = np.concatenate([np.zeros(half + 1), np.cumsum(power)])
    running = np.concatenate([running, np.full(half, running[-1])])
    at = np.arange(len(power))
    count = np.minimum(at + half + 1, len(power)) - np.maximum(at - half, 0)
    return np.asarray((running[2 * half + 1 :] - running[: len(power)]) / count, dtype=np.float64)


def _by_band(power: Float, zone: Prepared) -> Float:
    """Return the largest of a spectrum in each band; where a band has no line, that of the line above it."""
    edges_hz = _LOWEST_HZ * 2.0 ** (np.arange(BANDS + 1) / BANDS_AN_OCTAVE)
    line = (edges_hz - zone.decimator.shift_hz) / zone.rate_hz * 2 * (len(power) - 1)
    at = np.clip(np.ceil(line).astype(int), 0, len(power) - 1)
    return np.asarray(np.maximum.reduceat(power, at)[:-1])


def background_of(taps: Sequence[Densities]) -> Background | None:
    """Return the background of a recording: the means over its taps, rounded to 0.1 dB; ``None`` without a tap.

    Parameters
    ----------
    taps
        One array for each tap, from :meth:`Behind.of_tap`.
    """
    if not len(taps):
        return None
    known = np.count_nonzero([of_tap[:, 0] for of_tap in taps], axis=0).tolist()
    totals = np.asarray(np.sum(taps, axis=0, dtype=np.float64)).tolist()
    there = [band for band, count in enumerate(known) if count]
    if not there:
        return None
    levels = [
        tuple(_level_db(totals[band][column], known[band]) for band in range(there[0], there[-1] + 1))
        for column in (0, 1)
    ]
    return Background(first_band=there[0], noise_db=levels[0], left_db=levels[1])


def _level_db(total: float, count: int) -> float | None:
    return round(10.0 * math.log10(total / count), 1) if count else None


def heard_db(background: Background, freq_hz: float, taps: int, within_cents: float = 60.0) -> float | None:
    """Return the energy of a mode that the taps of a recording would have shown with 95 %, in dB like ``energy_db``.

    Parameters
    ----------
    background
        That of the recording.
    freq_hz
        Where the mode is expected.
    taps
        Number of used taps, at least 1.
    within_cents
        How far it may be from there: the highest of the bands counts. Default 60.

    Returns
    -------
    float or None
        ``None`` where the background is not known.

    Examples
    --------
    >>> quiet = Background(first_band=20, noise_db=(-90.0,), left_db=(-90.0,))
    >>> [round(heard_db(quiet, 210.0, taps, 0.0), 1) for taps in (1, 5)], heard_db(quiet, 3000.0, 1) is None
    ([-65.7, -67.1], True)
    """
    reach = 2.0 ** (within_cents / 1200.0)
    heard = []
    for number in range(band_of(freq_hz / reach), band_of(freq_hz * reach) + 1):
        at = number - background.first_band
        noise_db = background.noise_db[at] if 0 <= at < len(background.noise_db) else None
        left_db = background.left_db[at] if 0 <= at < len(background.left_db) else None
        if noise_db is None or left_db is None:
            return None
        excess = max(10.0 ** ((left_db - noise_db) / 10.0), 1.0)
        heard.append(noise_db + 10.0 * math.log10(_least_ratio(round(excess, 3), taps)))
    return max(heard)


@cache
def _least_ratio(excess: float, taps: int) -> float:
    """Return the ratio of energy to noise density at which one of several taps lists a mode with 95 %."""
    from scipy.special import chndtrinc

    # Over a misfit, the statistic is divided by the excess, and scatters as it does in noise.
    return 2.0 * excess * float(chndtrinc(LEAST_OVER_MISFIT, 2.0, (1.0 - HEARD_WITH) ** (1.0 / taps)))
