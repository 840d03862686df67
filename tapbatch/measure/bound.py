"""The Cramér-Rao bound: the smallest standard errors that any unbiased estimate of a damped mode can reach.

Conventions: the model and unknowns of :mod:`tapbatch.measure.fit`. In white noise of variance ``sigma**2`` the Fisher
information of ``(Re c, Im c, log delta, omega)`` of all modes is ``F = J^T J / sigma**2``, in closed form through the
sums of :mod:`tapbatch.measure.geometric`. The bound on the poles is the lower right block of ``F**-1``, which equals
the inverse of the Schur complement ``D - E A**-1 E^T``. Independent taps with the same poles add their Schur
complements.

For a single mode recorded to its end, with ``rho`` its energy over the two-sided noise density,

    sd(T60)/T60 = 2/sqrt(rho),      sd(f) = ln(1000)/(pi T60 sqrt(rho)) = 2.2/(T60 sqrt(rho)) Hz

(Yao & Pandit, IEEE Trans. Signal Processing 43, 1995). The errors of its frequency and decay are uncorrelated. The
bound does not cover model errors, such as a missing neighbour or a decay that is not exponential.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from tapbatch.measure.fit import Fit
from tapbatch.measure.geometric import Complex, Float
from tapbatch.model.reading import LN_1000

_WHOLE = 48  # rows: up to here one call is cheaper than two
_MOST_VARIANCE = 1e9  # of a parameter, over its variance if all others were known; beyond it rounding decides


def lone_mode_bound(t60_s: float, energy_over_noise: float) -> tuple[float, float]:
    """Return the bounds ``(sd of f in Hz, sd of ln T60)`` of a single mode recorded to its end in white noise.

    Parameters
    ----------
    t60_s
        Decay time in seconds, above 0.
    energy_over_noise
        ``rho``: energy of the decay over the two-sided noise density, dimensionless, above 0; 60 dB is 1e6.

    Examples
    --------
    A worked value: at 187 Hz, T60 0.35 s and 60 dB, the bounds are 0.058 cent and 0.2 %.

    >>> sd_hz, sd_log = lone_mode_bound(0.35, 1e6)
    >>> round(1200 * math.log2(1 + sd_hz / 187), 3), round(100 * sd_log, 2)
    (0.058, 0.2)
    """
    root = math.sqrt(energy_over_noise)
    return LN_1000 / (math.pi * t60_s * root), 2.0 / root


@lru_cache(maxsize=2)
def covariance(fit: Fit) -> tuple[Float, Float]:
    """Return the covariance of the poles and of the amplitudes of a fit.

    Several callers ask about the same fit, so the last two answers are cached. Do not write to the arrays.

    Returns
    -------
    tuple
        ``poles`` of shape (2K, 2K), ordered ``log delta`` then ``omega`` (rad/sample); ``amplitudes`` of shape
        (K, 2, 2), the covariance of ``(Re c, Im c)`` of each mode.
    """
    modes, information = fit.count, fit.information
    linear = len(information) - 2 * modes
    count = linear // 2
    scaled, scale = _scaled(information)
    blocks = _blocks(scaled, linear)
    if blocks is None:
        inverse = _nearest_inverse(scaled) * scale[:, None] * scale
        pick = np.stack([np.arange(modes), count + np.arange(modes)], axis=1)
        return inverse[linear:, linear:], inverse[pick[:, :, None], pick[:, None, :]]
    poles, diagonal, beside = blocks
    amplitudes = np.empty((modes, 2, 2))
    amplitudes[:, 0, 0], amplitudes[:, 1, 1] = (diagonal * scale[:linear] ** 2).reshape(2, count)[:, :modes]
    amplitudes[:, 0, 1] = amplitudes[:, 1, 0] = (beside * scale[:count] * scale[count:linear])[:modes]
    return poles * scale[linear:, None] * scale[linear:], amplitudes


def _blocks(scaled: Float, linear: int) -> tuple[Float, Float, Float] | None:
    """Return the blocks of an inverse that are of use: those of the poles, and of each amplitude by itself.

    Parameters
    ----------
    scaled
        Information with a unit diagonal, amplitudes first.
    linear
        How many rows belong to amplitudes: all real parts, then all imaginary parts.

    Returns
    -------
    tuple or None
        The block of the poles; the diagonal of that of the amplitudes; and the covariance of the real and imaginary
        part of each. ``None`` if the matrix is singular, or nearly.
    """
    a, e, d = scaled[:linear, :linear], scaled[linear:, :linear], scaled[linear:, linear:]
    count = linear // 2
    try:
        if len(scaled) <= _WHOLE:
            whole = np.asarray(np.linalg.inv(scaled), dtype=np.float64)
            return _if_sound(
                whole[linear:, linear:], np.diagonal(whole)[:linear], np.diagonal(whole, offset=count)[:count]
            )
        alone = np.linalg.inv(a)
        taken = e @ alone
        poles = np.asarray(np.linalg.inv(d - taken @ e.T), dtype=np.float64)
    except np.linalg.LinAlgError:
        return None
    spread = poles @ taken
    diagonal: Float = np.diagonal(alone) + (taken * spread).sum(axis=0)
    beside: Float = np.diagonal(alone, offset=count) + (taken[:, :count] * spread[:, count:]).sum(axis=0)
    return _if_sound(poles, diagonal, beside)


def _if_sound(poles: Float, diagonal: Float, beside: Float) -> tuple[Float, Float, Float] | None:
    return (poles, diagonal, beside) if _are_sound(np.concatenate([np.diagonal(poles), diagonal])) else None


def _scaled(information: Float) -> tuple[Float, Float]:
    """Return an information matrix scaled to a unit diagonal, and the factor of each parameter."""
    scale = 1.0 / np.sqrt(np.maximum(np.diagonal(information), 1e-300))
    return information * scale[:, None] * scale, scale


def damped_inverse(information: Float, damping: float) -> Float:
    """Return the inverse of an information matrix, shape (n, n), which is damped slightly so that it has one.

    Parameters
    ----------
    information
        Symmetric, shape (n, n).
    damping
        What is added to its diagonal, as a share of it.

    Examples
    --------
    >>> damped_inverse(np.array([[2.0, 0.0], [0.0, 4.0]]), 1e-9).round(6).tolist()
    [[0.5, 0.0], [0.0, 0.25]]
    """
    scaled, scale = _damped(information, damping)
    return np.asarray(np.linalg.inv(scaled) * scale[:, None] * scale)


def damped_solution(information: Float, right: Float, damping: float) -> Float:
    """Return the solution, shape (n,), of equations with an information matrix, damped as in :func:`damped_inverse`.

    Parameters
    ----------
    information
        Symmetric, shape (n, n).
    right
        The right side, shape (n,).
    damping
        What is added to the diagonal, as a share of it.

    Examples
    --------
    >>> damped_solution(np.array([[2.0, 0.0], [0.0, 4.0]]), np.array([1.0, 2.0]), 1e-9).round(6).tolist()
    [0.5, 0.5]
    """
    scaled, scale = _damped(information, damping)
    return np.asarray(np.linalg.solve(scaled, right * scale) * scale)


def _damped(information: Float, damping: float) -> tuple[Float, Float]:
    scaled, scale = _scaled(information)
    scaled.flat[:: len(scaled) + 1] += damping
    return scaled, scale


def _are_sound(variances: Float) -> bool:
    """Tell whether variances can be those of a matrix with unit diagonal: at least 1, and not beyond rounding."""
    return bool(np.isfinite(variances).all() and variances.min() > 0.99 and variances.max() < _MOST_VARIANCE)


def inverse_of(information: Float) -> Float:
    """Invert a whole information matrix; unknown directions get a large variance, never a negative one.

    Parameters
    ----------
    information
        Symmetric, shape (n, n), from :attr:`tapbatch.measure.fit.Fit.information`.

    Examples
    --------
    >>> inverse_of(np.array([[2.0, 0.0], [0.0, 4.0]])).tolist()
    [[0.5, 0.0], [0.0, 0.25]]
    """
    scaled, scale = _scaled(information)
    try:
        inverse = np.asarray(np.linalg.inv(scaled), dtype=np.float64)
        sound = bool(np.isfinite(inverse).all()) and _are_sound(np.diagonal(inverse))
    except np.linalg.LinAlgError:
        sound = False
    if not sound:
        inverse = _nearest_inverse(scaled)
    return inverse * scale[:, None] * scale


def _nearest_inverse(scaled: Float) -> Float:
    """Invert an information matrix; unknown directions get a large variance, never a negative one."""
    values, vectors = np.linalg.eigh(scaled)
    return np.asarray((vectors / np.maximum(values, 1e-12)) @ vectors.T, dtype=np.float64)


def wald(weights: Complex, amplitudes: Float) -> Float:
    """Return the Wald statistic of each mode, shape (K,).

    Without the mode it follows a chi-square distribution with 2 degrees of freedom.

    Parameters
    ----------
    weights
        Complex amplitudes, shape (K,).
    amplitudes
        Their covariances, shape (K, 2, 2), from :func:`covariance`.

    Examples
    --------
    >>> wald(np.array([3.0 + 4.0j]), np.eye(2)[None]).tolist()
    [25.0]
    """
    vector = np.stack([weights.real, weights.imag], axis=1)
    solved = np.linalg.solve(amplitudes, vector[:, :, None])[:, :, 0]
    return np.asarray((vector * solved).sum(axis=1), dtype=np.float64)
