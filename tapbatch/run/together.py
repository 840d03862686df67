"""Let the recordings of a stage decide together, from their kept readings and taps.

Conventions: only a place with several tap recordings that were measured is asked. A recording of which nothing is
kept (gone since an older version, or its kept taps are damaged) is not asked, and a notice says so. If the recording
is there, a run measures it again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from tapbatch.measure.kept_taps import KeptTaps
from tapbatch.measure.method import METHOD
from tapbatch.model.history import Heard
from tapbatch.model.notice import Notice
from tapbatch.model.reading import Recording
from tapbatch.results.store import ReadingStore


class Together:
    """A :data:`tapbatch.compare.history.Together` that takes kept taps from a store.

    Parameters
    ----------
    store
        The readings.
    keys
        The key of the reading of each recording, by path.

    Attributes
    ----------
    lacking
        Keys of the recordings that were not asked although they are there and were measured by this version.
    """

    def __init__(self, store: ReadingStore, keys: Mapping[str, str]) -> None:
        self._store = store
        self._keys = keys
        self.lacking: list[str] = []

    def taps_of(self, recording: Recording) -> KeptTaps | None:
        """Return what is kept of the taps of a recording (a :data:`tapbatch.compare.absence.KeptOf`)."""
        return self._store.taps(self._keys[recording.path])

    def __call__(self, heard: Sequence[Heard]) -> list[Heard]:
        """Return the recordings of one place, with the modes that all of them show together."""
        result = list(heard)
        asked = [n for n, h in enumerate(heard) if h.recording.kind == "tap" and h.reading.used_taps]
        if len(asked) < 2:
            return result
        from tapbatch.measure.all_recordings import decided_together

        kept = [self.taps_of(heard[n].recording) for n in asked]
        readings = decided_together([heard[n].reading for n in asked], kept)
        for n, taps, reading in zip(asked, kept, readings, strict=True):
            left_out = (Notice("not asked"),) if taps is None else ()
            if taps is None and not heard[n].missing and reading.method == METHOD:
                self.lacking.append(self._keys[heard[n].recording.path])
            if left_out or reading is not heard[n].reading:
                result[n] = replace(heard[n], reading=replace(reading, notices=(*reading.notices, *left_out)))
        return result
