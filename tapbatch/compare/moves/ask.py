"""Say what would decide an open question: how many more taps, or how many more set-ups, at the later stage.

Conventions: the earlier stage is past. A question is open if the verdict is ``unclear`` or has a ``?``; it is decided
if the verdict would be firm, or ``steady``, with the readings where they are and smaller errors. More taps shrink the
scatter of the hand. More set-ups, each with as many taps as now, shrink what set-ups shift as well, and they teach
how far that is: they are expected to shift by the median of what is believed. What all modes did alike is left as it
is. ``None`` means that the most that is tried would not decide it either: "not likely", rather than never.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from tapbatch.compare.moves.belief import SLOW
from tapbatch.compare.moves.judge import FIRM, Moves, verdicts_of
from tapbatch.compare.moves.mixture import Sums
from tapbatch.compare.moves.priors import Floats, common_grid

TAPS = (2, 5, 10, 20, 40)
SETUPS = (1, 2, 3, 5)
"""The numbers that are tried; more is not worth a maker's time."""

_OF_TWO = 1.5
# A set-up against the mean of those before it: 2 for the second, 3/2 for the third, nearer 1 later.

Ask = tuple[int | None, ...]


def with_asks(moves: Moves, sums: Sums, anew: int, steady: float) -> Moves:
    """Return the moves with ``more_taps`` and ``more_setups`` filled in where a question is open.

    Parameters
    ----------
    moves : Moves
        From :func:`tapbatch.compare.moves.judge.judge_moves`.
    sums : Sums
        From which they were judged.
    anew : int
        How many times a set-up was repeated, which is what the belief about set-ups rests on.
    steady : float
        As there.
    """
    is_open = [m.verdict == "unclear" or m.verdict.endswith("?") for m in moves.modes]
    if not any(is_open):
        return moves

    def taught(number: int) -> Sums:
        more = replace(sums, contrast=sums.contrast.with_more_setups(number))
        return replace(more, common_weights=_taught(sums, anew, number))

    taps = _fewest(steady, is_open, TAPS, lambda n: replace(sums, contrast=sums.contrast.with_more_taps(n)))
    setups = _fewest(steady, is_open, SETUPS, taught)
    modes = [replace(m, more_taps=t, more_setups=s) for m, t, s in zip(moves.modes, taps, setups, strict=True)]
    return replace(moves, modes=tuple(modes))


def _fewest(steady: float, is_open: Sequence[bool], numbers: Sequence[int], more: Callable[[int], Sums]) -> Ask:
    """Return, for each open mode, the least of ``numbers`` that would decide it."""
    found: list[int | None] = [None] * len(is_open)
    most = _decided(more(numbers[-1]), steady)
    waiting = {k for k, wanted in enumerate(is_open) if wanted and most[k]}
    for number in numbers[:-1] if waiting else ():
        decided = _decided(more(number), steady)
        for k in sorted(waiting):
            if decided[k]:
                found[k] = number
                waiting.discard(k)
        if not waiting:
            break
    for k in waiting:
        found[k] = numbers[-1]
    return tuple(found)


def _decided(sums: Sums, steady: float) -> list[bool]:
    said = verdicts_of(sums, steady)
    return [
        word == "steady" or (word in ("up", "down") and chance < FIRM)
        for word, chance in zip(said.verdicts, said.chances, strict=True)
    ]


def _taught(sums: Sums, anew: int, number: int) -> Floats:
    """Return what would be believed of ``sc`` after ``number`` more set-ups that shift as is expected."""
    sc, _ = common_grid(sums.priors)
    expected = sc[int(np.searchsorted(np.cumsum(sums.common_weights), 0.5))]
    variance = _OF_TWO * sc**2 + sums.contrast.later_common
    shift = _OF_TWO * expected**2 + sums.contrast.later_common
    logs = -0.5 * (np.log(variance) + shift / variance)
    counted = number * (anew + number) / (anew + number + SLOW)
    weights = sums.common_weights * np.exp(counted * (logs - logs.max()))
    return np.asarray(weights / weights.sum())
