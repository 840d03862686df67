"""Estimate how far one mode moved between two stages, point by point, with the errors from taps and set-ups.

Conventions: a change is the ratio of later to earlier, as a difference of natural logarithms. The concert pitch has
no effect on it: 440 and 431 Hz are two names for the same sound.

A change is measured point by point, at the points that both stages share, so that a mallet landing elsewhere is not
mistaken for a change in the wood. At each point the two means are independent, and their errors combine by the
Welch-Satterthwaite formula (GUM, JCGM 100, G.4.1). Over several points the changes are averaged with weights equal to
their precisions. Meier's allowance (Biometrics 9, 1953) covers precisions that are themselves estimates. The variance
of DerSimonian & Laird is added where the points disagree by more than their errors suggest.

The scatter from set-up to set-up is learned over the whole shop (:mod:`tapbatch.compare.setups`) and is added once
for all points. If it is not known but a stage has more than one set-up, the scatter comes from this mode alone.
Averaging over points then does not reduce the error, because all points share the set-ups.

A single tap says nothing about the scatter of the hand. It is then assumed to scatter as at the other stage. Where
neither stage shows the scatter, ``steady_cents`` (95 %) stands in for the frequency: the width within which a builder
considers two readings the same. The interval of the decay then covers noise only. The drift carries the caution
``one tap``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from statistics import fmean

from tapbatch.compare.random_effects import CENTS, Z_95, Mean, Sample, across_cells, cells_of, effective_dof
from tapbatch.compare.setups import SetupScatter, Variance, point_means, set_up_count
from tapbatch.compare.spots import is_heard, over_spots, spots_matter
from tapbatch.compare.stage import TapAt, freq_sample, t60_sample
from tapbatch.model.reading import Mode

Members = Sequence[tuple[TapAt, Mode]]


@dataclass(frozen=True, slots=True)
class Change:
    """The change of a mode: ``ln`` ratios of frequency and of decay time.

    ``same_points`` says whether the stages share any point. ``one_tap`` says whether a scatter had to be borrowed.
    ``taps`` gives the numbers of taps compared at the earlier and the later stage, ``setups`` the numbers of set-ups.
    ``by_room`` says whether its errors are those of spots in a room, which more taps do not reduce.
    """

    freq: Mean
    t60: Mean
    same_points: bool
    one_tap: bool
    taps: tuple[int, int]
    setups: tuple[int, int]
    by_room: bool = False

    @property
    def per_tap(self) -> float:
        """The factor of the variance of one tap in the variance of the change: ``1/n1 + 1/n2``."""
        return sum(1.0 / n for n in self.taps)


def change_of(before: Members, after: Members, steady_cents: float, scatter: SetupScatter | None = None) -> Change:
    """Return how a mode changed from the taps of one stage to those of another, at the points they share.

    Parameters
    ----------
    before, after : sequence of (TapAt, Mode), at least one each
        The mode in the taps of each stage.
    steady_cents : float
        Used as the scatter of the hand (95 %, in cents) where neither stage shows it.
    scatter : SetupScatter, optional
        The scatter from set-up to set-up; without it, only the set-ups of these stages count.

    Returns
    -------
    Change
        The change. If the stages share no point, it is computed from their means over all points.
    """
    change = change_by_taps(before, after, steady_cents, scatter is not None)
    return change if scatter is None else with_setup_scatter(change, scatter)


def change_by_taps(before: Members, after: Members, steady_cents: float, setups_known: bool) -> Change:
    """Return how a mode changed, with the error that comes from taps; see :func:`change_of`.

    If ``setups_known``, the error from set-ups is left out, to be added by :func:`with_setup_scatter`.
    """
    before, after = _at_common_spots(before, after)
    common = sorted({t.point for t, _ in before} & {t.point for t, _ in after})
    unknown = steady_cents / CENTS / Z_95
    freq, one_tap = _change(before, after, common, freq_sample, unknown, setups_known)
    t60, _ = _change(before, after, common, t60_sample, 0.0, setups_known)
    compared = [[t for t, _ in side if not common or t.point in common] for side in (before, after)]
    taps, setups = [len(side) for side in compared], [set_up_count(side) for side in compared]
    by_room = spots_matter(*([freq_sample(t, m) for t, m in side] for side in (before, after)))
    return Change(freq, t60, bool(common), one_tap, (taps[0], taps[1]), (setups[0], setups[1]), by_room)


def _at_common_spots(before: Members, after: Members) -> tuple[Members, Members]:
    """Return the taps at the spots that both stages have, or all if they have none in common or no room is heard."""
    common = {t.spot for t, _ in before} & {t.spot for t, _ in after}
    heard = any(is_heard(t.direct_db) for side in (before, after) for t, _ in side)
    if not common or not heard:
        return before, after
    return [(t, m) for t, m in before if t.spot in common], [(t, m) for t, m in after if t.spot in common]


def with_setup_scatter(change: Change, scatter: SetupScatter) -> Change:
    """Return a change with the scatter from set-up to set-up added to its errors."""
    share = sum(1.0 / k for k in change.setups)
    return replace(change, freq=_added(change.freq, scatter.freq, share), t60=_added(change.t60, scatter.t60, share))


def _added(mean: Mean, variance: Variance, share: float) -> Mean:
    parts = [mean.variance, share * variance.value]
    return replace(mean, variance=sum(parts), dof=effective_dof(parts, [mean.dof, variance.dof]))


def _change(
    before: Members,
    after: Members,
    common: Sequence[str],
    sample: Callable[[TapAt, Mode], Sample],
    unknown: float,
    setups_known: bool,
) -> tuple[Mean, bool]:
    sides = [[sample(t, m) for t, m in members] for members in (before, after)]
    if not common:
        pairs = [(sides[0], sides[1])]
    else:
        pairs = [([s for s in sides[0] if s.point == p], [s for s in sides[1] if s.point == p]) for p in common]
    changes = [_difference(earlier, later, unknown, setups_known) for earlier, later in pairs]
    anew = not setups_known and any(len({s.setup for s in side}) > 1 for side in sides)
    return _over_points(changes, anew), any(min(len(a), len(b)) == 1 for a, b in pairs)


def _difference(earlier: Sequence[Sample], later: Sequence[Sample], unknown: float, setups_known: bool) -> Mean:
    sides = (earlier, later)
    by_room = spots_matter(*sides)
    if by_room:
        means = [over_spots(s) for s in sides]
    else:
        means = [across_cells(point_means(s) if setups_known else cells_of(s)) for s in sides]
    value = means[1].value - means[0].value
    parts = [(m.variance, m.dof) for m in means]
    scatters = [_scatter_of(side) for side in sides]
    # Over spots, the error of the room takes the place of the scatter of the hand.
    for lone, other in () if by_room else ((0, 1), (1, 0)):
        scatter = scatters[other]
        if len(sides[lone]) == 1 and scatter is not None:
            return _lent(value, means[lone].variance, means[other], sides[other], scatter)
        if len(sides[lone]) == 1:
            parts.append((unknown**2, math.inf))
    variances = [v for v, _ in parts]
    return Mean(value, sum(variances), effective_dof(variances, [n for _, n in parts]))


def _lent(value: float, noise: float, mean: Mean, samples: Sequence[Sample], scatter: Variance) -> Mean:
    """Return a change between a single tap of variance ``noise`` and several taps, assumed to scatter alike.

    One estimate of the scatter, noise included, is used for both sides, so their errors are not independent. Two taps
    that happen to agree do not show that only noise is left. No interval is narrower than the normal one.
    """
    usual = fmean(s.se**2 for s in samples)
    beyond = max(scatter.value - usual, 0.0)
    told = mean.variance + max(scatter.value, usual) + max(noise - usual, 0.0)
    return max(
        Mean(value, told, min(mean.dof, scatter.dof)),
        Mean(value, mean.variance + beyond + noise, math.inf),
        key=lambda m: m.half,
    )


def _scatter_of(samples: Sequence[Sample]) -> Variance | None:
    # The variance from tap to tap, noise included, of a side with more than one tap within a point and set-up.
    cells: dict[tuple[str, int], list[float]] = {}
    for s in samples:
        cells.setdefault((s.point, s.setup), []).append(s.value)
    dof = len(samples) - len(cells)
    if dof < 1:
        return None
    squares = sum((v - fmean(values)) ** 2 for values in cells.values() for v in values)
    return Variance(squares / dof, float(dof))


def _over_points(changes: Sequence[Mean], anew: bool) -> Mean:
    if len(changes) == 1:
        return changes[0]
    weights = [1.0 / c.variance for c in changes]
    total = sum(weights)
    mean = sum(w * c.value for w, c in zip(weights, changes, strict=True)) / total
    surplus = sum(w * (c.value - mean) ** 2 for w, c in zip(weights, changes, strict=True)) - (len(changes) - 1)
    between = max(0.0, surplus / (total - sum(w * w for w in weights) / total))
    variances = [c.variance + between for c in changes]
    total = sum(1.0 / v for v in variances)
    shares = [1.0 / v / total for v in variances]
    parts = [s * s * v for s, v in zip(shares, variances, strict=True)]
    allowance = 1.0 + 4.0 * sum(s * (1.0 - s) / c.dof for s, c in zip(shares, changes, strict=True))
    variance = sum(s * v for s, v in zip(shares, variances, strict=True)) if anew else sum(parts) * allowance
    value = sum(s * c.value for s, c in zip(shares, changes, strict=True))
    dof = min(c.dof for c in changes) if anew else effective_dof(parts, [c.dof for c in changes])
    return Mean(value, variance, dof, math.sqrt(between))
