"""Turn the taps of a stage into the arrays that a comparison of moves takes.

Conventions: frequencies become cents, ``1200 log2 f``, and decay times hundredths of a logarithm, ``100 ln T60``. One
:class:`~tapbatch.compare.moves.contrast.TapSet` holds the taps of one recording in one set-up, in the order in which
they were made, with one column for each of ``names``. The level of a tap is its peak. Of the errors of a tap only
that from noise counts; the room's is given apart (:mod:`tapbatch.compare.spots`), 0 for modes that it does not reach.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Literal

import numpy as np

from tapbatch.compare.moves.contrast import TapSet
from tapbatch.compare.random_effects import CENTS, Sample
from tapbatch.compare.stage import TapAt, freq_sample, t60_sample
from tapbatch.model.history import Stage
from tapbatch.model.reading import Mode

PER_CENT = 100.0
"""Hundredths of a natural logarithm to one: per cent, for small changes."""

Members = Mapping[str, Sequence[tuple[TapAt, Mode]]]


def tap_sets(
    stage: Stage, members: Members, names: Sequence[str], quantity: Literal["freq", "t60"]
) -> tuple[TapSet, ...]:
    """Return the taps of a stage, by recording and set-up.

    Parameters
    ----------
    stage : Stage
        With ``mode_names`` filled.
    members : mapping of str to sequence of (TapAt, Mode)
        The taps of each mode, from :func:`tapbatch.compare.stage.members_by_mode` of the stage.
    names : sequence of str
        The modes to compare, each with a tap here; one column each.
    quantity : {"freq", "t60"}
        Which of the two.

    Returns
    -------
    tuple of TapSet
        Without recordings that tell none of the modes.
    """
    sample: Callable[[TapAt, Mode], Sample] = freq_sample if quantity == "freq" else t60_sample
    unit = CENTS if quantity == "freq" else PER_CENT
    cells: dict[tuple[int, int], dict[int, dict[int, Sample]]] = {}
    for column, name in enumerate(names):
        for tap, mode in members[name]:
            taps = cells.setdefault((tap.recording, tap.setup), {})
            taps.setdefault(tap.tap, {})[column] = sample(tap, mode)
    return tuple(
        _tap_set(stage, recording, {t: taps[t] for t in sorted(taps)}, len(names), unit)
        for (recording, _), taps in sorted(cells.items())
    )


def _tap_set(
    stage: Stage, recording: int, taps: Mapping[int, Mapping[int, Sample]], modes: int, unit: float
) -> TapSet:
    values, variances = np.full((len(taps), modes), np.nan), np.full((len(taps), modes), np.nan)
    room = np.zeros((len(taps), modes))
    for row, samples in enumerate(taps.values()):
        for column, sample in samples.items():
            values[row, column] = unit * sample.value
            variances[row, column] = (unit * sample.se) ** 2
            room[row, column] = unit * sample.room
    used = stage.heard[recording].reading.used_taps
    first = next(iter(next(iter(taps.values())).values()))
    return TapSet(
        values=values,
        variances=variances,
        levels_db=np.array([used[t].tap.peak_dbfs for t in taps]),
        setup=first.setup,
        point=first.point,
        spot=first.spot,
        room=room.max(axis=0) if room.any() else None,
    )
