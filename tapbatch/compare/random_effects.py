"""Joining repeated measurements into one, with an interval that counts what taps, points and set-ups contribute.

Conventions: values are natural logarithms (of a frequency or of a decay time), so errors are relative;
``CENTS = 1200/ln 2`` turns a logarithm of frequency into cents.

The model of one (point, set-up), with taps ``j``::

    y_j = mu + a_j + e_j,    a_j ~ N(0, tau^2) from tap to tap,    e_j ~ N(0, s_j^2) from noise, s_j known

``tau^2`` by Paule & Mandel (J. Res. NBS 87, 1982), solved by the Newton steps of DerSimonian & Kacker (Contemp. Clin.
Trials 28, 2007): the value at which the weighted residuals are as large as they should be. DerSimonian & Laird's
estimate is its first step, and low where the ``s_j`` differ much, as they do when some taps are soft.

The interval is a ``t`` interval from the taps' own scatter. With equal ``s_j`` it is that of Hartung & Knapp (Stat.
Med. 20, 2001), which is then the textbook interval of a mean with J - 1 degrees of freedom (GUM, JCGM 100, 4.2, annex
G). With levels that scatter by 8 dB from tap to tap Hartung & Knapp's covers only 90 %: two loud taps that agree by
chance get all the weight. So the variance is Bell & McCaffrey's (Survey Methodology 28, 2002), corrected for each
tap's weight, with the effective degrees of freedom that go with it (Tipton, Psychol. Methods 20, 2015), and the
weights count ``tau^2`` as larger by ``2/(J - 1)`` sample variances, for how badly it is known. That covers 94 % or
more at 2, 3, 5 and 10 taps, whatever the scatter. No interval is narrower than the normal one of known variances.

Across points and set-ups the same is done once more, with the (point, set-up) means as values. Where points and
set-ups are crossed, each has its own variance and its own few-values factor, and the two join as squares.

It breaks where taps are not independent (a mallet that tires, a string that is warming up) and where the scatter is
far from normal; two values make a wide interval because their scatter is hardly known, not because it is large. One
tap tells nothing of scatter: its interval is that of the noise alone, and whoever shows it must say so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from statistics import fmean, median

CENTS = 1200.0 / math.log(2.0)
Z_95 = 1.959963984540054
_LEAST_VARIANCE = 1e-24


@dataclass(frozen=True, slots=True)
class Sample:
    """One tap's estimate of a quantity: its value and standard error, and where it was taken.

    ``shared`` is what the taps of its (point, set-up) say together where they agree
    (:mod:`tapbatch.compare.tap_consensus`).
    """

    value: float
    se: float
    point: str = ""
    setup: int = 0
    shared: float | None = None


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean whose 95 % interval is ``value +- half``, ``half = t(dof) sqrt(variance)``.

    ``dof`` is infinite where the variance is known. ``between`` is the standard deviation ``tau`` of what was joined.
    """

    value: float
    variance: float
    dof: float
    between: float = 0.0

    @property
    def half(self) -> float:
        """Half the width of the 95 % interval."""
        return t_95(self.dof) * math.sqrt(self.variance)

    @property
    def low(self) -> float:
        """Lower bound of the 95 % interval."""
        return self.value - self.half

    @property
    def high(self) -> float:
        """Upper bound of the 95 % interval."""
        return self.value + self.half


def with_misfit(mean: Mean, misfits: Sequence[float]) -> Mean:
    """Return a mean whose interval counts what the taps have in common and no scatter shows.

    Parameters
    ----------
    mean : Mean
        Of the taps.
    misfits : sequence of float, at least one
        Of each tap, the part of its standard error that no noise explains. Their median counts, whole: a room answers
        every tap alike. It is left out of changes from stage to stage, which have it in common too.

    Examples
    --------
    >>> with_misfit(Mean(1.0, 0.0, math.inf), [0.1, 0.1, 0.4]).half == Z_95 * 0.1
    True
    >>> with_misfit(Mean(1.0, 0.01, 4.0), [0.0, 0.0]) == Mean(1.0, 0.01, 4.0)
    True
    """
    systematic = Z_95 * median(sorted(misfits))
    return replace(mean, variance=mean.variance + (systematic / t_95(mean.dof)) ** 2)


@dataclass(frozen=True, slots=True)
class Joined:
    """A quantity at a stage: its mean, and the errors of one tap from noise alone and from tap to tap."""

    mean: Mean
    within: float
    between: float
    taps: int


@lru_cache(maxsize=4096)
def t_95(dof: float) -> float:
    """Return the two-sided 95 % factor of Student's t.

    Parameters
    ----------
    dof : float
        Degrees of freedom, positive, not necessarily whole; infinite for the normal factor.

    Returns
    -------
    float
        The factor; GUM table G.2 gives 12.71, 4.30, 2.78 and 2.26 for 1, 2, 4 and 9.

    Raises
    ------
    ValueError
        Where ``dof`` is not positive.

    Examples
    --------
    >>> [round(t_95(n), 2) for n in (1, 2, 4, 9, math.inf)]
    [12.71, 4.3, 2.78, 2.26, 1.96]
    """
    if not dof > 0:
        msg = f"degrees of freedom must be positive, found {dof!r}"
        raise ValueError(msg)
    if math.isinf(dof):
        return Z_95
    from scipy.special import stdtrit

    return float(stdtrit(dof, 0.975))


def effective_dof(variances: Sequence[float], dofs: Sequence[float]) -> float:
    """Return the degrees of freedom of a sum of independent variances (Welch and Satterthwaite, GUM G.4.1).

    Examples
    --------
    >>> round(effective_dof([1.0, 1.0], [4.0, 4.0]), 3), effective_dof([1.0], [math.inf])
    (8.0, inf)
    """
    spread = sum(v * v / n for v, n in zip(variances, dofs, strict=True))
    return sum(variances) ** 2 / spread if spread > 0 else math.inf


def random_effects(values: Sequence[float], ses: Sequence[float]) -> Mean:
    """Return the mean of values that scatter by more than their standard errors say.

    Parameters
    ----------
    values : sequence of float, length n >= 1
        The estimates.
    ses : sequence of float, length n
        Their standard errors, 0 or more, in the same unit; 0 means that nothing is known but the scatter.

    Returns
    -------
    Mean
        With a ``t`` interval, floored by the normal one. One value keeps its own error.

    Raises
    ------
    ValueError
        Where there is no value, or lengths differ.

    Notes
    -----
    The floor costs coverage of 97 to 98 % where there is no scatter at all; without it two taps that happen to agree
    would claim to be surer than the bound allows.

    Examples
    --------
    >>> mean = random_effects([1.0, 2.0, 3.0], [0.0, 0.0, 0.0])
    >>> round(mean.value, 6), round(mean.half, 3)
    (2.0, 2.484)
    """
    if not values:
        msg = "a mean needs at least one value"
        raise ValueError(msg)
    variances = [max(se * se, _LEAST_VARIANCE) for _, se in zip(values, ses, strict=True)]
    if len(values) == 1:
        return Mean(values[0], variances[0], math.inf)
    tau2 = _paule_mandel(values, variances)
    doubt = 2.0 / (len(values) - 1) * _sample_variance(values)
    weights = [1.0 / (v + tau2 + doubt) for v in variances]
    total = sum(weights)
    mean = sum(w * y for w, y in zip(weights, values, strict=True)) / total
    known = sum(w * w * (v + tau2) for w, v in zip(weights, variances, strict=True)) / total**2
    squares, dof = _corrected_variance([y - mean for y in values], weights)
    normal = Mean(mean, known, math.inf, math.sqrt(tau2))
    return max(Mean(mean, squares, dof, math.sqrt(tau2)), normal, key=lambda m: m.half)


def _corrected_variance(residuals: Sequence[float], weights: Sequence[float]) -> tuple[float, float]:
    # Bell & McCaffrey: each squared residual divided by the share of its variance that the fit has left in it, and
    # the degrees of freedom of the quadratic form, from its two traces. A value that outweighs all others by twelve
    # digits leaves nothing of itself in the residuals.
    total = sum(weights)
    shares = [w / total for w in weights]
    rests = [max(1.0 - h, 1e-12) for h in shares]
    factors = [h * h / r for h, r in zip(shares, rests, strict=True)]
    left = [r / w for r, w in zip(rests, weights, strict=True)]
    squares = sum(a * r * r for a, r in zip(factors, residuals, strict=True))
    trace = sum(a * m for a, m in zip(factors, left, strict=True))
    off = (sum(factors) ** 2 - sum(a * a for a in factors)) / total**2
    trace_of_square = sum((a * m) ** 2 for a, m in zip(factors, left, strict=True)) + off
    return squares, trace**2 / trace_of_square


def _sample_variance(values: Sequence[float]) -> float:
    # statistics.variance works in exact fractions, at fifty times the cost.
    mean = fmean(values)
    return sum((v - mean) ** 2 for v in values) / (len(values) - 1)


def _paule_mandel(values: Sequence[float], variances: Sequence[float]) -> float:
    # The start lies left of the root, from where Newton's steps rise to it without passing it: the sum is convex.
    tau2 = max(0.0, _sample_variance(values) - max(variances))
    dof = len(values) - 1
    for _ in range(50):
        weights = [1.0 / (v + tau2) for v in variances]
        mean = sum(w * y for w, y in zip(weights, values, strict=True)) / sum(weights)
        residuals = [w * (y - mean) ** 2 for w, y in zip(weights, values, strict=True)]
        surplus = sum(residuals) - dof
        if surplus <= 1e-9 * dof:
            break
        tau2 += surplus / sum(w * r for w, r in zip(weights, residuals, strict=True))
    return tau2


def join(samples: Sequence[Sample]) -> Joined:
    """Join the taps of a stage: within a (point, set-up) first, then across them.

    Parameters
    ----------
    samples : sequence of Sample, at least one
        A tap each; the order does not matter.

    Returns
    -------
    Joined
        ``within`` is the median standard error of a tap, ``between`` the scatter from tap to tap inside a point and
        set-up, 0 where no two taps share one (then it is not known).

    Raises
    ------
    ValueError
        Where there is no sample.

    Examples
    --------
    >>> joined = join([Sample(1.0, 0.1, "bridge"), Sample(1.1, 0.1, "bridge"), Sample(0.9, 0.1, "bridge")])
    >>> round(joined.mean.value, 3), joined.taps, round(joined.mean.dof, 3)
    (1.0, 3, 2.0)
    """
    cells = cells_of(samples)
    counts = _counts(samples)
    several = [(cells[key], counts[key] - 1) for key in cells if counts[key] > 1]
    pooled = sum(m.between**2 * n for m, n in several) / max(1, sum(n for _, n in several))
    within = median(sorted(s.se for s in samples))
    return Joined(across_cells(cells), within, math.sqrt(pooled), len(samples))


def cells_of(samples: Sequence[Sample]) -> dict[tuple[str, int], Mean]:
    """Return the mean of each (point, set-up), in sorted order.

    Examples
    --------
    >>> list(cells_of([Sample(1.0, 0.1, "top"), Sample(1.0, 0.1, "bridge", 1)]))
    [('bridge', 1), ('top', 0)]
    """
    if not samples:
        msg = "joining needs at least one sample"
        raise ValueError(msg)
    grouped: dict[tuple[str, int], list[Sample]] = {}
    for sample in sorted(samples, key=lambda s: (s.point, s.setup, s.value, s.se)):
        grouped.setdefault((sample.point, sample.setup), []).append(sample)
    return {key: _cell(tuple(cell)) for key, cell in grouped.items()}


@lru_cache(maxsize=4096)  # a stage is held against the one before it, the one after it, and the first
def _cell(samples: tuple[Sample, ...]) -> Mean:
    """Return the mean of one (point, set-up): about what its taps say together, where they do.

    The interval stays that of the scatter, and grows by the distance to its middle: that taps agree does not prove
    that their poles are the same.
    """
    mean = random_effects([s.value for s in samples], [s.se for s in samples])
    shared = samples[0].shared
    if shared is None or len(samples) == 1:
        return mean
    moved = (shared - mean.value) / t_95(mean.dof)
    return replace(mean, value=shared, variance=mean.variance + moved**2)


def across_cells(cells: dict[tuple[str, int], Mean]) -> Mean:
    """Join (point, set-up) means, each factor with its own variance where the two are crossed.

    Examples
    --------
    >>> across_cells({("bridge", 0): Mean(1.0, 0.01, 4.0), ("top", 0): Mean(1.2, 0.01, 4.0)}).dof
    1.0
    """
    means = list(cells.values())
    if len(means) == 1:
        return means[0]
    crossed = _crossed(cells)
    spread = crossed or random_effects([m.value for m in means], [math.sqrt(m.variance) for m in means])
    return max(spread, _taps_alone(means, spread), key=lambda m: m.half)


def _taps_alone(means: Sequence[Mean], spread: Mean) -> Mean:
    # What the interval would be if points and set-ups did nothing: no interval may be narrower.
    weights = [1.0 / m.variance for m in means]
    total = sum(weights)
    shares = [w / total for w in weights]
    parts = [s * s * m.variance for s, m in zip(shares, means, strict=True)]
    return Mean(spread.value, sum(parts), effective_dof(parts, [m.dof for m in means]), spread.between)


def _crossed(cells: dict[tuple[str, int], Mean]) -> Mean | None:
    # Cell means as point effect + set-up effect, by least squares; None where one of them does not vary or where the
    # two cannot be told apart, and then the cells are simply values that scatter.
    points = sorted({p for p, _ in cells})
    setups = sorted({s for _, s in cells})
    if len(points) < 2 or len(setups) < 2:
        return None
    import numpy as np

    design = np.zeros((len(cells), len(points) + len(setups)))
    for row, (point, setup) in enumerate(cells):
        design[row, points.index(point)] = 1.0
        design[row, len(points) + setups.index(setup)] = 1.0
    values = np.array([m.value for m in cells.values()])
    offset = float(values.mean())
    effects, _, rank, _ = np.linalg.lstsq(design, values - offset, rcond=None)
    if rank < len(points) + len(setups) - 1:
        return None
    of_points = [float(e) for e in effects[: len(points)]]
    of_setups = [float(e) for e in effects[len(points) :]]
    mean = offset + fmean(of_points) + fmean(of_setups)
    # One dof of set-ups beside many of points: a joint factor would be far too small or far too large, so each keeps
    # its own, and the half-widths join as squares.
    halves = [t_95(len(e) - 1) * math.sqrt(_sample_variance(e) / len(e)) for e in (of_points, of_setups)]
    return Mean(
        mean,
        max((math.hypot(*halves) / Z_95) ** 2, _LEAST_VARIANCE),
        math.inf,
        math.sqrt(_sample_variance(of_setups)),
    )


def _counts(samples: Sequence[Sample]) -> dict[tuple[str, int], int]:
    counts: dict[tuple[str, int], int] = {}
    for sample in samples:
        key = (sample.point, sample.setup)
        counts[key] = counts.get(key, 0) + 1
    return counts


def recordings_disagree(recordings: Sequence[Sequence[Sample]], least: float) -> bool:
    """Tell whether recordings of one point and set-up differ by more than their taps explain.

    A one-way analysis of variance at 1 %, the scatter within recordings never taken as smaller than noise makes it,
    and only where the recordings' means lie further apart than ``least`` (a difference may be real and not matter).

    Parameters
    ----------
    recordings : sequence of sequences of Sample
        The taps of each recording; those with fewer than two taps are left out.
    least : float
        The smallest spread of means that counts, in the unit of the values.

    Returns
    -------
    bool
        False where fewer than two recordings have two taps.

    Examples
    --------
    >>> low = [Sample(v, 0.01) for v in (1.00, 1.01, 0.99)]
    >>> high = [Sample(v, 0.01) for v in (1.30, 1.31, 1.29)]
    >>> recordings_disagree([low, high], 0.1), recordings_disagree([low, high], 0.5)
    (True, False)
    """
    groups = [[s.value for s in r] for r in recordings if len(r) > 1]
    if len(groups) < 2:
        return False
    means = [fmean(g) for g in groups]
    if max(means) - min(means) <= least:
        return False
    total = sum(len(g) for g in groups)
    grand = sum(sum(g) for g in groups) / total
    between = sum(len(g) * (m - grand) ** 2 for g, m in zip(groups, means, strict=True)) / (len(groups) - 1)
    inside = sum((v - m) ** 2 for g, m in zip(groups, means, strict=True) for v in g) / (total - len(groups))
    noise = fmean(s.se**2 for r in recordings if len(r) > 1 for s in r)
    ratio = between / max(inside, noise, _LEAST_VARIANCE)
    from scipy.special import fdtrc

    return bool(fdtrc(len(groups) - 1, total - len(groups), ratio) < 0.01)
