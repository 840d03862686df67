"""Combine repeated measurements into one mean, with an interval that covers taps, points and set-ups.

Conventions: values are natural logarithms (of a frequency or of a decay time), so errors are relative.
:data:`tapbatch.model.pitch.CENTS`, which is ``1200/ln 2``, converts a logarithm of frequency to cents.

The model for one (point, set-up), with taps ``j``::

    y_j = mu + a_j + e_j,    a_j ~ N(0, tau^2) from tap to tap,    e_j ~ N(0, s_j^2) from noise, s_j known

``tau^2`` is the estimate of Paule & Mandel (J. Res. NBS 87, 1982): the value at which the weighted sum of squared
residuals equals its expected value. It is solved by the Newton steps of DerSimonian & Kacker (Contemp. Clin. Trials
28, 2007). The estimate of DerSimonian & Laird is the first step. It is too low where the ``s_j`` differ much, as they
do when some taps are soft.

The interval is a ``t`` interval based on the scatter of the taps. With equal ``s_j`` it is the interval of Hartung &
Knapp (Stat. Med. 20, 2001), which is then the textbook interval of a mean with J - 1 degrees of freedom (GUM, JCGM
100, 4.2, annex G). When levels vary by 8 dB from tap to tap, Hartung & Knapp's interval covers only 90 %: two loud
taps that agree by chance get all the weight. So the variance is that of Bell & McCaffrey (Survey Methodology 28,
2002), corrected for the weight of each tap, with the matching effective degrees of freedom (Tipton, Psychol. Methods
20, 2015). The weights use a ``tau^2`` increased by ``2/(J - 1)`` sample variances, because it is poorly known. This
covers 94 % or more at 2, 3, 5 and 10 taps, whatever the scatter. No interval is narrower than the normal interval for
known variances.

The same method is used again across points and set-ups, with the (point, set-up) means as values. Where points and
set-ups are crossed, each has its own variance and its own ``t`` factor. The two half-widths are added in quadrature.

The method fails where taps are not independent (a mallet that tires, a string that is warming up) and where the
scatter is far from normal. Two values give a wide interval because their scatter is poorly known, not because it is
large. A single tap says nothing about scatter: its interval covers noise only, and any display must say so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from statistics import fmean, median

Z_95 = 1.959963984540054
_LEAST_VARIANCE = 1e-24


@dataclass(frozen=True, slots=True)
class Sample:
    """One tap's estimate of a quantity: its value, its standard error, and where it was taken.

    ``shared`` is the joint estimate from all taps of the same (point, set-up), where they agree
    (:mod:`tapbatch.compare.tap_consensus`). ``room`` is the standard deviation that the room of the ``spot`` adds
    (:mod:`tapbatch.compare.spots`); 0 where it is not known or does not matter. ``misfit`` is the part of the error
    that noise does not explain, which is left out of ``se``.
    """

    value: float
    se: float
    point: str = ""
    setup: int = 0
    shared: float | None = None
    spot: str = ""
    room: float = 0.0
    misfit: float = 0.0


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean whose 95 % interval is ``value +- half``, ``half = t(dof) sqrt(variance)``.

    ``dof`` is infinite where the variance is known. ``between`` is the standard deviation ``tau`` between the values
    that were combined.
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
    """Return a mean whose interval includes the error that all taps share and that their scatter cannot show.

    Parameters
    ----------
    mean : Mean
        The mean of the taps.
    misfits : sequence of float, at least one
        For each tap, the part of its standard error that noise does not explain. The median is added in full, without
        averaging, because a room responds to every tap alike. Changes from stage to stage leave it out, because both
        stages share it.

    Examples
    --------
    >>> with_misfit(Mean(1.0, 0.0, math.inf), [0.1, 0.1, 0.4]).half == Z_95 * 0.1
    True
    >>> with_misfit(Mean(1.0, 0.01, 4.0), [0.0, 0.0]) == Mean(1.0, 0.01, 4.0)
    True
    """
    systematic = Z_95 * median(misfits)
    return replace(mean, variance=mean.variance + (systematic / t_95(mean.dof)) ** 2)


@dataclass(frozen=True, slots=True)
class Joined:
    """A quantity at a stage: its mean, the error of one tap from noise alone, and the scatter from tap to tap."""

    mean: Mean
    within: float
    between: float
    taps: int


def percent_change(log_ratio: float) -> float:
    """Return the change in per cent that a natural logarithm of a ratio stands for; at most a millionfold.

    A millionfold is as good as unbounded.

    Examples
    --------
    >>> round(percent_change(math.log(1.05)), 6), percent_change(1000.0) < 1e8
    (5.0, True)
    """
    return 100.0 * math.expm1(min(log_ratio, math.log(1e6)))


@lru_cache(maxsize=4096)
def t_95(dof: float) -> float:
    """Return the two-sided 95 % factor of Student's t distribution.

    Parameters
    ----------
    dof : float
        Degrees of freedom, positive, not necessarily a whole number; infinite gives the normal factor.

    Returns
    -------
    float
        The factor; GUM table G.2 gives 12.71, 4.30, 2.78 and 2.26 for 1, 2, 4 and 9.

    Raises
    ------
    ValueError
        If ``dof`` is not positive.

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
    """Return the mean of values that scatter more than their standard errors suggest.

    Parameters
    ----------
    values : sequence of float, length n >= 1
        The estimates.
    ses : sequence of float, length n
        Their standard errors, 0 or more, in the same unit; 0 means that only the scatter is known.

    Returns
    -------
    Mean
        The mean with a ``t`` interval, never narrower than the normal interval. A single value keeps its own error.

    Raises
    ------
    ValueError
        If there are no values, or the lengths differ.

    Notes
    -----
    The lower limit raises coverage to 97 to 98 % where there is no scatter at all. Without it, two taps that happen
    to agree would claim a smaller error than the bound allows.

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
    # Bell & McCaffrey: divide each squared residual by the share of its variance that remains after the fit. The
    # degrees of freedom of the quadratic form follow from its two traces. The floor of 1e-12 is for a value that
    # outweighs all others by twelve digits, whose residual is zero.
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
    # statistics.variance computes with exact fractions and takes fifty times as long.
    mean = fmean(values)
    return sum((v - mean) ** 2 for v in values) / (len(values) - 1)


def _paule_mandel(values: Sequence[float], variances: Sequence[float]) -> float:
    # The start lies to the left of the root. The sum is convex, so Newton's steps rise to the root and never pass it.
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
    """Combine the taps of a stage: first within each (point, set-up), then across them.

    Parameters
    ----------
    samples : sequence of Sample, at least one
        One for each tap; the order does not matter.

    Returns
    -------
    Joined
        ``within`` is the median standard error of a tap. ``between`` is the scatter from tap to tap within a point
        and set-up. It is 0 where no two taps share a point and set-up (then it is not known).

    Raises
    ------
    ValueError
        If there are no samples.

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
    within = median(s.se for s in samples)
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


@lru_cache(maxsize=4096)  # each stage is compared with the one before it, the one after it, and the first
def _cell(samples: tuple[Sample, ...]) -> Mean:
    """Return the mean of one (point, set-up), centred on the joint estimate of its taps where there is one.

    The interval still comes from the scatter. It is widened by the distance from the centre of that interval to the
    joint estimate: agreement between taps does not prove that their poles are the same.
    """
    mean = random_effects([s.value for s in samples], [s.se for s in samples])
    shared = samples[0].shared
    if shared is None or len(samples) == 1:
        return mean
    moved = (shared - mean.value) / t_95(mean.dof)
    return replace(mean, value=shared, variance=mean.variance + moved**2)


def across_cells(cells: dict[tuple[str, int], Mean]) -> Mean:
    """Combine the (point, set-up) means; where points and set-ups are crossed, each has its own variance.

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
    # The interval if points and set-ups had no effect. No interval may be narrower.
    weights = [1.0 / m.variance for m in means]
    total = sum(weights)
    shares = [w / total for w in weights]
    parts = [s * s * m.variance for s, m in zip(shares, means, strict=True)]
    return Mean(spread.value, sum(parts), effective_dof(parts, [m.dof for m in means]), spread.between)


def _crossed(cells: dict[tuple[str, int], Mean]) -> Mean | None:
    # Fit the cell means as point effect + set-up effect by least squares. The result is None where one of them does
    # not vary or where the two cannot be separated. The cells are then treated simply as values that scatter.
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
    # Set-ups may have one degree of freedom and points many. A joint t factor would then be far too small or far too
    # large, so each keeps its own, and the half-widths are added in quadrature.
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
    """Return whether recordings of one point and set-up differ by more than the scatter of their taps explains.

    The test is a one-way analysis of variance at the 1 % level. The scatter within recordings is never taken as
    smaller than the noise. The means of the recordings must also lie further apart than ``least``, because a
    difference may be real and still not matter.

    Parameters
    ----------
    recordings : sequence of sequences of Sample
        The taps of each recording; recordings with fewer than two taps are left out.
    least : float
        The smallest spread of means that counts, in the unit of the values.

    Returns
    -------
    bool
        Always False where fewer than two recordings have two or more taps.

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
