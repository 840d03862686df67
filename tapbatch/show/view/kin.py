"""The family of an instrument as the page and the report show it: which of its stages, modes and instruments.

Conventions: of each part the latest stage with modes. What is worked on, labelled or strong has a row, and no more
than :data:`MOST_MODES` have; of the others in the family the latest :data:`MOST_OTHERS` stand there.
"""

from __future__ import annotations

from dataclasses import replace

from tapbatch.compare.kin import side_by_side
from tapbatch.model.history import History
from tapbatch.model.kin import SideBySide
from tapbatch.model.names import is_label
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.view.stages import chart_modes
from tapbatch.show.view.working import working_names

MOST_MODES = 8
MOST_OTHERS = 7


def family_beside(
    history: History, part: str, settings: InstrumentSettings, most: int = MOST_MODES
) -> SideBySide | None:
    """Return the family beside the latest stage of a part; ``None`` where none of it has such a stage.

    ``most`` is how many modes there is room for.
    """
    stage = next((s for s in reversed(history.of_part(part)) if s.modes), None)
    side = side_by_side(history, stage, settings) if stage else None
    if stage is None or side is None:
        return None
    chosen = chart_modes([stage], working_names(history, stage), most)
    # A mode that is nowhere else says nothing here.
    rows = [row for row in side.rows if sum(r is not None for r in row.readings) > 1]
    first = [row for row in rows if row.mode in chosen or (is_label(row.mode) and row.readings[side.present] is None)]
    return _latest(replace(side, rows=tuple(first[:most]))) if first else None


def _latest(side: SideBySide) -> SideBySide:
    """Return it with the latest of the others only."""
    others = [n for n in range(len(side.stages)) if n != side.present][-MOST_OTHERS:]
    kept = sorted([*others, side.present])
    rows = tuple(replace(row, readings=tuple(row.readings[n] for n in kept)) for row in side.rows)
    return replace(side, stages=tuple(side.stages[n] for n in kept), present=kept.index(side.present), rows=rows)
