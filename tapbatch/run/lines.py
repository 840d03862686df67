"""Read the lines of a chart when it is drawn: spectrum and trace of the recordings that represent a stage.

Conventions: spectra and traces are two thirds of a reading. Only charts need them, and only for one recording of each
stage; the lines of thousands of recordings would fill the memory. So the readings of a history have no lines, and
:class:`KeptLines` reads those of a stage when it is drawn.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Literal

from tapbatch.model.history import Heard, Stage
from tapbatch.model.reading import Reading
from tapbatch.results.store import ReadingStore


def without_lines(reading: Reading) -> Reading:
    """Return a reading without its spectrum and its trace."""
    return replace(reading, spectrum=None, trace=None)


class KeptLines:
    """Gives stages their lines from a store (a :data:`tapbatch.show.view.stages.Lined`).

    Parameters
    ----------
    store
        The readings.
    keys
        The key of the reading of each recording, by path.
    """

    def __init__(self, store: ReadingStore, keys: Mapping[str, str]) -> None:
        self._store = store
        self._keys = keys

    def __call__(self, stage: Stage) -> Stage:
        """Return a stage in which the recordings that represent it have their lines.

        For the spectrum, and likewise for the trace, that is the recording with the most used taps among the tap
        recordings that have one. A reading that can no longer be read has none.
        """
        heard = list(stage.heard)
        # Sorting is stable: of recordings with equally many taps, the first is taken.
        order = sorted(range(len(heard)), key=lambda n: -len(heard[n].reading.used_taps))
        taps = [n for n in order if heard[n].recording.kind == "tap"]
        self._fill(heard, taps, "spectrum")
        self._fill(heard, taps, "trace")
        return replace(stage, heard=tuple(heard))

    def _fill(self, heard: list[Heard], order: Sequence[int], name: Literal["spectrum", "trace"]) -> None:
        for n in order:
            kept = self._store.get(self._keys[heard[n].recording.path])
            line = getattr(kept, name, None)
            if line is not None:
                heard[n] = replace(heard[n], reading=replace(heard[n].reading, **{name: line}))
                return
