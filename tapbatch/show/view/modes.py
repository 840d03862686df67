"""Which modes are shown: those worth a chart, and a mode found by its name."""

from __future__ import annotations

import re
from collections.abc import Sequence

from tapbatch.model.history import Stage, StageMode

MOST_MODES = 8

_PROVISIONAL = re.compile(r"r[0-9]+\Z")


def chart_modes(stages: Sequence[Stage], most: int = MOST_MODES) -> list[str]:
    """Return the modes of one part that a chart shows, from low to high.

    The latest lead comes first, then the builder's labels, then what is strongest over all stages.

    Examples
    --------
    >>> chart_modes([])
    []
    """
    found: dict[str, list[StageMode]] = {}
    for stage in stages:
        for mode in stage.modes:
            found.setdefault(mode.mode, []).append(mode)
    latest_lead = stages[-1].lead.mode if stages and stages[-1].lead else ""

    def rank(name: str) -> tuple[bool, bool, float]:
        return name != latest_lead, bool(_PROVISIONAL.match(name)), -max(m.level_db for m in found[name])

    chosen = sorted(found, key=rank)[:most]
    return sorted(chosen, key=lambda name: found[name][-1].freq_hz)


def mode_at(stage: Stage, name: str) -> StageMode | None:
    """Return a mode of a stage by its identity, or ``None``."""
    return next((m for m in stage.modes if m.mode == name), None)
