"""Decays that bend: which modes of a recording are no single exponential, and why, by all its modes and taps.

Conventions: ``q = kappa - i epsilon omega/delta`` of a mode and its error are those of
:mod:`tapbatch.measure.by_amplitude`. A *group* is one mode in all taps of a recording that have it
(:mod:`tapbatch.measure.bent_groups`). It is *telling* if its ``kappa``, or its ``epsilon``, is known well enough.

A single tap rarely shows that a decay bends a little, and cannot say why. All modes and taps together can.

- If most telling modes bend alike, the instrument obeys a *law*: its damping, or its pitch, depends on amplitude. The
  law is the mean ``kappa`` (or ``epsilon``) and its scatter from mode to mode. It is then known beforehand of every
  mode, also of those too weak to show it. All modes are fitted anew with it
  (:mod:`tapbatch.measure.small_amplitude`), so frequencies and decays are those of small amplitude, with errors that
  include what is not known of the law. The flag is ``by-amplitude``.
- If a single strong mode bends beyond doubt and there is no law, it is probably two lines within a width. Two lines
  ``D`` apart (as complex poles), with weights ``w1 + w2 = 1``, look like one at their weighted mean, with
  ``q = w1 w2 (D/delta)**2 / 0.3``. The further one lies ``sqrt(|w1 w2|) |D|`` away, times the root of the ratio of
  their weights. So for two lines within 9 dB, 1.7 x 0.55 ``sqrt(|q|) delta`` to either side covers both. The flag is
  ``pair?``. A neighbour that every tap has missed bends a mode too. So if one line beside the mode leaves nothing of
  its ``q``, there is no flag.

How often chance does it: the test of a group, and that given the line beside it, exceed their limits once in 300,000
groups. A law needs three modes that show it in one direction, at 2.5 standard errors each; they must be at least half
of the telling modes and four times as many as those that show the opposite. Of four clean modes, three do so once in
500,000 recordings.

A gain that moves bends all modes too, and is looked for first (:mod:`tapbatch.measure.common_gain`). The flag is
``gain``. Where more than noise is left, as in a room, the misfit takes the place of the noise, and hardly anything is
found.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tapbatch.measure.bent_groups import Group, Told, groups_of, in_cents_of, told_by, told_of
from tapbatch.measure.by_amplitude import second_order
from tapbatch.measure.candidates import left_beside
from tapbatch.measure.common_gain import gain_moves
from tapbatch.measure.geometric import Float
from tapbatch.measure.hidden_pairs import with_pairs_flagged
from tapbatch.measure.prune import TapFit
from tapbatch.measure.small_amplitude import Bent, bent, satellites, with_restored, without_satellites
from tapbatch.model.pitch import CENTS

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
_FEWEST_SUSPECT = 2  # telling modes that show it to second order


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
    told = [[told_by(t, s) for t, s in zip(taps, one, strict=True)] for taps, one in zip(zones, said, strict=True)]
    groups = groups_of(zones, told, shifts_hz)
    each = [int(satellites(t, of_second_order=True).sum()) for taps in zones for t in taps if t is not None]
    laws = _laws(groups)
    # A gain moves no pitch.
    maybe_gain = sum(g.bends for g in groups) >= _SUSPECT and not laws[1].holds
    if maybe_gain and gain_moves(zones, said, by_amplitude=laws[0].holds):
        return [[None if t is None else replace(t, bend=(("gain",),) * t.fit.count) for t in taps] for taps in zones]
    suspect = sum(g.bends for g in groups) + (float(np.median(each)) if each else 0.0)
    worth_trying = suspect >= _SUSPECT and any(_may_hold(groups, part) for part in (0, 1))
    if not worth_trying and not any(law.holds for law in laws):
        return with_pairs_flagged(zones, said, groups)
    return _by_law(zones, shifts_hz, laws) or with_pairs_flagged(zones, said, groups)


# ---------------------------------------------------------------- a law of all modes


def _of(group: Group, part: int) -> tuple[float, float]:
    """Return ``kappa`` (part 0) or ``epsilon`` in cents (part 1) of a group, and its standard error."""
    unit = 1.0 if part == 0 else -group.in_cents
    return float(group.q[part]) * unit, float(np.sqrt(group.cov[part, part])) * abs(unit)


def _law(groups: Sequence[Group], part: int) -> _Law:
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


def _may_hold(groups: Sequence[Group], part: int) -> bool:
    """Tell whether a law may come out of fits with bends: enough modes tell of it, and two of them show it.

    Where a misfit hides what modes tell, such fits cost as much as all others and find nothing.
    """
    told = [one for one in (_of(g, part) for g in groups) if one[1] < _TELLING[part]]
    return len(told) >= _FEWEST and sum(abs(value) > _SHOWS * se for value, se in told) >= _FEWEST_SUSPECT


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


def _laws(groups: Sequence[Group]) -> tuple[_Law, _Law]:
    return _law(groups, 0), _law(groups, 1)


def _by_law(
    zones: Sequence[Sequence[TapFit | None]], shifts_hz: Sequence[float], guess: tuple[_Law, _Law]
) -> list[list[TapFit | None]] | None:
    """Return the fits at small amplitude, given what the law says of every mode; ``None`` if there is no law.

    The fits themselves find the law, because a decay that bends much has satellites, and second order is then not
    enough. The law so found is what each of them is told in the end.
    """
    rough: list[list[TapFit | None]] = []
    told: list[list[Told | None]] = []
    for taps, shift_hz in zip(zones, shifts_hz, strict=True):
        found = [None if t is None else _bent_freely(t, guess, shift_hz) for t in taps]
        rough.append([None if b is None else b.tap for b in found])
        told.append([None if b is None else _of_bent(b) for b in found])
    groups = groups_of(rough, told, shifts_hz)
    # Fits that may bend freely tell less of a weak law than second order does.
    kappa, epsilon = (found if found.holds else guessed for found, guessed in zip(_laws(groups), guess, strict=True))
    laws = kappa, epsilon
    if not any(law.holds for law in laws):
        return None
    result: list[list[TapFit | None]] = []
    for z, (taps, shift_hz) in enumerate(zip(rough, shifts_hz, strict=True)):
        louder = _louder([g for g in groups if g.zone == z])
        result.append([None if t is None else _at_small(t, laws, louder, i, shift_hz) for i, t in enumerate(taps)])
    return result


def _of_bent(found: Bent) -> Told:
    # kappa and nu are the real part of q and its negative imaginary part.
    sign = np.repeat([1.0, -1.0], found.tap.fit.count)
    return told_of(found.tap, found.bend * sign, found.cov * np.outer(sign, sign), found.tap.excess)


def _bent_freely(tap: TapFit, guess: tuple[_Law, _Law], shift_hz: float) -> Bent:
    """Return a fit in which every mode may bend as it likes, without satellites where these are not missed."""
    first = without_satellites(tap)
    found = _bent(first, guess, _FREE, shift_hz)
    if first is tap:
        return found
    second = with_restored(tap, found)
    return found if second.fit.count == first.fit.count else _bent(second, guess, _FREE, shift_hz)


def _bent(tap: TapFit, laws: tuple[_Law, _Law], sd: tuple[float, float], shift_hz: float) -> Bent:
    unit, ones = in_cents_of(tap, shift_hz), np.ones(tap.fit.count)
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
    count, unit = tap.fit.count, in_cents_of(tap, shift_hz)
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
    omega = np.angle(found.tap.fit.poles) * np.abs(cents) / CENTS
    pair, uneven = left_beside(found.tap)
    return replace(
        found.tap,
        pair=pair,
        uneven=uneven,
        bend=flags,
        bend_log_delta=_OF_FORM * _EARLY * np.abs(kappa),
        bend_omega=_OF_FORM * _EARLY * omega,
    )


def _louder(groups: Sequence[Group]) -> dict[tuple[int, int], float]:
    """Return how much louder than on average a mode is in a tap, by tap and mode."""
    found = {}
    for group in groups:
        mean = float(np.mean([h.size for h in group.heard]))
        found.update({(h.tap, h.mode): float(np.clip(h.size / mean, 0.2, 3.0)) for h in group.heard})
    return found
