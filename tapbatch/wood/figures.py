"""The figures of a board, each with its interval, or the reason why there is none.

Conventions: a figure is a product of powers of the unknowns of a fit, so its logarithm is a sum of theirs and its
interval follows from their covariance. ``c/rho`` goes with ``E^.5 rho^-1.5`` and stiffness per width with ``E h^3``:
in both the thickness almost cancels against what a fit with a wrong thickness would find for E.

A figure is told if its interval reaches at most :data:`WIDEST` to either side. Where another naming of the modes does
nearly as well, only figures on which the namings agree are told.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import astuple, dataclass, replace
from functools import lru_cache

import numpy as np

from tapbatch.model.reading import Aim
from tapbatch.model.wood import AIMED, Figure, NamedMode, Refusal, Shape, Size, WoodFigures
from tapbatch.wood.board import AIR_KG_M3, Floats, Name
from tapbatch.wood.fit import E_ACROSS, E_ALONG, LENGTH, MASS, THICKNESS, WIDTH, Z_95, Fit, G, Readings, Tone
from tapbatch.wood.loss import Losses, fit_losses
from tapbatch.wood.naming import CLEARLY_WORSE, MOST_TONES, Naming, name_modes
from tapbatch.wood.priors import spread_mm

WIDEST = 0.25
"""Half of an interval, as a part of the value, beyond which a figure is not told."""

STRIP = 0.2
"""Width over length below which a board is a strip: its modes do not tell the stiffness across."""

UNEVEN_PCT = 12.0
"""Range of the thicknesses, in per cent of their mean, beyond which a board counts as wedged or arched."""

LONGEST = 2000.0
"""Longer side over thickness beyond which nothing is told: from about 10 000 on, rounding errors reach the modes."""

DENSITY_KG_M3 = (80.0, 1400.0)
"""From balsa to the heaviest woods; beyond, a size or the mass is wrong."""

MISFIT = 3.0
"""Scatter about the model, as a multiple of that of even boards, beyond which nothing is told."""

_MUCH = 1.5  # the same, beyond which the flag ``misfit`` stands


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizes:
    """What was noted of a blank; ``None`` and empty where nothing was."""

    length_mm: float | None = None
    width_mm: float | None = None
    thickness_mm: tuple[float, ...] = ()
    mass_g: float | None = None


@dataclass(frozen=True, slots=True)
class _Powers:
    """A figure: the powers of the unknowns, and a factor."""

    of: Mapping[int, float]
    factor: float = 1.0


_DENSITY = {MASS: 1.0, LENGTH: -1.0, WIDTH: -1.0, THICKNESS: -1.0}


def _with_density(power: float) -> dict[int, float]:
    return {k: power * v for k, v in _DENSITY.items()}


# Density in kg/m3 is 1e6 g/mm3; moduli are in GPa.
_FIGURES: dict[str, _Powers] = {
    "density_kg_m3": _Powers(_DENSITY, 1e6),
    "e_along_gpa": _Powers({E_ALONG: 1.0}),
    "e_across_gpa": _Powers({E_ACROSS: 1.0}),
    "g_gpa": _Powers({G: 1.0}),
    "speed_along_m_s": _Powers({E_ALONG: 0.5, **_with_density(-0.5)}, math.sqrt(1e3)),
    "radiation_m4_kg_s": _Powers({E_ALONG: 0.5, **_with_density(-1.5)}, math.sqrt(1e9) / 1e9),
    "stiffness_along_n_m": _Powers({E_ALONG: 1.0, THICKNESS: 3.0}, 1.0 / 12.0),
    "stiffness_across_n_m": _Powers({E_ACROSS: 1.0, THICKNESS: 3.0}, 1.0 / 12.0),
}
_ACROSS = ("e_across_gpa", "stiffness_across_n_m")
_TOLD_BY: dict[Aim, str] = {"along": "e_along_gpa", "across": "e_across_gpa", "twist": "g_gpa"}


def wood_figures(
    sizes: Sizes,
    tones: Sequence[tuple[str, Tone]],
    aimed: Mapping[Aim, float] | None = None,
    *,
    air_kg_m3: float = AIR_KG_M3,
) -> WoodFigures:
    """Return what the tones of a blank tell of its wood.

    Parameters
    ----------
    sizes
        What was noted.
    tones
        The modes that were heard, each with the name that the instrument's tables give it.
    aimed
        Frequencies of the modes that words say to be along, across or twist.
    air_kg_m3
        Density of the air.

    Examples
    --------
    >>> wood_figures(Sizes(length_mm=550, width_mm=210), []).missing
    ('thickness_mm', 'mass_g')
    """
    return _figures(sizes, tuple(tones), tuple(sorted((aimed or {}).items())), air_kg_m3)


@lru_cache(maxsize=128)
def _figures(
    sizes: Sizes, tones: tuple[tuple[str, Tone], ...], aimed: tuple[tuple[Aim, float], ...], air_kg_m3: float
) -> WoodFigures:
    """Return the figures; kept, as the earlier stages of a board stay the same while it is planed."""
    missing = _missing(sizes)
    length, width, mass = sizes.length_mm or 0.0, sizes.width_mm or 0.0, sizes.mass_g or 0.0
    shape: Shape = "strip" if length and width < STRIP * length else "plate"
    noted = _noted(sizes, shape)
    if missing:
        return _refused(noted, "size", missing=missing)
    readings = Readings.of(length, width, sizes.thickness_mm, mass)
    thick = readings.board.thickness_mm
    range_pct = 100.0 * (max(sizes.thickness_mm) - min(sizes.thickness_mm)) / thick
    if range_pct > UNEVEN_PCT:
        return _refused(noted, "uneven", detail=range_pct)
    if max(length, width) > LONGEST * thick:
        return _refused(noted, "thin")
    if not DENSITY_KG_M3[0] <= readings.board.density_kg_m3 <= DENSITY_KG_M3[1]:
        return _refused(noted, "density", detail=readings.board.density_kg_m3)
    heard = [tone for _, tone in tones]
    by_name: dict[Name, float] = {AIMED[aim]: freq_hz for aim, freq_hz in aimed}
    naming = name_modes(readings, heard, by_name, air_kg_m3=air_kg_m3)
    if naming is None:
        return _refused(noted, "few modes", to_record=_aims(shape))
    if _fits_badly(naming, heard) and _grain_across(sizes, heard, naming, air_kg_m3):
        return _refused(noted, "grain")
    if naming.fit.scale > MISFIT:
        return _refused(noted, "misfit", detail=naming.fit.scale, to_record=_aims(shape))
    return _told(noted, naming, tones)


def _missing(sizes: Sizes) -> tuple[Size, ...]:
    known: dict[Size, object] = {
        "length_mm": sizes.length_mm,
        "width_mm": sizes.width_mm,
        "thickness_mm": sizes.thickness_mm,
        "mass_g": sizes.mass_g,
    }
    return tuple(size for size, value in known.items() if not value)


def _aims(shape: Shape) -> tuple[Aim, ...]:
    return ("along", "twist") if shape == "strip" else ("along", "across", "twist")


def _noted(sizes: Sizes, shape: Shape) -> WoodFigures:
    thick = sizes.thickness_mm
    return WoodFigures(
        shape=shape,
        length_mm=sizes.length_mm,
        width_mm=sizes.width_mm,
        thickness_mm=sum(thick) / len(thick) if thick else None,
        spread_mm=spread_mm(thick) if thick else None,
        mass_g=sizes.mass_g,
        flags=("caliper",) if len(thick) == 1 else (),
    )


def _refused(
    noted: WoodFigures,
    why: Refusal,
    *,
    missing: tuple[Size, ...] = (),
    detail: float | None = None,
    to_record: tuple[Aim, ...] = (),
) -> WoodFigures:
    return replace(noted, refused=why, missing=missing, detail=detail, to_record=to_record)


def _fits_badly(naming: Naming, heard: Sequence[Tone]) -> bool:
    """Return whether so little fits that the sizes may be the wrong way round, which takes as long to see as to name.

    Of simulated boards, all that were measured the wrong way round fit so badly, and one in ten of the others.
    """
    return naming.fit.chi2 > len(naming.fit.named) or len(naming.fit.named) < 0.9 * min(len(heard), MOST_TONES)


def _grain_across(sizes: Sizes, heard: Sequence[Tone], naming: Naming, air_kg_m3: float) -> bool:
    """Return whether the modes say that the grain runs along the width."""
    length, width, mass = sizes.length_mm or 0.0, sizes.width_mm or 0.0, sizes.mass_g or 0.0
    turned = name_modes(Readings.of(width, length, sizes.thickness_mm, mass), heard, air_kg_m3=air_kg_m3)
    return turned is not None and naming.cost - turned.cost > CLEARLY_WORSE


def _told(noted: WoodFigures, naming: Naming, tones: Sequence[tuple[str, Tone]]) -> WoodFigures:
    fit = naming.fit
    agreed = {name: _agreed(powers, naming) for name, powers in _FIGURES.items()}
    if noted.shape == "strip":
        agreed |= dict.fromkeys(_ACROSS)
    losses = fit_losses(fit) if naming.is_clear else Losses()
    names = {tone.freq_hz: name for name, tone in tones}
    modes = tuple(
        NamedMode(
            mode=names[tone.freq_hz],
            freq_hz=tone.freq_hz,
            name=fit.mode_of(key).name,
        )
        for key, tone in sorted(fit.named.items(), key=lambda pair: pair[1].freq_hz)
    )
    flags = [*noted.flags]
    flags += ["open"] if not naming.is_clear else []
    flags += ["misfit"] if fit.scale > _MUCH else []
    wanted = tuple(aim for aim in _aims(noted.shape) if agreed[_TOLD_BY[aim]] is None)
    return replace(
        noted,
        density_kg_m3=agreed["density_kg_m3"],
        e_along_gpa=agreed["e_along_gpa"],
        e_across_gpa=agreed["e_across_gpa"],
        g_gpa=agreed["g_gpa"],
        speed_along_m_s=agreed["speed_along_m_s"],
        radiation_m4_kg_s=agreed["radiation_m4_kg_s"],
        stiffness_along_n_m=agreed["stiffness_along_n_m"],
        stiffness_across_n_m=agreed["stiffness_across_n_m"],
        loss_along=losses.along,
        loss_across=losses.across if noted.shape == "plate" else None,
        loss_twist=losses.twist,
        modes=modes,
        constants=astuple(fit.wood),
        to_record=wanted,
        flags=tuple(flags),
    )


def _agreed(powers: _Powers, naming: Naming) -> Figure | None:
    """Return a figure on which the best naming and its rivals agree, if it is told."""
    best, sd = _log_figure(powers, naming.fit)
    logs = [_log_figure(powers, rival)[0] for rival in naming.rivals]
    apart = max((abs(other - best) for other in logs), default=0.0)
    if apart > max(sd, 0.01):
        return None
    half = Z_95 * math.hypot(sd, apart)
    if half > WIDEST:
        return None
    return Figure(math.exp(best), math.exp(best - half), math.exp(best + half))


def _log_figure(powers: _Powers, fit: Fit) -> tuple[float, float]:
    """Return the logarithm of a figure and its error."""
    vector: Floats = np.zeros(10)
    for unknown, power in powers.of.items():
        vector[unknown] = power
    value = float(vector @ fit.values) + math.log(powers.factor)
    return value, math.sqrt(float(vector @ fit.covariance @ vector))
