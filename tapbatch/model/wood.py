"""What is known of the wood of a blank, as values.

Conventions: moduli in gigapascals, densities in kilograms per cubic metre, stiffness per width in newton metres,
loss factors without unit. ``low`` and ``high`` bound a 95 % interval. What cannot be known is ``None``, and a reason
says why.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from tapbatch.model.reading import Aim

Shape = Literal["plate", "strip"]
Size = Literal["length_mm", "width_mm", "thickness_mm", "mass_g"]
Refusal = Literal["size", "uneven", "thin", "density", "few modes", "grain", "misfit"]

AIMED: dict[Aim, tuple[int, int]] = {"along": (2, 0), "across": (0, 2), "twist": (1, 1)}
"""The mode that each word aims at: nodal lines across the length, and across the width."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A value and the bounds of its 95 % interval."""

    value: float
    low: float
    high: float

    @property
    def half_pct(self) -> float:
        """Half the interval, in per cent of the value."""
        return 50.0 * (self.high - self.low) / self.value


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedMode:
    """A mode that was heard and named: its name in the tables, its frequency, and its nodal lines."""

    mode: str
    freq_hz: float
    name: tuple[int, int]

    @property
    def aim(self) -> Aim | None:
        """Which of the modes that recordings aim at it is: along, across, or twist; ``None`` for all others.

        Examples
        --------
        >>> NamedMode(mode="r2", freq_hz=69.7, name=(2, 0)).aim
        'along'
        """
        return next((aim for aim, name in AIMED.items() if name == self.name), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """Where to stop planing for a target: told from the thick end.

    ``wanted`` says the target in words (``on A1``, ``as stiff as board-05``); ``target`` and ``now`` are in ``unit``,
    and ``target`` is ``None`` if the stiffness of the other board is not known.
    ``stop_mm`` is where to stop and tap: only one time in forty is the board already past the target there,
    or more often if that is today's thickness.
    ``likely_mm`` is where it will probably be reached, and ``thinnest_mm`` where it is, thirty-nine times out of
    forty. ``past`` is the chance that the board is past the target at ``stop_mm``. All four are ``None`` if planing
    does not lead there: the board is there or past it already, or would need less than half of today's thickness.
    """

    aim: Aim
    wanted: str
    unit: Literal["Hz", "N m"]
    target: float | None
    now: float
    stop_mm: float | None = None
    likely_mm: float | None = None
    thinnest_mm: float | None = None
    past: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WoodFigures:
    """What the taps of a blank tell of its wood.

    Attributes
    ----------
    spread_mm
        The error of ``thickness_mm`` without that of the caliper, by how much the readings differ; ``None`` without.
    density_kg_m3, ...
        Each figure with its interval, or ``None`` if the taps do not tell it.
    modes
        The modes that were used, by frequency.
    constants
        E along, E across, G, nu_LR, G_LT and G_RT as they were fitted (GPa, nu without unit), for drawing and
        predicting; empty if there are none. Not all of them are told.
    refused
        Why there are no figures at all, empty where there are.
    missing
        Sizes that are not noted; ``refused`` is then ``size``.
    detail
        A number that belongs to the reason: the range of the thicknesses in per cent, the density, the misfit.
    to_record
        Words of recordings that would tell what is missing.
    flags
        ``open`` if another naming of the modes does nearly as well, ``caliper`` if there is one thickness only,
        ``misfit`` if the modes scatter more than those of an even board.
    stops
        Where to stop planing for the targets in the settings.
    """

    shape: Shape
    length_mm: float | None = None
    width_mm: float | None = None
    thickness_mm: float | None = None
    spread_mm: float | None = None
    mass_g: float | None = None
    density_kg_m3: Figure | None = None
    e_along_gpa: Figure | None = None
    e_across_gpa: Figure | None = None
    g_gpa: Figure | None = None
    speed_along_m_s: Figure | None = None
    radiation_m4_kg_s: Figure | None = None
    stiffness_along_n_m: Figure | None = None
    stiffness_across_n_m: Figure | None = None
    loss_along: Figure | None = None
    loss_across: Figure | None = None
    loss_twist: Figure | None = None
    modes: tuple[NamedMode, ...] = ()
    constants: tuple[float, ...] = ()
    refused: Refusal | Literal[""] = ""
    missing: tuple[Size, ...] = ()
    detail: float | None = None
    to_record: tuple[Aim, ...] = ()
    flags: tuple[str, ...] = ()
    stops: tuple[Stop, ...] = ()

    def aim_of(self, mode: str) -> Aim | None:
        """Return which mode of the board one of its modes is, by its name in the tables; ``None`` for all others.

        Examples
        --------
        >>> figures = WoodFigures(shape="plate", modes=(NamedMode(mode="r2", freq_hz=69.7, name=(2, 0)),))
        >>> figures.aim_of("r2"), figures.aim_of("r3")
        ('along', None)
        """
        return next((each.aim for each in self.modes if each.mode == mode), None)
