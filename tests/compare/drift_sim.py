"""Simulated pairs of stages, at the level of what taps read: which modes moved, by how much, and what is said of it.

Random numbers come from the generator that is passed in. Two stages of ``modes`` modes, each struck ``taps`` times by
one hand, whose scatter differs from mode to mode by a factor of 1.35 (one standard deviation, ``unlike`` being its
logarithm), cut off at the scatter that is asked for, so that the usual mode scatters by three quarters of it; noise
that is a tenth of a cent at the usual loudness, loudness that scatters by 8 dB. Set-ups move each mode by ``setup``
cents, half of which (in variance) all modes of a set-up share.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tapbatch.compare.change import change_by_taps
from tapbatch.compare.drift import Judged, judge, verdict_of
from tapbatch.compare.order import Item
from tapbatch.compare.random_effects import CENTS
from tapbatch.compare.setups import SetupScatter
from tapbatch.compare.stage import TapAt
from tapbatch.model.reading import Mode
from tests.compare.builds import item, reading, taps

Members = list[tuple[TapAt, Mode]]

AGAIN_HZ = [150.0 * 1.35**m for m in range(8)]


@dataclass(frozen=True)
class Said:
    """A mode's true move, what the two stages say of it, and the verdict."""

    true: float
    judged: Judged
    verdict: str

    @property
    def low(self) -> float:
        return self.judged.change.freq.low * CENTS

    @property
    def high(self) -> float:
        return self.judged.change.freq.high * CENTS

    @property
    def covers(self) -> bool:
        return self.low <= self.true <= self.high


def a_stage(
    rng: np.random.Generator,
    freqs_hz: Sequence[float],
    scatters: Sequence[float],
    count: int,
    setup: float,
    setups: int = 1,
) -> list[Members]:
    """Return the taps of each mode of a stage, the same hand at each."""
    found: list[Members] = [[] for _ in freqs_hz]
    for k in range(setups):
        shared = rng.normal(0.0, setup * math.sqrt(0.5))
        for m, (freq, scatter) in enumerate(zip(freqs_hz, scatters, strict=True)):
            own = shared + rng.normal(0.0, setup * math.sqrt(0.5))
            made = taps(rng, [(freq * 2.0 ** (own / 1200.0), 0.3, -20.0)], count, scatter)
            found[m] += [(TapAt(k, i, "", k, tuple(t)), t[0]) for i, t in enumerate(made)]
    return found


def a_pair(
    rng: np.random.Generator,
    moves: Sequence[float],
    scatter: float,
    count: int | tuple[int, int] = 5,
    setup: float = 0.0,
    known: SetupScatter | None = None,
    steady: float = 3.0,
    unlike: float = 0.3,
) -> list[Said]:
    """Return what two stages say of modes that moved by ``moves`` cents, taps scattering by ``scatter`` at most.

    With ``unlike`` of nought every mode scatters by the whole of it. ``count`` is the taps of a side, or of each.
    """
    counts = (count, count) if isinstance(count, int) else count
    scatters = [min(scatter, scatter * math.exp(rng.normal(-unlike, unlike))) for _ in moves]
    freqs = [150.0 * 1.3**m for m in range(len(moves))]
    before = a_stage(rng, freqs, scatters, counts[0], setup)
    moved = [f * 2.0 ** (c / 1200.0) for f, c in zip(freqs, moves, strict=True)]
    after = a_stage(rng, moved, scatters, counts[1], setup)
    changes = [change_by_taps(b, a, steady, known is not None) for b, a in zip(before, after, strict=True)]
    return [Said(move, j, said(j, steady)) for move, j in zip(moves, judge(changes, known), strict=True)]


def said(judged: Judged, steady: float) -> str:
    """Return the verdict on a judged change, as a row of the drift has it."""
    freq = judged.change.freq
    return verdict_of(freq.low * CENTS, freq.high * CENTS, steady, judged.chance)


def moves_of(rng: np.random.Generator, modes: int, share: float = 0.3, least: float = 6.0) -> list[float]:
    """Return moves of which a share are ``least`` cents or more either way, the others none."""
    return [
        float(rng.choice([-1.0, 1.0]) * rng.uniform(least, 3.0 * least)) if rng.random() < share else 0.0
        for _ in range(modes)
    ]


def again_recording(rng: np.random.Generator, path: str, setup: float, moves: float = 0.0, **said: Any) -> Item:
    """Return five taps at half a cent, of eight modes, after the instrument was set up."""
    # Half of what a set-up does is common to all modes (in variance), half each mode's own.
    shared = rng.normal(0.0, setup * math.sqrt(0.5))
    rows = [
        (f * 2.0 ** ((moves + shared + rng.normal(0.0, setup * math.sqrt(0.5))) / 1200.0), 0.3, -3.0 * m)
        for m, f in enumerate(AGAIN_HZ)
    ]
    return item(path, reading(taps(rng, rows, 5, 0.5)), **said)


def again_build(rng: np.random.Generator, setup: float, again: int, stages: int = 3) -> list[Item]:
    """Return stages that stand still, set up anew each time, the first of them ``again`` times more."""
    items = [again_recording(rng, f"c_{n:02d}-s.wav", setup) for n in range(stages)]
    items += [again_recording(rng, f"c_00-s_again_{k}.wav", setup, again=True, take=k) for k in range(1, again + 1)]
    return items
