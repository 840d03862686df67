"""Which estimates in the taps of a stage are the same mode.

Conventions: a tap is a tuple of modes; distances are squares of differences over their standard deviations, in cents
(the scatter of the hand, learned from the modes that stand alone, and both errors), in ``ln T60`` (15 %, and both
errors) and in level relative to the tap's strongest mode (10 dB, for it hangs on where the mallet lands).

Modes that stand alone, with at most one estimate a tap and nothing near, need no thought and are most. Where several
are near one another they are clustered by average linkage, nearest first, two of one tap never together: a tap cannot
show one mode twice. So two modes 3 Hz apart stay two, and a mode that some taps miss does not pull its neighbour
over. (Assigning each tap anew to the clusters so found was tried: of 1000 estimates it mended less than one.)

It breaks where the scatter of the hand exceeds the distance of two modes *and* taps miss one of them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tapbatch.compare.random_effects import CENTS
from tapbatch.model.reading import Mode

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Member = tuple[int, int]

GAP_CENTS = 35.0
SCATTER_CENTS = (2.0, 4.0, 10.0)
SCATTER_LOG_T60 = 0.15
SCATTER_LEVEL_DB = 10.0
FARTHEST = 16.0


@dataclass(frozen=True, slots=True)
class _Features:
    """All estimates of a stage in the order of frequency, column by column, each of shape (n,)."""

    tap: Ints
    index: Ints
    cents: Floats
    cents_se: Floats
    log_t60: Floats
    log_t60_se: Floats
    level_db: Floats

    def __getitem__(self, rows: Ints | slice) -> _Features:
        return _Features(*(getattr(self, name)[rows] for name in self.__slots__))


def group_taps(taps: Sequence[Sequence[Mode]], points: Sequence[str] = ()) -> tuple[tuple[Member, ...], ...]:
    """Group the modes of a stage's taps.

    Parameters
    ----------
    taps : sequence of sequences of Mode
        The modes of each tap; taps without modes count as taps.
    points : sequence of str, as long as ``taps``, or empty
        Where each tap was struck; default one point for all.

    Returns
    -------
    tuple of tuples of (tap, mode)
        A group for each mode of the stage, by frequency; indices into ``taps`` and into its modes, in order. A group
        is kept when at some point at least half of the taps, and two of them where there are three or more, show it:
        a mode may have its node at the other point.

    Examples
    --------
    >>> def mode(freq_hz):
    ...     return Mode(freq_hz=freq_hz, freq_se_hz=0.01, t60_s=0.4, t60_log_se=0.01, freq_t60_corr=0.0,
    ...                 amplitude=1.0, phase_rad=0.0, energy_db=-20.0)
    >>> group_taps([[mode(200.0), mode(203.0)], [mode(203.1)], [mode(200.1), mode(203.2), mode(310.0)]])
    (((0, 0), (2, 0)), ((0, 1), (1, 0), (2, 1)))
    """
    where = list(points) or [""] * len(taps)
    features = _features(taps)
    if not len(features.tap):
        return ()
    islands = [features[i] for i in _islands(features)]
    alone = [_stands_alone(island) for island in islands]
    scatter = _scatter([i for i, lone in zip(islands, alone, strict=True) if lone])
    groups: list[_Features] = []
    for island, lone in zip(islands, alone, strict=True):
        groups += [island] if lone else _sorted_out(island, scatter)
    kept = [g for g in groups if _is_shown(g, where)]
    kept.sort(key=lambda g: float(np.median(g.cents)))
    return tuple(_members(g) for g in kept)


def _features(taps: Sequence[Sequence[Mode]]) -> _Features:
    rows = []
    for t, modes in enumerate(taps):
        loudest = max((m.energy_db for m in modes), default=0.0)
        for i, m in enumerate(modes):
            se = CENTS * m.freq_se_hz / m.freq_hz
            rows.append(
                (t, i, CENTS * math.log(m.freq_hz), se, math.log(m.t60_s), m.t60_log_se, m.energy_db - loudest)
            )
    table = np.array(sorted(rows, key=lambda r: (r[2], r[0], r[1])), dtype=np.float64).reshape(-1, 7)
    columns = [table[:, c] for c in range(2, 7)]
    return _Features(table[:, 0].astype(np.intp), table[:, 1].astype(np.intp), *columns)


def _members(group: _Features) -> tuple[Member, ...]:
    return tuple(sorted((int(t), int(i)) for t, i in zip(group.tap, group.index, strict=True)))


def _islands(features: _Features) -> list[slice]:
    reach = GAP_CENTS + 2.0 * np.minimum(features.cents_se[1:] + features.cents_se[:-1], GAP_CENTS)
    cuts = np.flatnonzero(np.diff(features.cents) > reach) + 1
    edges = [0, *cuts.tolist(), len(features.tap)]
    return [slice(a, b) for a, b in pairwise(edges)]


def _stands_alone(island: _Features) -> bool:
    once = len(set(island.tap.tolist())) == len(island.tap)
    return once and float(np.ptp(island.cents)) <= 2.0 * GAP_CENTS


def _scatter(alone: Sequence[_Features]) -> float:
    # Twice what the lone modes show, lest the estimate from a few taps be too sure of itself.
    least, usual, most = SCATTER_CENTS
    spreads = [float(np.std(g.cents, ddof=1)) for g in alone if len(g.tap) > 2]
    return min(max(2.0 * float(np.median(spreads)), least), most) if spreads else usual


def _sorted_out(island: _Features, scatter: float) -> list[_Features]:
    labels = _linked(_distances(island, island, scatter), island.tap)
    return [island[np.flatnonzero(labels == label)] for label in np.unique(labels)]


def _distances(a: _Features, b: _Features, scatter: float) -> Floats:
    cents = _square(a.cents, b.cents, a.cents_se, b.cents_se, scatter)
    decay = _square(a.log_t60, b.log_t60, a.log_t60_se, b.log_t60_se, SCATTER_LOG_T60)
    nothing = np.zeros(1)
    level = _square(a.level_db, b.level_db, nothing, nothing, SCATTER_LEVEL_DB)
    # A decay or a level that is far off speaks against, but frequency alone may forbid.
    return cents + np.minimum(decay, 6.0) + np.minimum(level, 4.0)


def _square(a: Floats, b: Floats, se_a: Floats, se_b: Floats, scatter: float) -> Floats:
    variance = 2.0 * scatter**2 + se_a[:, None] ** 2 + se_b[None, :] ** 2
    return np.asarray((a[:, None] - b[None, :]) ** 2 / variance)


def _linked(distances: Floats, tap: Ints) -> Ints:
    """Cluster by average linkage, never two of one tap together; ties fall to the lower frequency."""
    d = np.where(tap[:, None] == tap[None, :], np.inf, distances)
    np.fill_diagonal(d, np.inf)
    labels = np.arange(len(tap))
    sizes = np.ones(len(tap))
    while True:
        flat = int(np.argmin(d))
        i, j = sorted(divmod(flat, len(tap)))
        if not d[i, j] <= FARTHEST:
            return labels
        merged = (sizes[i] * d[i] + sizes[j] * d[j]) / (sizes[i] + sizes[j])
        sizes[i] += sizes[j]
        d[i, :] = merged
        d[:, i] = merged
        d[j, :] = np.inf
        d[:, j] = np.inf
        d[i, i] = np.inf
        labels[labels == j] = i


def _is_shown(group: _Features, points: Sequence[str]) -> bool:
    taps_at: dict[str, int] = _count(points)
    shown_at = _count([points[t] for t in group.tap.tolist()])
    return any(
        2 * shown >= taps_at[point] and shown >= (2 if taps_at[point] > 2 else 1) for point, shown in shown_at.items()
    )


def _count(points: Sequence[str]) -> dict[str, int]:
    counts: Mapping[str, int] = {p: points.count(p) for p in points}
    return dict(counts)
