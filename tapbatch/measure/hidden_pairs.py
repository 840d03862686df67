"""A strong mode that hides two lines within a width: flagged, with errors that cover both.

Conventions: those of :mod:`tapbatch.measure.bent_groups`. How ``q`` tells an interval that covers both lines is
said in :mod:`tapbatch.measure.bending`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tapbatch.measure.bent_groups import Group
from tapbatch.measure.by_amplitude import SecondOrder, estimate, left_with, of_lines
from tapbatch.measure.chance import chance_beyond
from tapbatch.measure.geometric import Float
from tapbatch.measure.misfit import left_around
from tapbatch.measure.prune import TapFit

_HIDDEN = 0.55 * 1.7
_STRONG = 10.0**-1.3  # of the energy of the strongest mode
_MOST_BENT, _MOST_BENT_SHARE = 3, 0.35
_BY_CHANCE_BESIDE = 1e-4  # of a mode that has passed the test by itself
_BESIDE_WIDTHS = np.array([-4.0, -3.0, -2.0, -1.5, 1.5, 2.0, 3.0, 4.0])


def with_pairs_flagged(
    zones: Sequence[Sequence[TapFit | None]], said: Sequence[Sequence[SecondOrder | None]], groups: Sequence[Group]
) -> list[list[TapFit | None]]:
    """Return the fits with the modes flagged that may be two, and with errors that cover both."""
    result = [list(taps) for taps in zones]
    strongest = max((g.energy for g in groups), default=0.0)
    strong = [g for g in groups if g.bends and g.energy > _STRONG * strongest]
    # Where many modes bend and there is no law, something else is amiss: the contact, the codec.
    if sum(g.bends for g in groups) > max(_MOST_BENT, _MOST_BENT_SHARE * len(groups)):
        return result
    for group in strong:
        if not _is_two(group, zones[group.zone], said[group.zone]):
            continue
        hidden = _HIDDEN * np.sqrt(float(np.hypot(*group.q)))
        for one in group.heard:
            tap = result[group.zone][one.tap]
            assert tap is not None
            delta = -float(np.log(np.abs(tap.fit.poles[one.mode])))
            result[group.zone][one.tap] = _hiding(tap, one.mode, hidden / 1.96, hidden / 1.96 * delta)
    return result


def _is_two(group: Group, taps: Sequence[TapFit | None], said: Sequence[SecondOrder | None]) -> bool:
    """Tell whether a mode bends beyond doubt, even beside the best line that all taps may have missed."""
    first = taps[group.heard[0].tap]
    assert first is not None
    pole = first.fit.poles[group.heard[0].mode]
    delta = -np.log(np.abs(pole))
    at = np.angle(pole) + 2.0 * delta * _BESIDE_WIDTHS
    lines = np.concatenate([np.exp(-faster * delta + 1j * at) for faster in (1.0, 2.0)])
    tried = []
    for one in group.heard:
        tap, of_tap = taps[one.tap], said[one.tap]
        assert tap is not None
        assert of_tap is not None
        own = tap.fit.poles[one.mode]
        information, slope = of_lines(tap, of_tap, np.concatenate([[own * np.abs(own)], lines]))
        left = left_around(left_with(tap, of_tap, estimate(of_tap)[0]), tap.fit.poles[[one.mode]])
        over = max(one.excess, float(left[0]))
        tried.append((information / over, slope / over))
    alone = [_gain(tried, (1 + m,)) for m in range(len(lines))]
    best = 1 + int(np.argmax(alone))
    return chance_beyond(_gain(tried, (0, best)) - alone[best - 1], len(tried)) < _BY_CHANCE_BESIDE


def _gain(tried: Sequence[tuple[Float, Float]], which: tuple[int, ...]) -> float:
    """Return by how much chi-square falls over all taps with some of the lines that were tried."""
    total = 0.0
    for information, slope in tried:
        half = len(slope) // 2
        at = [*which, *(half + m for m in which)]
        total += float(slope[at] @ np.linalg.lstsq(information[np.ix_(at, at)], slope[at], rcond=1e-9)[0])
    return total


def _hiding(tap: TapFit, k: int, log_delta: float, omega: float) -> TapFit:
    count = tap.fit.count
    more = [b.copy() if len(b) else np.zeros(count) for b in (tap.bend_log_delta, tap.bend_omega)]
    more[0][k], more[1][k] = log_delta, omega
    flags: list[tuple[str, ...]] = list(tap.bend) if tap.bend else [()] * count
    flags[k] = ("pair?",)
    return replace(tap, bend_log_delta=more[0], bend_omega=more[1], bend=tuple(flags))
