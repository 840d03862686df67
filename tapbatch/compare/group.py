"""Group the estimates from the taps of a stage that belong to the same mode.

Conventions: a tap is a tuple of modes. A distance is a sum of squared differences, each divided by its variance. The
differences are in cents (the standard deviation covers the scatter of the hand, learned from isolated modes, and both
errors), in ``ln T60`` (15 %, and both errors) and in level relative to the strongest mode of the tap (10 dB, because
the level depends on where the mallet lands).

Most modes are isolated, with at most one estimate per tap and nothing near; each is a group as it stands. Where
several modes are near one another, the estimates are clustered by average linkage, nearest first. Two estimates from
one tap are never joined, because a tap cannot show one mode twice. So two modes 3 Hz apart stay separate, and a mode
that some taps miss does not attract its neighbour's estimates. (Reassigning each tap to the resulting clusters was
tried: it corrected less than one of 1000 estimates.)

The method fails where the scatter of the hand exceeds the distance between two modes *and* taps miss one of them.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tapbatch.model.pitch import CENTS
from tapbatch.model.reading import Mode

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Member = tuple[int, int]

GAP_CENTS = 35.0
SCATTER_CENTS = (2.0, 4.0, 10.0)
SCATTER_LOG_T60 = 0.15
SCATTER_LEVEL_DB = 10.0
FARTHEST = 16.0
FEWEST_VOTERS = 3


@dataclass(frozen=True, slots=True)
class _Features:
    """All estimates of a stage in order of frequency; each column has shape (n,)."""

    tap: Ints
    index: Ints
    cents: Floats
    cents_se: Floats
    log_t60: Floats
    log_t60_se: Floats
    level_db: Floats
    resolved: Floats

    def __getitem__(self, rows: Ints | slice) -> _Features:
        return _Features(*(getattr(self, name)[rows] for name in self.__slots__))


def group_taps(
    taps: Sequence[Sequence[Mode]], points: Sequence[str] = (), spots: Sequence[str] = ()
) -> tuple[tuple[Member, ...], ...]:
    """Group the modes of a stage's taps.

    Parameters
    ----------
    taps : sequence of sequences of Mode
        The modes of each tap; taps without modes also count as taps.
    points : sequence of str, as long as ``taps``, or empty
        Where each tap was struck; by default, one point for all.
    spots : sequence of str, as long as ``taps``, or empty
        The spot of the room at which each tap was made; by default, one spot for all.

    Returns
    -------
    tuple of tuples of (tap, mode)
        One group for each mode of the stage, in order of frequency. The pairs are indices into ``taps`` and into the
        modes of that tap, in order. A group is kept if, at any one point, at least half of the taps show it, and at
        least two taps where there are three or more. One point is enough because a mode may have its node at the
        other point. Where a point has taps from three spots or more, the spots vote instead: a group is kept if more
        than half of them show it, each in at least half of its taps. A room adds false modes, but others at each
        spot.

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
    kept = [g for g in groups if _is_shown(g, where, list(spots) or [""] * len(taps))]
    kept.sort(key=lambda g: float(np.median(g.cents)))
    return tuple(_members(g) for g in kept)


def _features(taps: Sequence[Sequence[Mode]]) -> _Features:
    rows = []
    for t, modes in enumerate(taps):
        loudest = max((m.energy_db for m in modes), default=0.0)
        for i, m in enumerate(modes):
            se = CENTS * m.freq_se_hz / m.freq_hz
            level_db, cents = m.energy_db - loudest, CENTS * math.log(m.freq_hz)
            rows.append((t, i, cents, se, math.log(m.t60_s), m.t60_log_se, level_db, float(m.resolved)))
    table = np.array(sorted(rows, key=lambda r: (r[2], r[0], r[1])), dtype=np.float64).reshape(-1, 8)
    columns = [table[:, c] for c in range(2, 8)]
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
    # Use twice the scatter of the isolated modes, because an estimate from a few taps may be too small.
    least, usual, most = SCATTER_CENTS
    # An unresolved line scatters by a part of the spectrum's resolution, which says nothing of the hand.
    known = [g.cents[g.resolved > 0] for g in alone]
    spreads = [float(np.std(cents, ddof=1)) for cents in known if len(cents) > 2]
    return min(max(2.0 * float(np.median(spreads)), least), most) if spreads else usual


def _sorted_out(island: _Features, scatter: float) -> list[_Features]:
    labels = _linked(_distances(island, island, scatter), island.tap)
    return [island[np.flatnonzero(labels == label)] for label in np.unique(labels)]


def _distances(a: _Features, b: _Features, scatter: float) -> Floats:
    cents = _square(a.cents, b.cents, a.cents_se, b.cents_se, scatter)
    decay = _square(a.log_t60, b.log_t60, a.log_t60_se, b.log_t60_se, SCATTER_LOG_T60)
    nothing = np.zeros(1)
    level = _square(a.level_db, b.level_db, nothing, nothing, SCATTER_LEVEL_DB)
    # A large difference in decay or level makes a match less likely, but only frequency can rule it out.
    return cents + np.minimum(decay, 6.0) + np.minimum(level, 4.0)


def _square(a: Floats, b: Floats, se_a: Floats, se_b: Floats, scatter: float) -> Floats:
    variance = 2.0 * scatter**2 + se_a[:, None] ** 2 + se_b[None, :] ** 2
    return np.asarray((a[:, None] - b[None, :]) ** 2 / variance)


def _linked(distances: Floats, tap: Ints) -> Ints:
    """Cluster by average linkage, never joining two estimates from one tap; ties go to the lower frequency."""
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


def _is_shown(group: _Features, points: Sequence[str], spots: Sequence[str]) -> bool:
    shown = group.tap.tolist()
    return any(
        _is_shown_at([t for t in shown if points[t] == point], [t for t, p in enumerate(points) if p == point], spots)
        for point in {points[t] for t in shown}
    )


def _is_shown_at(shown: Sequence[int], taps: Sequence[int], spots: Sequence[str]) -> bool:
    """Return whether enough of the taps at one point show a mode."""
    there, seen = Counter(spots[t] for t in taps), Counter(spots[t] for t in shown)
    if len(there) < FEWEST_VOTERS:
        return 2 * len(shown) >= len(taps) and len(shown) >= (2 if len(taps) > 2 else 1)
    return 2 * sum(2 * seen[spot] >= count for spot, count in there.items()) > len(there)
