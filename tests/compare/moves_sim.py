"""A bench simulated at the level of what each tap reads, with nothing of the product in it: only numpy.

Random numbers come from the generator that is passed in; everything is in cents. A mode reads, in tap ``j`` of a
recording in one set-up,

    true + C + O - h x_j + c_j + e_j + noise.

``C ~ N(0, common^2)`` is shared by all modes of a set-up, ``O ~ N(0, own^2)`` is each mode's own; both may have the
tails of Student's t of that scale, and modes may differ in how far set-ups shift them (``uneven``). ``x_j`` is the
power of the blow over that of the hardest blow there is, full scale at 0 dB; blows scatter by ``blow_db`` about
``-6 dB``. ``h`` is drawn from ``soft``. ``c_j`` and ``e_j`` scatter from tap to tap, ``e_j`` by an amount that
differs from mode to mode by a factor of 1.35; both are AR(1) with ``rho``. A room adds ``N(0, room^2)`` to each mode,
once for each place of the phone.

Two things are nothing that the product supposes: the taps of a recording may slide, all modes by ``N(0, slide^2)``
from the first to the last and each by half as much again on its own, and a share ``slips`` of the readings is off by
five times as much as usual.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Bench:
    """How a bench behaves; cents, decibels."""

    common: float = 1.0
    own: float = 0.5
    common_tails: float = math.inf
    own_tails: float = math.inf
    uneven: float = 0.0
    slide: float = 0.0
    slips: float = 0.0
    scatter: float = 0.7
    unlike: float = 0.3
    hand: float = 0.4
    rho: float = 0.0
    soft: tuple[float, float] = (0.0, 0.0)
    blow_db: float = 3.0
    noise: float = 0.1
    missing: float = 0.0
    room: float = 0.0


@dataclass(frozen=True)
class Taps:
    """One recording in one set-up: readings and noise variances (taps, modes), NaN where missing; levels (taps,)."""

    read: Floats
    variance: Floats
    level_db: Floats
    setup: int


@dataclass(frozen=True)
class Instrument:
    """What stays the same through the stages of one instrument."""

    scatter: Floats
    soft: Floats
    room: Floats
    touched: Floats


def an_instrument(rng: np.random.Generator, bench: Bench, modes: int) -> Instrument:
    """Return an instrument of ``modes`` modes, its room drawn once."""
    scatter = bench.scatter * np.exp(rng.normal(0.0, bench.unlike, modes))
    soft, room = rng.uniform(*bench.soft, modes), rng.normal(0.0, 1.0, modes) * bench.room
    touched = np.exp(rng.normal(0.0, bench.uneven, modes)) if bench.uneven else np.ones(modes)
    return Instrument(scatter, soft, room, touched / np.sqrt(np.mean(touched**2)))


def a_setup(rng: np.random.Generator, bench: Bench, made: Instrument, true: Floats, taps: int, setup: int) -> Taps:
    """Return the taps of one recording after the instrument was set up."""
    modes = len(true)
    own = bench.own * made.touched * _tailed(rng, bench.own_tails, modes)
    at = true + bench.common * _tailed(rng, bench.common_tails, 1) + own + made.room
    level = rng.normal(-6.0, bench.blow_db, taps)
    power = 10.0 ** (np.minimum(level, 0.0) / 10.0)
    hand = bench.hand * _wandering(rng, taps, 1, bench.rho) + made.scatter * _wandering(rng, taps, modes, bench.rho)
    if bench.slips:
        hand = hand * np.where(rng.random((taps, modes)) < bench.slips, 5.0, 1.0)
    if bench.slide:
        slid = bench.slide * (rng.normal(0.0, 1.0, 1) + 0.5 * rng.normal(0.0, 1.0, modes))
        hand = hand + np.linspace(-0.5, 0.5, taps)[:, None] * slid
    noise = bench.noise * 10.0 ** (-(level + 6.0) / 20.0)[:, None] * np.ones(modes)
    read = at - made.soft * power[:, None] + hand + noise * rng.normal(0.0, 1.0, (taps, modes))
    gone = rng.random((taps, modes)) < bench.missing
    gone[0] &= ~gone.all(axis=0)
    return Taps(np.where(gone, np.nan, read), noise**2, level, setup)


def a_stage(
    rng: np.random.Generator,
    bench: Bench,
    made: Instrument,
    true: Floats,
    taps: int = 5,
    setups: int = 1,
    harder_db: float = 0.0,
    nearer_db: float = 0.0,
) -> list[Taps]:
    """Return the recordings of a stage, one for each set-up, all blows harder by ``harder_db``.

    The readings soften with the harder blows; levels above full scale stay at full power. A phone that is nearer by
    ``nearer_db`` hears louder blows that soften nothing.
    """
    # Struck harder: less power at the usual blow, and all of it at this one.
    softer = replace(made, soft=made.soft * 10.0 ** (harder_db / 10.0))
    found = [a_setup(rng, bench, softer, true, taps, s) for s in range(setups)]
    return [replace(t, level_db=t.level_db + harder_db + nearer_db) for t in found]


def any_bench(rng: np.random.Generator, bench: Bench, common_scale: float, own_scale: float) -> Bench:
    """Return a bench whose set-ups shift by amounts drawn from the priors that the product states.

    The common one is half-t with three degrees of freedom; the own one has the density
    ``s^2 (1 + (s/a)^2/4)^(-7/2)``, so that ``(s/a)^2/4`` is beta prime with 3/2 and 2.
    """
    of_own = rng.gamma(1.5) / rng.gamma(2.0)
    return replace(bench, common=common_scale * abs(rng.standard_t(3.0)), own=2.0 * own_scale * np.sqrt(of_own))


def a_phone_moved(rng: np.random.Generator, bench: Bench, made: Instrument) -> Instrument:
    """Return the same instrument with the phone elsewhere in the room."""
    return replace(made, room=rng.normal(0.0, 1.0, len(made.room)) * bench.room)


def moved_modes(rng: np.random.Generator, modes: int, share: float, cents: float) -> Floats:
    """Return moves: a ``share`` of the modes (one at least, if it is above 0) by ``cents`` up or down each."""
    count = max(1, round(share * modes)) if share > 0 else 0
    moves = np.zeros(modes)
    moves[rng.choice(modes, count, replace=False)] = cents * rng.choice([-1.0, 1.0], count)
    return moves


def sides(
    rng: np.random.Generator,
    bench: Bench,
    moves: Sequence[float] | Floats,
    taps: int = 5,
    setups: int = 1,
    harder_db: float = 0.0,
    carried: bool = False,
    nearer_db: float = 0.0,
) -> tuple[list[Taps], list[Taps], Instrument]:
    """Return two stages of an instrument whose modes moved by ``moves``, and the instrument."""
    true = np.asarray(moves, dtype=np.float64)
    made = an_instrument(rng, bench, len(true))
    before = a_stage(rng, bench, made, np.zeros(len(true)), taps, setups)
    later = a_phone_moved(rng, bench, made) if carried else made
    return before, a_stage(rng, bench, later, true, taps, setups, harder_db, nearer_db), made


def _tailed(rng: np.random.Generator, dof: float, count: int) -> Floats:
    return rng.normal(0.0, 1.0, count) if math.isinf(dof) else rng.standard_t(dof, count)


def _wandering(rng: np.random.Generator, taps: int, modes: int, rho: float) -> Floats:
    series = rng.normal(0.0, 1.0, (taps, modes))
    for j in range(1, taps):
        series[j] = rho * series[j - 1] + np.sqrt(1.0 - rho * rho) * series[j]
    return series
