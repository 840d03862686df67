"""Combine the poles measured in the taps of one point and set-up, if the taps agree.

Conventions: the estimates of tap ``j`` are the vector ``x_j = (ln f, ln T60)`` of its modes, with the covariance
``C_j`` of its fit, including the couplings between close modes. If the taps share their poles, the best mean is

    x = (sum_j C_j^-1)^-1 sum_j C_j^-1 x_j,

which reaches the bound of the joint fit, because the information of independent taps adds
(:mod:`tapbatch.measure.bound`). Averaging mode by mode would not reach it. The errors of two modes within a line
width are correlated, differently in each tap because the phases differ, and separate means lose a factor of 1.6 to
2.5 in accuracy.

The same numbers test whether the taps agree: ``Q = sum_j (x_j - x)^T C_j^-1 (x_j - x)`` then follows a chi-square
distribution (Cochran, Biometrics 10, 1954). If so large a Q has a probability below 1 in 100,000, the taps differ by
more than noise and no shared value is returned; :mod:`tapbatch.compare.random_effects` then weights by the scatter.
The threshold is this low because the two errors are unequal: rejecting taps by chance makes a stage of loud and soft
taps up to ten times less accurate, while accepting them wrongly costs a few per cent.

The method fails if the poles vary by about as much as the noise of the softer taps: a small Q does not prove that the
poles are shared. So only the centre of an interval comes from here, never its width.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapbatch.model.reading import Coupling, Mode

Floats = NDArray[np.float64]
TapModes = tuple[Sequence[Mode], Sequence[Coupling]]
Group = Sequence[tuple[int, int]]

BY_CHANCE = 1e-5
_FIRMEST = 0.999  # larger correlations are set to this, so that the matrix can be inverted


@dataclass(frozen=True, slots=True)
class Shared:
    """The combined estimate of a mode: natural logarithms of its frequency in hertz and its T60 in seconds."""

    ln_freq: float
    ln_t60: float


def shared_poles(taps: Sequence[TapModes], groups: Sequence[Group]) -> tuple[Shared | None, ...]:
    """Return the combined poles of the modes of the taps of one point and set-up.

    Parameters
    ----------
    taps : sequence of (modes, couplings)
        The modes measured in each tap, and the couplings of their errors.
    groups : sequence of sequences of (tap, mode)
        The members of each mode as indices into ``taps`` and its modes, at most one a tap.

    Returns
    -------
    tuple of Shared or None
        One entry a group; ``None`` if fewer than two taps have the mode, or if they do not agree.

    Examples
    --------
    >>> def mode(freq_hz, se_hz):
    ...     return Mode(freq_hz=freq_hz, freq_se_hz=se_hz, t60_s=0.4, t60_log_se=0.01, freq_t60_corr=0.0,
    ...                 amplitude=1.0, phase_rad=0.0, energy_db=-20.0)
    >>> loud, soft = ([mode(200.0, 0.01)], ()), ([mode(200.1, 0.1)], ())
    >>> round(math.exp(shared_poles([loud, soft], [[(0, 0), (1, 0)]])[0].ln_freq), 3)
    200.001
    >>> shared_poles([loud, ([mode(201.0, 0.1)], ())], [[(0, 0), (1, 0)]])
    (None,)
    """
    found: list[Shared | None] = [None] * len(groups)
    for cluster in _clusters(taps, groups):
        for g, shared in zip(cluster, _of_cluster(taps, [groups[g] for g in cluster]), strict=True):
            found[g] = shared
    return tuple(found)


def _clusters(taps: Sequence[TapModes], groups: Sequence[Group]) -> list[list[int]]:
    """Return clusters of the groups with two or more taps; groups whose errors any tap couples are in one cluster."""
    group_of = {member: g for g, group in enumerate(groups) if len(group) > 1 for member in group}
    leader = {g: g for g in group_of.values()}
    for t, (_, couplings) in enumerate(taps):
        for c in couplings:
            a, b = group_of.get((t, c.first)), group_of.get((t, c.second))
            if a is not None and b is not None:
                old, new = leader[a], leader[b]
                leader = {g: new if led == old else led for g, led in leader.items()}
    return [[g for g in leader if leader[g] == led] for led in sorted(set(leader.values()))]


def _of_cluster(taps: Sequence[TapModes], groups: Sequence[Group]) -> list[Shared | None]:
    size = len(groups)
    total, pull = np.zeros((2 * size, 2 * size)), np.zeros(2 * size)
    seen = []
    for t in sorted({t for group in groups for t, _ in group}):
        members = [(g, m) for g, group in enumerate(groups) for tap, m in group if tap == t]
        which = np.array([g for g, _ in members])
        at = np.concatenate([which, size + which])
        values, information = _said(taps[t], [m for _, m in members])
        seen.append((at, values, information))
        total[np.ix_(at, at)] += information
        pull[at] += information @ values
    together = np.linalg.solve(total, pull)
    surplus = sum(float((v - together[at]) @ info @ (v - together[at])) for at, v, info in seen)
    dof = sum(len(at) for at, _, _ in seen) - 2 * size
    if not _by_chance(surplus, dof):
        return [None] * size
    return [Shared(float(f), float(t)) for f, t in zip(together[:size], together[size:], strict=True)]


def _said(tap: TapModes, members: Sequence[int]) -> tuple[Floats, Floats]:
    """Return ``(ln f .., ln T60 ..)`` of n modes of a tap, shape (2n,), and their information matrix, (2n, 2n)."""
    modes, couplings = tap
    chosen = [modes[m] for m in members]
    count = len(chosen)
    values = np.log([m.freq_hz for m in chosen] + [m.t60_s for m in chosen])
    ses = np.array([m.freq_se_hz / m.freq_hz for m in chosen] + [m.t60_log_se for m in chosen])
    together = np.eye(2 * count)
    for i, mode in enumerate(chosen):
        _put(together, [(i, count + i, mode.freq_t60_corr)])
    place = {m: i for i, m in enumerate(members)}
    for c in couplings:
        if c.first in place and c.second in place:
            i, j = place[c.first], place[c.second]
            _put(together, [(i, j, c.freq_freq), (i, count + j, c.freq_t60)])
            _put(together, [(count + i, j, c.t60_freq), (count + i, count + j, c.t60_t60)])
    return np.asarray(values), _inverse(together) / np.outer(ses, ses)


def _put(table: Floats, entries: Iterable[tuple[int, int, float]]) -> None:
    for i, j, value in entries:
        table[i, j] = table[j, i] = min(max(value, -_FIRMEST), _FIRMEST)


def _inverse(correlations: Floats) -> Floats:
    # Rounding, or widening mode by mode, can leave a matrix slightly short of positive definite; lift its
    # eigenvalues.
    size, vectors = np.linalg.eigh(correlations)
    return np.asarray((vectors / np.maximum(size, 1.0 - _FIRMEST)) @ vectors.T)


def _by_chance(surplus: float, dof: int) -> bool:
    from scipy.special import chdtrc

    return math.isfinite(surplus) and float(chdtrc(dof, max(surplus, 0.0))) > BY_CHANCE
