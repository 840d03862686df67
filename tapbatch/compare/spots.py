"""Join what was measured at several spots of a room: one draw of the room for each spot, never for each tap.

Conventions: values are natural logarithms, as in :mod:`tapbatch.compare.random_effects`. A room shifts a mode by the
same amount in every tap at one spot, so more taps do not reduce this error. At another spot, a metre or more away, it
is another error. From the Fisher information of a decay with a diffuse tail behind it, one spot has, with DRR the
direct sound over the room's in decibels and T60 at most the room's,

    sd f = (0.8/T60) 10^(-DRR/20) Hz,    sd ln T60 = 0.73 x 10^(-DRR/20),

and real errors are about 1.5 times as large. The variance of the mean of ``m`` spots is ``s^2 (1 + 0.2 (m - 1))/m``,
because the errors of two spots are still a little alike; with unequal weights, the sum of their squares takes the
place of ``1/m``. Here ``s^2`` is pooled from this rule and from the scatter between the spots, with the weights 6 and
``m - 1``.

The spots are weighted by what the fits leave around the mode: where less of it is left, less of the room is in it. To
this, 0.3 ``s^2`` is added, so that no spot outweighs the others by chance.

The rule, the factor 1.5 and the correlation come from simulated rooms. How often the intervals hold in other ones is
measured by ``tests/benchmarks/rooms.py`` (scenes ``spots...``, in ``ROOMS.md``).

Where every spot is clean (:data:`CLEAN_DB`), nothing of this applies: spots are set-ups like any others. At a single
spot, the misfit of the fit stands for the room; for the frequency, the rule is used where it says more. With the
phone at 30 cm (scene ``still-30``), 92 % of the intervals hold with it; 90 % did without.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import fmean, median

from tapbatch.compare.random_effects import Mean, Sample, across_cells, cells_of, effective_dof

CLEAN_DB = 25.0
"""Direct sound over the room's, in decibels, above which the room is not heard."""

OF_RULE = 1.5
"""Real errors over those of the rule; from simulated rooms, like the next two."""

WEIGHT_OF_RULE = 6
"""Degrees of freedom that the rule counts for beside the scatter between spots."""

ALIKE = 0.2
"""Correlation of the errors of two spots."""

LEAST_OF_RULE = 0.3
"""Part of the rule's variance that is added before spots are weighted."""


def is_heard(direct_db: float | None) -> bool:
    """Return whether the room is heard in a recording: its ``direct_db`` is known and at most :data:`CLEAN_DB`.

    Examples
    --------
    >>> is_heard(CLEAN_DB), is_heard(CLEAN_DB + 0.1), is_heard(None)
    (True, False, False)
    """
    return direct_db is not None and direct_db <= CLEAN_DB


def room_of_freq(freq_hz: float, t60_s: float, direct_db: float | None) -> float:
    """Return the standard deviation that the room of one spot adds to ``ln f``; 0 if it is clean or not known.

    Examples
    --------
    >>> round(room_of_freq(300.0, 0.3, 20.0), 5), room_of_freq(300.0, 0.3, 30.0), room_of_freq(300.0, 0.3, None)
    (0.00133, 0.0, 0.0)
    """
    return OF_RULE * 0.8 / t60_s / freq_hz * _room(direct_db)


def room_of_t60(direct_db: float | None) -> float:
    """Return the standard deviation that the room of one spot adds to ``ln T60``; 0 if it is clean or not known.

    Examples
    --------
    >>> round(room_of_t60(20.0), 4), room_of_t60(None)
    (0.1095, 0.0)
    """
    return OF_RULE * 0.73 * _room(direct_db)


def _room(direct_db: float | None) -> float:
    return 10.0 ** (-direct_db / 20.0) if direct_db is not None and is_heard(direct_db) else 0.0


def spots_matter(*sides: Sequence[Sample]) -> bool:
    """Return whether samples come from more than one spot of a room that is heard.

    Examples
    --------
    >>> door, window = Sample(1.0, 0.1, spot="door", room=0.1), Sample(1.1, 0.1, spot="window", room=0.1)
    >>> spots_matter([door, window]), spots_matter([door], [window]), spots_matter([door, door])
    (True, True, False)
    """
    samples = [s for side in sides for s in side]
    return len({s.spot for s in samples}) > 1 and any(s.room > 0.0 for s in samples)


def over_spots(samples: Sequence[Sample]) -> Mean:
    """Return the mean over spots, each weighted by what its fits leave, with the error of the room in its interval.

    Parameters
    ----------
    samples : sequence of Sample, at least one
        With their spots and the room's standard deviation there.

    Examples
    --------
    >>> one = [Sample(1.0, 0.0, spot="door", room=0.1)]
    >>> three = [Sample(v, 0.0, setup=i, spot=str(i), room=0.1) for i, v in enumerate((0.9, 1.0, 1.1))]
    >>> round(over_spots(one).variance, 4), round(over_spots(three).variance, 4), over_spots(three).dof
    (0.01, 0.0047, 8.0)
    """
    of_spots = [[s for s in samples if s.spot == spot] for spot in sorted({s.spot for s in samples})]
    means = [across_cells(cells_of(of_spot)) for of_spot in of_spots]
    count, even = len(means), fmean(m.value for m in means)
    rule = fmean(fmean(s.room**2 for s in of_spot) for of_spot in of_spots)
    dof = WEIGHT_OF_RULE + count - 1
    pooled = (WEIGHT_OF_RULE * rule + sum((m.value - even) ** 2 for m in means)) / dof
    weights = [1.0 / max(_left(of_spot) + LEAST_OF_RULE * rule, 1e-24) for of_spot in of_spots]
    shares = [w / sum(weights) for w in weights]
    squares = sum(h * h for h in shares)
    parts = [
        pooled * (squares + ALIKE * (1.0 - squares)),
        *(h * h * m.variance for h, m in zip(shares, means, strict=True)),
    ]
    value = sum(h * m.value for h, m in zip(shares, means, strict=True))
    return Mean(value, sum(parts), effective_dof(parts, [float(dof), *(m.dof for m in means)]), math.sqrt(pooled))


def _left(samples: Sequence[Sample]) -> float:
    """Return the variance of a typical tap at a spot, from noise and from what the fit leaves around the mode."""
    return median(s.se**2 + s.misfit**2 for s in samples)
