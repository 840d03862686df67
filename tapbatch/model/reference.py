"""What was never cut, as values: the taps of a reference at one sitting, by which air and phone are told from wood.

Conventions: frequencies are in cents, as :mod:`tapbatch.compare.tap_sets` makes them; days are ISO 8601 dates as
noted or as the recorder wrote them, times are without a zone. What a tap does not tell is ``None``.
"""

from __future__ import annotations

from dataclasses import dataclass

Rows = tuple[tuple[float | None, ...], ...]


@dataclass(frozen=True, slots=True)
class SittingTaps:
    """The taps of one recording of a sitting, at one point.

    ``values`` and ``variances`` have a row for each tap and a column for each mode of the sitting. ``room`` is the
    standard deviation that the room adds to each mode, empty where none is heard.
    """

    values: Rows
    variances: Rows
    levels_db: tuple[float, ...]
    point: str = ""
    spot: str = ""
    room: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Sitting:
    """The taps of a reference in one set-up, on one day; ``at`` is when the first was recorded, where known.

    ``method`` is the version that measured them.
    """

    instrument: str
    instrument_shown: str
    part: str
    state: str
    method: str
    day: str
    at: str
    modes: tuple[str, ...]
    taps: tuple[SittingTaps, ...]
