"""All taps decide together: a mode that only some taps show is asked of the others.

Conventions: those of :mod:`tapbatch.measure.fit`; the fits are those of one recording's taps in one zone.

Where the mallet lands decides how strong each mode is. A mode near a node of the point falls below the limits of most
taps, although their sounds, taken together, leave no doubt that it rings. So the poles of all taps are pooled by
frequency and decay. A pole that only some taps have is a candidate, and the taps that lack it are asked: what is the
Wald statistic of its amplitude, with the pole held and all else free? Without the mode, the statistics of ``n`` taps
add up to a chi-square variable with ``2 n`` degrees of freedom. The mode is accepted if so large a sum has a
probability below 1 in 100,000. A tap that found the mode by itself is never counted, because its pole was chosen to
fit its own noise.

Where the residual around the candidate exceeds the noise, the statistic is divided by 10 times the excess, because a
misfit may fall on a single amplitude. The residual is that with the candidate in place: otherwise a line would be
taken for its own surroundings. A line under the skirt of a stronger one counts for nothing
(:func:`tapbatch.measure.prune.skirt`), and a tap that has another mode within a width is not asked.

Once accepted, a mode is listed in every tap that was asked. Where it is clear, its pole takes a few steps from the
common one. Where it is weak, or its pole runs off, it stays at the common pole: then the tap says how strong the mode
is and hardly anything about its pole. Its errors are those of the tap, but not larger than a line width and a factor
of 2.5, within which the pole was pooled.

Modes that no tap shows by itself are left to :mod:`tapbatch.measure.found_together`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapbatch.measure.bound import covariance, inverse_of, wald
from tapbatch.measure.candidates import left_beside
from tapbatch.measure.chance import chance_beyond
from tapbatch.measure.fit import Fit, fit_modes
from tapbatch.measure.geometric import Complex, Float, Samples
from tapbatch.measure.misfit import against_misfit, left_around, local_excess, widened
from tapbatch.measure.prune import TapFit, mode_energy, model_of, skirt

BY_CHANCE = 1e-5
"""Probability of so large a sum without the mode, below which one is accepted."""

_LEAST_REACH = 4.0 / 1200.0 * float(np.log(2.0))  # four cents: poles wander from tap to tap
_LOG_RATIO = float(np.log(2.5))  # of T60
_CLEAR = 25.0  # Wald statistic above which a tap may move the pole
_STEPS = 5


@dataclass(frozen=True, slots=True)
class Shared:
    """A pole that some taps have: the taps that have it, and those that lack it and can be asked.

    ``variance`` is that of ``log delta``, from the taps that have it.
    """

    pole: complex
    lacking: tuple[int, ...]
    owners: tuple[int, ...]
    variance: float


def decided(taps: Sequence[TapFit | None], shift_hz: float = 0.0) -> list[TapFit | None]:
    """Return the fits of one recording's taps, with the modes added that all taps together show.

    Parameters
    ----------
    taps
        Fits of one zone, in any order; ``None`` where there is none.
    shift_hz
        How much lower the frequencies of the zone are than in the recording, 0 by default.

    Returns
    -------
    list of TapFit or None
        In the same order. A fit to which nothing is added is the same object; in the others, modes that were added
        follow those that were there, with ``decided`` set.

    Examples
    --------
    A mode of 38 dB in the first tap is at 14 dB in four others, too weak for any of them alone:

    >>> from tapbatch.measure.prune import pruned
    >>> rng, n = np.random.default_rng(1), np.arange(3000)
    >>> poles = np.exp(np.array([-0.003 + 0.5j, -0.004 + 0.9j]))
    >>> none = np.zeros(0, dtype=np.complex128)
    >>> def tap(weak):
    ...     ring = (poles[None] ** n[:, None] @ np.array([30.0, weak])).real + rng.standard_normal(3000)
    ...     return pruned(ring, 0, 3000, 8000.0, none, poles)
    >>> taps = [tap(10.0), *(tap(0.6) for _ in range(4))]
    >>> [t.fit.count for t in taps], [t.fit.count for t in decided(taps)]
    ([2, 1, 1, 1, 1], [2, 2, 2, 2, 2])
    """
    return decided_and_which(taps, pooled(taps, shift_hz))[0]


def decided_and_which(
    taps: Sequence[TapFit | None], poles_of_all: Sequence[Shared]
) -> tuple[list[TapFit | None], list[bool]]:
    """Return what :func:`decided` does, and which of the poles that some taps lack were accepted.

    Parameters
    ----------
    taps
        As for :func:`decided`.
    poles_of_all
        Their poles, from :func:`pooled`.
    """
    shared = [s for s in poles_of_all if s.lacking]
    result = list(taps)
    if not shared:
        return result, []
    of_tap = {t: [i for i, s in enumerate(shared) if t in s.lacking] for t in range(len(taps))}
    of_tap = {t: asked for t, asked in of_tap.items() if asked}
    poles = np.array([s.pole for s in shared])
    strength = np.zeros((len(taps), len(shared)))
    trials = {}
    for t, asked in of_tap.items():
        trials[t], strength[t, asked] = asked_of(_fit_of(taps, t), poles[asked])
    accepted = _beyond_chance(strength, shared)
    # The floor only lessens a statistic, so it is measured only for what has passed without it.
    for t, asked in of_tap.items():
        likely = [i for i in asked if accepted[i]]
        if likely:
            strength[t, likely] *= asked_against_misfit(_fit_of(taps, t), trials[t], poles[likely])
    accepted &= _beyond_chance(strength, shared)
    for t, asked in of_tap.items():
        here = [i for i in asked if accepted[i]]
        if here:
            result[t] = with_modes(_fit_of(taps, t), poles[here], strength[t, here])
    return result, [bool(a) for a in accepted]


def _fit_of(taps: Sequence[TapFit | None], tap: int) -> TapFit:
    found = taps[tap]
    assert found is not None
    return found


def _beyond_chance(strength: Float, shared: Sequence[Shared]) -> NDArray[np.bool_]:
    """Tell which poles the taps that lack them show together; ``strength``, (taps, poles), is 0 elsewhere."""
    total = strength.sum(axis=0)
    return np.array([chance_beyond(x, len(s.lacking)) < BY_CHANCE for x, s in zip(total, shared, strict=True)])


# ---------------------------------------------------------------- which poles to ask for


def pooled(taps: Sequence[TapFit | None], shift_hz: float) -> list[Shared]:
    """Return the poles of all taps, each once, the best known first, with the taps that lack them.

    The common pole is the mean of those found, weighted by their information.

    Parameters
    ----------
    taps, shift_hz
        As for :func:`decided`.
    """
    members = [(t, k) for t, found in enumerate(taps) if found is not None for k in range(found.fit.count)]
    if not members:
        return []
    poles = np.concatenate([found.fit.poles for found in taps if found is not None])
    variance = np.concatenate([_variances(found) for found in taps if found is not None])
    tap = np.array([t for t, _ in members])
    omega, log_delta = np.angle(poles), np.log(-np.log(np.abs(poles)))
    lift = {t: 2 * np.pi * shift_hz / found.rate_hz for t, found in enumerate(taps) if found is not None}
    free = np.ones(len(poles), dtype=bool)
    shared = []
    for i in np.argsort(variance, kind="stable"):
        if not free[i]:
            continue
        width = 2.0 * np.exp(log_delta[i])
        apart = np.abs(omega - omega[i])
        reach = max(width / 2.0, _LEAST_REACH * (omega[i] + lift[tap[i]]))
        near = (apart < reach) & (np.abs(log_delta - log_delta[i]) < _LOG_RATIO)
        same = _nearest_of_each(np.flatnonzero(near & free), tap, apart)
        free[same] = False
        weight = 1.0 / variance[same]
        mean = [float(weight @ values[same] / weight.sum()) for values in (log_delta, omega)]
        # A mode closer than a width is perhaps the same, and its amplitude and the candidate's would not be parted.
        beside = set(tap[apart < max(width, reach)].tolist())
        lacking = tuple(t for t in lift if t not in beside)
        owners = tuple(int(t) for t in tap[same])
        pole = complex(np.exp(-np.exp(mean[0]) + 1j * mean[1]))
        shared.append(Shared(pole, lacking, owners, 1.0 / float(weight.sum())))
    return shared


def _variances(found: TapFit) -> Float:
    """Return the variance of ``log delta`` of each mode, misfit included, shape (K,)."""
    return np.asarray(np.abs(np.diagonal(covariance(found.fit)[0])[: found.fit.count]) * found.excess)


def _nearest_of_each(near: NDArray[np.intp], tap: NDArray[np.intp], apart: Float) -> NDArray[np.intp]:
    """Return, of several poles, the nearest of each tap."""
    order = near[np.argsort(apart[near], kind="stable")]
    _, first = np.unique(tap[order], return_index=True)
    return np.asarray(order[np.sort(first)], dtype=np.intp)


# ---------------------------------------------------------------- what a tap says of them


def asked_of(found: TapFit, poles: Complex) -> tuple[Fit, Float]:
    """Ask a tap for poles that its fit lacks.

    Parameters
    ----------
    found
        The fit of the tap.
    poles
        The candidates, shape (M,).

    Returns
    -------
    trial : Fit
        The fit with the candidates' poles held, one step from the one without them.
    strength : ndarray
        Their Wald statistics, shape (M,): chi-square with two degrees of freedom where nothing rings, and 0 for a
        line under the skirt of a stronger mode.

    Examples
    --------
    The second of two modes is in the sound and not in the fit; nothing rings at the third pole:

    >>> from tapbatch.measure.prune import pruned
    >>> rng, n = np.random.default_rng(1), np.arange(3000)
    >>> poles = np.exp(np.array([-0.003 + 0.5j, -0.004 + 0.9j, -0.004 + 1.5j]))
    >>> ring = (poles[None, :2] ** n[:, None] @ np.array([30.0, 0.6])).real + rng.standard_normal(3000)
    >>> found = pruned(ring, 0, 3000, 8000.0, np.zeros(0, dtype=np.complex128), poles[:1])
    >>> (asked_of(found, poles[1:])[1] > 20.0).tolist()
    [True, False]
    """
    fit = found.fit
    held = np.concatenate([fit.hum_poles, poles])
    trial = fit_modes(Samples(found.samples), fit.poles, held, most_steps=1)
    weights = trial.hum_weights[len(fit.hum_poles) :]
    linear = fit.count + len(held)
    at = linear - len(poles) + np.arange(len(poles))
    pick = np.stack([at, linear + at], axis=1)
    strength = wald(weights, inverse_of(trial.information)[pick[:, :, None], pick[:, None, :]])
    energy = np.abs(weights) ** 2 / (4 * -np.log(np.abs(poles)))
    above = energy > skirt(poles, fit.poles, mode_energy(fit), found.rate_hz)
    return trial, np.where(above, strength, 0.0)


def asked_against_misfit(found: TapFit, trial: Fit, poles: Complex) -> Float:
    """Return the factor, (M,), by which statistics fall where more than noise is left around the candidates.

    Parameters
    ----------
    found, poles
        As for :func:`asked_of`.
    trial
        The fit that it returned.
    """
    return against_misfit(left_around(found.samples - model_of(trial), poles))


# ---------------------------------------------------------------- the modes in a tap that lacked them


def with_modes(found: TapFit, poles: Complex, strength: Float) -> TapFit:
    """Return a fit with modes added near their common poles, or at these where the tap says too little.

    Parameters
    ----------
    found
        The fit of a tap.
    poles, strength
        The modes, shape (M,), and their statistics in this tap, from :func:`asked_of`.
    """
    fit, samples = found.fit, Samples(found.samples)
    held = strength < _CLEAR
    start = np.concatenate([fit.poles, poles[~held]])
    moved = fit_modes(samples, start, np.concatenate([fit.hum_poles, poles[held]]), _STEPS).poles
    near = _near(moved[fit.count :], poles[~held])
    added = poles.copy()
    added[~held] = np.where(near, moved[fit.count :], poles[~held])
    held[~held] = ~near
    if not near.all():
        moved = fit_modes(samples, moved[: fit.count], np.concatenate([fit.hum_poles, added]), _STEPS).poles
    there = fit_modes(samples, np.concatenate([moved[: fit.count], added]), fit.hum_poles, most_steps=0)
    there = replace(there, information=_pooled_within(there, fit.count + np.flatnonzero(held)), converged=True)
    residual = found.samples - model_of(there)
    excess = widened(local_excess(residual, added, found.rate_hz))
    with_them = replace(
        found,
        fit=there,
        residual=residual,
        excess=np.concatenate([found.excess, excess]),
        decided=np.arange(there.count) >= fit.count,
    )
    pair, uneven = left_beside(with_them)
    return replace(with_them, pair=pair, uneven=uneven)


def _near(moved: Complex, common: Complex) -> NDArray[np.bool_]:
    """Tell which poles are still within half a width and a factor of 2.5 in T60 of the common ones."""
    delta = -np.log(np.abs(common))
    apart = np.abs(np.angle(moved) - np.angle(common))
    return np.asarray((apart < delta) & (np.abs(np.log(-np.log(np.abs(moved)) / delta)) < _LOG_RATIO))


def _pooled_within(fit: Fit, held: NDArray[np.intp]) -> Float:
    """Return the information of a fit, with that added which says that a held pole is near the common one."""
    information, modes = fit.information.copy(), fit.count
    log_delta, omega = len(information) - 2 * modes + held, len(information) - modes + held
    information[log_delta, log_delta] += 1.0 / _LOG_RATIO**2
    information[omega, omega] += 1.0 / np.log(np.abs(fit.poles[held])) ** 2
    return information
