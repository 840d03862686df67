"""All recordings of a stage decide together: a second pass over their readings and what was kept of their taps.

Conventions: those of :mod:`tapbatch.measure.all_taps`, which decides. Each recording is measured by itself, and its
taps decide together there. Then the taps of all recordings of a stage decide once more: a mode that stands out in one
take is asked of the others at its pole, and accepted at the same rate of false alarms (1 in 100,000 for each mode
asked). It is a pure function of the readings and of what was kept (:mod:`tapbatch.measure.kept_taps`).

Nothing that a reading has is changed. To a tap that was asked, the modes are added that were accepted, with their
level there, be it weak. Recordings are asked together if they have the same sample rate and band, because a pole
belongs to a rate.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

from tapbatch.measure.all_taps import decided
from tapbatch.measure.kept_taps import KeptTap, KeptTaps, restored
from tapbatch.measure.sound import added_modes
from tapbatch.model.reading import Mode, Reading

_Added = dict[tuple[int, int], list[Mode]]
"""Modes that were accepted, by recording and number of the tap."""


def decided_together(readings: Sequence[Reading], kept: Sequence[KeptTaps | None]) -> list[Reading]:
    """Return the readings of a stage's tap recordings, with the modes added that all of them show together.

    Parameters
    ----------
    readings
        Readings of one part, at one stage.
    kept
        What was kept of each; ``None`` where nothing is. Such a recording is neither asked nor does it propose.

    Returns
    -------
    list of Reading
        In the same order; those to which nothing is added are the same objects.

    Examples
    --------
    >>> decided_together([], [])
    []
    """
    groups: dict[tuple[int, float, float], list[int]] = defaultdict(list)
    used: dict[int, KeptTaps] = {}
    for r, (reading, taps) in enumerate(zip(readings, kept, strict=True)):
        if taps is not None:
            used[r] = taps.only({t.tap.number for t in reading.used_taps})
            groups[taps.grid].append(r)
    added: _Added = defaultdict(list)
    for group in groups.values():
        if len(group) > 1:
            _ask([(r, used[r]) for r in group], added)
    return [_with_modes(reading, r, added) for r, reading in enumerate(readings)]


def _ask(recordings: Sequence[tuple[int, KeptTaps]], added: _Added) -> None:
    """Let all taps of some recordings decide, zone by zone."""
    zones: dict[int, list[tuple[int, KeptTaps, KeptTap]]] = defaultdict(list)
    for r, kept in recordings:
        for tap in kept.taps:
            zones[tap.zone].append((r, kept, tap))
    for taps in zones.values():
        back = [restored(kept, tap) for _, kept, tap in taps]
        fits = [found for found, _ in back]
        after = decided(fits, back[0][1].decimator.shift_hz)
        for (r, _, tap), (before, zone), found in zip(taps, back, after, strict=True):
            if found is not None and found is not before:
                added[r, tap.number] += added_modes(found, zone, tap.at_s)


def _with_modes(reading: Reading, at: int, added: _Added) -> Reading:
    numbers = {number for r, number in added if r == at}
    if not numbers:
        return reading
    taps = tuple(t.with_modes(added[at, t.tap.number]) if t.tap.number in numbers else t for t in reading.taps)
    return replace(reading, taps=taps)
