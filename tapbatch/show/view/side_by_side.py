"""The last two stages of a part side by side: whether they can be compared, and which rows are worth a line.

Conventions: as in :mod:`tapbatch.compare.before_after`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from tapbatch.compare.before_after import Comparison, SustainChange, side_by_side
from tapbatch.compare.frozen import judged_as
from tapbatch.model.caution import NoVerdict
from tapbatch.model.history import History
from tapbatch.model.settings import InstrumentSettings

MOST_BANDS = 7
MOST_MODES = 10
MOST_STRINGS = 12


def last_two(history: History, part: str, settings: InstrumentSettings) -> Comparison | None:
    """Return the last two stages of a part that can be compared, side by side; ``None`` where no decay can."""
    heard = [s for s in history.of_part(part) if any(d.t60_s for d in s.decays) or s.modes or s.strings]
    if len(heard) < 2:
        return None
    before, after = heard[-2:]
    moved = [d for d in history.drifts if (d.part, d.from_stage, d.to_stage) == (part, before.stage, after.stage)]
    grounds = judged_as(history).between(before, after)
    comparison = side_by_side(before, after, settings, drifts=moved, grounds=grounds)
    return comparison if sustain_rows(comparison) else None


def sustain_rows(comparison: Comparison) -> list[SustainChange]:
    """Return the rows worth a line: what was measured at both stages, of modes the strongest.

    The bands of plucked strings are left out, for they mix strings that have rows of their own.
    """
    both = rows_known(comparison)
    levels = {m.mode: m.level_db for m in comparison.after.modes}
    modes = sorted((c for c in both if c.subject == "mode"), key=lambda c: -levels.get(c.name, -999.0))[:MOST_MODES]
    tapped = [c for c in both if c.kind == "tap" and c.subject in ("whole", "band")][:MOST_BANDS]
    plucked = [c for c in both if c.kind == "pluck" and c.subject == "whole"]
    strings = [c for c in both if c.subject == "string"][:MOST_STRINGS]
    return [*tapped, *plucked, *(c for c in both if c in modes), *strings]


def same_reason(rows: Sequence[SustainChange]) -> NoVerdict | None:
    """Return the reason for no verdict that all rows share; ``None`` if they differ."""
    reasons = {row.why for row in rows}
    return reasons.pop() if len(reasons) == 1 else None


def rows_known(comparison: Comparison) -> list[SustainChange]:
    """Return the rows that were measured at both stages, whether there is room for them or not."""
    known = (c for c in comparison.sustain if c.change_pct is not None and math.isfinite(c.change_pct))
    return [c for c in known if (c.kind, c.subject) != ("pluck", "band")]
