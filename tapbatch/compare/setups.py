"""How much a reading moves when an instrument is put down and set up anew, learned from ``again`` recordings.

Conventions: variances of natural logarithms (of frequency, of decay time). The model of a stage's set-ups ``k`` and
its modes ``m``, each set-up read as the mean over its points::

    y_km = mu_m + b_km + e_km,    b_km ~ N(0, sigma^2),    e_km ~ N(0, v_km), v_km from the taps

One ``sigma`` serves all modes, stages and instruments of a shop, for two set-ups of one mode alone tell it to within
a factor of forty. It is the mean, weighted by what each mode can tell, of the variances between set-ups less what the
taps explain, and no less than the error of that. The modes of one stage were set up together, and what presses on the
box presses on all of them; so their ``b`` count as correlated by one half, and a second set-up brings four degrees of
freedom at the most, however many modes there are.

A change between two stages of ``K1`` and ``K2`` set-ups then holds ``sigma^2 (1/K1 + 1/K2)`` besides what the taps
say; more taps or points take nothing off it.

It breaks where some modes depend on how the instrument lies and others do not: the interval is then too wide for
these and too narrow for those.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import fmean

from tapbatch.compare.random_effects import CENTS, Z_95, Mean, Sample, across_cells, cells_of, effective_dof, t_95
from tapbatch.compare.stage import (
    NOT_OF_THE_BODY,
    WIDE_CENTS,
    TapAt,
    freq_sample,
    in_order,
    members_by_mode,
    t60_sample,
)
from tapbatch.model.history import Stage, StageMode
from tapbatch.model.reading import Mode

CORRELATION = 0.5

Measure = Callable[[TapAt, Mode], Sample]


@dataclass(frozen=True, slots=True)
class Variance:
    """A variance and the degrees of freedom with which it is known."""

    value: float
    dof: float


@dataclass(frozen=True, slots=True)
class SetupScatter:
    """What setting up anew adds to ``ln f`` and to ``ln T60``, and how often that was tried."""

    freq: Variance
    t60: Variance
    again: int

    @property
    def cents(self) -> float:
        """Standard deviation of a frequency from set-up to set-up, in cents."""
        return CENTS * math.sqrt(self.freq.value)


@dataclass(frozen=True, slots=True)
class Contrast:
    """The variance between the set-ups of one mode at one stage, what taps explain of it, and ``K - 1``."""

    between: float
    taps: float
    dof: int
    modes: int


@dataclass(frozen=True, slots=True)
class SetupContrasts:
    """What stages tell of set-ups: of each stage the contrasts of its modes, for ``ln f`` and for ``ln T60``."""

    freq: tuple[tuple[Contrast, ...], ...]
    t60: tuple[tuple[Contrast, ...], ...]


def contrasts_of(stages: Iterable[Stage]) -> SetupContrasts:
    """Return what stages tell of set-ups; those that were set up once tell nothing.

    Examples
    --------
    >>> contrasts_of([])
    SetupContrasts(freq=(), t60=())
    """
    anew = [s for s in stages if any(h.recording.again for h in s.heard)]
    return SetupContrasts(
        tuple(tuple(_contrasts(stage, freq_sample)) for stage in anew),
        tuple(tuple(_contrasts(stage, t60_sample)) for stage in anew),
    )


def learn_setups(stages: Iterable[Stage]) -> SetupScatter | None:
    """Return what setting up anew moves, from all stages that were set up more than once; ``None`` without any.

    Parameters
    ----------
    stages : iterable of Stage
        Of one instrument or of all of a shop, with ``mode_names`` filled.

    Examples
    --------
    >>> learn_setups([]) is None
    True
    """
    return pool_setups([contrasts_of(stages)])


def pool_setups(told: Iterable[SetupContrasts]) -> SetupScatter | None:
    """Return what setting up anew moves, from what the instruments of a shop tell; ``None`` where none tells.

    Examples
    --------
    >>> pool_setups([SetupContrasts((), ())]) is None
    True
    """
    every = list(told)
    freq = [stage for one in every for stage in one.freq]
    t60 = [stage for one in every for stage in one.t60]
    if not any(freq):
        return None
    again = sum(of_stage[0].dof for of_stage in freq if of_stage)
    return SetupScatter(_pooled([c for s in freq for c in s]), _pooled([c for s in t60 for c in s]), again)


def set_up_count(taps: Iterable[TapAt]) -> int:
    """Return in how many set-ups some taps were made.

    Examples
    --------
    >>> set_up_count([TapAt(0, 0, "bridge", 0, ()), TapAt(0, 1, "bridge", 0, ()), TapAt(1, 0, "bridge", 1, ())])
    2
    """
    return len({tap.setup for tap in taps})


def with_setups(stage: Stage, scatter: SetupScatter | None) -> Stage:
    """Return a stage whose intervals hold what setting up anew moves, and whose modes are not flagged for it.

    Unchanged where the scatter of set-ups is not known.
    """
    if scatter is None:
        return stage
    members = members_by_mode(stage)
    modes = tuple(_settled(mode, members[mode.mode], scatter) for mode in stage.modes)
    return replace(stage, modes=modes)


def _settled(mode: StageMode, members: Sequence[tuple[TapAt, Mode]], scatter: SetupScatter) -> StageMode:
    count = set_up_count(tap for tap, _ in members)
    low, high = mode.freq_low_hz, mode.freq_high_hz
    freq = _half(members, freq_sample, math.log(high / low) / 2.0, scatter.freq, count)
    t60 = _half(members, t60_sample, math.log(mode.t60_high_s / mode.t60_low_s) / 2.0, scatter.t60, count)
    flags = {*mode.flags} - {"one-setup", "wide"} | ({"wide"} if freq * CENTS > WIDE_CENTS else set())
    return replace(
        mode,
        freq_low_hz=mode.freq_hz * math.exp(-freq),
        freq_high_hz=mode.freq_hz * math.exp(freq),
        t60_low_s=mode.t60_s * math.exp(-t60),
        t60_high_s=mode.t60_s * math.exp(t60),
        flags=in_order(flags),
    )


def _half(
    members: Sequence[tuple[TapAt, Mode]], sample: Measure, known: float, scatter: Variance, count: int
) -> float:
    # With several set-ups the interval that is known holds their scatter as badly as one stage tells it.
    taps = known if count == 1 else across_cells(point_means([sample(t, m) for t, m in members])).half
    # As a variance that is known, what is wide for want of taps stays wide.
    parts = [(taps / Z_95) ** 2, scatter.value / count]
    return t_95(effective_dof(parts, [math.inf, scatter.dof])) * math.sqrt(sum(parts))


def point_means(samples: Sequence[Sample]) -> dict[tuple[str, int], Mean]:
    """Return the mean of each point over its set-ups, each counted alike, with the variance that taps leave.

    Examples
    --------
    >>> means = point_means([Sample(1.0, 0.1, "bridge", 0), Sample(2.0, 0.1, "bridge", 1)])
    >>> round(means["bridge", 0].value, 6), round(means["bridge", 0].variance, 6)
    (1.5, 0.005)
    """
    of_points: dict[str, list[Mean]] = {}
    for (point, _), mean in cells_of(samples).items():
        of_points.setdefault(point, []).append(mean)
    means = {}
    for point, own in of_points.items():
        parts = [m.variance / len(own) ** 2 for m in own]
        means[point, 0] = Mean(fmean(m.value for m in own), sum(parts), effective_dof(parts, [m.dof for m in own]))
    return means


# --------------------------------------------------------------- pooling


def _contrasts(stage: Stage, sample: Measure) -> list[Contrast]:
    names = [m.mode for m in stage.modes if not NOT_OF_THE_BODY & set(m.flags)]
    members = members_by_mode(stage)
    found = [_contrast([sample(t, m) for t, m in members[name]]) for name in names]
    kept = [c for c in found if c is not None]
    return [replace(c, modes=len(kept)) for c in kept]


def _contrast(samples: Sequence[Sample]) -> Contrast | None:
    cells = cells_of(samples)
    setups = sorted({setup for _, setup in cells})
    common = set.intersection(*({p for p, s in cells if s == setup} for setup in setups))
    if len(setups) < 2 or not common:
        return None
    means = [fmean(cells[p, s].value for p in common) for s in setups]
    taps = [sum(cells[p, s].variance for p in common) / len(common) ** 2 for s in setups]
    centre = fmean(means)
    between = sum((m - centre) ** 2 for m in means) / (len(setups) - 1)
    return Contrast(between, fmean(taps), len(setups) - 1, 1)


def _pooled(contrasts: Sequence[Contrast]) -> Variance:
    sigma2 = 0.0
    for _ in range(3):
        # What a mode can tell goes with the inverse square of its whole variance between set-ups.
        least = fmean(c.taps for c in contrasts) * 1e-3 + 1e-24
        weights = [c.dof / (sigma2 + c.taps + least) ** 2 for c in contrasts]
        surplus = sum(w * (c.between - c.taps) for w, c in zip(weights, contrasts, strict=True))
        sigma2 = max(surplus / sum(weights), 0.0)
    total = sum(weights)
    spread = sum(
        (w / total) ** 2 * 2.0 * (sigma2 + c.taps) ** 2 / c.dof * (1.0 + (c.modes - 1) * CORRELATION**2)
        for w, c in zip(weights, contrasts, strict=True)
    )
    # What is less than its own error is not known to be less: two degrees of freedom at the least.
    value = max(sigma2, math.sqrt(spread))
    return Variance(value, 2.0 * value**2 / spread)
