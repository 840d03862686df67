"""The lines of charts, read when they are drawn: the spectrum and the trace of the recordings that stand for a stage.

Conventions: spectra and traces are two thirds of what is kept of a recording. Only charts need them, and of one
recording a stage. The lines of thousands of recordings would fill the memory, and nobody would draw them. So the
readings of a history come without lines, and :class:`KeptLines` reads those of a stage when it is drawn.
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
        Where the readings are kept.
    keys
        Of each recording, by path, the key of its reading.
    """

    def __init__(self, store: ReadingStore, keys: Mapping[str, str]) -> None:
        self._store = store
        self._keys = keys

    def __call__(self, stage: Stage) -> Stage:
        """Return a stage in which the recordings that stand for it have their lines.

        For the spectrum and for the trace that is, of the tap recordings that have one, that with the most taps. A
        reading that cannot be read any more has none.
        """
        heard = list(stage.heard)
        # Sorting keeps the order of those with as many taps, so the first is found that a search of all would find.
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
