"""What if: what a maker asks about, and what would come of it, as values.

Conventions: what is asked is what will be afterwards, in what a maker measures: the opening and the thickness in
millimetres, what comes off in grams, the pitch of the strings as their A4 in hertz, temperatures in degrees Celsius.
Effects are in cents, upwards positive, with their 95 % interval. What cannot be said is ``None`` and has a reason.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from tapbatch.model.opening import Size
from tapbatch.model.pitch import Spelling
from tapbatch.model.wood import Figure

if TYPE_CHECKING:
    # A history holds slides.
    from tapbatch.model.history import Extent

What = Literal["opening", "thickness", "grams", "pitch", "temperature"]

Unknown = Literal[
    "opening not noted", "thickness not noted", "temperature not noted", "pitch not noted", "not strung", "strung",
    "fault", "few steps", "points", "both ways", "beyond", "box", "wood", "too thin", "not aimed", "string",
]  # fmt: skip
"""Why nothing can be said of a mode: :mod:`tapbatch.compare.what_if` has the rules."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What will be afterwards; ``None`` for all that stays.

    ``hole_mm`` is the diameter of a round opening, ``slot_mm`` the width and length of a slot or oval.
    """

    hole_mm: float | None = None
    slot_mm: tuple[float, float] | None = None
    thickness_mm: float | None = None
    take_off_g: float | None = None
    pitch_hz: float | None = None
    temperature_c: float | None = None

    @property
    def is_anything(self) -> bool:
        """Whether anything is asked.

        Examples
        --------
        >>> Asked().is_anything, Asked(hole_mm=84.0).is_anything
        (False, True)
        """
        return self != Asked()


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing that will be otherwise: its value now, ``None`` where that is not noted, and afterwards.

    ``before`` and ``after`` are square millimetres for an opening, millimetres for a thickness, grams of mass, hertz,
    or degrees Celsius. ``taken_g`` is what comes off. Of an opening, ``size_before`` and ``size_after`` say how large
    one is, and ``count`` how many alike there are.
    """

    what: What
    before: float | None
    after: float | None
    taken_g: float | None = None
    size_before: Size | None = None
    size_after: Size | None = None
    count: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """What one change does to one mode: how far it moves, or why nobody can say.

    ``seen`` is how many steps here it rests on, or how many there are where they are too few; ``instruments`` counts
    the earlier instruments that it rests on, whose kind is ``family``. ``by_box`` says that it rests on the model of
    the box instead; if the steps surely say otherwise, ``against`` is what they say, and ``extent`` holds both.
    """

    what: What
    extent: Extent | None = None
    unknown: Unknown | Literal[""] = ""
    seen: int = 0
    instruments: int = 0
    family: str = ""
    by_box: bool = False
    against: Extent | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Aim:
    """A target of a mode, and how far the mode would lie above it (negative below), with the interval."""

    note: str
    freq_hz: float
    left: Extent


@dataclass(frozen=True, slots=True, kw_only=True)
class Rest:
    """Where one mode would come to rest, all changes together.

    ``moved`` is from today's reading, and its interval holds the error of that reading; ``None`` if one of the
    ``effects`` is not known. ``aims`` are the targets of the mode, and ``aimed`` is which mode of a blank it is.
    """

    mode: str
    freq_hz: float
    worked_on: bool
    effects: tuple[Effect, ...]
    moved: Extent | None = None
    aims: tuple[Aim, ...] = ()
    aimed: str = ""

    @property
    def then_hz(self) -> float | None:
        """Where it would come to rest, in hertz; ``None`` where nobody can say."""
        return None if self.moved is None else self.freq_hz * 2.0 ** (self.moved.cents / 1200.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """What another pitch does to the pull of the strings: in per cent of that at the pitch before, and in newtons.

    ``None`` where it is not known: the pitch before, or what the strings weigh.
    """

    more_pct: float | None
    before_n: float | None = None
    after_n: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """A planed board: its mass and its stiffness per width."""

    mass_g: float
    along_n_m: Figure | None
    across_n_m: Figure | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """What the model of a box rests on: how many openings were read, taps with it covered, and its volume."""

    openings: int
    covered: int = 0
    volume_l: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What would come of it: the part and its latest stage, what changes, and where each mode would come to rest.

    Notes are those of ``concert_pitch_hz``. ``rests`` has the modes worked on first.
    """

    instrument_shown: str
    part: str
    stage_shown: str
    state: str
    concert_pitch_hz: float
    spelling: Spelling
    changes: tuple[Change, ...]
    rests: tuple[Rest, ...]
    load: Load | None = None
    board: Board | None = None
    box: Box | None = None

    @property
    def unknown(self) -> tuple[Effect, ...]:
        """One effect of each change of which nobody can say for any mode what it does."""
        found = []
        for n, _ in enumerate(self.changes):
            effects = [rest.effects[n] for rest in self.rests]
            if effects and all(effect.unknown == effects[0].unknown != "" for effect in effects):
                found.append(max(effects, key=lambda effect: effect.seen))
        return tuple(found)

    @property
    def is_cut(self) -> bool:
        """Whether wood comes off."""
        return any(change.what in ("opening", "thickness", "grams") for change in self.changes)


@dataclass(frozen=True, slots=True, kw_only=True)
class SlideLine:
    """One mode over the openings to come.

    ``places_hz`` gives for each opening where it would come to rest, with the ends of its 95 % interval (low, middle,
    high), or ``None`` where nobody can say. ``stages`` are the openings so far, each as the slide tells them, with
    its reading in hertz. ``aims`` are the targets, each with its note. ``effect`` says what the last place that is
    known rests on, or why there is none.
    """

    mode: str
    worked_on: bool
    freq_hz: float
    places_hz: tuple[tuple[float, float, float] | None, ...]
    stages: tuple[tuple[float, float], ...]
    aims: tuple[tuple[str, float], ...]
    effect: Effect

    @property
    def is_drawn(self) -> bool:
        """Whether it has a line in the drawing: something is known, and it is worked on or has a target."""
        return any(self.places_hz) and (self.worked_on or bool(self.aims))


@dataclass(frozen=True, slots=True, kw_only=True)
class Slide:
    """What a wider opening would do, for many openings: the first of ``openings`` is as it is now.

    They are round, or of one other shape.
    """

    part: str
    stage: str
    stage_shown: str
    concert_pitch_hz: float
    spelling: Spelling
    openings: tuple[Size, ...]
    lines: tuple[SlideLine, ...]
    box: Box | None = None

    @property
    def is_round(self) -> bool:
        """Whether openings are told by their diameter; otherwise by their area."""
        return not self.openings[0].width_mm

    @property
    def extents(self) -> tuple[float, ...]:
        """How large each opening is: millimetres across if they are round, square millimetres otherwise."""
        return tuple(size.length_mm if self.is_round else size.area_mm2 for size in self.openings)
