"""Hands: when they tap, how hard, where, and what goes wrong.

Conventions: a recording begins with ``QUIET_S`` of quiet, taps follow 1.2 to 1.6 s apart, and it ends 1.2 s after the
last. From tap to tap each mode takes more or less of the blow (``scatter_db``, of the point that is hit), its
frequency scatters by ``WANDER_CENTS``, and all sound harder or softer together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tests.bench_simulator.taps import Blow
from tests.bench_simulator.world import Mallet, Plate

QUIET_S = 1.0
AFTER_S = 1.2
WANDER_CENTS = 0.3
HARDNESS_DB = 2.5


@dataclass(frozen=True, kw_only=True)
class Hand:
    """How a hand taps: ``bounces`` means that the mallet falls back once after 60 to 150 ms."""

    taps: int = 5
    scatter_db: float = 2.5
    contact_s: tuple[float, float] = (0.0005, 0.0012)
    skewed: bool = False
    rub_db: float | None = None
    hardness_db: float = HARDNESS_DB
    bounces: bool = False


@dataclass(frozen=True)
class Session:
    """The strokes of one recording: ``blows`` are all of them, ``taps`` those that were meant, by their touch."""

    blows: tuple[Blow, ...]
    taps_s: tuple[float, ...]
    duration_s: float


def tapped(plate: Plate, hand: Hand, rng: np.random.Generator) -> Session:
    """Return the strokes of one recording."""
    onset_s, blows, taps = QUIET_S + float(rng.uniform(0, 0.2)), [], []
    for _ in range(hand.taps):
        blow = Blow(
            onset_s=onset_s,
            hardness=10 ** (float(rng.normal(0, hand.hardness_db)) / 20),
            mallet=Mallet(
                contact_s=float(np.exp(rng.uniform(*np.log(hand.contact_s)))), skewed=hand.skewed, rub_db=hand.rub_db
            ),
            takes_db=tuple(rng.normal(0, hand.scatter_db, len(plate.modes)).tolist()),
            rub=int(rng.integers(1 << 31)),
            cents=tuple(rng.normal(0, WANDER_CENTS, len(plate.modes)).tolist()),
        )
        taps.append(onset_s)
        blows.append(blow)
        if hand.bounces:
            softer = 10 ** (float(rng.uniform(-18, -8)) / 20)
            later_s = float(rng.uniform(0.06, 0.15))
            blows.append(replace(blow, onset_s=onset_s + later_s, hardness=blow.hardness * softer))
        onset_s += float(rng.uniform(1.2, 1.6))
    return Session(tuple(blows), tuple(taps), taps[-1] + AFTER_S)
