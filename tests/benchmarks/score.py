"""Comparing estimates with the truth, and the limits that this project sets itself.

Conventions: a true mode is *found* by the estimate nearest to it, if that lies within half the mode's half-power
width (``0.5 delta/pi``, at least 0.5 Hz) and within half the distance to its neighbour; one estimate counts for one
mode. An estimate inside the band that finds no mode is *false*, except for mains lines and for estimates marked as
two modes in one: those of this project must have the flag ``hum`` or ``pair?`` (and then do not count as finding a
mode), and of the other methods any estimate within 1 Hz of a line is excused. A true mode *counts* if its bound on
``ln T60`` is below 0.1. Errors are in hertz and in ``ln T60``; their ratio to the bound is the root mean square of
(error / bound). *Cover* is the share of the stated 95 % intervals that contain the truth. The *ideal* is the maximum
of the likelihood on the same sounds, given the noise, the start, the number of modes and start values. *Over ideal*
is the root of one plus the mean square of (difference from the ideal / bound): the loss of the estimator, without
most of the chance in the trials. *Width*, of a stage, is the median width of its intervals over that of an interval
of known variance.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tapbatch.model.reading import LN_1000
from tests.benchmarks.peers import BAND_HZ

Float = NDArray[np.float64]

COUNTS_BELOW = 0.1
Z_95 = 1.959963984540054

MOST_FREQ_RATIO = 1.05
MOST_T60_RATIO = 1.10
COVER = (0.93, 0.97)
LEAST_STAGE_COVER = 0.94
LEAST_CLEAN = 0.99
BY_CHANCE = 1e-4  # one false alarm in ten thousand judgements


@dataclass(frozen=True, kw_only=True, eq=False)
class Estimates:
    """What a method returns for one tap, each of shape (M,). A ``forgiven`` one is neither mode nor mistake."""

    freq_hz: Float
    t60_s: Float
    freq_half_hz: Float | None = None
    t60_half_log: Float | None = None
    forgiven: NDArray[np.bool_] | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Truth:
    """True modes of one tap and their bounds, each of shape (K,)."""

    freq_hz: Float
    t60_s: Float
    freq_sd_hz: Float
    t60_sd_log: Float

    @property
    def counts(self) -> NDArray[np.bool_]:
        return self.t60_sd_log < COUNTS_BELOW


def matched(found: Estimates, true: Truth) -> list[tuple[int, int]]:
    """Return (true, estimate) pairs."""
    from scipy.optimize import linear_sum_assignment

    if not len(found.freq_hz) or not len(true.freq_hz):
        return []
    apart = np.abs(true.freq_hz[:, None] - true.freq_hz[None])
    np.fill_diagonal(apart, np.inf)
    reach = np.minimum(np.maximum(0.5 * LN_1000 / (np.pi * true.t60_s), 0.5), 0.5 * apart.min(axis=1))
    distance = np.abs(true.freq_hz[:, None] - found.freq_hz[None])
    cost = np.where(distance < reach[:, None], distance, 1e6)
    rows, columns = linear_sum_assignment(cost)
    return [(int(i), int(j)) for i, j in zip(rows, columns, strict=True) if cost[i, j] < 1e6]


@dataclass
class Tally:
    """The results of a method for the taps (or stages) of a case."""

    errors: list[tuple[float, ...]] = field(default_factory=list)
    whose: list[tuple[int, int]] = field(default_factory=list)
    covered: list[tuple[bool, bool]] = field(default_factory=list)
    widths: list[tuple[float, float]] = field(default_factory=list)
    taps: int = 0
    counting: int = 0
    found: int = 0
    false: int = 0
    clean: int = 0
    whole: int = 0
    spent_ms: list[float] = field(default_factory=list)
    odd: list[str] = field(default_factory=list)

    def add(self, trial: int, found: Estimates, true: Truth, spent_ms: float) -> None:
        """Score one tap."""
        pairs = matched(found, true)
        hit = {j for _, j in pairs}
        forgiven = found.forgiven if found.forgiven is not None else np.zeros(len(found.freq_hz), dtype=bool)
        inside = (found.freq_hz > BAND_HZ[0]) & (found.freq_hz < BAND_HZ[1]) & ~forgiven
        false = [j for j in np.flatnonzero(inside).tolist() if j not in hit]
        # An estimate marked as two modes in one claims neither the frequency nor the decay of one.
        counting = [(i, j) for i, j in pairs if true.counts[i] and not forgiven[j]]
        missed = int(true.counts.sum()) - len(counting)
        self.taps += 1
        self.counting += int(true.counts.sum())
        self.found += len(counting)
        self.false += len(false)
        self.clean += not false
        self.whole += missed == 0
        self.spent_ms.append(spent_ms)
        if false or missed:
            where = ", ".join(f"{found.freq_hz[j]:.1f} Hz" for j in false)
            self.odd.append(f"{trial}: {missed} missed, {len(false)} false" + (f" ({where})" if where else ""))
        for i, j in counting:
            self.whose.append((trial, i))
            self._add_mode(found, true, i, j)

    def _add_mode(self, found: Estimates, true: Truth, i: int, j: int) -> None:
        error_hz, error_log = found.freq_hz[j] - true.freq_hz[i], float(np.log(found.t60_s[j] / true.t60_s[i]))
        sd_hz, sd_log = true.freq_sd_hz[i], true.t60_sd_log[i]
        self.errors.append((error_hz / sd_hz, error_log / sd_log, error_hz / true.freq_hz[i], error_log))
        if found.freq_half_hz is not None and found.t60_half_log is not None:
            half_hz, half_log = found.freq_half_hz[j], found.t60_half_log[j]
            self.covered.append((abs(error_hz) <= half_hz, abs(error_log) <= half_log))
            self.widths.append((half_hz / (Z_95 * sd_hz), half_log / (Z_95 * sd_log)))

    # ------------------------------------------------------------- numbers

    @property
    def ratios(self) -> tuple[float, float]:
        """RMSE over the bound, of frequency and of ``ln T60``; NaN if nothing was found."""
        return self._rms(0), self._rms(1)

    def over(self, ideal: Tally | None) -> tuple[float, float]:
        """Root of one plus the mean square of (difference from the ideal / bound); NaN without an ideal."""
        known = {} if ideal is None else dict(zip(ideal.whose, ideal.errors, strict=True))
        apart = [
            np.subtract(mine[:2], known[mode][:2])
            for mode, mine in zip(self.whose, self.errors, strict=True)
            if mode in known
        ]
        if not apart:
            return float("nan"), float("nan")
        freq, t60 = np.sqrt(1 + np.mean(np.square(apart), axis=0))
        return float(freq), float(t60)

    @property
    def rms_cents(self) -> float:
        return self._rms(2) * 1200 / float(np.log(2))

    @property
    def rms_t60_pct(self) -> float:
        return 100 * self._rms(3)

    def _rms(self, column: int) -> float:
        return float(np.sqrt(np.mean([e[column] ** 2 for e in self.errors]))) if self.errors else float("nan")

    @property
    def bias(self) -> tuple[float, float]:
        """Mean error of frequency in cents and of T60 in per cent."""
        if not self.errors:
            return float("nan"), float("nan")
        _, _, relative, log = np.mean(self.errors, axis=0)
        return float(relative) * 1200 / float(np.log(2)), 100 * float(log)

    @property
    def cover(self) -> tuple[float, float]:
        """Coverage of frequency and T60; NaN if no interval was stated."""
        if not self.covered:
            return float("nan"), float("nan")
        f, t = np.mean(self.covered, axis=0)
        return float(f), float(t)

    @property
    def width(self) -> tuple[float, float]:
        """Median width of the intervals over that of an interval of known variance at the bound."""
        if not self.widths:
            return float("nan"), float("nan")
        f, t = np.median(self.widths, axis=0)
        return float(f), float(t)


# ------------------------------------------------------------------ limits


def most_ratio(limit: float, count: int, near: int = 1, chance: float = BY_CHANCE) -> float:
    """Return the ratio that an estimator at ``limit`` exceeds by chance with that probability.

    ``ratio**2`` is a chi-square over its degrees of freedom, from ``count`` errors in correlated groups of ``near``.
    """
    from scipy.stats import chi2

    dof = max(1, count // near)
    return limit * float(np.sqrt(chi2.ppf(1 - chance, dof) / dof))


def share_is_off(hits: int, count: int, low: float, high: float = 1.0, chance: float = BY_CHANCE) -> bool:
    """Tell whether a share lies further outside ``low`` to ``high`` than chance explains with that probability."""
    from scipy.stats import binom

    if count == 0:
        return False
    too_few = binom.cdf(hits, count, low) < chance
    too_many = high < 1 and binom.sf(hits - 1, count, high) < chance
    return bool(too_few or too_many)


def shortfalls(tally: Tally, *, bounded: bool, near: int = 1, chance: float = BY_CHANCE) -> list[str]:
    """Return the limits that the estimates of taps miss by more than chance explains."""
    found = _beyond_bound(tally, near, chance) if bounded else []
    # Where no bound exists, an interval may be too wide, but not wrong.
    found += _uncovered(tally, COVER if bounded else (COVER[0], 1.0), near, chance)
    if share_is_off(tally.clean, tally.taps, LEAST_CLEAN, chance=chance):
        found.append(f"{100 * tally.clean / tally.taps:.1f} % of taps without false, limit {100 * LEAST_CLEAN:g}")
    return found


def _beyond_bound(tally: Tally, near: int, chance: float) -> list[str]:
    return [
        f"{name} {ratio:.2f} times the bound, limit {limit:g}"
        for name, ratio, limit in zip(("f", "T60"), tally.ratios, (MOST_FREQ_RATIO, MOST_T60_RATIO), strict=True)
        if ratio > most_ratio(limit, len(tally.errors), near, chance)
    ]


def _uncovered(tally: Tally, limits: tuple[float, float], near: int, chance: float) -> list[str]:
    found, count = [], len(tally.covered) // near
    for name, share in zip(("f", "T60"), tally.cover, strict=True):
        if count and share_is_off(round(share * count), count, *limits, chance=chance):
            found.append(f"interval of {name} covers {100 * share:.1f} %")
    return found


def stage_shortfalls(
    tally: Tally, *, shared: bool, pair_limit: float | None, near: int = 1, chance: float = BY_CHANCE
) -> list[str]:
    """Return the limits that the modes of stages miss by more than chance explains.

    If ``shared``, the taps share their poles and the law of the noise is known, so the joint bound is a limit.
    """
    found = _beyond_bound(tally, near, chance) if shared else []
    found += _uncovered(tally, (LEAST_STAGE_COVER, 1.0), near, chance)
    if pair_limit is not None and share_is_off(tally.whole, tally.taps, pair_limit, chance=chance):
        found.append(f"{100 * tally.whole / tally.taps:.1f} % resolved, limit {100 * pair_limit:g}")
    return found
