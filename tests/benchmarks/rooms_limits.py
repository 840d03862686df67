"""What the scenes of :mod:`tests.benchmarks.rooms` must show: each limit beside its figure.

Conventions: shares are per cent, ``least`` and ``most`` bound the figure and both may be reached. A figure of
``None`` (nothing to judge by) leaves its limit, so that a run that measured nothing cannot pass.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from tests.bench_simulator.judge import Verdict

Verdicts = Sequence[Verdict]
Figure = Callable[[Verdicts], float | None]


@dataclass(frozen=True)
class Limit:
    """A bound on a figure of one scene."""

    scene: str
    what: str
    figure: Figure
    least: float = -math.inf
    most: float = math.inf

    def kept(self, verdicts: Verdicts) -> bool:
        """Tell whether the limit is kept."""
        figure = self.figure(verdicts)
        return figure is not None and self.least <= figure <= self.most


def _pct(part: int, whole: int) -> float | None:
    return 100 * part / whole if whole else None


def _held(values: Iterable[bool]) -> float | None:
    known = list(values)
    return _pct(sum(known), len(known))


def found_20(verdicts: Verdicts) -> float | None:
    """Return the per cent of modes within 20 dB that were found."""
    return _pct(sum(v.found_20 for v in verdicts), sum(v.within_20 for v in verdicts))


def freq_held(verdicts: Verdicts) -> float | None:
    """Return the per cent of frequency intervals that hold the truth."""
    return _held(h for v in verdicts for h in v.freq_held)


def t60_held(verdicts: Verdicts) -> float | None:
    """Return the per cent of T60 intervals that hold the truth, where one is given."""
    return _held(h for v in verdicts for h in v.t60_held)


def false_leads(verdicts: Verdicts) -> float | None:
    """Return the per cent of trials whose lead is no mode of the plate."""
    return _pct(sum(v.lead == "false" for v in verdicts), len(verdicts))


def median_cents(verdicts: Verdicts) -> float | None:
    """Return the median error of frequency."""
    off = [abs(c) for v in verdicts for c in v.cents]
    return statistics.median(off) if off else None


def direct_sd(verdicts: Verdicts) -> float | None:
    """Return the standard deviation of the estimate of direct over room, in decibels."""
    errors_db = [error for v in verdicts for error in v.direct_errors_db]
    return statistics.stdev(errors_db) if len(errors_db) > 1 else None


def others_used(verdicts: Verdicts) -> float | None:
    """Return the per cent of other sounds that were taken for taps."""
    return _pct(sum(v.others_used for v in verdicts), sum(v.others for v in verdicts))


def with_others(verdicts: Verdicts) -> float | None:
    """Return how many recordings there are in fourteen in which another sound was taken for a tap."""
    return 14 * sum(v.others_used > 0 for v in verdicts) / len(verdicts) if verdicts else None


def taps_refused(verdicts: Verdicts) -> float | None:
    """Return how many taps were heard and refused."""
    return sum(v.taps_refused for v in verdicts) if verdicts else None


def t60_withheld(verdicts: Verdicts) -> float | None:
    """Return the per cent of modes found that have no T60, or no interval of it."""
    return _pct(sum(v.t60_withheld for v in verdicts), sum(len(v.cents) for v in verdicts))


def pairs_outside(verdicts: Verdicts) -> float | None:
    """Return how many in sixteen pairs were read as one without a flag, with neither of them in the interval."""
    return 16 * sum(v.pair == "outside" for v in verdicts) / len(verdicts) if verdicts else None


def pairs_unflagged(verdicts: Verdicts) -> float | None:
    """Return how many in sixteen pairs were read as one without a flag, whatever the interval holds."""
    return 16 * sum(v.pair in ("outside", "half", "covered") for v in verdicts) / len(verdicts) if verdicts else None


def _both_held(scene: str, least: float) -> tuple[Limit, Limit]:
    return Limit(scene, "f held, %", freq_held, least), Limit(scene, "T60 held, %", t60_held, least)


LIMITS: tuple[Limit, ...] = (
    Limit("still-30", "within 20 dB found, %", found_20, 60),
    Limit("still-30", "false leads, %", false_leads, most=100 / 24),
    *_both_held("still-30", 93),
    Limit("still-30", "direct over room, sd in dB", direct_sd, most=3.5),
    Limit("still-10", "within 20 dB found, %", found_20, 76),
    Limit("still-5", "within 20 dB found, %", found_20, 90),
    Limit("spots3-10", "within 20 dB found, %", found_20, 80),
    *_both_held("spots3-10", 92),
    Limit("spots3-5", "within 20 dB found, %", found_20, 93),
    *_both_held("spots3-5", 92),
    Limit("spots3-5", "f off, cents: median", median_cents, most=1.6),
    Limit("spots5-5", "within 20 dB found, %", found_20, 95),
    *_both_held("spots5-5", 93),
    Limit("bounce", "within 20 dB found, %", found_20, 90),
    Limit("contact", "within 20 dB found, %", found_20, 92),
    Limit("fan", "within 20 dB found, %", found_20, 95),
    Limit("scatter", "within 20 dB found, %", found_20, 98),
    Limit("talk", "recordings in 14 with a syllable used", with_others, most=1),
    Limit("speech", "syllables taken for taps, %", others_used, most=4),
    Limit("claps", "claps taken for taps, %", others_used, most=4),
    *(Limit(s, "taps refused", taps_refused, most=0) for s in ("dry", "still-30", "bounce", "contact", "scatter")),
    Limit("gain", "T60 held, %", t60_held, 93),
    Limit("dry", "modes without T60, %", t60_withheld, most=1),
    Limit("pair", "in 16 read as one, outside", pairs_outside, most=0),
    Limit("pair", "in 16 read as one, unflagged", pairs_unflagged, most=3),
    Limit("damping", "T60 held, %", t60_held, 93),
    Limit("pitch", "f held, %", freq_held, 93),
)


def lines(scene: str, verdicts: Verdicts) -> list[str]:
    """Return a row for each limit of a scene."""
    rows = []
    for limit in (each for each in LIMITS if each.scene == scene):
        figure = limit.figure(verdicts)
        bound = f"at least {limit.least:g}" if math.isfinite(limit.least) else f"at most {limit.most:.3g}"
        shown = "" if figure is None else f"{figure:.3g}"
        rows.append(f"| {limit.scene} | {limit.what} | {shown} | {bound} | {_word(limit.kept(verdicts))} |")
    return rows


def _word(kept: bool) -> str:
    return "kept" if kept else "**left**"
