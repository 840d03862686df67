"""Fit an exponential decay and a noise floor to the energy in blocks.

Conventions: time runs from the first block. The expected mean square of a block of ``block_s`` seconds that begins at
``t`` is

    mu(t) = start_power exp(-rate t) + floor_power,      t60_s = 2 ln(1000) / rate,

(Karjalainen, Antsalo, Mäkivirta, Peltonen & Välimäki, J. Audio Eng. Soc. 50(11), 867-878, 2002: model the floor
instead of cutting the decay before it). A straight line through decibels gives every block the same weight and
mistakes the floor for a slower decay; least squares on the energy is governed by the first few blocks. The energy of
a block of noise follows a chi-square distribution, so the likelihood is that of a gamma distribution with shape
``1/variance`` for each block. The relative variance of a block is the sum of

- noise, alone and on a tone: ``(2 F**2 + 4 F S) / (dof mu**2)`` for decay S and floor F (the variance of a
  non-central chi-square, with ``dof = 2 bandwidth block_s``);
- misfit: ``(S/mu)**2`` times a fraction estimated from the residuals. Two or three modes in a band beat, and no block
  of such a decay is known better than its beat allows.

The floor enters twice: through the blocks, and as measured in stretches where nothing rings. The latter counts as
known to 15 % at best, because the noise in a room is not steady.

Several bands are fitted side by side in arrays of shape (bands, blocks), padded with blocks of zero weight. The
matrices are small, so all bands of several taps together cost little more than one. No band depends on the others.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapbatch.model.reading import LN_1000

Float = NDArray[np.float64]

_LEAST_BLOCKS = 6
_FLOOR_LOG_SD = 0.15
_UNKNOWN_FLOOR_LOG_SD = 2.0
_LEAST_VARIANCE = 1e-5
_LOWEST_FLOOR = 1e-11
_STEPS = (5, 4, 12)
_SETTLED = (5e-2, 2e-2, 1e-3)
_MEMORY = 0.25
_ROUNDING = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Blocks:
    """The data of one band: mean square of each block, and of the noise.

    ``power`` has shape (n,), all values at least 0; ``dof`` is the degrees of freedom of the noise in one block,
    twice the bandwidth times ``block_s``. ``noise_power`` is the mean square of the noise, measured with
    ``noise_dof`` degrees of freedom (100 by default), or ``None`` if unknown (the default): then only the last
    blocks show the floor.
    """

    power: Float
    block_s: float
    dof: float
    noise_power: float | None = None
    noise_dof: float = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DecayFit:
    """An exponential decay on a floor; ``t60_log_se`` is the standard error of ``ln t60_s``.

    ``start_power`` is the mean square of the decay in the first block.
    """

    start_power: float
    floor_power: float
    t60_s: float
    t60_log_se: float

    @property
    def range_db(self) -> float:
        """How far the decay starts above its floor, in decibels."""
        return 10 * math.log10(self.start_power / self.floor_power)


def fit_decays(bands: Sequence[Blocks]) -> list[DecayFit | None]:
    """Fit a decay and a floor to each band.

    Returns
    -------
    list of DecayFit or None
        In the order of ``bands``; ``None`` for fewer than six blocks, or if nothing decays.

    Examples
    --------
    >>> t = 0.01 * np.arange(100)
    >>> power = 1e-3 * 10 ** (-60 * t / 10 / 0.5) + 1e-8
    >>> (found,) = fit_decays([Blocks(power=power, block_s=0.01, dof=20.0, noise_power=1e-8)])
    >>> found is not None and (round(found.t60_s, 4), round(found.range_db, 2))
    (0.5, 50.0)
    """
    found: list[DecayFit | None] = [None] * len(bands)
    loudest = [float(b.power.max()) if len(b.power) >= _LEAST_BLOCKS else 0.0 for b in bands]
    bands = [b if peak <= 0 else _scaled(b, peak) for b, peak in zip(bands, loudest, strict=True)]
    floors = [_floor_known(b) if peak > 0 else None for b, peak in zip(bands, loudest, strict=True)]
    starts = [None if f is None else _start(b.power, math.exp(f[0])) for b, f in zip(bands, floors, strict=True)]
    chosen = [i for i, start in enumerate(starts) if start is not None]
    if not chosen:
        return found
    side = _side_by_side([bands[i] for i in chosen], np.array([floors[i] for i in chosen]))
    theta = np.array([starts[i] for i in chosen])
    shape = 0.5 * side.dof * side.weight
    for steps, settled in zip(_STEPS, _SETTLED, strict=True):
        theta = _climbed(theta, side, shape, steps, settled)
        if settled != _SETTLED[-1]:
            shape = _shapes(theta, side)
    log_se = _log_se(theta, side, shape)
    for n, i in enumerate(chosen):
        start, rate, floor = np.exp(theta[n])
        found[i] = DecayFit(
            start_power=float(start) * loudest[i],
            floor_power=float(floor) * loudest[i],
            t60_s=float(2 * LN_1000 / rate * bands[i].block_s),
            t60_log_se=float(log_se[n]),
        )
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """Bands side by side: ``power`` and ``weight`` (0 in padding) of shape (bands, blocks), the rest (bands, 1)."""

    power: Float
    weight: Float
    blocks: Float
    dof: Float
    log_floor: Float
    floor_weight: Float


def _side_by_side(bands: Sequence[Blocks], floors: Float) -> _Side:
    longest = max(len(b.power) for b in bands)
    power, weight = np.ones((2, len(bands), longest))
    for n, band in enumerate(bands):
        power[n, : len(band.power)] = band.power
        weight[n, len(band.power) :] = 0.0
    dof = np.array([[b.dof] for b in bands])
    blocks = np.arange(longest, dtype=np.float64)
    return _Side(power, weight, blocks, dof, floors[:, :1], floors[:, 1:])


def _scaled(band: Blocks, peak: float) -> Blocks:
    """Scale a band so that its loudest block is 1; the result does not depend on the loudness of the sound."""
    noise_power = None if band.noise_power is None else band.noise_power / peak
    return replace(band, power=band.power / peak, noise_power=noise_power)


def _floor_known(band: Blocks) -> tuple[float, float]:
    """Return the logarithm of the floor and the inverse of its variance, as known before the fit."""
    if band.noise_power is None:
        end = float(band.power[-max(3, len(band.power) // 10) :].mean())
        return math.log(max(0.5 * end, _LOWEST_FLOOR)), 1 / _UNKNOWN_FLOOR_LOG_SD**2
    return math.log(max(band.noise_power, _LOWEST_FLOOR)), 1 / (_FLOOR_LOG_SD**2 + 2 / band.noise_dof)


def _start(power: Float, floor: float) -> Float | None:
    """Return rough ``ln`` of start power, rate per block and floor, from where the level has fallen by ``e**-2``."""
    smooth = (power[:-2] + power[1:-1] + power[2:]) / 3
    start = float(smooth[:2].max()) - floor
    if start <= 0.1 * floor:
        return None
    fallen = np.flatnonzero(smooth - floor < math.exp(-2) * start)
    rate = 2 / max(int(fallen[0]), 1) if len(fallen) else 1 / len(power)
    return np.asarray(np.log([start, rate, floor]), dtype=np.float64)


def _model(theta: Float, blocks: Float) -> tuple[Float, Float]:
    """Return the expected mean squares (bands, blocks) and the derivatives of their logarithms (bands, 3, blocks)."""
    start, rate, floor = np.exp(theta.T)[:, :, None]
    fall = rate * blocks
    slopes = np.empty((len(theta), 3, len(blocks)))
    mean = start * np.exp(-fall)
    share = slopes[:, 0]
    share[:] = mean
    mean += floor
    share /= mean
    np.multiply(-fall, share, out=slopes[:, 1])
    np.subtract(1, share, out=slopes[:, 2])
    return mean, slopes


def _climbed(theta: Float, side: _Side, shape: Float, steps: int, settled: float) -> Float:
    """Return the parameters that maximise the gamma likelihood: Fisher scoring, damped where a step overshoots."""
    mean, slopes = _model(theta, side.blocks)
    best = _log_likelihood(theta, mean, side, shape)
    damping, going = np.zeros(len(theta)), np.ones(len(theta), dtype=bool)
    for _ in range(steps):
        information, weighted = _information(slopes, side, shape)
        score = (weighted @ (side.power / mean - 1)[:, :, None])[:, :, 0]
        score[:, 2] -= side.floor_weight[:, 0] * (theta[:, 2] - side.log_floor[:, 0])
        information[:, (0, 1, 2), (0, 1, 2)] *= 1 + damping[:, None]
        step = np.clip(np.linalg.solve(information, score[:, :, None])[:, :, 0], -1.5, 1.5)
        tried = theta + step
        mean_tried, slopes_tried = _model(tried, side.blocks)
        value = _log_likelihood(tried, mean_tried, side, shape)
        better = going & (value >= best - _ROUNDING * np.abs(best))
        damping = np.where(better, damping / 8, np.maximum(4 * damping, 0.1))
        if better.all():
            theta, mean, slopes, best = tried, mean_tried, slopes_tried, value
        else:
            theta = np.where(better[:, None], tried, theta)
            mean = np.where(better[:, None], mean_tried, mean)
            slopes = np.where(better[:, None, None], slopes_tried, slopes)
            best = np.where(better, value, best)
        # A band that so small a step does not improve has converged. It stays where it is, whatever the others do.
        going &= np.abs(step).max(axis=1) >= settled
        if not going.any():
            break
    return theta


def _information(slopes: Float, side: _Side, shape: Float) -> tuple[Float, Float]:
    """Return the information matrices (bands, 3, 3) and the weighted derivatives (bands, 3, blocks)."""
    weighted = slopes * shape[:, None, :]
    information = weighted @ slopes.transpose(0, 2, 1)
    information[:, 2, 2] += side.floor_weight[:, 0]
    # The matrix must be invertible even without information on a parameter (a decay gone after one block).
    information[:, (0, 1, 2), (0, 1, 2)] += 1e-6
    return information, weighted


def _log_likelihood(theta: Float, mean: Float, side: _Side, shape: Float) -> Float:
    blocks = np.einsum("bn,bn->b", shape, np.log(mean) + side.power / mean)
    off = theta[:, 2] - side.log_floor[:, 0]
    return np.asarray(-blocks - 0.5 * side.floor_weight[:, 0] * off**2, dtype=np.float64)


def _shapes(theta: Float, side: _Side) -> Float:
    """Return the shape of each block: the inverse of its variance from noise and from the misfit in the residuals."""
    mean, slopes = _model(theta, side.blocks)
    share = slopes[:, 0]
    rest = 1 - share
    noise = (2 * rest**2 + 4 * rest * share) / side.dof + _LEAST_VARIANCE
    squared = share**2 * side.weight
    # Where the decay is above the floor, the excess over the noise is misfit.
    excess = (side.power / mean - 1) ** 2 - noise
    total = np.maximum((squared**2).sum(axis=1), 1e-9)
    misfit = np.maximum((squared * excess).sum(axis=1) / total, 0.0)
    return np.asarray(side.weight / (noise + squared * misfit[:, None]), dtype=np.float64)


def _log_se(theta: Float, side: _Side, shape: Float) -> list[float]:
    """Return the standard errors of ``ln t60``: from the information or from the residuals, whichever is larger.

    Beats correlate neighbouring residuals. Their contribution is the sandwich estimate with a Bartlett window (Newey
    & West, Econometrica 55, 703-708, 1987) over a quarter of the blocks in which the decay stands out. The residuals
    are corrected for the leverage of their own block, and the error is widened like Student's t where those blocks
    are few. In simulated octaves with one to six modes of equal decay, the 95 % intervals covered the truth 83 to
    99 % of the time, 93 % on average. Coverage was lowest where the noise leaves few blocks and the beat is slower
    than the decay, which no method can detect.
    """
    mean, slopes = _model(theta, side.blocks)
    information, weighted = _information(slopes, side, shape)
    inverse = np.linalg.inv(information)
    leverage = np.einsum("bin,bij,bjn->bn", weighted, inverse, slopes, optimize=True)
    influences = (inverse[:, 1:2] @ weighted)[:, 0] * (side.power / mean - 1) / np.maximum(1 - leverage, 0.1)
    seen_blocks = (slopes[:, 0] * side.weight).sum(axis=1)
    errors = []
    for n, influence in enumerate(influences):
        seen = float(seen_blocks[n])
        reach = max(1, min(round(_MEMORY * seen), len(influence) - 1))
        # The autocovariances come from the spectrum; padding makes them free of wrap-around.
        spectrum = np.abs(np.fft.rfft(influence, 2 * len(influence))) ** 2
        covariances = np.fft.irfft(spectrum)[: reach + 1]
        total = float(covariances[0] + 2 * covariances[1:] @ (1 - np.arange(1, reach + 1) / (reach + 1)))
        scatter = max(total, 0.0) * (1 + 2.4 / max(seen - 2, 1.0)) ** 2
        of_floor = float(inverse[n, 1, 2] ** 2 * side.floor_weight[n, 0])
        errors.append(math.sqrt(max(scatter + of_floor, float(inverse[n, 1, 1]))))
    return errors
