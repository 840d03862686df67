"""How to give a mode a label, for a part in which none has one yet.

Conventions: the mode that moved most on the way to the stage is offered, since it answers to the work; where nothing
is known to have moved, the mode that leads. The lines are those of the instrument's settings, ready to be copied; the
name is the maker's to choose.
"""

from __future__ import annotations

from dataclasses import dataclass

from tapbatch.model.history import TOLD_TO_MOVE, History, Stage
from tapbatch.model.names import identity, is_label
from tapbatch.model.settings import InstrumentSettings
from tapbatch.show.say import moves
from tapbatch.show.view.stages import drifts_into

_NOT_OF_THE_WOOD = {"hum", "string"}


@dataclass(frozen=True, slots=True)
class Offer:
    """A mode that could have a label: why it is offered, and the lines to write."""

    told: str
    lines: tuple[str, ...]


def offer_of(history: History, stage: Stage, settings: InstrumentSettings) -> Offer | None:
    """Return how to label a mode of a stage; ``None`` if its part has a label, is a board, or no mode was heard.

    The targets of a board name its modes by ``along``, ``across`` and ``twist``, so it needs no label.

    Examples
    --------
    >>> stage = Stage(part="body", state="", stage="s", stage_shown="s", order=1, concert_pitch_hz=440.0,
    ...               heard=(), modes=(), decays=())
    >>> history = History(instrument="cittern-07", instrument_shown="Cittern-07", stages=(stage,), drifts=())
    >>> offer_of(history, stage, InstrumentSettings())
    """
    if stage.wood is not None:
        return None
    named = any(is_label(mode.mode) for s in history.of_part(stage.part) for mode in s.modes)
    if named or any(identity(m.part) == stage.part for m in settings.mode):
        return None
    moved = {n: d for n, d in drifts_into(history, stage).items() if d.verdict in TOLD_TO_MOVE and d.extent}
    heard = [m for m in stage.modes if not _NOT_OF_THE_WOOD & set(m.flags)]
    far = {m.mode: abs(moved[m.mode].extent.cents) for m in heard if m.mode in moved}  # type: ignore[union-attr]
    mode = max((m for m in heard if m.mode in far), key=lambda m: far[m.mode], default=stage.lead)
    if mode is None:
        return None
    if mode.mode in far:
        why = f"{mode.mode} moved most: {moves.moved_cell(moved[mode.mode])}."
    else:
        why = f"{mode.mode} is the strongest."
    of_part = [] if stage.part in ("", "body") else [f'part = "{stage.part}"']
    return Offer(
        told=f"{why} To have it first, give it a name in instruments/{history.instrument}.toml:",
        lines=("[[mode]]", 'label = "your name for it"', f"near_hz = {mode.freq_hz:.1f}", *of_part),
    )
