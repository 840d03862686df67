"""How far a mode moved between two stages, and whether it did.

Conventions: a change is later over earlier, as a difference of natural logarithms, shown in cents, hertz and percent.
The concert pitch plays no part in it: 440 and 431 Hz are two names for the same sound.

A change is taken point by point, at the points that both stages have, so that a mallet landing elsewhere is not taken
for wood. At each point the two means are independent and their errors join as Welch and Satterthwaite have it (GUM,
JCGM 100, G.4.1). Over several points the changes are averaged by their precision, with Meier's allowance (Biometrics
9, 1953) for precisions that are themselves estimates, and with DerSimonian & Laird's variance where the points
disagree by more than their errors say. Set-ups are shared by all points, so where either stage has more than one,
averaging over points takes nothing off the error.

One tap says nothing of how the hand scatters. It is then taken to scatter as at the other stage; where neither stage
tells, by ``steady_cents`` (95 %) for the frequency, the width within which a builder takes two readings for the same,
and the decay's interval is that of the noise alone. The caution says ``one tap``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from tapbatch.compare.conditions import cautions
from tapbatch.compare.join import CENTS, Z_95, Mean, Sample, across_cells, cells_of, effective_dof
from tapbatch.compare.stage import NOT_OF_THE_BODY, TapAt, freq_sample, t60_sample, taps_of, with_shared
from tapbatch.values import Drift, Mode, Stage, StageMode, Verdict

Members = Sequence[tuple[TapAt, Mode]]


@dataclass(frozen=True, slots=True)
class Change:
    """How a mode changed: ``ln`` ratios of frequency and of decay time, and whether the points were the same."""

    freq: Mean
    t60: Mean
    same_points: bool
    one_tap: bool


def drifts_of_part(stages: Sequence[Stage], steady_cents: float) -> tuple[Drift, ...]:
    """Return the drift from each stage of a part to the next.

    Parameters
    ----------
    stages : sequence of Stage
        The stages of one part, in order, with ``mode_names`` filled. Those without a used tap (only plucked, or only
        the room) say nothing of modes and are passed over.
    steady_cents : float
        Within which a mode counts as steady.

    Returns
    -------
    tuple of Drift
        By pair of stages, then by frequency.

    Examples
    --------
    >>> drifts_of_part([], 3.0)
    ()
    """
    tapped = [s for s in stages if s.taps_used]
    members = [members_by_mode(s) for s in tapped]
    rows: list[Drift] = []
    for i in range(1, len(tapped)):
        rows += _between(tapped[i - 1], tapped[i], members[i - 1], members[i], steady_cents)
    return tuple(rows)


def drift_between(before: Stage, after: Stage, steady_cents: float) -> tuple[Drift, ...]:
    """Return the drift of every mode between any two stages of one part.

    Parameters
    ----------
    before, after : Stage
        With ``mode_names`` filled, as :func:`tapbatch.compare.history.build_history` makes them.
    steady_cents : float
        Within which a mode counts as steady.

    Returns
    -------
    tuple of Drift
        For each mode of either stage, by frequency. Modes flagged ``hum`` or ``string`` at either are left out: what
        they do is not the instrument's doing.
    """
    return _between(before, after, members_by_mode(before), members_by_mode(after), steady_cents)


def members_by_mode(stage: Stage) -> dict[str, list[tuple[TapAt, Mode]]]:
    """Return the taps of each mode of a stage, by its name, with the mode as measured in each."""
    taps = taps_of(stage.heard)
    groups: dict[str, list[tuple[int, int]]] = {m.mode: [] for m in stage.modes}
    for t, tap in enumerate(taps):
        for k, name in enumerate(stage.heard[tap.recording].mode_names[tap.tap]):
            if name:
                groups[name].append((t, k))
    taps = with_shared(taps, list(groups.values()))
    return {name: [(taps[t], taps[t].modes[k]) for t, k in group] for name, group in groups.items()}


def verdict_of(low: float, high: float, steady: float) -> Verdict:
    """Return what an interval says: the one place where the rule stands.

    Parameters
    ----------
    low, high : float
        A 95 % interval of a change, in any unit.
    steady : float
        What counts as steady, in the same unit.

    Returns
    -------
    Verdict
        ``up`` or ``down`` where the interval excludes zero, else ``steady`` where all of it lies within ``steady``,
        else ``unclear``: never "nothing happened" for "could not tell".

    Examples
    --------
    >>> verdict_of(0.5, 9.0, 3.0), verdict_of(-1.0, 2.0, 3.0), verdict_of(-1.0, 4.0, 3.0)
    ('up', 'steady', 'unclear')
    """
    if low > 0:
        return "up"
    if high < 0:
        return "down"
    return "steady" if -steady <= low and high <= steady else "unclear"


def change_of(before: Members, after: Members, steady_cents: float) -> Change:
    """Return how a mode changed from one stage's taps to another's, at the points that both have.

    Parameters
    ----------
    before, after : sequence of (TapAt, Mode), at least one each
        The mode in the taps of each stage.
    steady_cents : float
        Stands in for the scatter of the hand where neither stage tells it.

    Returns
    -------
    Change
        Where no point is common, from the stages' means over all their points.
    """
    common = sorted({t.point for t, _ in before} & {t.point for t, _ in after})
    unknown = steady_cents / CENTS / Z_95
    freq, one_tap = _change(before, after, common, freq_sample, unknown)
    t60, _ = _change(before, after, common, t60_sample, 0.0)
    return Change(freq, t60, bool(common), one_tap)


def _change(
    before: Members, after: Members, common: Sequence[str], sample: Callable[[TapAt, Mode], Sample], unknown: float
) -> tuple[Mean, bool]:
    sides = [[sample(t, m) for t, m in members] for members in (before, after)]
    if not common:
        pairs = [(sides[0], sides[1])]
    else:
        pairs = [([s for s in sides[0] if s.point == p], [s for s in sides[1] if s.point == p]) for p in common]
    changes = [_difference(earlier, later, unknown) for earlier, later in pairs]
    anew = any(len({s.setup for s in side}) > 1 for side in sides)
    return _over_points(changes, anew), any(min(len(a), len(b)) == 1 for a, b in pairs)


def _difference(earlier: Sequence[Sample], later: Sequence[Sample], unknown: float) -> Mean:
    cells = [cells_of(earlier), cells_of(later)]
    means = [across_cells(c) for c in cells]
    parts = [(m.variance, m.dof) for m in means]
    scatters = [_scatter_of(c, side) for c, side in zip(cells, (earlier, later), strict=True)]
    for lone, other in ((0, 1), (1, 0)):
        scatter = scatters[other]
        if len((earlier, later)[lone]) > 1:
            continue
        if scatter is None:
            parts.append((unknown**2, math.inf))
        else:
            # One estimate of scatter serves both sides, so the two parts stand or fall together.
            parts[other] = (parts[other][0] + scatter[0], min(parts[other][1], scatter[1]))
    variances = [v for v, _ in parts]
    return Mean(means[1].value - means[0].value, sum(variances), effective_dof(variances, [n for _, n in parts]))


def _scatter_of(cells: Mapping[tuple[str, int], Mean], samples: Sequence[Sample]) -> tuple[float, float] | None:
    # The variance from tap to tap of a side with more than one tap, and its degrees of freedom.
    dof = len(samples) - len(cells)
    if dof < 1:
        return None
    counts = [(m, sum((s.point, s.setup) == key for s in samples) - 1) for key, m in cells.items()]
    return sum(m.between**2 * n for m, n in counts) / dof, float(dof)


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


# ----------------------------------------------------------------- rows


def _between(
    before: Stage,
    after: Stage,
    members_before: Mapping[str, Members],
    members_after: Mapping[str, Members],
    steady_cents: float,
) -> tuple[Drift, ...]:
    earlier = {m.mode: m for m in before.modes}
    later = {m.mode: m for m in after.modes}
    both = cautions(before, after)
    rows = []
    for name in sorted({*earlier, *later}, key=lambda n: (earlier.get(n) or later[n]).freq_hz):
        sides = (earlier.get(name), later.get(name))
        if any(side is not None and NOT_OF_THE_BODY & set(side.flags) for side in sides):
            continue
        change = None
        if None not in sides:
            change = change_of(members_before[name], members_after[name], steady_cents)
        rows.append(_row(before, after, sides, change, both, steady_cents))
    return tuple(rows)


def _row(
    before: Stage,
    after: Stage,
    sides: tuple[StageMode | None, StageMode | None],
    change: Change | None,
    both: Sequence[str],
    steady_cents: float,
) -> Drift:
    known = sides[0] or sides[1]
    if known is None:
        msg = "a drift needs a mode at one of the two stages"
        raise ValueError(msg)
    if change is None:
        return Drift(
            part=after.part, mode=known.mode, from_stage=before.stage, to_stage=after.stage,
            freq_change_hz=None, freq_change_cents=None, cents_low=None, cents_high=None,
            t60_change_pct=None, t60_low_pct=None, t60_high_pct=None,
            verdict="new" if sides[0] is None else "gone",
            caution="; ".join(both),
        )  # fmt: skip
    freq, t60 = change.freq, change.t60
    low, high = freq.low * CENTS, freq.high * CENTS
    own = [] if change.same_points or any(c.startswith("points") for c in both) else ["points"]
    return Drift(
        part=after.part,
        mode=known.mode,
        from_stage=before.stage,
        to_stage=after.stage,
        freq_change_hz=known.freq_hz * math.expm1(freq.value),
        freq_change_cents=freq.value * CENTS,
        cents_low=low,
        cents_high=high,
        t60_change_pct=100.0 * math.expm1(t60.value),
        t60_low_pct=100.0 * math.expm1(t60.low),
        t60_high_pct=_percent(t60.high),
        verdict=verdict_of(low, high, steady_cents),
        caution="; ".join([*both, *own, *(["one tap"] if change.one_tap else [])]),
    )


def _percent(log_ratio: float) -> float:
    # A factor of 12.7 on two taps may ask for more than a float holds; a millionfold is as good as unbounded.
    return 100.0 * math.expm1(min(log_ratio, math.log(1e6)))
