"""Simulated stages of recordings, at the level of what taps read: which modes moved, by how much, what is said of it.

Random numbers come from the generator that is passed in. Modes are struck by one hand, which scatters each by
``scatter`` cents; noise is a tenth of a cent at the usual loudness, loudness scatters by 8 dB. Set-ups move each mode
by ``setup`` cents, half of which (in variance) all modes of a set-up share. The comparison alone, with hand, blow and
room in turn, is simulated by ``moves_sim``; here readings go all the way from recordings to rows of the drift.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tapbatch.compare.history import build_history
from tapbatch.compare.order import Item
from tapbatch.model.history import Drift
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import item, reading, taps

AGAIN_HZ = [150.0 * 1.35**m for m in range(8)]


@dataclass(frozen=True)
class Said:
    """A mode's true move in cents, and the row that says what two stages show of it."""

    true: float
    row: Drift

    @property
    def told(self) -> bool:
        """Whether it is said to have moved the way it did, for sure or probably."""
        return self.row.verdict.rstrip("?") == ("up" if self.true > 0 else "down")

    @property
    def covers(self) -> bool:
        """Whether the interval of the whole change holds the truth."""
        assert self.row.cents_low is not None
        assert self.row.cents_high is not None
        return self.row.cents_low <= self.true <= self.row.cents_high


def a_pair(
    rng: np.random.Generator,
    moves: Sequence[float],
    scatter: float = 1.0,
    count: tuple[int, int] = (5, 5),
    setup: float = 0.0,
) -> list[Said]:
    """Return what two stages say of modes that moved by ``moves`` cents; ``count`` is the taps of each."""
    freqs = [150.0 * 1.3**m for m in range(len(moves))]
    items = []
    for n, (of_stage, by) in enumerate(zip(count, ([0.0] * len(moves), moves), strict=True), start=1):
        shifts = set_up(rng, len(moves), setup)
        rows = [(f * 2.0 ** ((c + s) / 1200.0), 0.3, -20.0) for f, c, s in zip(freqs, by, shifts, strict=True)]
        items.append(item(f"c_{n:02d}-s.wav", reading(taps(rng, rows, of_stage, scatter))))
    rows_of = {d.mode: d for d in build_history("cittern-07", items, InstrumentSettings(), {})[0].drifts}
    return [Said(move, rows_of[f"r{m}"]) for m, move in enumerate(moves, start=1)]


def set_up(rng: np.random.Generator, modes: int, setup: float) -> list[float]:
    """Return how far a set-up moves each mode, half of it (in variance) common to all."""
    shared = rng.normal(0.0, setup * math.sqrt(0.5))
    return [shared + rng.normal(0.0, setup * math.sqrt(0.5)) for _ in range(modes)]


def moves_of(rng: np.random.Generator, modes: int, cents: float, share: float = 0.3) -> list[float]:
    """Return moves of which a share are ``cents`` either way, at least one and fewer than half, the others none."""
    moved = max(1, min(round(share * modes), (modes - 1) // 2))
    moves = [float(rng.choice([-cents, cents])) if m < moved else 0.0 for m in range(modes)]
    return [moves[m] for m in rng.permutation(modes)]


def agrees(row: Drift) -> bool:
    """Return whether the verdict of a row agrees with the interval on which it rests."""
    if row.extent is None:
        return row.verdict in ("new", "gone")
    low, high = row.extent.low, row.extent.high
    if row.verdict in ("up", "up?"):
        return low > 0.0
    if row.verdict in ("down", "down?"):
        return high < 0.0
    return low <= 0.0 <= high


def again_recording(rng: np.random.Generator, path: str, setup: float, moves: float = 0.0, **said: Any) -> Item:
    """Return five taps at half a cent, of eight modes, after the instrument was set up."""
    shifts = set_up(rng, len(AGAIN_HZ), setup)
    rows = [
        (f * 2.0 ** ((moves + shift) / 1200.0), 0.3, -3.0 * m)
        for m, (f, shift) in enumerate(zip(AGAIN_HZ, shifts, strict=True))
    ]
    return item(path, reading(taps(rng, rows, 5, 0.5)), **said)


def again_build(rng: np.random.Generator, setup: float, again: int, stages: int = 3) -> list[Item]:
    """Return stages that stand still, set up anew each time, the first of them ``again`` times more."""
    items = [again_recording(rng, f"c_{n:02d}-s.wav", setup) for n in range(stages)]
    items += [again_recording(rng, f"c_00-s_again_{k}.wav", setup, again=True, take=k) for k in range(1, again + 1)]
    return items
