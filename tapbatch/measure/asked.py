"""Ask the kept taps of a stage for a mode that was heard at another, and say how strong it would have to be.

Conventions: those of :mod:`tapbatch.measure.fit`; energies in dB as in ``Mode.energy_db``.

Each tap is asked on a grid of frequencies around the expected one, because a mode moves from stage to stage, with its
decay as it was. What counts is the part of the decay that the modes of the tap cannot imitate by changing their
amplitudes, frequencies and decays: with these directions projected out, the statistic of the amplitude is a
quadratic form in two numbers, and chi-square with 2 degrees of freedom where nothing rings. As in
:mod:`tapbatch.measure.all_taps`, it is divided by 10 times the excess where more than noise is left around it. The
statistics of ``n`` taps are added. Something is there if so large a sum at any of the ``M`` frequencies has a
probability below 1 in 100,000 in noise, divided by ``M``.

The same projection gives how much the sum grows with the energy of a mode. The energy that would have been heard is
the one at which the non-central chi-square distribution with ``2 n`` degrees of freedom passes that threshold with
95 %. For six clean taps it lies about 11 dB over the noise density.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tapbatch.measure.background import HEARD_WITH
from tapbatch.measure.geometric import Complex, Float
from tapbatch.measure.kept_taps import KeptTap, KeptTaps, zone_of
from tapbatch.measure.misfit import against_misfit, left_around
from tapbatch.model.reading import LN_1000

BY_CHANCE = 1e-5
SEARCH_CENTS = 60.0
"""How far from the expected frequency a mode is looked for."""

_NEAR_CENTS = 20.0  # the limit is the highest within this
_MOST_POINTS = 81
_STEP_WIDTHS = 0.5  # of a line


@dataclass(frozen=True, slots=True)
class Answer:
    """Whether something rings near the frequency asked for, and the energy heard with 95 %, in dB."""

    is_heard: bool
    limit_db: float


def ask(kept: Sequence[KeptTaps], freq_hz: float, t60_s: float) -> Answer | None:
    """Ask kept taps for a mode.

    Parameters
    ----------
    kept
        What is kept of the recordings of a stage.
    freq_hz, t60_s
        The mode as it is expected there.

    Returns
    -------
    Answer or None
        ``None`` if no tap can be asked at this frequency.
    """
    from scipy.special import chdtri, chndtrinc

    grid_hz = _grid_hz(freq_hz, t60_s)
    answers = [
        answer
        for recording in kept
        for tap in recording.taps
        if (answer := _of_tap(recording, tap, grid_hz, t60_s)) is not None
    ]
    if not answers:
        return None
    dof = 2.0 * len(answers)
    least = float(chdtri(dof, BY_CHANCE / len(grid_hz)))
    said, growth = (np.sum(each, axis=0) for each in zip(*answers, strict=True))
    needed = float(chndtrinc(least, dof, 1.0 - HEARD_WITH))
    near = np.abs(np.log2(grid_hz / freq_hz)) * 1200.0 <= _NEAR_CENTS + 1e-9
    return Answer(bool((said > least).any()), 10.0 * math.log10(needed / max(float(growth[near].min()), 1e-300)))


def _grid_hz(freq_hz: float, t60_s: float) -> Float:
    """Return the frequencies to ask at: half a line apart, the expected one in the middle."""
    step_cents = 1200.0 * math.log2(1.0 + _STEP_WIDTHS * LN_1000 / (math.pi * t60_s) / freq_hz)
    each_way = min(math.ceil(SEARCH_CENTS / step_cents), _MOST_POINTS // 2)
    cents = np.arange(-each_way, each_way + 1) * min(step_cents, SEARCH_CENTS / each_way)
    return np.asarray(freq_hz * 2.0 ** (cents / 1200.0), dtype=np.float64)


def _of_tap(recording: KeptTaps, tap: KeptTap, grid_hz: Float, t60_s: float) -> tuple[Float, Float] | None:
    """Return the statistics of a tap on the grid, and how much they grow with energy, in 1/((full scale)^2 s).

    ``None`` if the grid is not in the tap's zone.
    """
    zone = zone_of(recording, tap)
    decimator, noise = zone.decimator, zone.noise
    if not decimator.holds(float(grid_hz[len(grid_hz) // 2])):
        return None
    rate_hz, samples = zone.rate_hz, tap.samples.astype(np.float64) * tap.step
    poles = np.exp((-LN_1000 / t60_s + 2j * np.pi * (grid_hz - decimator.shift_hz)) / rate_hz)
    basis = _tangents(tap.poles, noise.hum_poles, len(samples))
    residual = samples - basis @ (basis.T @ samples)
    said, growth, left = np.empty((3, len(poles)))
    for i, column in enumerate(poles):
        ring = column ** np.arange(len(samples))
        pair = np.stack([ring.real, ring.imag], axis=1)
        pair -= basis @ (basis.T @ pair)
        gram = pair.T @ pair
        answer = pair.T @ residual
        # Beside a mode, nothing is left of the pair but rounding.
        regular = gram + 1e-9 * np.eye(2) * np.trace(gram) + 1e-12 * np.eye(2)
        weights = np.linalg.solve(regular, answer)
        said[i], growth[i] = float(answer @ weights), float(np.linalg.eigvalsh(gram)[0])
        left[i] = left_around(residual - pair @ weights, poles[i : i + 1])[0]
    against = against_misfit(left)
    # A mode of the energy E has the amplitude sqrt(4 delta E), in samples times what filters and whitener do to it.
    gain = np.abs(noise.gain(poles) * decimator.gain(poles)) ** 2 * tap.scale**2
    return said * against, growth * against * 4.0 * (LN_1000 / t60_s) * gain


def _tangents(poles: Complex, hum: Complex, length: int) -> Float:
    """Return an orthonormal basis of all that modes and mains lines can imitate, shape (length, 4 K + 2 H)."""
    n = np.arange(length)[:, None]
    rings, lines = poles[None] ** n, hum[None] ** n
    slopes = n * rings
    columns = np.concatenate([rings, slopes / np.abs(slopes).max(axis=0, initial=1.0), lines], axis=1)
    basis, _ = np.linalg.qr(np.concatenate([columns.real, columns.imag], axis=1))
    return np.asarray(basis, dtype=np.float64)
