"""Where an instrument stands, in one sentence: the note that leads at a stage, how sure, and whether it moved."""

from __future__ import annotations

from tapbatch.model.history import History, Stage
from tapbatch.show.say import words
from tapbatch.show.view.drifts import differed_text, drifts_into
from tapbatch.show.view.silence import NOTHING_READ
from tapbatch.show.view.stages import leading


def standing_text(history: History, stage: Stage) -> str:
    """Say which note leads at a stage, how sure, what limits it, and whether it moved; or that none could be read."""
    said = ", ".join(word for word in (history.instrument_shown, stage.part, stage.stage_shown) if word)
    lead = leading(stage)
    if lead is None:
        return f"{said}: {NOTHING_READ.lower()}"
    played = words.playing_text(lead, stage)
    flags = ", ".join(dict.fromkeys((*lead.flags, *stage.flags)))
    drift = drifts_into(history, stage).get(lead.mode)
    moved = f", {words.moved_text(drift)}" if drift else ""
    more = words.more_taps_text(drift) if drift else ""
    asides = [f"played: {played}" if played else "", flags]
    said += f": {words.note_text(lead)} {words.sure_text(lead)}" + "".join(f" ({aside})" for aside in asides if aside)
    said += moved + (f", {more}" if more else "")
    return f"{said} ({differed_text(drift)})" if differed_text(drift) else said
