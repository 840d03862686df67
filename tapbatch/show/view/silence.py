"""What is said where no mode could be read: what to do, and why transients were not used as taps."""

from __future__ import annotations

from collections import Counter

from tapbatch.model.history import Stage

NOTHING_READ = "No mode could be read"
WHAT_TO_DO = "Tap louder or closer, with the strings damped, in a quieter room; the level must not reach the top."


def turned_down(stage: Stage) -> Counter[str]:
    """Return why transients of a stage were not used as taps, with how many there were of each kind."""
    return Counter(t.tap.reason for h in stage.heard for t in h.reading.taps if not t.tap.used)
