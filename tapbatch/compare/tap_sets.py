"""The taps of a stage as arrays, as :mod:`tapbatch.compare.moves` takes them.

Conventions: frequencies in cents, ``CENTS ln f``; decay times in hundredths of their logarithm, ``100 ln T60``. A set
holds the taps of one recording within one set-up, at one point. What a tap does not tell is NaN. Where the taps of a
point and set-up agree on a value together (:mod:`tapbatch.compare.tap_consensus`), they are moved onto it as a whole,
so that their mean is that value and their scatter stays.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from statistics import fmean

import numpy as np

from tapbatch.compare.moves.contrast import TapSet
from tapbatch.compare.random_effects import Sample
from tapbatch.compare.stage import TapAt, freq_sample, t60_sample
from tapbatch.model.history import Stage
from tapbatch.model.pitch import CENTS
from tapbatch.model.reading import Mode

Members = Mapping[str, Sequence[tuple[TapAt, Mode]]]
Quantity = tuple[Callable[[TapAt, Mode], Sample], float]

LN_T60_UNIT = 100.0
"""Hundredths of a natural logarithm: per cent, for small changes."""

FREQ_OF: Quantity = (freq_sample, CENTS)
T60_OF: Quantity = (t60_sample, LN_T60_UNIT)


def tap_sets(stage: Stage, members: Members, names: Sequence[str], of: Quantity) -> list[TapSet]:
    """Return the taps of a stage that tell any of some modes.

    Parameters
    ----------
    stage
        The stage, whose recordings give the levels of the taps.
    members
        Its taps by mode, from :func:`tapbatch.compare.stage.members_by_mode`.
    names
        The modes, in the order of the columns; each has at least one tap.
    of
        :data:`FREQ_OF` or :data:`T60_OF`.

    Returns
    -------
    list of TapSet
        In the order of recordings, set-ups and points.
    """
    sample, unit = of
    samples = {name: {(t.recording, t.tap): sample(t, m) for t, m in members[name]} for name in names}
    taps = {(t.recording, t.tap): t for name in names for t, _ in members[name]}
    moved = {name: _onto_shared(samples[name], unit) for name in names}
    sets = []
    for recording, setup, point in sorted({(t.recording, t.setup, t.point) for t in taps.values()}):
        keys = sorted(k for k, t in taps.items() if (t.recording, t.setup, t.point) == (recording, setup, point))
        rows = [[samples[name].get(key) for name in names] for key in keys]
        told = [r.tap.peak_dbfs for r in stage.heard[recording].reading.used_taps]
        # The largest over the taps, because the errors of rooms have heavy tails. Of 144 simulated pairs of carried
        # stages, 5 had a false mover so, and 13 with the median; cuts of 20 cents were told as often (66 and 67 %).
        rooms = np.array([max((s.room for s in samples[name].values()), default=0.0) for name in names]) * unit
        sets.append(
            TapSet(
                values=np.array([[moved[n].get(key, np.nan) for n in names] for key in keys]),
                variances=np.array([[np.nan if s is None else (unit * s.se) ** 2 for s in row] for row in rows]),
                levels_db=np.array([told[tap] for _, tap in keys]),
                setup=setup,
                point=point,
                spot=taps[keys[0]].spot,
                room=rooms if rooms.any() else None,
            )
        )
    return sets


def _onto_shared(samples: Mapping[tuple[int, int], Sample], unit: float) -> dict[tuple[int, int], float]:
    """Return the values of one mode by tap, those of each point and set-up moved onto the value they share."""
    cells: dict[tuple[str, int], list[tuple[int, int]]] = {}
    for key, one in samples.items():
        cells.setdefault((one.point, one.setup), []).append(key)
    values = {}
    for keys in cells.values():
        shared = samples[keys[0]].shared
        off = 0.0 if shared is None else shared - fmean(samples[key].value for key in keys)
        values.update({key: unit * (samples[key].value + off) for key in keys})
    return values


def t60_sets(samples: Sequence[Sample]) -> list[TapSet]:
    """Return decay times of one thing, such as a band, as taps of a single column; levels are taken as equal.

    Parameters
    ----------
    samples
        ``ln T60`` by tap, at least one.

    Examples
    --------
    >>> [tap_set.values.tolist() for tap_set in t60_sets([Sample(0.0, 0.1), Sample(0.5, 0.1, setup=1)])]
    [[[0.0]], [[50.0]]]
    """
    sets = []
    for setup, point in sorted({(s.setup, s.point) for s in samples}):
        here = [s for s in samples if (s.setup, s.point) == (setup, point)]
        sets.append(
            TapSet(
                values=np.array([[LN_T60_UNIT * s.value] for s in here]),
                variances=np.array([[(LN_T60_UNIT * s.se) ** 2] for s in here]),
                levels_db=np.zeros(len(here)),
                setup=setup,
                point=point,
            )
        )
    return sets
