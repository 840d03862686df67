"""Decays that bend: which modes of a recording are no single exponential, and why, by all its modes and taps.

Conventions: ``q = kappa - i epsilon omega/delta`` of a mode, its error and the correction are those of
:mod:`tapbatch.measure.by_amplitude`. A *group* is one mode in all taps of a recording that have it; it is *telling*
if its ``kappa`` or its ``epsilon`` is known well enough.

A single tap rarely shows that a decay bends a little, and cannot say why. All modes and taps together can.

- If most telling modes bend alike, the instrument obeys a *law*: its damping, or its pitch, depends on amplitude. The
  law is the mean ``kappa`` (or ``epsilon``) and its scatter from mode to mode. It is then known beforehand of every
  mode, also of those too weak to show it. Frequencies and decays are moved to those of small amplitude, with errors
  that include what is not known of the law. The flag is ``by-amplitude``.
- If a single mode bends beyond doubt and no law explains it, it is probably two lines within a width. Two lines at the
  distance ``D`` (of complex poles) with weights ``w1 + w2 = 1`` look like one at their weighted mean, with
  ``q = w1 w2 (D/delta)**2 / 0.3``. The further line is ``sqrt(w1 w2) |D|`` times the root of their ratio away, so for
  ratios up to 9 dB an interval of ``1.7 x 0.55 sqrt(|q|) delta`` to either side covers both. The flag is ``pair?``.

How often chance does it: the test of a group exceeds its limit once in 300,000 groups. A law needs four telling modes,
most of which show it by themselves, and a mean of five standard errors.

It says nothing where more is left than noise, as in a room: what is left is then taken for noise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapbatch.measure.by_amplitude import SecondOrder, estimate, left_with, of_lines, second_order
from tapbatch.measure.candidates import left_beside
from tapbatch.measure.geometric import Float
from tapbatch.measure.prune import MISFIT_IN_ONE, TapFit, local_excess, mode_energy
from tapbatch.measure.small_amplitude import Bent, bent, satellites, with_restored, without_satellites

_CENTS = 1200.0 / float(np.log(2.0))
_SAME_CENTS = 4.0
_SAME_OF_DELTA = 0.5
_LOG_RATIO = float(np.log(2.5))
_BY_CHANCE = 1 / 300_000
_FEWEST = 4  # telling modes that make a law
_FEWEST_SHOW = 3  # of them, at least half, show it by themselves
_SHOWS = 2.5  # standard errors
_SURE = 3.0  # standard errors of the mean, scatter from mode to mode included
_TELLING = (0.15, 3.0)  # standard error of kappa; of epsilon, in cents
_LEAST = (0.04, 0.4)  # laws smaller than this do not matter
_FLOOR = (0.01, 0.05)  # of the scatter from mode to mode
_OF_TAPS = 0.3  # of a law: how much it scatters from mode to mode at least
_OF_FORM = 0.15  # of a correction: by amplitude, or by its square?
_FLAGGED = (0.05, 0.5)
_FREE = (0.5, 10.0)  # standard deviation of kappa, and of epsilon in cents, where no law is known
_EARLY = 0.3  # of kappa: by how much an exponential fit is off
_SUSPECT = 2  # modes that bend, and satellites of a tap
_HIDDEN = 0.55 * 1.7
_STRONG = 10.0**-1.8  # of the energy of the strongest mode
_MOST_EXCESS = 100.0
_BESIDE_WIDTHS = np.array([-4.0, -3.0, -2.0, -1.5, 1.5, 2.0, 3.0, 4.0])


@dataclass(frozen=True, slots=True, eq=False)
class _Told:
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
class _Heard:
    """A mode in one tap: the tap, its index in the fit, its amplitude, and the excess around it."""

    tap: int
    mode: int
    size: float
    excess: float


@dataclass(frozen=True, slots=True)
class _Group:
    """One mode in all taps of a zone; ``in_cents`` is what ``-Im q`` is in cents of its frequency."""

    zone: int
    heard: tuple[_Heard, ...]
    q: Float
    cov: Float
    in_cents: float
    bends: bool
    energy: float


@dataclass(frozen=True, slots=True)
class _Law:
    """How damping or pitch depend on amplitude: its mean and scatter from mode to mode, and whether it is one."""

    mean: float
    sd: float
    holds: bool


def judged(zones: Sequence[Sequence[TapFit | None]], shifts_hz: Sequence[float]) -> list[list[TapFit | None]]:
    """Return the fits of a recording's taps, with decays that bend corrected or flagged.

    Parameters
    ----------
    zones
        For each zone the fits of all taps, ``None`` where there is none.
    shifts_hz
        How much lower the frequencies of each zone are than in the recording.

    Returns
    -------
    list of lists of TapFit or None
        In the same order; a fit in which nothing bends is the same object.
    """
    said = [
        [None if t is None else second_order(t, shift) for t in taps]
        for taps, shift in zip(zones, shifts_hz, strict=True)
    ]
    told = [[_linear(t, s) for t, s in zip(taps, one, strict=True)] for taps, one in zip(zones, said, strict=True)]
    groups = _groups(zones, told, shifts_hz)
    each = [int(satellites(t, of_second_order=True).sum()) for taps in zones for t in taps if t is not None]
    suspect = sum(g.bends for g in groups) + (float(np.median(each)) if each else 0.0)
    if suspect < _SUSPECT and not any(law.holds for law in _laws(groups)):
        return _pairs(zones, said, groups)
    return _by_law(zones, shifts_hz, _laws(groups)) or _pairs(zones, said, groups)


# ---------------------------------------------------------------- one mode in all taps


def _groups(
    zones: Sequence[Sequence[TapFit | None]], told: Sequence[Sequence[_Told | None]], shifts_hz: Sequence[float]
) -> list[_Group]:
    """Return the modes of a recording, each with all taps of its zone that have it."""
    found: list[_Group] = []
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
                found.append(replace(pooled, in_cents=_in_cents(taps[t], shift_hz)[k], energy=energy))
    return found


def _linear(tap: TapFit | None, said: SecondOrder | None) -> _Told | None:
    """Return what a tap says of ``q`` to first order."""
    if tap is None or said is None:
        return None
    q, cov = estimate(said)
    if (tap.excess == 1.0).all():
        return _told(tap, q, cov, tap.excess)
    left = local_excess(left_with(tap, said, q), tap.fit.poles, tap.rate_hz)
    return _told(tap, q, cov, np.minimum(tap.excess, np.where(left > 1.0, MISFIT_IN_ONE * left, 1.0)))


def _told(tap: TapFit, q: Float, cov: Float, excess: Float) -> _Told:
    count = tap.fit.count
    blocks = cov.reshape(2, count, 2, count)
    own = np.stack([[np.diagonal(blocks[i, :, j]) for j in range(2)] for i in range(2)]) * excess
    det = own[0, 0] * own[1, 1] - own[0, 1] * own[1, 0]
    counts = (excess <= _MOST_EXCESS) & (own[0, 0] > 0) & (det > 0)
    inverse = np.array([[own[1, 1], -own[0, 1]], [-own[1, 0], own[0, 0]]]) / np.where(counts, det, 1.0)
    values = q.reshape(2, count)
    score = np.einsum("ik,ijk,jk->k", values, inverse, values)
    size = np.abs(tap.fit.weights) / tap.scale
    return _Told(values.T, np.moveaxis(inverse, 2, 0), score, excess, size, np.asarray(counts))


def _same(taps: Sequence[TapFit | None], t: int, k: int, taken: set[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return, of each other tap, the mode that is the same as mode ``k`` of tap ``t``, if it has one."""
    own = taps[t]
    assert own is not None
    pole = own.fit.poles[k]
    delta, omega = -float(np.log(np.abs(pole))), float(np.angle(pole))
    reach = max(_SAME_OF_DELTA * delta, _SAME_CENTS / _CENTS * omega)
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


def _pooled(zone: int, members: Sequence[tuple[int, int]], told: Sequence[_Told | None]) -> _Group | None:
    """Return what all taps say of a mode together; ``None`` if none does."""
    from scipy.special import chdtrc

    heard: list[_Heard] = []
    total, pull, alone = np.zeros((2, 2)), np.zeros(2), 0.0
    for t, k in members:
        said = told[t]
        if said is None or not said.counts[k]:
            continue
        total += said.information[k]
        pull += said.information[k] @ said.q[k]
        alone += float(said.score[k])
        heard.append(_Heard(t, k, float(said.size[k]), float(said.excess[k])))
    if not heard:
        return None
    cov = np.array([[total[1, 1], -total[0, 1]], [-total[1, 0], total[0, 0]]])
    cov /= total[0, 0] * total[1, 1] - total[0, 1] * total[1, 0]
    q = cov @ pull
    chance = min(chdtrc(2, float(q @ pull)), chdtrc(2 * len(heard), alone))
    return _Group(zone, tuple(heard), q, cov, 0.0, bool(chance < _BY_CHANCE), 0.0)


# ---------------------------------------------------------------- a law of all modes


def _of(group: _Group, part: int) -> tuple[float, float]:
    """Return ``kappa`` (part 0) or ``epsilon`` in cents (part 1) of a group, and its standard error."""
    unit = 1.0 if part == 0 else -group.in_cents
    return float(group.q[part]) * unit, float(np.sqrt(group.cov[part, part])) * abs(unit)


def _law(groups: Sequence[_Group], part: int) -> _Law:
    """Return how damping or pitch depend on amplitude in most modes."""
    told = np.array([one for one in (_of(g, part) for g in groups) if one[1] < _TELLING[part]]).reshape(-1, 2)
    none = _Law(0.0, _FLOOR[part], holds=False)
    if len(told) < _FEWEST:
        return none
    value, se = told.T
    shows = np.abs(value) > _SHOWS * se
    sign = 1.0 if (shows & (value > 0)).sum() >= (shows & (value < 0)).sum() else -1.0
    for_it = shows & (value * sign > 0)
    if for_it.sum() < max(_FEWEST_SHOW, len(told) / 2) or (shows & ~for_it).sum() > for_it.sum() / 4:
        return none
    middle = float(np.median(value[for_it]))
    like = np.abs(value - middle) < abs(middle) + _SHOWS * se
    mean, error, scatter = _mean(value[like], se[like])
    holds = bool(abs(mean) > max(_LEAST[part], _SURE * error))
    return _Law(mean if holds else 0.0, float(np.hypot(max(scatter, _FLOOR[part]), error)), holds)


def _mean(value: Float, se: Float) -> tuple[float, float, float]:
    """Return the mean, its standard error and the scatter (Paule & Mandel, J. Res. NBS 87, 1982)."""
    scatter2 = 0.0
    for _ in range(50):
        weight = 1.0 / (se**2 + scatter2)
        mean = float(weight @ value / weight.sum())
        surplus = float(weight @ (value - mean) ** 2) - (len(value) - 1)
        if surplus <= 1e-6:
            break
        scatter2 += surplus / float(weight**2 @ (value - mean) ** 2)
    return mean, float(1.0 / np.sqrt(weight.sum())), float(np.sqrt(scatter2))


def _laws(groups: Sequence[_Group]) -> tuple[_Law, _Law]:
    return _law(groups, 0), _law(groups, 1)


def _by_law(
    zones: Sequence[Sequence[TapFit | None]], shifts_hz: Sequence[float], guess: tuple[_Law, _Law]
) -> list[list[TapFit | None]] | None:
    """Return the fits at small amplitude, given what the law says of every mode; ``None`` if there is no law.

    The fits themselves find the law, because a decay that bends much has satellites, and second order is then not
    enough. The law so found is what each of them is told in the end.
    """
    rough: list[list[TapFit | None]] = []
    told: list[list[_Told | None]] = []
    for taps, shift_hz in zip(zones, shifts_hz, strict=True):
        found = [None if t is None else _bent_freely(t, guess, shift_hz) for t in taps]
        rough.append([None if b is None else b.tap for b in found])
        told.append([None if b is None else _of_bent(b) for b in found])
    groups = _groups(rough, told, shifts_hz)
    laws = _laws(groups)
    if not any(law.holds for law in laws):
        return None
    result: list[list[TapFit | None]] = []
    for z, (taps, shift_hz) in enumerate(zip(rough, shifts_hz, strict=True)):
        louder = _louder([g for g in groups if g.zone == z])
        result.append([None if t is None else _at_small(t, laws, louder, i, shift_hz) for i, t in enumerate(taps)])
    return result


def _of_bent(found: Bent) -> _Told:
    # kappa and nu are the real part of q and its negative imaginary part.
    sign = np.repeat([1.0, -1.0], found.tap.fit.count)
    return _told(found.tap, found.bend * sign, found.cov * np.outer(sign, sign), found.tap.excess)


def _in_cents(tap: TapFit | None, shift_hz: float) -> Float:
    """Return ``epsilon`` in cents for ``nu = 1``, (K,)."""
    assert tap is not None
    omega = np.angle(tap.fit.poles) + 2 * np.pi * shift_hz / tap.rate_hz
    return np.asarray(-np.log(np.abs(tap.fit.poles)) / omega * _CENTS)


def _bent_freely(tap: TapFit, guess: tuple[_Law, _Law], shift_hz: float) -> Bent:
    """Return a fit in which every mode may bend as it likes, without satellites where these are not missed."""
    first = without_satellites(tap)
    found = _bent(first, guess, _FREE, shift_hz)
    if first is tap:
        return found
    second = with_restored(tap, found)
    return found if second.fit.count == first.fit.count else _bent(second, guess, _FREE, shift_hz)


def _bent(tap: TapFit, laws: tuple[_Law, _Law], sd: tuple[float, float], shift_hz: float) -> Bent:
    unit, ones = _in_cents(tap, shift_hz), np.ones(tap.fit.count)
    return bent(
        tap,
        np.concatenate([laws[0].mean * ones, laws[1].mean / unit]),
        np.concatenate([sd[0] * ones, sd[1] / unit]),
        shift_hz,
    )


def _at_small(
    tap: TapFit, laws: tuple[_Law, _Law], louder: dict[tuple[int, int], float], t: int, shift_hz: float
) -> TapFit:
    """Return a tap's fit given the law, with its flags, and with the error of not knowing the form of the law."""
    count, unit = tap.fit.count, _in_cents(tap, shift_hz)
    level = np.array([louder.get((t, k), 1.0) for k in range(count)])
    mean = np.concatenate([laws[0].mean * level, laws[1].mean * level / unit])
    spread = [np.hypot(law.sd, _OF_TAPS * law.mean * level) for law in laws]
    found = bent(tap, mean, np.concatenate([spread[0], spread[1] / unit]), shift_hz)
    kappa, cents = found.bend[:count], found.bend[count:] * unit
    damped = np.abs(kappa) > _FLAGGED[0] if laws[0].holds else np.zeros(count, dtype=bool)
    glides = np.abs(cents) > _FLAGGED[1] if laws[1].holds else np.zeros(count, dtype=bool)
    flags = tuple(
        tuple(f for f, holds in (("not-exponential", d), ("glides", g), ("by-amplitude", d or g)) if holds)
        for d, g in zip(damped, glides, strict=True)
    )
    omega = np.angle(found.tap.fit.poles) * np.abs(cents) / _CENTS
    pair, uneven = left_beside(found.tap)
    return replace(
        found.tap,
        pair=pair,
        uneven=uneven,
        bend=flags,
        bend_log_delta=_OF_FORM * _EARLY * np.abs(kappa),
        bend_omega=_OF_FORM * _EARLY * omega,
    )


def _louder(groups: Sequence[_Group]) -> dict[tuple[int, int], float]:
    """Return how much louder than on average a mode is in a tap, by tap and mode."""
    found = {}
    for group in groups:
        mean = float(np.mean([h.size for h in group.heard]))
        found.update({(h.tap, h.mode): float(np.clip(h.size / mean, 0.2, 3.0)) for h in group.heard})
    return found


# ---------------------------------------------------------------- a mode that is two


def _pairs(
    zones: Sequence[Sequence[TapFit | None]], said: Sequence[Sequence[SecondOrder | None]], groups: Sequence[_Group]
) -> list[list[TapFit | None]]:
    """Return the fits with the modes flagged that may be two, and with errors that cover both."""
    result = [list(taps) for taps in zones]
    strongest = max((g.energy for g in groups), default=0.0)
    for group in groups:
        if not group.bends or group.energy < _STRONG * strongest or _beside(group, zones, said):
            continue
        hidden = _HIDDEN * np.sqrt(float(np.hypot(*group.q)))
        for one in group.heard:
            tap = result[group.zone][one.tap]
            assert tap is not None
            delta = -float(np.log(np.abs(tap.fit.poles[one.mode])))
            result[group.zone][one.tap] = _hiding(tap, one.mode, hidden / 1.96, hidden / 1.96 * delta)
    return result


def _beside(
    group: _Group, zones: Sequence[Sequence[TapFit | None]], said: Sequence[Sequence[SecondOrder | None]]
) -> bool:
    """Tell whether one line beside a mode, missed by all taps, leaves nothing of its second order."""
    from scipy.special import chdtrc

    first = zones[group.zone][group.heard[0].tap]
    assert first is not None
    pole = first.fit.poles[group.heard[0].mode]
    delta = -np.log(np.abs(pole))
    at = np.angle(pole) + 2.0 * delta * _BESIDE_WIDTHS
    lines = np.concatenate([np.exp(-faster * delta + 1j * at) for faster in (1.0, 2.0)])
    tried = []
    for one in group.heard:
        tap, of_tap = zones[group.zone][one.tap], said[group.zone][one.tap]
        assert tap is not None and of_tap is not None
        own = tap.fit.poles[one.mode]
        information, slope = of_lines(tap, of_tap, np.concatenate([[own * np.abs(own)], lines]))
        tried.append((information / one.excess, slope / one.excess))
    alone = [_gain(tried, (1 + m,)) for m in range(len(lines))]
    best = 1 + int(np.argmax(alone))
    return bool(chdtrc(2 * len(tried), _gain(tried, (0, best)) - alone[best - 1]) > _BY_CHANCE)


def _gain(tried: Sequence[tuple[Float, Float]], which: tuple[int, ...]) -> float:
    """Return by how much chi-square falls over all taps with some of the lines that were tried."""
    total = 0.0
    for information, slope in tried:
        half = len(slope) // 2
        at = [*which, *(half + m for m in which)]
        total += float(slope[at] @ np.linalg.lstsq(information[np.ix_(at, at)], slope[at], rcond=1e-9)[0])
    return total


def _hiding(tap: TapFit, k: int, log_delta: float, omega: float) -> TapFit:
    count = tap.fit.count
    more = [b.copy() if len(b) else np.zeros(count) for b in (tap.bend_log_delta, tap.bend_omega)]
    more[0][k], more[1][k] = log_delta, omega
    flags: list[tuple[str, ...]] = list(tap.bend) if tap.bend else [()] * count
    flags[k] = ("pair?",)
    return replace(tap, bend_log_delta=more[0], bend_omega=more[1], bend=tuple(flags))
