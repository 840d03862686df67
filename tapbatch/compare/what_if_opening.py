"""What if the opening were another: as it is now, as it will be, and what the model of the box says of it.

Conventions: an opening is a :class:`~tapbatch.box.growth.Hole`, in millimetres. Where the settings have an
``[[opening]]``, it has their shape; otherwise it is round, or an oval if the notes have a width. The one to come
keeps the edge and the number of the one now. Effects are in cents from today's reading. They are the difference
between where the model puts the mode, which all readings of the box tell together, and today's reading, so the error
of that reading is in them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from tapbatch.box.air import speed_of_sound_m_s
from tapbatch.box.growth import Hole
from tapbatch.box.known import MOST_TIMES, KnownBox
from tapbatch.compare.box_known import hole_at
from tapbatch.compare.box_told import size_of_hole
from tapbatch.compare.spread import Floats, Spread
from tapbatch.compare.step_pooled import gathered
from tapbatch.model.history import Stage
from tapbatch.model.opening import Size
from tapbatch.model.pitch import CENTS
from tapbatch.model.settings import InstrumentSettings
from tapbatch.model.what_if import Asked

_LEAST_VARIANCE = 1e-6
_A_KELVIN = 1.0
_SHARES = np.linspace(0.025, 0.975, 20)


def opening_now(stages: Sequence[Stage], settings: InstrumentSettings) -> Hole | None:
    """Return the opening at the latest of some stages; ``None`` if it is not known.

    Examples
    --------
    >>> from tapbatch.model.history import Note
    >>> note = Note(instrument="c", stage="s", opening_mm2=1256.64)
    >>> stage = Stage(part="body", state="closed", stage="s", stage_shown="s", order=1, concert_pitch_hz=440.0,
    ...               heard=(), modes=(), decays=(), note=note)
    >>> round(opening_now([stage], InstrumentSettings()).length_mm, 2)
    40.0
    """
    latest = stages[-1]
    if settings.opening:
        alike = [s for s in stages if s.state == latest.state]
        return hole_at(latest, alike, settings)
    note = latest.note
    if note is None:
        return None
    edge = note.opening_edge_mm or 0.0
    if note.opening_length_mm is not None:
        if note.opening_width_mm:
            return Hole("oval", note.opening_length_mm, note.opening_width_mm, edge)
        return Hole("round", note.opening_length_mm, 0.0, edge)
    return Hole("round", 2.0 * math.sqrt(note.opening_mm2 / math.pi), 0.0, edge) if note.opening_mm2 else None


def opening_then(now: Hole | None, asked: Asked) -> Hole | None:
    """Return the opening as it will be; ``None`` if nothing is asked of it.

    Examples
    --------
    >>> opening_then(Hole("round", 82.0, edge_mm=2.5), Asked(hole_mm=84.0))
    Hole(shape='round', length_mm=84.0, width_mm=0.0, edge_mm=2.5, count=1, lengthens=0.5, widens=0.5)
    """
    edge, count = (now.edge_mm, now.count) if now else (0.0, 1)
    if asked.hole_mm is not None:
        return Hole("round", asked.hole_mm, 0.0, edge, count)
    if asked.slot_mm is not None:
        width, length = asked.slot_mm
        return Hole(now.shape if now and now.shape != "round" else "slot", length, width, edge, count)
    return None


def size_of(hole: Hole | None) -> Size | None:
    """Return the size of an opening, as :func:`~tapbatch.compare.box_told.size_of_hole`; ``None`` if not known."""
    return size_of_hole(hole) if hole else None


def is_within(box: KnownBox, then: Hole) -> bool:
    """Return whether the model of the box may speak of an opening: it is neither much larger nor smaller than now."""
    return 1.0 / MOST_TIMES <= then.area_mm2 / box.hole.area_mm2 <= MOST_TIMES


def by_box(box: KnownBox, mode: str, freq_hz: float, then: Hole) -> Spread:
    """Return where a mode of the box comes to rest with an opening, in cents from its reading."""
    logs = box.paths([then])[:, 0, box.modes.index(mode)]
    cents = CENTS * (logs - math.log(freq_hz))
    return gathered(cents, np.full(len(cents), _LEAST_VARIANCE), np.full(len(cents), 1.0 / len(cents)))


def air_shares(box: KnownBox, mode: str) -> Floats:
    """Return equally likely values of the share that air has in a mode of the box, 0 to 1."""
    warm = box.paths([box.hole], box.temperature_c + _A_KELVIN)[:, 0, box.modes.index(mode)]
    logs = warm - box.paths([box.hole])[:, 0, box.modes.index(mode)]
    cold, hot = (speed_of_sound_m_s(box.temperature_c + k, box.humidity_pct) for k in (0.0, _A_KELVIN))
    return np.asarray(np.clip(np.quantile(logs / math.log(hot / cold), _SHARES), 0.0, 1.0))
