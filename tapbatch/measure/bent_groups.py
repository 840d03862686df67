"""One mode in all taps of a recording, and what they say together of its second order.

Conventions: ``q`` and its error are those of :mod:`tapbatch.measure.by_amplitude`. Modes of different taps are the
same within half of ``delta`` (at least four cents) and a factor of 2.5 in decay. What is left around a mode, with its
second order taken away, scales its errors where it exceeds the noise; where it does so by far, the mode does not
count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapbatch.measure.by_amplitude import SecondOrder, estimate, left_with
from tapbatch.measure.chance import chance_beyond
from tapbatch.measure.geometric import Float
from tapbatch.measure.misfit import local_excess, widened
from tapbatch.measure.prune import TapFit, mode_energy
from tapbatch.model.pitch import CENTS

BY_CHANCE = 1 / 300_000
"""Probability that a mode without second order is said to bend."""

_SAME_CENTS = 4.0
_SAME_OF_DELTA = 0.5
_LOG_RATIO = float(np.log(2.5))
_MOST_EXCESS = 100.0


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """What a tap says of the ``q`` of its K modes: values, (K, 2), information, (K, 2, 2), and excess, (K,).

    ``score``, (K,), is chi-square of ``q = 0``. Where too much is left around a mode, or rounding leaves no
    information, ``counts`` is false.
    """

    q: Float
    information: Float
    score: Float
    excess: Float
    size: Float
    counts: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Heard:
    """A mode in one tap: the tap, its index in the fit, its amplitude, and the excess around it."""

    tap: int
    mode: int
    size: float
    excess: float


@dataclass(frozen=True, slots=True)
class Group:
    """One mode in all taps of a zone; ``in_cents`` is what ``-Im q`` is in cents of its frequency."""

    zone: int
    heard: tuple[Heard, ...]
    q: Float
    cov: Float
    in_cents: float
    bends: bool
    energy: float


def groups_of(
    zones: Sequence[Sequence[TapFit | None]], told: Sequence[Sequence[Told | None]], shifts_hz: Sequence[float]
) -> list[Group]:
    """Return the modes of a recording, each with all taps of its zone that have it."""
    found: list[Group] = []
    for z, (taps, of_taps, shift_hz) in enumerate(zip(zones, told, shifts_hz, strict=True)):
        every = [
            (float(e), t, k) for t, tap in enumerate(taps) if tap is not None
            for k, e in enumerate(mode_energy(tap.fit) / tap.scale**2)
        ]  # fmt: skip
        taken: set[tuple[int, int]] = set()
        for energy, t, k in sorted(every, key=lambda e: (-e[0], e[1], e[2])):
            if (t, k) in taken:
                continue
            members = [(t, k), *_same(taps, t, k, taken)]
            taken.update(members)
            pooled = _pooled(z, members, of_taps)
            if pooled is not None:
                found.append(replace(pooled, in_cents=in_cents_of(taps[t], shift_hz)[k], energy=energy))
    return found


def told_by(tap: TapFit | None, said: SecondOrder | None) -> Told | None:
    """Return what a tap says of ``q`` to first order."""
    if tap is None or said is None:
        return None
    q, cov = estimate(said)
    if (tap.excess == 1.0).all():
        return told_of(tap, q, cov, tap.excess)
    left = local_excess(left_with(tap, said, q), tap.fit.poles, tap.rate_hz)
    return told_of(tap, q, cov, np.minimum(tap.excess, widened(left)))


def told_of(tap: TapFit, q: Float, cov: Float, excess: Float) -> Told:
    """Return what a tap says of ``q``, given its estimate, (2K,), covariance, (2K, 2K), and the excess, (K,)."""
    count = tap.fit.count
    blocks = cov.reshape(2, count, 2, count)
    own = np.stack([[np.diagonal(blocks[i, :, j]) for j in range(2)] for i in range(2)]) * excess
    det = own[0, 0] * own[1, 1] - own[0, 1] * own[1, 0]
    counts = (excess <= _MOST_EXCESS) & (own[0, 0] > 0) & (det > 0)
    inverse = np.array([[own[1, 1], -own[0, 1]], [-own[1, 0], own[0, 0]]]) / np.where(counts, det, 1.0)
    values = q.reshape(2, count)
    score = np.einsum("ik,ijk,jk->k", values, inverse, values)
    size = np.abs(tap.fit.weights) / tap.scale
    return Told(values.T, np.moveaxis(inverse, 2, 0), score, excess, size, np.asarray(counts))


def _same(taps: Sequence[TapFit | None], t: int, k: int, taken: set[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return, of each other tap, the mode that is the same as mode ``k`` of tap ``t``, if it has one."""
    own = taps[t]
    assert own is not None
    pole = own.fit.poles[k]
    delta, omega = -float(np.log(np.abs(pole))), float(np.angle(pole))
    reach = max(_SAME_OF_DELTA * delta, _SAME_CENTS / CENTS * omega)
    found = []
    for other, tap in enumerate(taps):
        if other == t or tap is None:
            continue
        apart = np.abs(np.angle(tap.fit.poles) - omega)
        alike = np.abs(np.log(-np.log(np.abs(tap.fit.poles)) / delta)) < _LOG_RATIO
        near = int(np.argmin(np.where(alike, apart, np.inf)))
        if alike[near] and apart[near] < reach and (other, near) not in taken:
            found.append((other, near))
    return found


def _pooled(zone: int, members: Sequence[tuple[int, int]], told: Sequence[Told | None]) -> Group | None:
    """Return what all taps say of a mode together; ``None`` if none does."""
    heard: list[Heard] = []
    total, pull, alone = np.zeros((2, 2)), np.zeros(2), 0.0
    for t, k in members:
        said = told[t]
        if said is None or not said.counts[k]:
            continue
        total += said.information[k]
        pull += said.information[k] @ said.q[k]
        alone += float(said.score[k])
        heard.append(Heard(t, k, float(said.size[k]), float(said.excess[k])))
    if not heard:
        return None
    cov = np.array([[total[1, 1], -total[0, 1]], [-total[1, 0], total[0, 0]]])
    cov /= total[0, 0] * total[1, 1] - total[0, 1] * total[1, 0]
    q = cov @ pull
    chance = min(chance_beyond(float(q @ pull), 1), chance_beyond(alone, len(heard)))
    return Group(zone, tuple(heard), q, cov, 0.0, bool(chance < BY_CHANCE), 0.0)


def in_cents_of(tap: TapFit | None, shift_hz: float) -> Float:
    """Return ``epsilon`` in cents for ``nu = 1``, (K,)."""
    assert tap is not None
    omega = np.angle(tap.fit.poles) + 2 * np.pi * shift_hz / tap.rate_hz
    return np.asarray(-np.log(np.abs(tap.fit.poles)) / omega * CENTS)
