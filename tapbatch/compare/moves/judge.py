"""Say which modes moved, by how much, and on which of three moves the verdict rests.

Conventions: for each mode the *whole* move is what its reading would do set up anew, the *own* move what it did
beside the others, the *common* move what all did alike with set-ups left out; each with its own interval of 95 %.
What all did *alike* as read, set-ups in it, is stated too. The family is the modes of a part between two stages; own
and whole moves may each be wrong in 2.5 % of stages. ``chance`` is the p-value adjusted for all of this: below 5 % a
verdict is firm.

The rules, the first that holds:

1. own and whole move both exclude zero, with opposite signs: ``unclear``. An own move that is not firm among the
   modes is not held against the whole one: its interval is extended to zero, and the other rules decide. Where such
   an own move goes against the reading, and the whole one tells nothing: ``unclear`` too;
2. the own move excludes zero: it decides, or the whole one where all moved in the same direction too. Firm by Holm's
   rule among the modes, if it is nine times as likely that this mode moved as that all others moved and it stood.
   Otherwise ``?``: then the mode *parted* from the rest, and nobody can tell which of them moved;
3. the common and the whole move exclude zero, with the same sign: ``moved`` is ``all``, firm if the common move alone
   has a p-value below 2.5 %;
4. the whole move excludes zero: firm by Holm's rule;
5. the own interval, and that of what all did alike as read, lie within what counts as steady: ``steady``;
6. ``unclear``. ``moved`` is ``all`` if it is open whether all moved alike.

So nothing called ``up`` or ``down``, with or without ``?``, has zero in the interval of ``moved``, and an ``unclear``
one always has, but for rule 1: there :attr:`Move.printed` is the hull of both intervals.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tapbatch.compare.moves.belief import Belief
from tapbatch.compare.moves.mixture import Sums
from tapbatch.compare.moves.priors import Bools, Floats
from tapbatch.compare.multiple_testing import holm

MoveVerdict = Literal["up", "down", "up?", "down?", "steady", "unclear"]
Moved = Literal["own", "all", "whole"]

SHARE = 0.5
"""Of the 5 % for a stage, own moves have one half and whole moves the other."""

FIRM = 0.05
TAIL = 0.025
"""What lies beyond each bound of an interval."""

LEAST_ODDS = 9.0
"""Odds that this mode moved rather than all others; nine to one is what 10 % of wrong references allow."""

_TURNS, _CLOSE, _BESIDE = 25, 2e-3, 1e-6
"""Turns of the search for a bound; the normal deviate at which it ends, 1 in 200 of a tail; how far a bound lies from
a value that it excludes."""


@dataclass(frozen=True, slots=True)
class Interval:
    """A value and the bounds of its 95 % interval, in the unit of the priors."""

    value: float
    low: float
    high: float

    @property
    def excludes_zero(self) -> bool:
        """Whether zero lies outside."""
        return self.low > 0.0 or self.high < 0.0


@dataclass(frozen=True, slots=True)
class Move:
    """What one mode did between two stages; ``parted`` says that nobody can tell whether it or the rest moved.

    ``more_taps`` and ``more_setups`` at the later stage would decide an open verdict; ``None`` where it is not open,
    or where that is not likely.
    """

    whole: Interval
    own: Interval
    moved: Moved
    verdict: MoveVerdict
    chance: float
    parted: bool
    printed: Interval
    more_taps: int | None = None
    more_setups: int | None = None


@dataclass(frozen=True, slots=True)
class Moves:
    """What the modes of a part did between two stages, in the order given.

    ``common`` is what all did alike, set-ups left out; ``alike`` the same as read, set-ups in it. ``open_alike`` says
    that all may have moved alike, and that set-ups may have done it as well: another set-up would tell.
    ``anew`` and ``stages`` count what the belief about set-ups rests on.
    """

    modes: tuple[Move, ...]
    common: Interval
    alike: Interval
    open_alike: bool
    anew: int
    stages: int


def judge_moves(sums: Sums, belief: Belief, steady: float) -> Moves:
    """Return what moved, with ``more_taps`` and ``more_setups`` left open.

    Parameters
    ----------
    sums : Sums
        Of the differences of all modes of a part between two stages, at least one mode.
    belief : Belief
        What was believed of set-ups.
    steady : float
        Within which a mode counts as steady, in the unit of the priors.

    Examples
    --------
    >>> from tapbatch.compare.moves.belief import believe
    >>> from tapbatch.compare.moves.contrast import TapSet, contrast
    >>> from tapbatch.compare.moves.mixture import sums_of
    >>> from tapbatch.compare.moves.priors import FREQ
    >>> noise = np.random.default_rng(1).normal(0.0, 0.7, (2, 5, 6))
    >>> noise[1, :, 1] -= 20.0
    >>> before, after = (TapSet(n, np.full((5, 6), 0.01), np.zeros(5)) for n in noise)
    >>> belief = believe([], FREQ)
    >>> sums = sums_of(contrast([before], [after], FREQ), FREQ, belief.own, belief.common)
    >>> mode = judge_moves(sums, belief, 3.0).modes[1]
    >>> mode.verdict, mode.moved
    ('down', 'own')
    """
    said = verdicts_of(sums, steady)
    bounds, zero = (-steady, 0.0, steady), (0.0,)
    own = _intervals(sums.own_cdf, *_own_start(sums))
    own = [_agreeing(one, bounds, below) for one, below in zip(own, said.own_below.T, strict=True)]
    whole = _intervals(sums.whole_cdf, *_whole_start(sums))
    whole = [_agreeing(one, zero, below) for one, below in zip(whole, said.whole_below.T, strict=True)]
    common = _agreeing(_alike_interval(sums, sums.common_cdf, sums.common_shift), zero, said.common_below)
    alike = _agreeing(_alike_interval(sums, sums.alike_cdf), bounds, said.alike_below)
    modes = []
    for k, (verdict, moved) in enumerate(zip(said.verdicts, said.moved, strict=True)):
        printed = _printed(moved, verdict, own[k], whole[k], common)
        chance, parted = float(said.chances[k]), bool(said.parted[k])
        modes.append(Move(whole[k], own[k], moved, verdict, chance, parted, printed))
    return Moves(tuple(modes), common, alike, said.open_alike, belief.anew, belief.stages)


def _printed(moved: Moved, verdict: MoveVerdict, own: Interval, whole: Interval, common: Interval) -> Interval:
    if verdict == "unclear" and own.excludes_zero and whole.excludes_zero:
        return Interval(whole.value, min(own.low, whole.low), max(own.high, whole.high))
    return {"own": own, "whole": whole, "all": common}[moved]


# ----------------------------------------------------------------- rules


@dataclass(frozen=True, slots=True, eq=False)
class Said:
    """The verdict of each mode, what it rests on, its chance, whether it parted; and whether ``all`` is open.

    ``*_below`` are the distribution functions at zero (1, ...), or at the bounds of ``steady`` and at zero (3, ...).
    """

    verdicts: tuple[MoveVerdict, ...]
    moved: tuple[Moved, ...]
    chances: Floats
    parted: Bools
    open_alike: bool
    own_below: Floats
    whole_below: Floats
    common_below: Floats
    alike_below: Floats


def verdicts_of(sums: Sums, steady: float) -> Said:
    """Return the verdicts, from the distribution functions at zero and at the bounds of ``steady``."""
    count = sums.contrast.change.size
    bounds = np.array([-steady, 0.0, steady])
    own, whole_below = sums.own_cdf(np.tile(bounds[:, None], count)), sums.whole_cdf(np.zeros((1, count)))
    common_below, alike = sums.common_cdf(np.zeros(1)), sums.alike_cdf(bounds)
    whole, common = whole_below[0], float(common_below[0])
    own_p, whole_p, common_p = _two_sided(own[1]), _two_sided(whole), float(_two_sided(common_below)[0])
    if count == 1:
        own_p = np.ones(1)  # a mode alone has no others to move beside
    within = (own[0] < TAIL) & (own[2] > 1.0 - TAIL) if count > 1 else np.zeros(1, dtype=bool)
    small = bool(alike[0] < TAIL and alike[2] > 1.0 - TAIL)
    open_alike = common_p >= 2.0 * TAIL and not small and not TAIL <= alike[1] <= 1.0 - TAIL
    own_chance, whole_chance = np.array(holm(list(own_p))) / SHARE, np.array(holm(list(whole_p))) / SHARE
    all_chance = np.maximum(common_p / SHARE, whole_p)
    verdicts: list[MoveVerdict] = []
    moved: list[Moved] = []
    chances, parted = np.ones(count), np.zeros(count, dtype=bool)
    for k in range(count):
        own_way, whole_way, all_way = _way(own[1, k], own_p[k]), _way(whole[k], whole_p[k]), _way(common, common_p)
        if own_way * whole_way < 0 and own_chance[k] >= FIRM:
            own_way, own[1, k] = 0, 0.5
        if own_way * whole_way < 0 or (own_chance[k] >= FIRM and own_way * sums.contrast.change[k] < 0):
            verdict, rests, chance = 0, "whole", 1.0
        elif own_way:
            rests = "whole" if all_way == own_way == whole_way else "own"
            parted[k] = rests == "own" and sums.stands_odds[k] < LEAST_ODDS
            chance = min(own_chance[k], whole_chance[k]) if rests == "whole" else own_chance[k]
            verdict, chance = own_way, max(chance, FIRM) if parted[k] else chance
        elif all_way and all_way == whole_way:
            verdict, rests, chance = whole_way, "all", all_chance[k]
        elif whole_way:
            verdict, rests, chance = whole_way, "whole", min(whole_chance[k], 1.0)
        else:
            verdict, rests, chance = 0, "all" if open_alike else "own", 1.0
        chances[k] = min(chance, 1.0)
        moved.append(rests)  # type: ignore[arg-type]
        verdicts.append(_word(verdict, chances[k], bool(within[k] and small and not (own_way or whole_way))))
    return Said(tuple(verdicts), tuple(moved), chances, parted, open_alike, own, whole_below, common_below, alike)


def _two_sided(below: Floats) -> Floats:
    return np.asarray(np.minimum(2.0 * np.minimum(below, 1.0 - below), 1.0))


def _way(below: float, p: float) -> int:
    return 0 if p >= 2.0 * TAIL else 1 if below < 0.5 else -1


def _word(way: int, chance: float, steady: bool) -> MoveVerdict:
    if way:
        firm = chance < FIRM
        return ("up" if firm else "up?") if way > 0 else ("down" if firm else "down?")
    return "steady" if steady else "unclear"


# ------------------------------------------------------------- intervals


def _agreeing(found: Interval, points: Sequence[float], below: Floats) -> Interval:
    """Return an interval that excludes exactly those ``points`` that the distribution function ``below`` does.

    Bounds are found to 1 in 200 of a tail; a verdict must not depend on that.
    """
    low, high = found.low, found.high
    for point, p in zip(points, below, strict=True):
        low = max(low, point + _BESIDE) if p < TAIL else min(low, point)
        high = min(high, point - _BESIDE) if p > 1.0 - TAIL else max(high, point)
    return Interval(found.value, low, high)


def _own_start(sums: Sums) -> tuple[Floats, Floats]:
    cells, c = sums.cells, sums.contrast
    alike = cells.alike @ cells.weights
    spread = ((cells.alike[:, None] - alike) ** 2 * cells.weights).sum(axis=0)
    return c.change - alike, np.sqrt(spread + c.variance + c.spread * (cells.own_so**2) @ cells.weights)


def _whole_start(sums: Sums) -> tuple[Floats, Floats]:
    cells, c = sums.cells, sums.contrast
    own = c.variance + c.spread * (cells.own_so**2) @ cells.weights
    return c.change, np.sqrt(own + sums.common_shift + c.common_variance)


def _intervals(cdf: Callable[[Floats], Floats], middle: Floats, sd: Floats) -> list[Interval]:
    """Return the middle and the bounds of 95 % of each column of a distribution function.

    The equation is solved for the normal deviate of the probability, which is nearly straight, by the secant method
    within a bracket.
    """
    from scipy.special import ndtri

    wanted = ndtri(np.array([0.025, 0.5, 0.975]))[:, None]
    at = middle + wanted * sd
    low, high = np.tile(middle - 20.0 * sd, (3, 1)), np.tile(middle + 20.0 * sd, (3, 1))
    slope = np.tile(1.0 / sd, (3, 1))
    before, off_before = at, np.zeros_like(at)
    for turn in range(_TURNS):
        off = ndtri(np.clip(cdf(at), 1e-12, 1.0 - 1e-12)) - wanted
        if float(np.abs(off).max()) < _CLOSE:
            break
        low, high = np.where(off < 0, at, low), np.where(off > 0, at, high)
        moved = at - before
        if turn:
            known = np.abs(moved) > 1e-9 * sd
            slope = np.where(known, (off - off_before) / np.where(known, moved, 1.0), slope)
        before, off_before = at, off
        step = at - off / np.maximum(slope, 0.02 / sd)
        at = np.where((step > low) & (step < high), step, 0.5 * (low + high))
    return [Interval(float(m), float(lo), float(hi)) for lo, m, hi in at.T]


def _alike_interval(sums: Sums, cdf: Callable[[Floats], Floats], shift: float = 0.0) -> Interval:
    """Return the interval of what all did alike; ``shift`` is the variance of the set-ups where they are left out."""
    cells = sums.cells
    middle = float(cells.alike @ cells.together)
    spread = float(((cells.alike - middle) ** 2) @ cells.together)
    sd = np.sqrt(np.array([spread + shift + sums.contrast.common_variance + 1e-6]))
    return _intervals(lambda at: cdf(at[:, 0])[:, None], np.array([middle]), sd)[0]
