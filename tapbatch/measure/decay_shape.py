"""What a formal error misses: decays that are not exponential, frequencies that glide, pairs fitted as one mode.

Real decays are seldom one clean exponential. So the early and the late part of each mode's decay are estimated
separately: with the other modes held, one Gauss-Newton step from the joint solution on the samples before and after
``n_s``. That sample splits the information on the decay in half (the median of ``n**2 exp(-2 delta n)``, at
``delta n = 1.34``).

Let ``d`` be the difference in ``(log delta, omega)`` and ``C`` its covariance. For a true exponential in the stated
noise, ``d^T C^-1 d`` is chi-square with 2 degrees of freedom. Where it exceeds what chance gives once in 3,000, half
the difference, less what noise contributes, is added to the standard errors; the interval then covers both parts. A
mode is flagged ``not-exponential`` if its decay differs by more than a quarter beyond chance, and ``glides`` if its
frequency differs by more than 3 cents beyond chance. Where the residual exceeds the noise, ``C`` is scaled to the
residual that remains after each half has taken its own step: a glide explains its own misfit, the tail of a room does
not. A residual line of at least a twelfth of the mode's amplitude beside it also sets the flag
(:func:`tapbatch.measure.candidates.left_beside`).

It cannot detect a gain that changes every decay alike, or anything within the first line width.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapbatch.measure.fit import Fit
from tapbatch.measure.geometric import Complex, Float, Samples, decays, power_sums, powers
from tapbatch.measure.misfit import MISFIT_IN_ONE, local_excess
from tapbatch.measure.prune import TapFit
from tapbatch.model.pitch import CENTS

HALF_KNOWN_AT = 1.337  # of delta n: the median of a gamma density of shape 3, over 2
_BY_CHANCE = 16.0  # chi-square, 2 degrees of freedom, exceeded once in 3,000
_BEYOND_DOUBT = 18.4  # once in 10,000
_BENT = float(np.log(1.25))
_GLIDE_CENTS = 3.0
_POWER = np.array([0, 0, 1, 1])  # power of n in the derivatives by Re c, Im c, log delta and omega
_OF_POWER = (slice(0, 2), slice(2, 4))  # the derivatives with power 0, and those with power 1


@dataclass(frozen=True, slots=True, eq=False)
class EarlyLate:
    """Late minus early for every mode, shape (K,), and what the difference adds to the standard errors."""

    log_delta: Float
    omega: Float
    chi2: Float
    extra_log_delta: Float
    extra_omega: Float
    bent: NDArray[np.bool_]
    glides: NDArray[np.bool_]


def early_late(tap: TapFit, shift_hz: float = 0.0) -> EarlyLate:
    """Estimate the early and the late part of each decay separately, and compare them.

    Parameters
    ----------
    tap
        A fit with at least one mode.
    shift_hz
        How much lower its frequencies are than in the recording, 0 by default.

    Returns
    -------
    EarlyLate
        In the order of the fit's modes; ``log_delta`` is limited to a factor of e either way.
    """
    fit = tap.fit
    delta = -np.log(np.abs(fit.poles))
    split = np.clip(np.round(HALF_KNOWN_AT / delta), 4, fit.length - 4).astype(int)
    early_info, late_info, early_slope, late_slope = _halves(tap, split)
    early_cov, late_cov = _inverses(early_info), _inverses(late_info)
    early, late = ((c @ s[:, :, None])[:, :, 0] for c, s in ((early_cov, early_slope), (late_cov, late_slope)))
    difference = (late - early)[:, 2:]
    excess = _left_by_halves(tap, split, early, late)
    cov = (early_cov + late_cov)[:, 2:, 2:] * excess[:, None, None]
    chi2 = np.einsum("ki,kij,kj->k", difference, _inverses(cov), difference)
    share = np.where(chi2 > _BY_CHANCE, np.sqrt(np.maximum(1.0 - 2.0 / np.maximum(chi2, 2.0), 0.0)), 0.0)
    # A linear step is not valid beyond a factor of e; a larger difference has no meaningful size.
    clipped = np.clip(difference[:, 0], -1.0, 1.0)
    cents = CENTS * np.abs(difference[:, 1]) / (np.angle(fit.poles) + 2 * np.pi * shift_hz / tap.rate_hz)
    single = np.abs(difference) / np.sqrt(np.maximum(np.diagonal(cov, axis1=1, axis2=2), 1e-300))
    return EarlyLate(
        log_delta=clipped,
        omega=difference[:, 1],
        chi2=chi2,
        extra_log_delta=share * np.abs(clipped) / 2,
        extra_omega=share * np.minimum(np.abs(difference[:, 1]), 4 * delta) / 2,
        bent=(chi2 > _BEYOND_DOUBT) & (np.abs(difference[:, 0]) > _BENT) & (single[:, 0] > 3.3),
        glides=(chi2 > _BEYOND_DOUBT) & (cents > _GLIDE_CENTS) & (single[:, 1] > 3.3),
    )


def _halves(tap: TapFit, split: NDArray[np.intp]) -> tuple[Float, Float, Float, Float]:
    """Return information (K, 4, 4) and gradient (K, 4) of ``Re c, Im c, log delta, omega``, early and late."""
    fit, residual = tap.fit, tap.residual
    u = _derivatives(fit)
    whole, early = (_products(u, fit.poles, length) for length in (np.full(fit.count, fit.length), split))
    slope = _slopes(u, *Samples(residual).moments(fit.poles))
    n = np.arange(split.max())
    table = powers(fit.poles, len(n)) * (residual[: len(n), None] * (n[:, None] < split))
    slope_early = _slopes(u, table.sum(axis=0), n @ table)
    return early, whole - early, slope_early, slope - slope_early


def _left_by_halves(tap: TapFit, split: NDArray[np.intp], early: Float, late: Float) -> Float:
    """Return the ratio of the variances to those of noise after each half has taken its own step, (K,)."""
    if (tap.excess == 1.0).all():
        return tap.excess
    fit, left = tap.fit, tap.residual.copy()
    # A step s adds Re((c0 + c1 n) z^n); where the halves differ, the late one is taken throughout and then mended.
    first, then = (np.stack([(s * _derivatives(fit))[:, at].sum(axis=1) for at in _OF_POWER]) for s in (early, late))
    n = np.arange(fit.length, dtype=np.float64)
    left -= decays(fit.poles, then[0], fit.length) + n * decays(fit.poles, then[1], fit.length)
    for pole, end, (c0, c1) in zip(fit.poles, split, (first - then).T, strict=True):
        left[:end] -= decays(pole[None], c0[None], end) + n[:end] * decays(pole[None], c1[None], end)
    return np.minimum(tap.excess, MISFIT_IN_ONE * local_excess(left, fit.poles, tap.rate_hz))


def _derivatives(fit: Fit) -> Complex:
    """Return ``u`` in the derivatives ``Re(u n^p z^n)`` of each mode, (K, 4)."""
    ones, delta = np.ones(fit.count), -np.log(np.abs(fit.poles))
    return np.stack([ones, 1j * ones, -delta * fit.weights, 1j * fit.weights], axis=1)


def _products(u: Complex, poles: Complex, length: NDArray[np.intp]) -> Float:
    """Return the inner products of the derivatives of each mode over its first ``length`` samples, (K, 4, 4)."""
    power = _POWER[:, None] + _POWER[None]
    plus, minus = (
        np.moveaxis(np.stack(power_sums(w, length))[power], 2, 0) for w in (poles * poles, poles * poles.conj())
    )
    table = u[:, :, None] * (u[:, None] * plus + u[:, None].conj() * minus)
    return np.asarray(table.real / 2, dtype=np.float64)


def _slopes(u: Complex, b0: Complex, b1: Complex) -> Float:
    """Return the inner products of the derivatives with the residual, (K, 4), from its moments."""
    return np.asarray((u * np.stack([b0, b1])[_POWER].T).real, dtype=np.float64)


def _inverses(matrices: Float) -> Float:
    """Invert positive matrices with mixed units, shape (K, m, m); a singular one gets its pseudo-inverse."""
    scale = 1.0 / np.sqrt(np.maximum(np.diagonal(matrices, axis1=1, axis2=2), 1e-100))
    scaled = matrices * scale[:, :, None] * scale[:, None]
    try:
        inverse = np.linalg.inv(scaled)
    except np.linalg.LinAlgError:
        inverse = np.full(scaled.shape, np.nan)
    # A valid inverse of a matrix with unit diagonal has a diagonal of at least 1.
    trusted = (np.diagonal(inverse, axis1=1, axis2=2) > 0.99).all(axis=1) & (inverse.max(axis=(1, 2)) < 1e9)
    if not trusted.all():
        inverse[~trusted] = np.linalg.pinv(scaled[~trusted], hermitian=True)
    return np.asarray(inverse * scale[:, :, None] * scale[:, None], dtype=np.float64)
