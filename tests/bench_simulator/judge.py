"""The judge: what the product says of a stage, held to what was played.

Conventions: a mode of the product *is* a true one if it lies within the true one's width at half power, at least 25
cents, and its T60 within a factor of three; pairs are made nearest first, each mode once. *Found within 20 dB* counts
the true modes whose level is at most 20 dB below the strongest. A mode that is no true one is *false*. The lead is
*false* if it is none of them, and *weak* if it is one that lies 6 dB or more below the strongest. An interval holds
if the truth lies in it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tapbatch.model.history import Stage, StageMode
from tapbatch.model.reading import TapReading
from tests.bench_simulator.scenes import Played
from tests.bench_simulator.world import PlateMode

NEAR_CENTS = 25.0
NEAR_T60 = 3.0
WEAK_DB = 6.0
NEAR_S = 0.05
OWNED = frozenset({"hum", "string"})
MAY_BE_TWO = frozenset({"pair?", "not-exponential", "glides"})


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """What came of one scene."""

    trial: int
    within_20: int = 0
    found_20: int = 0
    within_30: int = 0
    found_30: int = 0
    listed: int = 0
    false: int = 0
    false_in_five: int = 0
    lead: str = "none"
    cents: tuple[float, ...] = ()
    t60_log: tuple[float, ...] = ()
    freq_held: tuple[bool, ...] = ()
    t60_held: tuple[bool, ...] = ()
    t60_withheld: int = 0
    lead_t60_log: float = math.nan
    flagged: tuple[bool, ...] = ()
    taps: int = 0
    taps_used: int = 0
    taps_refused: int = 0
    others: int = 0
    others_used: int = 0
    direct_db: tuple[float, ...] = ()
    direct_said_db: tuple[float, ...] = ()
    notices: tuple[str, ...] = ()
    pair: str = ""
    missed_hz: tuple[float, ...] = ()
    false_hz: tuple[float, ...] = ()

    @property
    def direct_errors_db(self) -> tuple[float, ...]:
        """Errors of the estimate of direct over room, one for each recording for which there is an estimate."""
        pairs = zip(self.direct_said_db, self.direct_db, strict=True)
        return tuple(said - true for said, true in pairs if math.isfinite(said))


def matched(true: Sequence[PlateMode], found: Sequence[StageMode]) -> dict[int, int]:
    """Return, by the number of a true mode, the number of the mode found for it."""
    near = []
    for i, mode in enumerate(true):
        reach_hz = max(mode.width_hz, mode.freq_hz * (2 ** (NEAR_CENTS / 1200) - 1))
        for j, read in enumerate(found):
            off = abs(read.freq_hz - mode.freq_hz) / reach_hz
            if off < 1.0 and _t60_near(read, mode):
                near.append((off, i, j))
    pairs: dict[int, int] = {}
    taken: set[int] = set()
    for _, i, j in sorted(near):
        if i not in pairs and j not in taken:
            pairs[i] = j
            taken.add(j)
    return pairs


def _t60_near(read: StageMode, mode: PlateMode) -> bool:
    return not _known(read.t60_s) or 1 / NEAR_T60 < read.t60_s / mode.t60_s < NEAR_T60


def _known(value: float | None) -> bool:
    return value is not None and math.isfinite(value)


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value


def judge(played: Played, stage: Stage | None, trial: int = 0) -> Verdict:
    """Hold a stage to the scene; ``None`` where the product gave no stage."""
    modes = [] if stage is None else [m for m in stage.modes if not OWNED & set(m.flags)]
    readings = [] if stage is None else [h.reading for h in stage.heard]
    true, levels = played.plate.modes, played.levels_db
    pairs = matched(true, modes) if levels else {}
    hit = set(pairs.values())
    false = [j for j in range(len(modes)) if j not in hit]
    loudest = sorted(range(len(modes)), key=lambda j: -modes[j].level_db)[:5]
    alone = _apart(played)
    read = [(true[i], modes[j]) for i, j in sorted(pairs.items()) if i not in alone]
    timed = [(t, m) for t, m in read if _known(m.t60_s)]
    bounded = [(t, m) for t, m in timed if _known(m.t60_low_s) and _known(m.t60_high_s)]
    by_level = {bound: [i for i, level in enumerate(levels) if level > -bound] for bound in (20, 30)}
    return Verdict(
        trial=trial,
        within_20=len(by_level[20]),
        found_20=sum(i in pairs for i in by_level[20]),
        within_30=len(by_level[30]),
        found_30=sum(i in pairs for i in by_level[30]),
        listed=len(modes),
        false=len(false),
        false_in_five=sum(j in false for j in loudest),
        lead=_lead(modes, pairs, levels),
        cents=tuple(1200 * math.log2(m.freq_hz / t.freq_hz) for t, m in read),
        t60_log=tuple(math.log(m.t60_s / t.t60_s) for t, m in timed),
        freq_held=tuple(m.freq_low_hz <= t.freq_hz <= m.freq_high_hz for t, m in read),
        t60_held=tuple(m.t60_low_s <= t.t60_s <= m.t60_high_s for t, m in bounded),
        t60_withheld=len(read) - len(bounded),
        lead_t60_log=_lead_t60(modes, pairs, true),
        flagged=tuple(bool(MAY_BE_TWO & set(m.flags)) for _, m in read),
        **_taps(played, [r.taps for r in readings]),  # type: ignore[arg-type]
        direct_db=tuple(take.direct_db for take in played.takes) if readings else (),
        direct_said_db=tuple(_or_nan(getattr(r, "direct_db", None)) for r in readings),
        notices=tuple(sorted({n.kind for r in readings for n in r.notices})),
        pair=_pair(played, modes),
        missed_hz=tuple(round(true[i].freq_hz, 1) for i in by_level[20] if i not in pairs),
        false_hz=tuple(round(modes[j].freq_hz, 1) for j in false),
    )


def _apart(played: Played) -> set[int]:
    """Return the modes whose errors say nothing: the two of a pair, which have a judgement of their own."""
    return set(played.pair or ())


def _lead(modes: Sequence[StageMode], pairs: dict[int, int], levels: Sequence[float]) -> str:
    at = next((j for j, m in enumerate(modes) if m.lead), None)
    if at is None:
        return "none"
    owner = next((i for i, j in pairs.items() if j == at), None)
    if owner is None:
        return "false"
    return "weak" if levels[owner] < -WEAK_DB else "true"


def _lead_t60(modes: Sequence[StageMode], pairs: dict[int, int], true: Sequence[PlateMode]) -> float:
    return next(
        (
            math.log(modes[j].t60_s / true[i].t60_s)
            for i, j in pairs.items()
            if modes[j].lead and _known(modes[j].t60_s)
        ),
        math.nan,
    )


def _taps(played: Played, listed: Sequence[Sequence[TapReading]]) -> dict[str, int]:
    """Return how many taps were used and refused, and how many other sounds were taken for taps."""
    used, refused, others_used = 0, 0, 0
    for take, taps in zip(played.takes, listed, strict=False):
        heard = [t.tap for t in taps]
        for at_s in take.taps_s:
            near = [t for t in heard if abs(t.onset_s - at_s) < NEAR_S]
            used += any(t.used for t in near)
            refused += bool(near) and not any(t.used for t in near)
        others_used += sum(t.used and all(abs(t.onset_s - s) >= NEAR_S for s in take.taps_s) for t in heard)
    return {
        "taps": sum(len(take.taps_s) for take in played.takes),
        "taps_used": used,
        "taps_refused": refused,
        "others": sum(len(take.others_s) for take in played.takes),
        "others_used": others_used,
    }


def _pair(played: Played, modes: Sequence[StageMode]) -> str:
    """Return how a pair was read: ``two``, ``flagged``, or as one by how much of it the interval holds.

    That is ``covered`` (both), ``half`` or ``outside`` (neither); ``none`` where nothing was read. A pair is read as
    two if two modes stand within 0.5 Hz of it that are at least 0.3 Hz apart.
    """
    if played.pair is None:
        return ""
    low_hz, high_hz = sorted(played.plate.modes[i].freq_hz for i in played.pair)
    near = [m for m in modes if low_hz - 1.0 < m.freq_hz < high_hz + 1.0]
    inside = sorted(m.freq_hz for m in near if low_hz - 0.5 < m.freq_hz < high_hz + 0.5)
    if len(inside) >= 2 and inside[-1] - inside[0] >= 0.3:
        return "two"
    if any(MAY_BE_TWO & set(m.flags) for m in near):
        return "flagged"
    held = [(m.freq_low_hz <= low_hz <= m.freq_high_hz) + (m.freq_low_hz <= high_hz <= m.freq_high_hz) for m in near]
    return ("outside", "half", "covered")[max(held)] if held else "none"
