"""How far one mode moved between two stages: point by point, with what taps and set-ups contribute.

Conventions: a change is later over earlier, as a difference of natural logarithms. The concert pitch plays no part in
it: 440 and 431 Hz are two names for the same sound.

A change is taken point by point, at the points that both stages have, so that a mallet landing elsewhere is not taken
for wood. At each point the two means are independent and their errors join as Welch and Satterthwaite have it (GUM,
JCGM 100, G.4.1). Over several points the changes are averaged by their precision, with Meier's allowance (Biometrics
9, 1953) for precisions that are themselves estimates, and with DerSimonian & Laird's variance where the points
disagree by more than their errors say.

What setting up anew adds is learned over the shop (:mod:`tapbatch.compare.setups`) and comes on top, once for all
points. Where it is not known and a stage has more than one set-up after all, their scatter is that of this mode
alone, and averaging over points takes nothing off the error, for set-ups are shared by all points.

One tap says nothing of how the hand scatters. It is then taken to scatter as at the other stage; where neither stage
tells, by ``steady_cents`` (95 %) for the frequency, the width within which a builder takes two readings for the same,
and the decay's interval is that of the noise alone. Its drift bears the caution ``one tap``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from statistics import fmean

from tapbatch.compare.random_effects import CENTS, Z_95, Mean, Sample, across_cells, cells_of, effective_dof
from tapbatch.compare.setups import SetupScatter, Variance, point_means, set_up_count
from tapbatch.compare.stage import TapAt, freq_sample, t60_sample
from tapbatch.model.reading import Mode

Members = Sequence[tuple[TapAt, Mode]]


@dataclass(frozen=True, slots=True)
class Change:
    """How a mode changed: ``ln`` ratios of frequency and of decay time.

    ``same_points`` says whether any point was common, ``one_tap`` whether a scatter had to be borrowed; ``taps`` are
    those of the earlier and the later stage that were compared, ``setups`` their numbers of set-ups.
    """

    freq: Mean
    t60: Mean
    same_points: bool
    one_tap: bool
    taps: tuple[int, int]
    setups: tuple[int, int]

    @property
    def per_tap(self) -> float:
        """By what the variance of one tap enters that of the change: ``1/n1 + 1/n2``."""
        return sum(1.0 / n for n in self.taps)


def change_of(before: Members, after: Members, steady_cents: float, scatter: SetupScatter | None = None) -> Change:
    """Return how a mode changed from one stage's taps to another's, at the points that both have.

    Parameters
    ----------
    before, after : sequence of (TapAt, Mode), at least one each
        The mode in the taps of each stage.
    steady_cents : float
        Stands in for the scatter of the hand where neither stage tells it.
    scatter : SetupScatter, optional
        What setting up anew moves; without it only the stages' own set-ups count.

    Returns
    -------
    Change
        Where no point is common, from the stages' means over all their points.
    """
    change = change_by_taps(before, after, steady_cents, scatter is not None)
    return change if scatter is None else with_setup_scatter(change, scatter)


def change_by_taps(before: Members, after: Members, steady_cents: float, setups_known: bool) -> Change:
    """Return how a mode changed, with what taps contribute to the error; see :func:`change_of`.

    Where ``setups_known``, what set-ups contribute is left out, to be added by :func:`with_setup_scatter`.
    """
    common = sorted({t.point for t, _ in before} & {t.point for t, _ in after})
    unknown = steady_cents / CENTS / Z_95
    freq, one_tap = _change(before, after, common, freq_sample, unknown, setups_known)
    t60, _ = _change(before, after, common, t60_sample, 0.0, setups_known)
    compared = [[t for t, _ in side if not common or t.point in common] for side in (before, after)]
    taps, setups = [len(side) for side in compared], [set_up_count(side) for side in compared]
    return Change(freq, t60, bool(common), one_tap, (taps[0], taps[1]), (setups[0], setups[1]))


def with_setup_scatter(change: Change, scatter: SetupScatter) -> Change:
    """Return a change with what setting up anew moves added to its errors."""
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
    means = [across_cells(point_means(s) if setups_known else cells_of(s)) for s in sides]
    value = means[1].value - means[0].value
    parts = [(m.variance, m.dof) for m in means]
    scatters = [_scatter_of(side) for side in sides]
    for lone, other in ((0, 1), (1, 0)):
        scatter = scatters[other]
        if len(sides[lone]) == 1 and scatter is not None:
            return _lent(value, means[lone].variance, means[other], sides[other], scatter)
        if len(sides[lone]) == 1:
            parts.append((unknown**2, math.inf))
    variances = [v for v, _ in parts]
    return Mean(value, sum(variances), effective_dof(variances, [n for _, n in parts]))


def _lent(value: float, noise: float, mean: Mean, samples: Sequence[Sample], scatter: Variance) -> Mean:
    """Return a change whose one side is a single tap, of variance ``noise``, that scatters like the other's taps.

    One estimate of scatter serves both sides, so the two stand or fall together, noise and all: two taps that happen
    to agree do not show that only noise is left. No interval is narrower than the normal one.
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
    # The variance from tap to tap of a side with more than one tap inside a point and set-up, noise included.
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
