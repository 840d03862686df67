"""How the outcomes of :mod:`tests.benchmarks.rooms` are said: a row a scene, and what only some scenes have."""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from tests.bench_simulator.recipes import RECIPES
from tests.benchmarks import tables

if TYPE_CHECKING:
    from tests.bench_simulator.judge import Verdict
    from tests.benchmarks.rooms import Outcome

HEAD = (
    "scene", "trials", "within 20 dB found, %", "within 30 dB, %", "false a trial", "with a false one in five",
    "false leads", "weak leads", "f off, cents: median", "p90", "T60 bias, %", "lead's, %", "f held, %",
    "T60 held, %", "given, %", "flagged, %", "taps used", "refused", "others used", "s a trial",
)  # fmt: skip


def head() -> str:
    """Return the head of the table."""
    return tables.head(HEAD)


def legend(word: str) -> str:
    """Return what stands above the table."""
    return (
        "A mode is found if one is listed within its width at half power (at least 25 cents) with a T60 within a"
        " factor of three. Levels are those of the direct sound's free decay. An interval is of 95 %. Spots are"
        f" joined as `{word}`.\n"
    )


def row(name: str, outcomes: Sequence[Outcome]) -> str:
    """Return the row of a scene."""
    all_ = [o.verdict for o in outcomes]
    cents = [abs(c) for v in all_ for c in v.cents]
    cells = (
        name,
        str(len(all_)),
        _pct(sum(v.found_20 for v in all_), sum(v.within_20 for v in all_)),
        _pct(sum(v.found_30 for v in all_), sum(v.within_30 for v in all_)),
        f"{statistics.fmean(v.false for v in all_):.1f}",
        _of(v.false_in_five > 0 for v in all_),
        _of(v.lead == "false" for v in all_),
        _of(v.lead == "weak" for v in all_),
        _number(statistics.median(cents) if cents else math.nan, 2),
        _number(_p90(cents), 1),
        _number(_bias([t for v in all_ for t in v.t60_log]), 0),
        _number(_bias([v.lead_t60_log for v in all_ if not math.isnan(v.lead_t60_log)]), 0),
        _share(h for v in all_ for h in v.freq_held),
        _share(h for v in all_ for h in v.t60_held),
        _pct_of(len(cents) - sum(v.t60_withheld for v in all_), len(cents)),
        _share(f for v in all_ for f in v.flagged),
        f"{sum(v.taps_used for v in all_)} of {sum(v.taps for v in all_)}",
        str(sum(v.taps_refused for v in all_)),
        f"{sum(v.others_used for v in all_)} of {sum(v.others for v in all_)}",
        f"{statistics.fmean(o.spent_s for o in outcomes):.2f}",
    )
    return "| " + " | ".join(cells) + " |"


def left_out(name: str, why: str) -> str:
    """Return the row of a scene that cannot be played here."""
    return f"| {name} | left out: {why} |" + " |" * (len(HEAD) - 2)


def each(outcome: Outcome) -> str:
    """Return one line on one trial."""
    v = outcome.verdict
    return (
        f"  {v.trial:3}: {v.found_20}/{v.within_20} in 20 dB, {v.false} false, lead {v.lead}"
        f", taps {v.taps_used}/{v.taps}"
        f"{f', others used {v.others_used}' if v.others_used else ''}{f', pair {v.pair}' if v.pair else ''}"
        f", missed {_list(v.missed_hz)}, false {_list(v.false_hz)}{', ' + ' '.join(v.notices) if v.notices else ''}"
    )


def beside(name: str, outcomes: Sequence[Outcome]) -> list[str]:
    """Return what only some scenes have: pairs, direct sound over the room, sounds taken for taps; and notices."""
    verdicts, recipe, lines = [o.verdict for o in outcomes], RECIPES[name], []
    if recipe.pair:
        count = Counter(v.pair for v in verdicts)
        lines.append("the pair was read as " + ", ".join(f"{k} in {n}" for k, n in sorted(count.items())))
    if recipe.in_room:
        lines.append(_direct(verdicts))
    if recipe.talk or recipe.alone:
        lines.append(f"a sound was taken for a tap in {_of(v.others_used > 0 for v in verdicts)} recordings")
    notices = Counter(n for v in verdicts for n in v.notices)
    if notices:
        lines.append("notices: " + ", ".join(f"{k} {n}" for k, n in notices.most_common()))
    return [f"- `{name}`: {line}" for line in lines]


def _direct(verdicts: Sequence[Verdict]) -> str:
    true_db = [true for v in verdicts for true in v.direct_db]
    errors_db = [error for v in verdicts for error in v.direct_errors_db]
    text = f"direct over room {statistics.fmean(true_db):.1f} dB" if true_db else "no reading"
    if len(errors_db) > 1:
        off = f"{statistics.fmean(errors_db):+.1f} dB on the mean, sd {statistics.stdev(errors_db):.1f} dB"
        return f"{text}; the estimate is off by {off}"
    return f"{text}; no estimate"


def _p90(values: Sequence[float]) -> float:
    return statistics.quantiles(values, n=10)[-1] if len(values) > 1 else math.nan


def _bias(logs: Sequence[float]) -> float:
    return 100 * math.expm1(statistics.fmean(logs)) if logs else math.nan


def _pct(part: int, whole: int) -> str:
    return f"{100 * part / whole:.0f} ({part}/{whole})" if whole else ""


def _pct_of(part: int, whole: int) -> str:
    return f"{100 * part / whole:.0f}" if whole else ""


def _share(values: Iterable[bool]) -> str:
    known = list(values)
    return f"{100 * sum(known) / len(known):.0f}" if known else ""


def _of(values: Iterable[bool]) -> str:
    known = list(values)
    return f"{sum(known)} of {len(known)}"


def _number(value: float, digits: int) -> str:
    return "" if math.isnan(value) else f"{value:.{digits}f}"


def _list(values: Sequence[float]) -> str:
    return " ".join(f"{v:g}" for v in values) or "-"
