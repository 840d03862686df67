"""Close pairs in several taps, re-estimated around the poles that the taps share.

Conventions: those of :mod:`tapbatch.measure.fit`; a close pair is two lines within each other's width.

For two lines this close, one tap's likelihood is not parabolic over its own errors. The tap's estimate is biased, and
the covariance used to weight it depends on that estimate. A mean over several taps then loses a tenth of its
accuracy, however it is weighted. Around the mean, which is closer to the truth than any single tap, each tap's
likelihood is parabolic again. One Gauss-Newton step from there is the tap's estimate, with the information at that
point as its weight; the mean of these estimates maximises the likelihood of all taps together (Fisher scoring, Proc.
Camb. Phil. Soc. 22, 1925).

This is done only where the residual beside the pair is noise alone and the taps agree to within chance. Pairs that
vary from tap to tap by more than the noise keep each tap's own estimate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tapbatch.measure.bound import covariance
from tapbatch.measure.chance import chance_beyond
from tapbatch.measure.fit import fit_modes
from tapbatch.measure.geometric import Complex, Float, Samples
from tapbatch.measure.prune import TapFit, beats, model_of

_BY_CHANCE = 1e-5  # probability that taps with the same poles are taken to disagree


def together(taps: Sequence[TapFit | None]) -> list[TapFit | None]:
    """Return the fits of one recording's taps, with shared close pairs re-estimated around their common poles.

    Parameters
    ----------
    taps
        Fits of one zone, in any order; ``None`` where there is none.

    Returns
    -------
    list of TapFit or None
        In the same order; unchanged where fewer than two taps have the pair.
    """
    result = list(taps)
    for members in _shared_pairs(taps):
        common = _mean(taps, members)
        if common is None:
            continue
        for tap, pair in members:
            found = result[tap]
            assert found is not None
            result[tap] = _about(found, pair, common)
    return result


Members = list[tuple[int, list[int]]]
"""Tap indices, each with the places of the pair's two lines in that tap's fit, lower line first."""


def _shared_pairs(taps: Sequence[TapFit | None]) -> list[Members]:
    """Return the pairs found in at least two taps, at most one from each tap; groups of three lines are left out."""
    groups: list[tuple[float, float, Members]] = []
    for tap, found in enumerate(taps):
        if found is None:
            continue
        for pair in _clean_pairs(found):
            middle, width = _middle(found.fit.poles[pair])
            near = [g for g in groups if abs(g[0] - middle) < min(width, g[1]) / 2 and g[2][-1][0] != tap]
            if near:
                near[0][2].append((tap, pair))
            else:
                groups.append((middle, width, [(tap, pair)]))
    return [members for _, _, members in groups if len(members) > 1]


def _clean_pairs(found: TapFit) -> list[list[int]]:
    order = np.argsort(np.angle(found.fit.poles), kind="stable")
    beating = beats(found.fit)[order] & (found.excess[order] == 1.0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], beating.astype(np.int8), [0]])))
    return [[int(order[a]), int(order[a + 1])] for a, b in edges.reshape(-1, 2) if b - a == 2]


def _middle(pair: Complex) -> tuple[float, float]:
    return float(np.angle(pair).mean()), float(-2.0 * np.log(np.abs(pair)).max())


def _unknowns(poles: Complex) -> Float:
    return np.concatenate([np.log(-np.log(np.abs(poles))), np.angle(poles)])


def _mean(taps: Sequence[TapFit | None], members: Members) -> Float | None:
    """Return ``log delta`` and ``omega`` of both lines, (4,), averaged over the taps.

    ``None`` if the taps disagree, or if one of them has no information on the pair.
    """
    try:
        said = [_said(taps[tap], pair) for tap, pair in members]
        total = np.sum([info for _, info in said], axis=0)
        mean = np.linalg.solve(total, np.sum([info @ x for x, info in said], axis=0))
    except np.linalg.LinAlgError:
        return None
    surplus = sum(float((x - mean) @ info @ (x - mean)) for x, info in said)
    return mean if chance_beyond(surplus, 2 * (len(said) - 1)) > _BY_CHANCE else None


def _said(found: TapFit | None, pair: list[int]) -> tuple[Float, Float]:
    """Return ``log delta`` and ``omega`` of a pair, (4,), and the information on them, (4, 4)."""
    assert found is not None
    at = np.concatenate([pair, found.fit.count + np.array(pair)])
    # Scaling the samples scales their noise alike.
    cov = covariance(found.fit)[0][np.ix_(at, at)] * found.scale**2
    return _unknowns(found.fit.poles[pair]), np.linalg.inv(cov)


def _about(found: TapFit, pair: list[int], common: Float) -> TapFit:
    """Return a fit one step from the common poles of a pair, with the information at those poles."""
    log_delta, omega = np.split(common, 2)
    start = found.fit.poles.copy()
    start[pair] = np.exp(-np.exp(log_delta) + 1j * omega)
    samples = Samples(found.samples)
    there = fit_modes(samples, start, found.fit.hum_poles, most_steps=0)
    moved = fit_modes(samples, start, found.fit.hum_poles, most_steps=1)
    fit = replace(moved, information=there.information)
    return replace(found, fit=fit, residual=found.samples - model_of(fit))
