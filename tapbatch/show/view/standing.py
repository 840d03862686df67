"""Where an instrument stands, in one sentence, or that no mode could be read, and what to do then."""

from __future__ import annotations

from collections import Counter

from tapbatch.model.history import History, Stage
from tapbatch.show.say import words
from tapbatch.show.view.stages import differed_text, drifts_into, leading

NOTHING_READ = "No mode could be read"
WHAT_TO_DO = "Tap louder or closer, with the strings damped, in a quieter room; the level must not reach the top."


def turned_down(stage: Stage) -> Counter[str]:
    """Return the reasons why transients of a stage were not used as taps, each with its count."""
    return Counter(t.tap.reason for h in stage.heard for t in h.reading.taps if not t.tap.used)


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
