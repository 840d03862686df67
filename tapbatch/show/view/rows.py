"""A mode as all faces say it in a row: its note first, then how sure, whether it moved, how long it rings."""

from __future__ import annotations

import math
from dataclasses import dataclass

from tapbatch.model.history import Drift, History, Stage, StageMode
from tapbatch.show.say import words
from tapbatch.show.view.stages import drifts_into, leading


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeRow:
    """What is said of a mode at a stage; empty where it is not known.

    ``mode`` and ``drift`` hold the numbers behind the words, by which a face sorts.
    """

    mode: StageMode
    drift: Drift | None
    trust: words.Sureness
    note: str
    cents: str
    sure: str
    moved: str
    rings: str
    hz: str
    q: str
    level: str
    taps: str
    played: str

    @property
    def unsure(self) -> bool:
        """Whether the reading is too doubtful to stand beside the others as if it were sure."""
        return self.trust == "unsure"


def mode_row(stage: Stage, mode: StageMode, drift: Drift | None, steady_cents: float) -> ModeRow:
    """Return what is said of a mode.

    Parameters
    ----------
    stage, mode
        A mode of this stage.
    drift
        How it moved on the way to the stage, where that is known.
    steady_cents
        The width in cents within which a pitch counts as sure.
    """
    return ModeRow(
        mode=mode,
        drift=drift,
        trust=words.how_sure(mode, steady_cents),
        note=words.note_text(mode),
        cents=words.cents_text(mode),
        sure=words.sure_text(mode),
        moved=words.moved_cell(drift) if drift else "",
        rings=words.t60_text(mode),
        hz=words.hz_text(mode),
        q=f"{mode.q:.0f}" if math.isfinite(mode.q) else "",
        level=f"{mode.level_db:+z.1f}" if mode.level_db > 0 else f"{mode.level_db:z.1f}",
        taps=f"{mode.taps}/{stage.taps_used}",
        played=words.playing_text(mode, stage),
    )


def mode_rows(stage: Stage, steady_cents: float, history: History | None = None) -> list[ModeRow]:
    """Return a row for each mode of a stage, from strong to faint, the one that leads in front.

    Without a history nothing is said of moves.
    """
    lead, drifts = leading(stage), drifts_into(history, stage) if history else {}
    modes = sorted(stage.modes, key=lambda m: (m is not lead, -m.level_db))
    return [mode_row(stage, mode, drifts.get(mode.mode), steady_cents) for mode in modes]


def lead_row(history: History, stage: Stage, steady_cents: float) -> ModeRow | None:
    """Return the row of the mode that leads at a stage, ``None`` where none was measured."""
    return next(iter(mode_rows(stage, steady_cents, history)), None)
