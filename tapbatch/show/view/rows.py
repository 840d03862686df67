"""The modes of a stage in the order in which all faces show them, each with what its stage and drift say of it."""

from __future__ import annotations

from dataclasses import dataclass

from tapbatch.model.history import Drift, History, Stage, StageMode
from tapbatch.show.say import words
from tapbatch.show.view.stages import drifts_into, leading


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeRow:
    """A mode, how it moved, and the words for which the mode alone is not enough; a text is empty if not known."""

    mode: StageMode
    drift: Drift | None
    trust: words.Sureness
    moved: str
    taps: str
    played: str

    @property
    def unsure(self) -> bool:
        """Whether the reading is too doubtful to stand beside the others as if it were sure."""
        return self.trust == "unsure"


def mode_rows(stage: Stage, steady_cents: float, history: History | None = None) -> list[ModeRow]:
    """Return a row for each mode of a stage, from strong to faint, the one that leads in front.

    Parameters
    ----------
    stage, history
        A stage, and the instrument's history, without which nothing is said of moves.
    steady_cents
        The width in cents within which a pitch counts as sure.
    """
    lead, drifts = leading(stage), drifts_into(history, stage) if history else {}
    return [
        ModeRow(
            mode=mode,
            drift=(drift := drifts.get(mode.mode)),
            trust=words.how_sure(mode, steady_cents),
            moved=words.moved_cell(drift) if drift else "",
            taps=f"{mode.taps}/{stage.taps_used}",
            played=words.playing_text(mode, stage),
        )
        for mode in sorted(stage.modes, key=lambda m: (m is not lead, -m.level_db))
    ]


def lead_row(history: History, stage: Stage, steady_cents: float) -> ModeRow | None:
    """Return the row of the mode that leads at a stage, ``None`` where none was measured."""
    return next(iter(mode_rows(stage, steady_cents, history)), None)
