"""Which of two ways of hearing the same taps is better: one channel, or two in line taken together.

Conventions: what each way measured tells it, by the number of modes and by their errors, in which the room counts as
misfit. Two channels in line leave less of the room, but also less of the direct sound, and their noises add. So
neither is always better.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median

from tapbatch.listen.taps import SAME_S
from tapbatch.model.reading import Mode, TapReading

_SAME_CENTS = 25.0
_WITHIN_DB = 30.0


def second_is_better(first: Sequence[TapReading], second: Sequence[TapReading]) -> bool:
    """Tell whether the second way measures the modes within 30 dB of the strongest more closely.

    Parameters
    ----------
    first, second
        The transients of a recording as either way heard them.

    Returns
    -------
    bool
        Whether the errors of the frequencies that both list are smaller in the median by more than the second way
        lists fewer modes: two thirds of the modes at half the error is better, a third at half the error is not.

    Examples
    --------
    >>> second_is_better([], [])
    False
    """
    one = [_loud(r) for r in first if r.tap.used]
    count, other_count, gains = sum(map(len, one)), 0, []
    for reading in (r for r in second if r.tap.used):
        modes = _loud(reading)
        other_count += len(modes)
        near = [r for r in first if r.tap.used and abs(r.tap.onset_s - reading.tap.onset_s) < SAME_S]
        gains += [
            math.log(mode.freq_se_hz / same.freq_se_hz)
            for r in near
            for mode in _loud(r)
            if (same := _same(mode, modes)) is not None
        ]
    return len(gains) > 0 and median(gains) + math.log(other_count / count) > 0.0


def _loud(reading: TapReading) -> list[Mode]:
    return [m for m in reading.modes_within(_WITHIN_DB) if m.freq_se_hz > 0.0]


def _same(mode: Mode, modes: Sequence[Mode]) -> Mode | None:
    nearest = min(modes, key=lambda m: abs(m.freq_hz - mode.freq_hz), default=None)
    if nearest is None or abs(1200 * math.log2(nearest.freq_hz / mode.freq_hz)) > _SAME_CENTS:
        return None
    return nearest
