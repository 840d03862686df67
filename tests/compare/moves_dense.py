"""The sums of a comparison again, by brute force, with nothing of the product but the figures of its priors.

The textbook densities come from :mod:`scipy.stats`; the grids are dense and even: 61 ``so``, 61 ``sc`` and 1,201 of
what moved alike. Slow; for a few contrasts only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Prior:
    """The figures of the frequency prior, stated once more."""

    common_scale: float = 1.8
    own_scale: float = 0.4
    own_cuts: tuple[float, float] = (4.0, 16.0)
    common_cut: float = 12.0
    shares: tuple[tuple[float, float], ...] = ((0.03, 0.4), (0.2, 0.35), (0.5, 0.25))
    common_share: float = 0.4


@dataclass(frozen=True)
class Differences:
    """Differences, their own variances and degrees of freedom (modes,), the common variance, and ``1/R1 + 1/R2``."""

    d: Floats
    v: Floats
    dof: Floats
    common: float
    w: float


def own_interval(of: Differences, mode: int, prior: Prior = Prior()) -> tuple[float, float]:
    """Return the 95 % interval of the own move of one mode, judged against the others."""
    so = np.geomspace(0.02, 20.0, 61)
    weights_so = so**3 * (1.0 + (so / prior.own_scale) ** 2 / 4.0) ** -3.5
    alike = np.linspace(of.d.min() - 30.0, of.d.max() + 30.0, 1201)
    posterior = weights_so[:, None] * _alike(of, alike, prior)
    others = [k for k in range(len(of.d)) if k != mode]
    posterior = posterior * sum(
        chance * np.prod([_one(of, k, alike, so, q, prior) for k in others], axis=0) for q, chance in prior.shares
    )
    posterior = posterior / posterior.sum()

    def below(u: float) -> float:
        total = of.v[mode] + of.w * so**2
        dof = of.dof[mode] * (total / of.v[mode]) ** 2
        z = (u - of.d[mode] + alike) / np.sqrt(total)[:, None]
        return float((posterior * stats.t.cdf(z, dof[:, None])).sum())

    return _bounds(below, float(of.d[mode] - (posterior @ alike).sum()))


def common_interval(of: Differences, prior: Prior = Prior()) -> tuple[float, float]:
    """Return the 95 % interval of what all modes moved alike, set-ups left out."""
    so = np.geomspace(0.02, 20.0, 61)
    weights_so = so**3 * (1.0 + (so / prior.own_scale) ** 2 / 4.0) ** -3.5
    alike = np.linspace(of.d.min() - 60.0, of.d.max() + 60.0, 2401)
    told = sum(
        chance * np.prod([_one(of, k, alike, so, q, prior) for k in range(len(of.d))], axis=0)
        for q, chance in prior.shares
    )
    posterior = (weights_so @ told) * _alike(of, alike, prior)
    posterior = posterior / posterior.sum()
    sc, weights = _common(prior)
    sd = np.sqrt(of.w * sc**2 + of.common)
    return _bounds(
        lambda u: float(posterior @ stats.norm.cdf((u - alike)[:, None] / sd) @ weights), float(of.d.mean())
    )


def common_half(of: Differences, prior: Prior = Prior()) -> float:
    """Return half the width of the 95 % interval of a common shift that is read without error."""
    sc, weights = _common(prior)
    sd = np.sqrt(of.w * sc**2 + of.common)
    return _bounds(lambda u: float(weights @ stats.norm.cdf(u / sd)), 0.0)[1]


def _one(of: Differences, k: int, alike: Floats, so: Floats, q: float, prior: Prior) -> Floats:
    off, total = of.d[k] - alike, of.v[k] + of.w * so**2
    dof = of.dof[k] * (total / of.v[k]) ** 2
    narrow = stats.t.pdf(off / np.sqrt(total)[:, None], dof[:, None]) / np.sqrt(total)[:, None]
    wide = sum(0.5 * stats.norm.pdf(off, 0.0, np.sqrt(total + s * s)[:, None]) for s in prior.own_cuts)
    return np.asarray((1.0 - q) * narrow + q * wide)


def _alike(of: Differences, alike: Floats, prior: Prior) -> Floats:
    sc, weights = _common(prior)
    still = of.w * sc[:, None] ** 2 + of.common
    density = (1.0 - prior.common_share) * stats.norm.pdf(alike, 0.0, np.sqrt(still))
    density = density + prior.common_share * stats.norm.pdf(alike, 0.0, np.sqrt(still + prior.common_cut**2))
    return np.asarray(weights @ density)


def _common(prior: Prior) -> tuple[Floats, Floats]:
    sc = np.geomspace(0.02, 100.0, 61)
    weights = sc * stats.t.pdf(sc / prior.common_scale, 3.0)
    return sc, np.asarray(weights / weights.sum())


def _bounds(below: object, middle: float) -> tuple[float, float]:
    found = [optimize.brentq(lambda u, p=p: below(u) - p, middle - 60.0, middle + 60.0) for p in (0.025, 0.975)]  # type: ignore[operator]
    return float(found[0]), float(found[1])
