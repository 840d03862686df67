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
    size, modes = len(fit.information), fit.count
    inverse = inverse_of(fit.information)
    linear = (size - 2 * modes) // 2
    pick = np.stack([np.arange(modes), linear + np.arange(modes)], axis=1)
    return inverse[-2 * modes :, -2 * modes :], inverse[pick[:, :, None], pick[:, None, :]]


def inverse_of(information: Float) -> Float:
    """Invert an information matrix; unknown directions get a large variance, never a negative one."""
    scale = 1.0 / np.sqrt(np.maximum(np.diagonal(information), 1e-300))
    scaled = information * scale[:, None] * scale
    try:
        inverse = np.linalg.inv(scaled)
        # A valid inverse of a matrix with unit diagonal has a diagonal of at least 1.
        sound = bool(np.isfinite(inverse).all() and (np.diagonal(inverse) > 0.99).all() and inverse.max() < 1e9)
    except np.linalg.LinAlgError:
        sound = False
    if not sound:
        values, vectors = np.linalg.eigh(scaled)
        inverse = (vectors / np.maximum(values, 1e-12)) @ vectors.T
    return np.asarray(inverse * scale[:, None] * scale, dtype=np.float64)


def pole_information(fit: Fit) -> Float:
    """Return the information on the poles when the amplitudes are unknown, shape (2K, 2K): the Schur complement.

    For taps with the same poles, add these matrices; the inverse of the sum is the joint bound.
    """
    modes = fit.count
    linear = len(fit.information) - 2 * modes
    a, e, d = fit.information[:linear, :linear], fit.information[linear:, :linear], fit.information[linear:, linear:]
    return np.asarray(d - e @ np.linalg.solve(a, e.T), dtype=np.float64)


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
