"""Simulated builds for identities: moves common to all, semitones, crossings, splits and fades, with the truth kept.

Random numbers come from the generator that is passed in. A build is told either as modes of stages, joined and
without error (``right``), or as what five taps a stage read, scattering by a cent (``right_from_taps``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tapbatch.compare.history import build_history
from tapbatch.compare.identity import name_modes
from tapbatch.model.history import StageMode
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import item, reading, spread_modes, stage_mode, taps


@dataclass(frozen=True)
class Work:
    """What happens to a build from stage to stage: moves in cents, the rest as chances."""

    common_cents: float = 0.0
    every_cents: float = 0.0
    semitone: float = 0.0
    cross: float = 0.0
    split: float = 0.0
    fade: float = 0.0


Row = tuple[float, float, float, int]


def step(rng: np.random.Generator, rows: list[Row], work: Work) -> list[Row]:
    moves = rng.normal(0.0, 8.0, len(rows)) + rng.normal(0.0, work.common_cents)
    if work.every_cents:
        moves = rng.uniform(-work.every_cents, work.every_cents, len(rows))
    if rng.random() < work.semitone:
        moves[rng.integers(len(rows))] += rng.choice([-1.0, 1.0]) * rng.uniform(60.0, 110.0)
    rows = sorted(rows)
    if rng.random() < work.cross:
        i = int(rng.integers(len(rows) - 1))
        gap = 1200.0 * math.log2(rows[i + 1][0] / rows[i][0])
        moves[i] += gap + rng.uniform(5.0, 30.0) if gap < 150.0 else 0.0
    moved = [
        (f * 2.0 ** (m / 1200.0), t * math.exp(rng.normal(0.0, 0.06)), level + rng.normal(0.0, 2.5), k)
        for (f, t, level, k), m in zip(rows, moves, strict=True)
    ]
    if rng.random() < work.split:
        f, _, level, _ = moved[int(rng.integers(len(moved)))]
        near = f * 2.0 ** (rng.choice([-1.0, 1.0]) * rng.uniform(25.0, 60.0) / 1200.0)
        moved.append((near, rng.uniform(0.08, 0.6), level - rng.uniform(2.0, 10.0), 1 + max(r[3] for r in moved)))
    return moved


def right(rng: np.random.Generator, work: Work, builds: int, stages: int = 6) -> tuple[float, float]:
    """Return the share of modes that kept their name, and the share of the wrong that were flagged."""
    kept, total, flagged = 0, 0, 0
    for _ in range(builds):
        rows: list[Row] = [(*r, k) for k, r in enumerate(spread_modes(rng, 10, 40.0))]
        seen: list[list[StageMode]] = []
        truth: list[list[int]] = []
        for stage in range(stages):
            rows = step(rng, rows, work) if stage else rows
            here = sorted(r for r in rows if rng.random() >= work.fade)
            lead = max(level for _, _, level, _ in here)
            seen.append([stage_mode(f, t, level - lead) for f, t, level, _ in here])
            truth.append([k for *_, k in here])
        last: dict[int, str] = {}
        for named, of_truth in zip(name_modes(seen, ["closed"] * stages, []), truth, strict=True):
            for name, k in zip(named, of_truth, strict=True):
                total += k in last
                kept += k in last and last[k] == name.name
                flagged += k in last and last[k] != name.name and name.doubtful
            last |= {k: n.name for n, k in zip(named, of_truth, strict=True)}
    return kept / total, flagged / max(1, total - kept)


@dataclass(frozen=True)
class Kept:
    """Shares: of identities kept, of wrong ones that were flagged, of right ones that were flagged for nothing."""

    kept: float
    wrong_flagged: float
    right_flagged: float
    identities: int


def right_from_taps(rng: np.random.Generator, work: Work, builds: int, stages: int = 6, scatter: float = 1.0) -> Kept:
    """Follow builds from taps to names; a mode counts where the stage read one within 8 cents of it."""
    kept, total, wrong_flagged, right_flagged = 0, 0, 0, 0
    for _ in range(builds):
        rows: list[Row] = [(*r, k) for k, r in enumerate(spread_modes(rng, 10, 40.0))]
        items, truth = [], []
        for stage in range(stages):
            rows = step(rng, rows, work) if stage else rows
            here = sorted(r for r in rows if rng.random() >= work.fade)
            items.append(item(f"c_{stage:02d}-s.wav", reading(taps(rng, [r[:3] for r in here], 5, scatter))))
            truth.append(here)
        history, _ = build_history("cittern-07", items, InstrumentSettings(), {})
        last: dict[int, str] = {}
        for found, of_truth in zip(history.stages, truth, strict=True):
            for freq, _, _, k in of_truth:
                near = min(found.modes, key=lambda m: abs(math.log(m.freq_hz / freq)), default=None)
                if near is None or abs(1200.0 * math.log2(near.freq_hz / freq)) > 8.0:
                    continue
                if k in last:
                    total += 1
                    kept += last[k] == near.mode
                    wrong_flagged += last[k] != near.mode and "identity?" in near.flags
                    right_flagged += last[k] == near.mode and "identity?" in near.flags
                last[k] = near.mode
    return Kept(kept / total, wrong_flagged / max(1, total - kept), right_flagged / max(1, kept), total)


WORKS: dict[str, Work] = {
    "small moves": Work(),
    "a mode by a semitone": Work(semitone=0.7),
    "all together, one by a semitone": Work(common_cents=40.0, semitone=0.5),
    "each anywhere within a semitone": Work(every_cents=100.0),
    "crossings": Work(cross=0.5),
    "splits": Work(split=0.3),
    "fades and comebacks": Work(fade=0.1),
    "all of it": Work(common_cents=15.0, semitone=0.5, cross=0.3, split=0.1, fade=0.05),
}
