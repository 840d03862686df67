"""What is told of a box and its opening, as values: the opening that a landing needs, and the box itself.

Conventions: lengths in millimetres, areas in square millimetres, frequencies in hertz; intervals hold nineteen
times in twenty. An opening is several alike if there are several; areas are those of all together, sizes those of
one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Shape = Literal["round", "oval", "slot"]

WhyNoBox = Literal["opening", "air", "order", "held", "sizes", "little"]
"""Why nothing is told of a box whose openings are in the settings.

``air``: no mode of kind air is labelled, or several are. ``order``: the labelled modes change places. ``held``: the
latest stage is not that of a closed box without tension. ``sizes``: the opening at the latest stage is not known.
``little``: there are neither two openings, nor a volume, nor a covered tap. ``opening``: none is in the settings.
"""


@dataclass(frozen=True, slots=True)
class Size:
    """One opening: of a round one the diameter is the length, and the width is 0."""

    length_mm: float
    width_mm: float
    area_mm2: float


@dataclass(frozen=True, slots=True)
class Beside:
    """What another mode does if the opening is made as a landing needs it, in cents from where it is now."""

    mode: str
    cents: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OpeningNeeded:
    """The opening that brings a mode to a landing, told by the physics of the box.

    ``now`` is the opening at the latest stage, ``stop`` the smallest that may do, ``likely`` the median and
    ``most`` the largest that may be needed; ``None`` where it lies beyond four times, or a quarter, of the present
    area. ``out_of_reach`` tells that no opening gets there, and ``reach`` is the chance that one does.
    ``meanwhile`` is what the other modes do with the likely one.
    """

    shape: Shape
    count: int
    now: Size
    stop: Size | None = None
    likely: Size | None = None
    most: Size | None = None
    out_of_reach: bool = False
    reach: float = 1.0
    meanwhile: tuple[Beside, ...] = ()


@dataclass(frozen=True, slots=True)
class Within:
    """A figure with the bounds of its interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BoxTold:
    """What is known of the box of a part: the air alone, the top alone, and how far an opening can take the air.

    ``stages`` counts the stages whose openings it rests on, ``covered`` the taps with the opening shut, and
    ``volume_l`` is that of the settings. ``why_not`` is why nothing is told; the figures are ``None`` then.
    """

    part: str
    stage: str
    why_not: WhyNoBox | Literal[""] = ""
    air_hz: Within | None = None
    top_hz: Within | None = None
    covered_hz: Within | None = None
    stages: int = 0
    covered: int = 0
    volume_l: float | None = None
