"""Two stages of an invented body in which something happens to two neighbours, as taps would read it; only numpy.

Random numbers come from the generator that is passed in. Nothing is shared with the product's own simulator: the
physics is that of this file, and the builders in ``builds`` only put values into readings.

- A body has eight modes and its taps scatter; a set-up shifts all modes together and each on its own, in frequency
  and in decay. What a mode sends out at each tapped point is its own pattern, which stays. It changes from stage to
  stage by where the mallet lands.
- Two lines nearer than about a quarter of a width are read as one, at the mean of both weighted by energy. A line is
  not heard under the skirt of a stronger one, ``10 lg(1 + (2 d / w)^2) + 6`` dB below it at the distance ``d``; the
  width is ``w = 2.2 / T60``. Nor is one heard that lies 40 dB below the strongest.
- Two lines within a width disturb one another: their errors grow, up to fivefold, and are stated so.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from statistics import fmean

import numpy as np

from tapbatch.compare.history import build_history
from tapbatch.model.history import Drift, Stage
from tapbatch.model.reading import Mode
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import item, mode, reading, spread_modes

POINTS = ("bridge", "edge")
STRENGTH_DB = -20.0
FAINT_DB = 40.0


@dataclass(frozen=True)
class Line:
    """A mode, or several read as one: its keys, Hz, s, and its level in dB at each point."""

    keys: frozenset[int]
    freq_hz: float
    t60_s: float
    level_db: tuple[float, ...]

    def moved(self, cents: float) -> Line:
        return replace(self, freq_hz=self.freq_hz * 2.0 ** (cents / 1200.0))

    def louder(self, db: float) -> Line:
        return replace(self, level_db=tuple(v + db for v in self.level_db))


Body = list[Line]
Event = Callable[[np.random.Generator, Body, float], tuple[Body, Body]]
"""Gives the lines before and after; the number is the cents by which the work moves three modes in ten."""


@dataclass
class Said:
    """What was said over the stages of a case; see :func:`count`. ``lines`` counts those that both stages read."""

    stages: int = 0
    false: int = 0
    false_doubtful: int = 0
    swapped: int = 0
    swapped_doubtful: int = 0
    lines: int = 0
    wrong: int = 0
    flagged: int = 0
    blurred: int = 0
    false_blurred: int = 0
    doubted: int = 0
    told: list[bool] = field(default_factory=list)
    verdicts: Counter[str] = field(default_factory=Counter)


def a_body(rng: np.random.Generator, points: int, modes: int = 8) -> Body:
    """Return a body whose modes lie at least 130 cents apart, so that what happens to two concerns only them."""
    rows = spread_modes(rng, modes, 130.0)
    return [
        Line(frozenset({k}), f, t, tuple(level + float(rng.normal(0.0, 5.0)) * (points > 1) for _ in range(points)))
        for k, (f, t, level) in enumerate(rows)
    ]


def strongest(body: Body) -> int:
    return max(range(len(body)), key=lambda i: fmean(10.0 ** (v / 10.0) for v in body[i].level_db))


def _beside(rng: np.random.Generator, line: Line, cents: float, db: float, key: int) -> Line:
    """Return another line beside one, of its own decay and with its own pattern over the points."""
    level = tuple(v + db + float(rng.normal(0.0, 5.0)) * (len(line.level_db) > 1) for v in line.level_db)
    return Line(frozenset({key}), line.freq_hz * 2.0 ** (cents / 1200.0), float(rng.uniform(0.08, 0.6)), level)


def _either(rng: np.random.Generator) -> float:
    return float(rng.choice([-1.0, 1.0]))


# --------------------------------------------------------------- what happens


def nothing(rng: np.random.Generator, body: Body, work: float) -> tuple[Body, Body]:
    return body, _worked(rng, body, work)


def a_pair_stands(rng: np.random.Generator, body: Body, work: float) -> tuple[Body, Body]:
    """A pair 15-60 cents apart is there at both stages."""
    k = strongest(body)
    body = [*body, _beside(rng, body[k], _either(rng) * rng.uniform(15.0, 60.0), rng.uniform(-15.0, 0.0), 99)]
    return body, _worked(rng, body, work)


def a_newcomer(rng: np.random.Generator, body: Body, work: float) -> tuple[Body, Body]:
    """A mode comes up 25-60 cents beside the strongest, 0-18 dB weaker."""
    after = _worked(rng, body, work)
    k = strongest(body)
    new = _beside(rng, after[k], _either(rng) * rng.uniform(25.0, 60.0), rng.uniform(-18.0, 0.0), 99)
    return body, [*after, new]


def a_stronger_newcomer(rng: np.random.Generator, body: Body, work: float) -> tuple[Body, Body]:
    """A mode comes up 25-60 cents beside the strongest, which loses 3-10 dB to it."""
    after = _worked(rng, body, work)
    k = strongest(body)
    new = _beside(rng, after[k], _either(rng) * rng.uniform(25.0, 60.0), rng.uniform(-6.0, 3.0), 99)
    after[k] = after[k].louder(-float(rng.uniform(3.0, 10.0)))
    return body, [*after, new]


def one_comes_out(rng: np.random.Generator, body: Body, work: float) -> tuple[Body, Body]:
    """A mode under the skirt of the strongest grows by 10-25 dB: it was there all the time."""
    k = strongest(body)
    weak = _beside(rng, body[k], _either(rng) * rng.uniform(10.0, 60.0), rng.uniform(-35.0, -20.0), 99)
    grown = weak.louder(float(rng.uniform(10.0, 25.0)))
    return [*body, weak], _worked(rng, [*body, grown], work)


def two_cross(rng: np.random.Generator, body: Body, work: float, alike: bool = False) -> tuple[Body, Body]:
    """One of a pair 10-60 cents apart goes past the other by 5-40 cents."""
    k = strongest(body)
    gap = _either(rng) * rng.uniform(10.0, 60.0)
    other = _beside(rng, body[k], gap, rng.uniform(-12.0, 0.0), 99)
    if alike:
        other = replace(other, t60_s=body[k].t60_s * math.exp(rng.normal(0.0, 0.1)), level_db=body[k].level_db)
    before = [*body, other]
    after = _worked(rng, before, 0.0)
    over = gap + math.copysign(rng.uniform(5.0, 40.0), gap)
    if rng.random() < 0.5:
        after[k] = after[k].moved(over)
    else:
        after[-1] = after[-1].moved(-over)
    return before, after


def two_alike_cross(rng: np.random.Generator, body: Body, work: float) -> tuple[Body, Body]:
    return two_cross(rng, body, work, alike=True)


def two_veer(rng: np.random.Generator, body: Body, work: float) -> tuple[Body, Body]:
    """Two coupled modes are tuned past one another; they part by at least 12-40 cents and exchange their shapes.

    The two lines are the eigenvalues of ``[[a, c], [c, -a]]``, in cents, and their amplitudes and damping turn with
    the eigenvectors. A line keeps the name of the one with whose shape its own overlaps more.
    """
    k = strongest(body)
    least = rng.uniform(6.0, 20.0)
    start, end = -rng.uniform(0.5, 3.0) * least, rng.uniform(-1.0, 3.0) * least
    own = [(body[k].t60_s, body[k].level_db)]
    side = _beside(rng, body[k], 0.0, rng.uniform(-12.0, 0.0), 99)
    own.append((side.t60_s, side.level_db))
    sides = []
    angles = []
    for tuned in (start, end):
        angle = 0.5 * math.atan2(least, tuned)
        angles.append(angle)
        half = math.hypot(tuned, least)
        share = (math.cos(angle) ** 2, math.sin(angle) ** 2)
        lines = []
        for sign, (a, b) in ((1.0, share), (-1.0, share[::-1])):
            rate = a / own[0][0] + b / own[1][0]
            powers = [
                a * 10.0 ** (p / 10.0) + b * 10.0 ** (q / 10.0) for p, q in zip(own[0][1], own[1][1], strict=True)
            ]
            level = tuple(10.0 * math.log10(v) for v in powers)
            lines.append(replace(body[k], t60_s=1.0 / rate, level_db=level).moved(sign * half))
        sides.append(lines)
    rest = [line for i, line in enumerate(body) if i != k]
    kept = abs(angles[1] - angles[0]) < math.pi / 4.0
    keys = (body[k].keys, side.keys)
    before = [replace(line, keys=key) for line, key in zip(sides[0], keys, strict=True)]
    after = [replace(line, keys=key) for line, key in zip(sides[1], keys if kept else keys[::-1], strict=True)]
    return [*rest, *before], [*_worked(rng, rest, 0.0), *after]


def one_read_as_two(rng: np.random.Generator, body: Body, work: float) -> tuple[Body, Body]:
    """The strongest stands still, and is read as two lines whose mean weighted by energy is where it was."""
    after = _worked(rng, body, work)
    k = strongest(body)
    split = _either(rng) * rng.uniform(0.3, 1.0) * 2.2 / body[k].t60_s
    weight = rng.uniform(0.1, 0.5)
    one, t60 = after[k], after[k].t60_s * math.exp(rng.normal(0.0, 0.2))
    main = replace(one.louder(10.0 * math.log10(1.0 - weight)), freq_hz=one.freq_hz - weight * split)
    extra = replace(one.louder(10.0 * math.log10(weight)), freq_hz=one.freq_hz + (1.0 - weight) * split, t60_s=t60)
    after[k] = main
    return body, [*after, replace(extra, keys=frozenset({99}))]


def a_pair_parts(rng: np.random.Generator, body: Body, work: float) -> tuple[Body, Body]:
    """Two lines within a tenth of a width, read as one, part by 0.4-1.2 widths (60 cents at most), each by half."""
    k = strongest(body)
    width = 2.2 / body[k].t60_s
    twin = replace(body[k], keys=frozenset({99}), freq_hz=body[k].freq_hz + 0.05 * width).louder(
        float(rng.uniform(-6.0, 0.0))
    )
    before = [*body, twin]
    after = _worked(rng, before, 0.0)
    by = 0.5 * min(rng.uniform(0.4, 1.2) * width, body[k].freq_hz * 60.0 / 1731.2)
    after[k] = replace(after[k], freq_hz=after[k].freq_hz - by)
    after[-1] = replace(after[-1], freq_hz=after[-1].freq_hz + by)
    return before, after


def _worked(rng: np.random.Generator, body: Body, work: float) -> Body:
    """Return what work leaves: three in ten moved by ``work`` cents either way, all slightly changed where struck."""
    moved = set(rng.choice(len(body), max(1, round(0.3 * len(body))), replace=False).tolist()) if work else set()
    after = []
    for i, line in enumerate(body):
        level = tuple(v + float(rng.normal(0.0, 2.5)) for v in line.level_db)
        decay = line.t60_s * math.exp(rng.normal(0.0, 0.06)) if work else line.t60_s
        after.append(replace(line, level_db=level, t60_s=decay).moved(_either(rng) * work if i in moved else 0.0))
    return after


# ----------------------------------------------------------------- what is read


def _as_heard(rng: np.random.Generator, body: Body) -> tuple[Body, list[float]]:
    """Return the lines that a stage reads, by frequency, and by how much each is disturbed by the next one."""
    lines = sorted(body, key=lambda line: line.freq_hz)
    read: Body = []
    for line in lines:
        if read and _is_one(rng, read[-1], line):
            read[-1] = _merged(read[-1], line)
        else:
            read.append(line)
    top = max(max(line.level_db) for line in read)
    heard = [line for line in read if max(line.level_db) > top - FAINT_DB and not _is_hidden(rng, line, read)]
    near = []
    for line in heard:
        apart = min((_widths(line, other) for other in heard if other is not line), default=9.0)
        near.append(min(max(1.0 / apart, 1.0), 5.0))
    return heard, near


def _widths(a: Line, b: Line) -> float:
    return abs(a.freq_hz - b.freq_hz) / (1.1 / a.t60_s + 1.1 / b.t60_s)


def _is_one(rng: np.random.Generator, a: Line, b: Line) -> bool:
    return bool(rng.random() < 1.0 / (1.0 + (_widths(a, b) / 0.25) ** 4))


def _merged(a: Line, b: Line) -> Line:
    power = [fmean(10.0 ** (v / 10.0) for v in line.level_db) for line in (a, b)]
    share = power[0] / sum(power)
    level = tuple(
        10.0 * math.log10(10.0 ** (p / 10.0) + 10.0 ** (q / 10.0))
        for p, q in zip(a.level_db, b.level_db, strict=True)
    )
    freq = share * a.freq_hz + (1.0 - share) * b.freq_hz
    return Line(a.keys | b.keys, freq, share * a.t60_s + (1.0 - share) * b.t60_s, level)


def _is_hidden(rng: np.random.Generator, line: Line, read: Body) -> bool:
    margin = math.inf
    for other in read:
        if other is not line:
            skirt = 10.0 * math.log10(1.0 + (2.0 * (line.freq_hz - other.freq_hz) * other.t60_s / 2.2) ** 2) + 6.0
            margin = min(margin, max(p - q for p, q in zip(line.level_db, other.level_db, strict=True)) + skirt)
    return bool(rng.random() < 1.0 / (1.0 + math.exp(min(max(margin / 1.5, -50.0), 50.0))))


def _stage_taps(rng: np.random.Generator, body: Body, taps: int, bench: Bench) -> tuple[list[list[list[Mode]]], Body]:
    """Return the taps at each point, and the lines that the stage reads."""
    heard, near = _as_heard(rng, body)
    common, common_t60 = rng.normal(0.0, bench.common), rng.normal(0.0, 0.02)
    shift = common + rng.normal(0.0, bench.own, len(heard))
    ring = common_t60 + rng.normal(0.0, 0.015, len(heard))
    points = []
    for at in range(len(body[0].level_db)):
        made = []
        for _ in range(taps):
            gain, hand = rng.normal(0.0, 3.0), rng.normal(0.0, 0.4)
            top = max(line.level_db[at] for line in heard)
            row = []
            for line, s, r, n in zip(heard, shift, ring, near, strict=True):
                if line.level_db[at] < top - FAINT_DB:
                    continue
                se = n * 0.1 * 10.0 ** (min(top - line.level_db[at], 30.0) / 40.0)
                cents = s + hand + rng.normal(0.0, 0.7) + rng.normal(0.0, se)
                freq = line.freq_hz * 2.0 ** (cents / 1200.0)
                t60_se = 0.02 * n
                t60 = line.t60_s * math.exp(r + rng.normal(0.0, 0.03) + rng.normal(0.0, t60_se))
                energy = STRENGTH_DB + line.level_db[at] + gain + rng.normal(0.0, 2.0)
                row.append(mode(freq, t60, energy, se * freq / 1731.2, t60_se))
            made.append(row)
        points.append(made)
    return points, heard


@dataclass(frozen=True)
class Bench:
    """What a set-up shifts, in cents, and how often each point is tapped."""

    common: float = 1.0
    own: float = 0.5
    points: int = 1
    taps: int = 5


def judged(rng: np.random.Generator, event: Event, bench: Bench, work: float = 0.0) -> tuple[list[Drift], Truth]:
    """Return the drift rows of a stage at which something happened, and what is true of each name."""
    before, after = event(rng, a_body(rng, bench.points), work)
    items, read = [], []
    for n, body in enumerate((before, after), start=1):
        points, heard = _stage_taps(rng, body, bench.taps, bench)
        read.append(heard)
        for at, made in enumerate(points):
            said = {"point": POINTS[at]} if bench.points > 1 else {}
            items.append(item(f"c_{n:02d}-s_{POINTS[at]}.wav", reading(made, noise_db=-75.0), **said))
    history, _ = build_history("cittern-07", items, InstrumentSettings(), {})
    was = {key: line.freq_hz for line in before for key in line.keys}
    moves = {key: 1200.0 * math.log2(line.freq_hz / was[key]) for line in after for key in line.keys if key in was}
    keys = [_keys(stage, heard) for stage, heard in zip(history.stages, read, strict=True)]
    flagged = {m.mode for m in history.stages[-1].modes if "identity?" in m.flags}
    return list(history.drifts), Truth(keys[0], keys[1], moves, flagged)


@dataclass(frozen=True)
class Truth:
    """Which line each name stands for before and after, the true moves in cents by line, and the names flagged."""

    before: dict[str, frozenset[int]]
    after: dict[str, frozenset[int]]
    moves: dict[int, float]
    flagged: set[str]


def _keys(stage: Stage, heard: Body) -> dict[str, frozenset[int]]:
    return {m.mode: min(heard, key=lambda line: abs(math.log(line.freq_hz / m.freq_hz))).keys for m in stage.modes}


def count(event: Event, bench: Bench, stages: int, seed: Sequence[int], work: float = 0.0) -> Said:
    """Judge ``stages`` pairs of stages.

    *False* is a stage with a mode that did not move, whose name is called ``up`` or ``down``. *Swapped* is one with
    such a verdict under a name that passed from one mode to another. Modes read as one at both stages count as one,
    which moved if any of them did. A stage is *blurred* if it, or the one before, read two modes as one, and
    *doubted* if it has the flag ``identity?``. ``told`` holds, for each mode that moved by over 4 cents, whether
    it is said to have done so, with or without ``?``, under its own name.
    """
    said = Said()
    for n in range(stages):
        rows, truth = judged(np.random.default_rng([*seed, n]), event, bench, work)
        said.stages += 1
        wrong = {r.mode for r in rows if _passed_on(r.mode, truth)}
        firm = {r.mode for r in rows if r.verdict in ("up", "down")}
        probable = {r.mode for r in rows if r.verdict in ("up?", "down?")}
        kept = {m: keys & truth.after.get(m, keys) for m, keys in truth.before.items()}
        still = {m for m, keys in kept.items() if keys and all(abs(truth.moves[k]) < 0.1 for k in keys)}
        blurred = any(len(keys) > 1 for side in (truth.before, truth.after) for keys in side.values())
        said.blurred += blurred
        said.false_blurred += blurred and bool(firm & still)
        said.doubted += bool(truth.flagged)
        said.false += bool(firm & still)
        said.false_doubtful += bool((firm | probable) & still)
        said.swapped += bool(firm & wrong)
        said.swapped_doubtful += bool((firm | probable) & wrong)
        said.verdicts.update(r.verdict for r in rows)
        _count_names(said, rows, truth)
    return said


def _passed_on(name: str, truth: Truth) -> bool:
    return name in truth.before and name in truth.after and not truth.before[name] & truth.after[name]


def _count_names(said: Said, rows: list[Drift], truth: Truth) -> None:
    name_of = {k: m for m, k in truth.after.items()}
    verdicts = {r.mode: r.verdict for r in rows}
    for name, keys in truth.before.items():
        if keys not in name_of:
            continue
        kept = name_of[keys] == name
        said.lines += 1
        said.wrong += not kept
        said.flagged += kept and name in truth.flagged
        move = truth.moves.get(next(iter(keys)), 0.0)
        if len(keys) == 1 and abs(move) > 4.0:
            up = "up" if move > 0.0 else "down"
            said.told.append(kept and verdicts[name].rstrip("?") == up)


EVENTS: dict[str, Event] = {
    "nothing": nothing,
    "a pair stands": a_pair_stands,
    "a newcomer beside the strongest": a_newcomer,
    "a newcomer that takes over": a_stronger_newcomer,
    "one comes out of the skirt": one_comes_out,
    "two cross": two_cross,
    "two alike cross": two_alike_cross,
    "two veer": two_veer,
    "one read as two": one_read_as_two,
    "a pair parts": a_pair_parts,
}
