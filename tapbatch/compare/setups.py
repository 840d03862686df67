"""How much a reading changes when an instrument is set up again, learned from ``again`` and ``resets`` recordings.

Conventions: variances of natural logarithms (of frequency, of decay time). For set-up ``k``
and mode ``m`` of a stage, with each set-up read as the mean over its points, the model is::

    y_km = mu_m + b_km + e_km,    b_km ~ N(0, sigma^2),    e_km ~ N(0, v_km), v_km from the taps

One ``sigma`` serves all modes, stages and instruments of a shop, because two set-ups of a single mode determine it
only to within a factor of forty. It is the weighted mean of the variances between set-ups, less the part the taps
explain. The weights follow how precisely each mode determines it, and the result is never less than its own error.
The modes of one stage share their set-ups, and whatever presses on the box affects all of them. Their ``b`` are
therefore treated as correlated by one half, so a second set-up adds at most four degrees of freedom, however many
modes there are.

The variance of a change between two stages of ``K1`` and ``K2`` set-ups then includes ``sigma^2 (1/K1 + 1/K2)`` on
top of the variance from the taps. More taps or points do not reduce it.

The model fails where some modes depend on how the instrument lies and others do not: the interval is then too narrow
for the former and too wide for the latter.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import fmean

from tapbatch.compare.bench import Bench
from tapbatch.compare.random_effects import Z_95, Mean, Sample, across_cells, cells_of, effective_dof, t_95
from tapbatch.compare.spots import spots_matter
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
from tapbatch.model.pitch import CENTS
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
    """The variance that setting up again adds to ``ln f`` and ``ln T60``, and how often it was tried."""

    freq: Variance
    t60: Variance
    again: int

    @property
    def cents(self) -> float:
        """Standard deviation of a frequency from set-up to set-up, in cents."""
        return CENTS * math.sqrt(self.freq.value)


@dataclass(frozen=True, slots=True)
class Contrast:
    """The variance between set-ups for one mode at one stage, the part that taps explain, and ``K - 1``."""

    between: float
    taps: float
    dof: int
    modes: int


@dataclass(frozen=True, slots=True)
class SetupContrasts:
    """The contrasts between set-ups, by stage and then by mode, for ``ln f`` and for ``ln T60``."""

    freq: tuple[tuple[Contrast, ...], ...]
    t60: tuple[tuple[Contrast, ...], ...]


def contrasts_of(stages: Iterable[Stage]) -> SetupContrasts:
    """Return the contrasts between set-ups; stages that were set up only once give none.

    Examples
    --------
    >>> contrasts_of([])
    SetupContrasts(freq=(), t60=())
    """
    anew = [(s, spot) for s in stages for spot in _spots_set_up_anew(s)]
    return SetupContrasts(
        tuple(tuple(_contrasts(stage, spot, freq_sample)) for stage, spot in anew),
        tuple(tuple(_contrasts(stage, spot, t60_sample)) for stage, spot in anew),
    )


def _spots_set_up_anew(stage: Stage) -> list[str]:
    # Set-ups are compared within a spot: between spots, the room differs as well.
    return sorted({h.recording.spot for h in stage.heard if h.recording.again or h.recording.resets})


def learn_setups(stages: Iterable[Stage]) -> SetupScatter | None:
    """Return the scatter between set-ups, from all stages set up more than once; ``None`` without any.

    Parameters
    ----------
    stages : iterable of Stage
        The stages of one instrument or of a whole shop, with ``mode_names`` filled.

    Examples
    --------
    >>> learn_setups([]) is None
    True
    """
    return pool_setups([contrasts_of(stages)])


def pool_setups(told: Iterable[SetupContrasts]) -> SetupScatter | None:
    """Return the scatter between set-ups, pooled over the instruments of a shop; ``None`` without any contrasts.

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
    """Return the number of set-ups in which the taps were made.

    Examples
    --------
    >>> set_up_count([TapAt(0, 0, "bridge", 0, ()), TapAt(0, 1, "bridge", 0, ()), TapAt(1, 0, "bridge", 1, ())])
    2
    """
    return len({tap.setup for tap in taps})


def with_setups(stage: Stage, scatter: SetupScatter | None, bench: Bench) -> Stage:
    """Return a stage with what its modes would read set up anew.

    Where set-ups were repeated, their scatter is also in the decay times and, at a stage of several set-ups, in the
    frequencies as it lies; the flag ``one-setup`` is gone.
    """
    members = members_by_mode(stage)
    settled = [m if scatter is None else _settled(m, members[m.mode], scatter) for m in stage.modes]
    return replace(stage, modes=tuple(_anew(m, set_up_count(t for t, _ in members[m.mode]), bench) for m in settled))


def _anew(mode: StageMode, count: int, bench: Bench) -> StageMode:
    """Return a mode with the interval in which it lies over all set-ups, given the number of those recorded."""
    known_cents = CENTS * math.log(mode.freq_high_hz / mode.freq_low_hz) / 2.0
    reach = bench.reach_cents(known_cents, count) / CENTS
    return replace(
        mode,
        freq_anew_low_hz=mode.freq_hz * math.exp(-reach),
        freq_anew_high_hz=mode.freq_hz * math.exp(reach),
    )


def _settled(mode: StageMode, members: Sequence[tuple[TapAt, Mode]], scatter: SetupScatter) -> StageMode:
    count = set_up_count(tap for tap, _ in members)
    low, high = mode.freq_low_hz, mode.freq_high_hz
    lying = math.log(high / low) / 2.0
    freq = lying if count == 1 else _half(members, freq_sample, lying, scatter.freq, count)
    flags = {*mode.flags} - {"one-setup", "wide"} | ({"wide"} if freq * CENTS > WIDE_CENTS else set())
    low, high = mode.freq_hz * math.exp(-freq), mode.freq_hz * math.exp(freq)
    mode = replace(mode, freq_low_hz=low, freq_high_hz=high, flags=in_order(flags))
    if mode.t60_s is None or mode.t60_low_s is None or mode.t60_high_s is None:
        return mode
    t60 = _half(members, t60_sample, math.log(mode.t60_high_s / mode.t60_low_s) / 2.0, scatter.t60, count)
    return replace(mode, t60_low_s=mode.t60_s * math.exp(-t60), t60_high_s=mode.t60_s * math.exp(t60))


def _half(
    members: Sequence[tuple[TapAt, Mode]], sample: Measure, known: float, scatter: Variance, count: int
) -> float:
    # With several set-ups, the existing interval includes their scatter, but poorly known from one stage. Over the
    # spots of a room it includes the room, which is better known.
    samples = [sample(t, m) for t, m in members]
    taps = known if count == 1 or spots_matter(samples) else across_cells(point_means(samples)).half
    # Treat it as a known variance, so an interval that is wide for lack of taps stays wide.
    parts = [(taps / Z_95) ** 2, scatter.value / count]
    return t_95(effective_dof(parts, [math.inf, scatter.dof])) * math.sqrt(sum(parts))


def point_means(samples: Sequence[Sample]) -> dict[tuple[str, int], Mean]:
    """Return the mean of each point over its set-ups, equally weighted, with the variance due to taps.

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


def _contrasts(stage: Stage, spot: str, sample: Measure) -> list[Contrast]:
    # A mode without T60 tells nothing of how T60 moves.
    told = [m for m in stage.modes if sample is freq_sample or m.t60_s is not None]
    names = [m.mode for m in told if not NOT_OF_THE_BODY & set(m.flags)]
    members = members_by_mode(stage)
    here = [[sample(t, m) for t, m in members[name] if t.spot == spot] for name in names]
    found = [_contrast(samples) for samples in here if samples]
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
        # A mode is weighted by the inverse square of its total variance between set-ups.
        least = fmean(c.taps for c in contrasts) * 1e-3 + 1e-24
        weights = [c.dof / (sigma2 + c.taps + least) ** 2 for c in contrasts]
        surplus = sum(w * (c.between - c.taps) for w, c in zip(weights, contrasts, strict=True))
        sigma2 = max(surplus / sum(weights), 0.0)
    total = sum(weights)
    spread = sum(
        (w / total) ** 2 * 2.0 * (sigma2 + c.taps) ** 2 / c.dof * (1.0 + (c.modes - 1) * CORRELATION**2)
        for w, c in zip(weights, contrasts, strict=True)
    )
    # A value below its own error is raised to that error: at least two degrees of freedom.
    value = max(sigma2, math.sqrt(spread))
    return Variance(value, 2.0 * value**2 / spread)
