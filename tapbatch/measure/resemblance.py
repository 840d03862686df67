"""How alike what the modes leave of two groups of taps is: one place in a room answers alike, another does not.

Conventions: those of :mod:`tapbatch.measure.fit`; times in seconds from the first sample of a tap's window. What a
fit leaves of a tap between :data:`FROM_S` and :data:`UNTIL_S` is mostly the room's answer to the modes. Two taps are
laid over one another where their direct sounds agree: at the lag that brings the fitted amplitudes of their modes
into phase. There, and only there, their residuals are correlated. If the residuals chose the lag, those of a plate
with one strong mode would always agree, since they are little else than a sine.

Noise, and a blow that never hits the same point twice, lower the correlation of any two taps. So the median
correlation between the groups is divided by the geometric mean of those within them. What the instrument itself
leaves (a decay that is not exponential, modes that are not listed) is alike wherever it stands, and raises it.

Only the lowest zone is asked: in the others, the shift in frequency would have to be undone first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import sqrt
from statistics import median

import numpy as np

from tapbatch.measure.geometric import Complex, Float
from tapbatch.measure.kept_taps import KeptTap, KeptTaps, restored

FROM_S, UNTIL_S = 0.005, 0.15
"""Where the residual is looked at: after the blow, and before noise rules."""

MOST_TAPS = 3
"""Taps of each group that are asked, from as many recordings as there are."""

LEAST_WITHIN = 0.5
"""Correlations within a group count as this at least: if its taps hardly resemble one another (much noise, or the
phone was moved between them), two groups cannot be shown to be alike."""

_LAGS_S = np.linspace(-0.004, 0.004, 321)
_SAME_MODE = 0.035  # in ln f: 60 cents


@dataclass(frozen=True, slots=True, eq=False)
class Left:
    """What the modes of a tap leave, and their phases.

    ``omegas`` (rad/s) and ``weights`` (complex amplitudes, by the root of the energy) have shape (modes,);
    ``spectrum`` is that of the residual, ``lines`` its frequencies times i (1j rad/s).
    """

    omegas: Float
    weights: Complex
    spectrum: Complex
    lines: Complex


def left_of(recordings: Sequence[KeptTaps]) -> tuple[Left, ...]:
    """Return what is left of the taps of a group that are asked; empty if none can be.

    Parameters
    ----------
    recordings : sequence of KeptTaps
        What is kept of the recordings made at one place.

    Examples
    --------
    >>> left_of([KeptTaps(48000, 50.0, 1500.0)])
    ()
    """
    found: list[Left] = []
    queues = [[(kept, tap) for tap in kept.taps if tap.zone == 0] for kept in recordings]
    while len(found) < MOST_TAPS and any(queues):
        for queue in queues:
            left = _left(*queue.pop(0)) if queue else None
            if left is not None and len(found) < MOST_TAPS:
                found.append(left)
    return tuple(found)


def resemblance(one: Sequence[Left], other: Sequence[Left]) -> float | None:
    """Return how alike two groups of taps are: 0 if they have nothing in common, about 1 if one room is in both.

    Parameters
    ----------
    one, other : sequence of Left
        From :func:`left_of`.

    Returns
    -------
    float or None
        ``None`` if no pair can be compared: other rates, too short a window, or no mode in common. A group of one
        tap is taken to resemble itself fully, so the result is too low then.

    Examples
    --------
    >>> resemblance((), ()) is None
    True
    """
    between = [c for a in one for b in other if (c := _correlation(a, b)) is not None]
    if not between:
        return None
    return median(between) / sqrt(_within(one) * _within(other))


def _within(group: Sequence[Left]) -> float:
    pairs = [c for a, b in combinations(group, 2) if (c := _correlation(a, b)) is not None]
    return max(median(pairs), LEAST_WITHIN) if pairs else 1.0


def _left(kept: KeptTaps, tap: KeptTap) -> Left | None:
    found, zone = restored(kept, tap)
    fit, rate_hz = found.fit, zone.rate_hz
    first, last = round(FROM_S * rate_hz), round(UNTIL_S * rate_hz)
    left = found.residual[first:last]
    if len(left) < last - first or not fit.count:
        return None
    # Zeros behind it, so that a lag does not bring its end round to its beginning.
    padded = 2 ** int(np.ceil(np.log2(1.1 * len(left))))
    lines = np.asarray(2j * np.pi * np.fft.rfftfreq(padded, 1.0 / rate_hz), dtype=np.complex128)
    weights = fit.weights / np.sqrt(-np.log(np.abs(fit.poles)))
    spectrum = np.asarray(np.fft.rfft(left, padded), dtype=np.complex128)
    return Left(np.angle(fit.poles) * rate_hz, weights, spectrum, lines)


def _correlation(a: Left, b: Left) -> float | None:
    lag_s = _lag_s(a, b)
    if lag_s is None or a.lines.shape != b.lines.shape or a.lines[-1] != b.lines[-1]:
        return None
    energies = float((np.abs(a.spectrum) ** 2).sum() * (np.abs(b.spectrum) ** 2).sum())
    product = float((a.spectrum * np.conj(b.spectrum * np.exp(b.lines * lag_s))).real.sum())
    return product / sqrt(energies) if energies > 0.0 else None


def _lag_s(a: Left, b: Left) -> float | None:
    """Return how much later the direct sound of ``b`` has the phases of ``a``; ``None`` without a mode in common."""
    apart = np.abs(np.log(np.abs(a.omegas[:, None]) / np.abs(b.omegas)))
    nearest = apart.argmin(axis=1)
    mine = np.flatnonzero(apart.min(axis=1) < _SAME_MODE)
    if not mine.size:
        return None
    products, omegas = a.weights[mine] * np.conj(b.weights[nearest[mine]]), b.omegas[nearest[mine]]
    turned = (products * np.exp(-1j * np.outer(_LAGS_S, omegas))).real.sum(axis=1)
    return float(_LAGS_S[int(np.argmax(turned))])
