"""What a formal error does not know: decays that bend, frequencies that glide, pairs taken for one.

Real decays are seldom one clean exponential. For every fitted mode the early and the late part of its decay are asked
separately: with the other modes held, one Gauss-Newton step from the joint solution on the samples before and after
``n_s``, the sample at which half of what can be known of its decay has arrived
(the median of ``n**2 exp(-2 delta n)``, at ``delta n = 1.34``). Writing ``d`` for the difference of
``(log delta, omega)`` and ``C`` for its covariance, ``d^T C^-1 d`` is chi-square with 2 degrees of freedom for a true
exponential in the stated noise. Where it is more than chance would make once in 3,000, half the difference,
freed of what noise contributes, is added to the standard errors: the interval then spans early and late. A mode is
flagged ``not-exponential`` where its decay differs by more than a quarter, and ``glides`` where its frequency does by
more than 3 cents, beyond chance.

What this cannot see: a gain that bends every decay alike, and anything that happens within the first line width.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tapbatch.measure.geometric import Complex, Float, powers
from tapbatch.measure.prune import TapFit

HALF_KNOWN_AT = 1.337  # of delta n: the median of a gamma density of shape 3, over 2
_BY_CHANCE = 16.0  # chi-square, 2 degrees of freedom, exceeded once in 3,000
_BEYOND_DOUBT = 18.4  # once in 10,000
_BENT = float(np.log(1.25))
_GLIDE_CENTS = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class EarlyLate:
    """Differences late minus early of every mode, shape (K,), and what they add to the errors."""

    log_delta: Float
    omega: Float
    chi2: Float
    extra_log_delta: Float
    extra_omega: Float
    bent: np.ndarray
    glides: np.ndarray


def early_late(tap: TapFit, shift_hz: float = 0.0) -> EarlyLate:
    """Ask the early and the late part of each decay separately.

    Parameters
    ----------
    tap
        A fit with at least one mode.
    shift_hz
        How much lower than in the recording its frequencies are, 0 by default.
    """
    fit = tap.fit
    delta = -np.log(np.abs(fit.poles))
    split = np.clip(np.round(HALF_KNOWN_AT / delta), 4, fit.length - 4).astype(int)
    early_info, late_info, early_slope, late_slope = _halves(tap.residual, fit.poles, fit.weights, split)
    early_cov, late_cov = np.linalg.pinv(early_info), np.linalg.pinv(late_info)
    early = (early_cov @ early_slope[:, :, None])[:, 2:, 0]
    late = (late_cov @ late_slope[:, :, None])[:, 2:, 0]
    difference = late - early
    cov = (early_cov + late_cov)[:, 2:, 2:] * tap.excess[:, None, None]
    inverse = np.linalg.pinv(cov)
    chi2 = np.einsum("ki,kij,kj->k", difference, inverse, difference)
    share = np.where(chi2 > _BY_CHANCE, np.sqrt(np.maximum(1.0 - 2.0 / np.maximum(chi2, 2.0), 0.0)), 0.0)
    # A linear step cannot be trusted beyond a factor of e; more than that is bent beyond any number.
    clipped = np.clip(difference[:, 0], -1.0, 1.0)
    cents = 1200 / np.log(2) * np.abs(difference[:, 1]) / (np.angle(fit.poles) + 2 * np.pi * shift_hz / tap.rate_hz)
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


def _halves(
    residual: Float, poles: Complex, weights: Complex, split: np.ndarray
) -> tuple[Float, Float, Float, Float]:
    """Return information (K, 4, 4) and slope (K, 4) of ``Re c, Im c, log delta, omega``, early and late."""
    n = np.arange(len(residual))
    table = powers(poles, len(residual))
    delta = -np.log(np.abs(poles))
    pole_part = (n[:, None] * table) * weights
    columns = np.stack([table.real, -table.imag, -delta * pole_part.real, -pole_part.imag], axis=2)
    early = n[:, None] < split
    info_all = np.einsum("nki,nkj->kij", columns, columns, optimize=True)
    slope_all = np.einsum("nki,n->ki", columns, residual)
    masked = columns * early[:, :, None]
    info_early = np.einsum("nki,nkj->kij", masked, columns, optimize=True)
    slope_early = np.einsum("nki,n->ki", masked, residual)
    return info_early, info_all - info_early, slope_early, slope_all - slope_early
