"""Where the instruments of one family stood: what one of them shows the others.

Conventions: frequencies in Hz; ``half_cents`` is the half-width of a 95 % interval in cents. Once stages were
compared it is that of what a mode would read set up anew, before that as the instrument lies.
"""

from __future__ import annotations

from dataclasses import dataclass

from tapbatch.model.pitch import Spelling


@dataclass(frozen=True, slots=True)
class KinMode:
    """A mode of an instrument at a stage: its label or identity, frequency and half-width of its interval.

    ``setups`` is the number of set-ups in which it was recorded, 1 or more.
    """

    mode: str
    freq_hz: float
    half_cents: float
    setups: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class KinStage:
    """A stage of an instrument that has a family.

    ``same`` is what the same stage is called on all instruments of the family. ``when`` is the moment at which it was
    recorded, in ISO 8601, empty if that is not known. ``opening_mm2`` is the opening that was noted, or ``None``.
    """

    instrument: str
    instrument_shown: str
    family: str
    part: str
    state: str
    same: str
    stage_shown: str
    when: str
    opening_mm2: float | None
    modes: tuple[KinMode, ...]


@dataclass(frozen=True, slots=True)
class KinReading:
    """Where a mode lies on one instrument, and how far from the present one; that is ``None`` on the present one."""

    freq_hz: float
    half_cents: float
    apart_cents: float | None = None
    apart_half_cents: float | None = None


@dataclass(frozen=True, slots=True)
class KinRow:
    """A mode beside itself on the other instruments; a reading is ``None`` where it was not heard.

    ``by_note`` tells that nearness of note alone makes it the same.
    """

    mode: str
    readings: tuple[KinReading | None, ...]
    by_note: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SideBySide:
    """The instruments of a family at the same stage of one part.

    ``stages`` are in the order in which they were recorded, the one at ``present`` that of the instrument asked
    about; each row has a reading for each. Rows run from low to high. Notes are those of the present stage, at its
    concert pitch and in its spelling.
    """

    part: str
    state: str
    concert_pitch_hz: float
    spelling: Spelling
    stages: tuple[KinStage, ...]
    present: int
    rows: tuple[KinRow, ...]
