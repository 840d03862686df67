"""What was noticed beside the numbers: of the recordings, of the instrument, and where no mode could be read."""

from __future__ import annotations

from collections import Counter

from tapbatch.model.history import Heard, History, Stage
from tapbatch.show.say import words

NOTHING_READ = "No mode could be read"
WHAT_TO_DO = "Tap louder or closer, with the strings damped, in a quieter room; the level must not reach the top."


def notices_of(heard: Heard) -> tuple[str, ...]:
    """Return what was noticed of a recording, each once; that it is gone comes first."""
    return tuple(dict.fromkeys(("missing", *heard.reading.notices) if heard.missing else heard.reading.notices))


def noticed(history: History, stage: Stage | None) -> list[str]:
    """Say what was noticed of an instrument, and of the recordings of a stage of it."""
    told = [*history.notices]
    for heard in stage.heard if stage else ():
        told += [f"{words.explain(notice)} ({heard.recording.path})" for notice in notices_of(heard)]
    return told


def turned_down(stage: Stage) -> Counter[str]:
    """Return why transients of a stage were not used as taps, with how many there were of each kind."""
    return Counter(t.tap.reason for h in stage.heard for t in h.reading.taps if not t.tap.used)
