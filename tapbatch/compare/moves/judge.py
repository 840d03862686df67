"""Say which modes moved, by how much, and on which of three moves the verdict rests.

Conventions: for each mode the *whole* move is what its reading would do set up anew, the *own* move what it did
by itself, the *common* move what all did alike with set-ups left out; each with its own interval of 95 %.
What all did *alike* as read, set-ups in it, counts only for ``steady``. The family is the modes of a part between
two stages; own and whole moves may each be wrong in 2.5 % of stages. ``chance`` is the p-value adjusted for all of
this: below 5 % a verdict is firm.

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
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tapbatch.compare.moves.mixture import Sums
from tapbatch.compare.moves.priors import Bools, Floats
from tapbatch.compare.multiple_testing import holm
from tapbatch.compare.random_effects import Z_95

MoveVerdict = Literal["up", "down", "up?", "down?", "steady", "unclear"]
Moved = Literal["own", "all", "whole"]

SHARE = 0.5
"""Of the 5 % for a stage, own moves have one half and whole moves the other."""

FIRM = 0.05
TAIL = 0.025
"""What lies beyond each bound of an interval."""

LEAST_ODDS = 9.0
"""Odds that this mode moved rather than all others; nine to one is what 10 % of wrong references allow."""

_HIGH = np.array([[Z_95]])
_ALL = np.array([[-Z_95], [0.0], [Z_95]])
# The normal deviates of the bounds of 95 %, and of the middle.

_TURNS, _CLOSE, _BESIDE = 25, 2e-3, 1e-6
"""Turns of the search for a bound; the normal deviate at which it ends, 1 in 200 of a tail; how far a bound lies from
a value that it excludes."""


@dataclass(frozen=True, slots=True)
class Interval:
    """A value and the bounds of its 95 % interval, in the unit of the priors.

    ``chance`` is its p-value adjusted for all modes, ``None`` where that is not asked.
    """

    value: float
    low: float
    high: float
    chance: float | None = None

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

    ``common`` is what all did alike, set-ups left out.
    """

    modes: tuple[Move, ...]
    common: Interval


def judge_moves(sums: Sums, steady: float) -> Moves:
    """Return what moved, with ``more_taps`` and ``more_setups`` left open.

    Parameters
    ----------
    sums : Sums
        Of the differences of all modes of a part between two stages, at least one mode.
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
    >>> mode = judge_moves(sums, 3.0).modes[1]
    >>> mode.verdict, mode.moved
    ('down', 'own')
    """
    said = verdicts_of(sums, steady)
    own = _intervals(sums.own_cdf, *_own_start(sums))
    own = [_agreeing(one, said.own_at, below) for one, below in zip(own, said.own_below.T, strict=True)]
    whole = _whole_intervals(sums, said.whole_below)
    common = _agreeing(_common_interval(sums), (0.0,), said.common_below)
    modes = []
    for k, (verdict, moved) in enumerate(zip(said.verdicts, said.moved, strict=True)):
        printed = _printed(moved, verdict, own[k], whole[k], common)
        chance, parted = float(said.chances[k]), bool(said.parted[k])
        modes.append(Move(whole[k], own[k], moved, verdict, chance, parted, printed))
    return Moves(tuple(modes), common)


def whole_intervals(sums: Sums) -> list[Interval]:
    """Return the whole move of each mode, without judging which of them moved.

    They are those of :func:`judge_moves`, each with its chance by Holm's rule among the modes.
    """
    below = _whole_below_zero(sums)
    chances = holm([float(p) for p in _two_sided(below[0])])
    found = _whole_intervals(sums, below)
    return [replace(one, chance=chance) for one, chance in zip(found, chances, strict=True)]


def _printed(moved: Moved, verdict: MoveVerdict, own: Interval, whole: Interval, common: Interval) -> Interval:
    if verdict == "unclear" and own.excludes_zero and whole.excludes_zero:
        return Interval(whole.value, min(own.low, whole.low), max(own.high, whole.high))
    return {"own": own, "whole": whole, "all": common}[moved]


# ----------------------------------------------------------------- rules


@dataclass(frozen=True, slots=True, eq=False)
class Said:
    """The verdict of each mode, what it rests on, its chance, and whether it parted.

    ``whole_below`` (1, modes) and ``common_below`` (1,) are the distribution functions at zero, ``own_below``
    (n, modes) those at ``own_at``: at zero, and at both bounds of ``steady`` where these matter.
    """

    verdicts: tuple[MoveVerdict, ...]
    moved: tuple[Moved, ...]
    chances: Floats
    parted: Bools
    own_at: tuple[float, ...]
    own_below: Floats
    whole_below: Floats
    common_below: Floats


def verdicts_of(sums: Sums, steady: float) -> Said:
    """Return the verdicts, from the distribution functions at zero and at the bounds of ``steady``."""
    count = sums.contrast.change.size
    common, alike = sums.common_cdf(np.zeros(1)), sums.alike_cdf(np.array([0.0, -steady, steady]))
    small = bool(alike[1] < TAIL and alike[2] > 1.0 - TAIL)
    own_at = (0.0, -steady, steady) if small else (0.0,)
    own, whole = sums.own_cdf(np.tile(np.array(own_at)[:, None], count)), _whole_below_zero(sums)
    if count == 1:
        own[:] = 0.5  # a mode alone has no others to move beside
    is_steady = (own[1] < TAIL) & (own[2] > 1.0 - TAIL) if small else np.zeros(count, dtype=bool)
    common_p = float(_two_sided(common)[0])
    open_alike = common_p >= 2.0 * TAIL and not small and not TAIL <= alike[0] <= 1.0 - TAIL
    own_p, whole_p = _two_sided(own[0]), _two_sided(whole[0])
    own_chance, whole_chance = np.array(holm(list(own_p))) / SHARE, np.array(holm(list(whole_p))) / SHARE
    ruled = []
    for k in range(count):
        known = _Known(
            own_way=_way(own[0, k]),
            whole_way=_way(whole[0, k]),
            all_way=_way(common[0]),
            read=float(sums.contrast.change[k]),
            own_chance=float(own_chance[k]),
            whole_chance=float(whole_chance[k]),
            all_chance=max(common_p / SHARE, float(whole_p[k])),
            odds=float(sums.stands_odds[k]),
            steady=bool(is_steady[k]),
            open_alike=open_alike,
        )
        if known.own_is_chance and known.own_way * known.whole_way < 0:
            own[0, k] = 0.5
            known = replace(known, own_way=0)
        ruled.append(_ruled(known))
    verdicts, moved, chances, parted = zip(*ruled, strict=True)
    if count == 1 and moved == ("own",):
        moved = ("whole",)
    return Said(verdicts, moved, np.array(chances), np.array(parted), own_at, own, whole, common)


@dataclass(frozen=True, slots=True)
class _Known:
    """What is known of one mode: which way each move goes (0 if its interval holds zero), its chances and odds.

    ``read`` is the difference of its readings. ``steady`` says whether its own interval, and that of what all did
    alike, lie within what counts as steady.
    """

    own_way: int
    whole_way: int
    all_way: int
    read: float
    own_chance: float
    whole_chance: float
    all_chance: float
    odds: float
    steady: bool
    open_alike: bool

    @property
    def own_is_chance(self) -> bool:
        """Whether the own move is not firm among the modes."""
        return self.own_chance >= FIRM


def _ruled(known: _Known) -> tuple[MoveVerdict, Moved, float, bool]:
    """Return the verdict by the first rule that holds, what it rests on, its chance, and whether the mode parted."""
    own, whole, alike = known.own_way, known.whole_way, known.all_way
    if own * whole < 0 or (known.own_is_chance and own * known.read < 0):
        return "unclear", "whole", 1.0, False
    if own and own == whole == alike:
        chance = min(known.own_chance, known.whole_chance, known.all_chance)
        return _word(own, chance), "whole", chance, False
    if own:
        parted = known.odds < LEAST_ODDS
        chance = max(known.own_chance, FIRM) if parted else known.own_chance
        return _word(own, chance), "own", min(chance, 1.0), parted
    if whole and whole == alike:
        return _word(whole, known.all_chance), "all", known.all_chance, False
    if whole:
        return _word(whole, known.whole_chance), "whole", min(known.whole_chance, 1.0), False
    return "steady" if known.steady else "unclear", "all" if known.open_alike else "own", 1.0, False


def _two_sided(below: Floats) -> Floats:
    return np.asarray(np.minimum(2.0 * np.minimum(below, 1.0 - below), 1.0))


def _way(below: float) -> int:
    return 1 if below < TAIL else -1 if below > 1.0 - TAIL else 0


def _word(way: int, chance: float) -> MoveVerdict:
    if chance < FIRM:
        return "up" if way > 0 else "down"
    return "up?" if way > 0 else "down?"


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


def _whole_below_zero(sums: Sums) -> Floats:
    return sums.whole_cdf(np.zeros((1, sums.contrast.change.size)))


def _whole_intervals(sums: Sums, below_zero: Floats) -> list[Interval]:
    """Return the whole move of each mode; its distribution is symmetric about the difference of the readings."""
    read, sd = _whole_start(sums)
    high = _bounds(sums.whole_cdf, read, sd, _HIGH)[0]
    return [
        _agreeing(Interval(float(at), float(2.0 * at - upper), float(upper)), (0.0,), below)
        for at, upper, below in zip(read, high, below_zero.T, strict=True)
    ]


def _whole_start(sums: Sums) -> tuple[Floats, Floats]:
    cells, c = sums.cells, sums.contrast
    own = c.variance + c.spread * (cells.own_so**2) @ cells.weights
    return c.change, np.sqrt(own + sums.common_shift + c.common_variance)


def _intervals(cdf: Callable[[Floats], Floats], middle: Floats, sd: Floats) -> list[Interval]:
    """Return the middle and the bounds of 95 % of each column of a distribution function."""
    return [Interval(float(m), float(lo), float(hi)) for lo, m, hi in _bounds(cdf, middle, sd, _ALL).T]


def _bounds(cdf: Callable[[Floats], Floats], middle: Floats, sd: Floats, wanted: Floats) -> Floats:
    """Return where each column of a distribution function reaches the normal deviates ``wanted`` (n, 1).

    The normal deviate of the probability is nearly straight, so the equation is solved by the secant method within a
    bracket.
    """
    from scipy.special import ndtri

    at = middle + wanted * sd
    low, high = np.tile(middle - 20.0 * sd, (len(wanted), 1)), np.tile(middle + 20.0 * sd, (len(wanted), 1))
    slope = np.tile(1.0 / sd, (len(wanted), 1))
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
    return np.asarray(at)


def _common_interval(sums: Sums) -> Interval:
    """Return the interval of what all did alike, set-ups left out."""
    cells = sums.cells
    middle = float(cells.groups @ cells.group_shares)
    spread = float(((cells.groups - middle) ** 2) @ cells.group_shares)
    sd = np.sqrt(np.array([spread + sums.common_shift + sums.contrast.common_variance + 1e-6]))
    return _intervals(lambda at: sums.common_cdf(at[:, 0])[:, None], np.array([middle]), sd)[0]
