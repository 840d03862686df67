"""What thickness will do to a board: the notes of its modes, and its stiffness.

Conventions: planing takes the same off everywhere and leaves the wood as it is. The modes are those of the fitted
board at another thickness, air included, scaled so that at today's thickness each is where it was heard. A free
board's frequencies go nearly with the thickness; the air does not get thinner, and takes another 2.6 % off the first
mode along of a half board whose 4 mm are halved.
Stiffness per width goes with its cube.

What is predicted depends on the *ratio* of two thicknesses, so the caliper's own error nearly cancels. What remains
is how well a mean thickness is known from the readings of one day, and that planing leaves other places thick than
before: simulated boards whose thickness varies by 1.2 %, in other places after each planing, move a mode by 0.5 to
0.8 % more or less than an even one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np

from tapbatch.model.reading import Aim
from tapbatch.model.wood import AIMED, Figure, Stop, WoodFigures
from tapbatch.wood import priors
from tapbatch.wood.board import Board, Name, Wood
from tapbatch.wood.fit import Z_95
from tapbatch.wood.plate import Plates

THINNEST = 0.5
"""The thinnest that is predicted, as a part of today's thickness."""

SPREAD_MM = priors.ONE_READING_MM / math.sqrt(5)
"""The error of a mean of five thicknesses, where their readings are not known."""

_ENDS = ("low", "value", "high")
_FRESH_MM = 0.1  # what is off when the places where a board is thick are others


@dataclass(frozen=True, slots=True, kw_only=True)
class AtThickness:
    """A board at a thickness to come: the frequencies of its modes, its stiffness per width and its mass.

    ``modes`` has an entry for each of ``along``, ``across`` and ``twist`` that was heard.
    """

    thickness_mm: float
    mass_g: float
    modes: dict[Aim, Figure]
    stiffness_along_n_m: Figure | None
    stiffness_across_n_m: Figure | None


def wood_of_figures(figures: WoodFigures) -> Wood | None:
    """Return the elastic constants that were fitted, or ``None`` if there are none."""
    if len(figures.constants) != 6:
        return None
    e_along, e_across, g, poisson, g_along, g_across = figures.constants
    return Wood(
        e_along_gpa=e_along,
        e_across_gpa=e_across,
        g_gpa=g,
        poisson=poisson,
        g_along_gpa=g_along,
        g_across_gpa=g_across,
    )


def board_of_figures(figures: WoodFigures) -> Board | None:
    """Return the sizes and the mass as they were noted, or ``None`` if one is missing."""
    sizes = (figures.length_mm, figures.width_mm, figures.thickness_mm, figures.mass_g)
    length, width, thickness, mass = sizes
    if length is None or width is None or thickness is None or mass is None:
        return None
    return Board(length_mm=length, width_mm=width, thickness_mm=thickness, mass_g=mass)


def at_thicknesses(
    figures: WoodFigures, thicknesses_mm: Sequence[float], spread_then_mm: float | None = None
) -> tuple[AtThickness, ...]:
    """Return what a board becomes at some thicknesses; nothing if its wood is not known.

    Parameters
    ----------
    figures
        What its taps tell.
    thicknesses_mm
        Thicknesses to come.
    spread_then_mm
        The error of the readings to come, without that of the caliper; default that of today's.
    """
    board, wood = board_of_figures(figures), wood_of_figures(figures)
    if board is None or wood is None:
        return ()
    heard: dict[Aim, tuple[Name, float]] = {
        aim: (name, mode.freq_hz) for aim, name in AIMED.items() for mode in figures.modes if mode.name == name
    }
    own = figures.spread_mm or SPREAD_MM
    plates = Plates.about(board)
    now = {mode.name: mode.freq_hz for mode in plates.modes(board, wood, 3)}
    found = []
    for thickness in thicknesses_mm:
        planed = board.planed_to(thickness)
        then = {mode.name: mode.freq_hz for mode in plates.modes(planed, wood, 3)}
        sd = ratio_sd(board.thickness_mm, thickness, (own, own if spread_then_mm is None else spread_then_mm))
        # Planing leaves other places thick, so each mode scatters anew about that of an even board.
        anew = priors.MODEL_SD * min(abs(board.thickness_mm - thickness) / _FRESH_MM, 1.0)
        modes = {
            aim: _figure(freq_hz * then[name] / now[name], math.hypot(sd, anew))
            for aim, (name, freq_hz) in heard.items()
            if name in now and name in then
        }
        found.append(
            AtThickness(
                thickness_mm=thickness,
                mass_g=planed.mass_g,
                modes=modes,
                stiffness_along_n_m=_stiffness(figures.stiffness_along_n_m, thickness / board.thickness_mm, sd),
                stiffness_across_n_m=_stiffness(figures.stiffness_across_n_m, thickness / board.thickness_mm, sd),
            )
        )
    return tuple(found)


def ratio_sd(now_mm: float, then_mm: float, spreads_mm: tuple[float, float] = (SPREAD_MM, SPREAD_MM)) -> float:
    """Return the error of the logarithm of the ratio of two thicknesses whose readings have these errors.

    Examples
    --------
    >>> round(ratio_sd(4.1, 4.1), 3), ratio_sd(4.1, 3.0) > ratio_sd(4.1, 3.8)
    (0.0, True)
    """
    if math.isclose(now_mm, then_mm):
        return 0.0
    # The caliper's own error moves both alike: of the ratio only the difference of its shares is left.
    now, then = spreads_mm
    shared = priors.CALIPER_MM * abs(1.0 / now_mm - 1.0 / then_mm)
    return math.sqrt((now / now_mm) ** 2 + (then / then_mm) ** 2 + shared**2)


def _figure(value: float, sd: float) -> Figure:
    return Figure(value, value * math.exp(-Z_95 * sd), value * math.exp(Z_95 * sd))


def _stiffness(today: Figure | None, ratio: float, sd: float) -> Figure | None:
    if today is None:
        return None
    own = math.log(today.high / today.low) / (2.0 * Z_95)
    return _figure(today.value * ratio**3, math.hypot(own, 3.0 * sd))


def stop_for(figures: WoodFigures, aim: Aim, freq_hz: float, wanted: str = "") -> Stop | None:
    """Return where to stop planing for a mode to come down to a frequency; ``None`` if the mode was not heard."""
    today = figures.thickness_mm
    if today is None:
        return None
    thicknesses = np.linspace(today, THINNEST * today, 26)
    predicted = at_thicknesses(figures, [float(t) for t in thicknesses])
    if not predicted or any(aim not in each.modes for each in predicted):
        return None
    low, value, high = (np.array([getattr(each.modes[aim], end) for each in predicted]) for end in _ENDS)
    stop = Stop(aim=aim, wanted=wanted, unit="Hz", target=freq_hz, now=float(value[0]))
    if not value[-1] < freq_hz < value[0]:
        return stop
    # Frequencies fall as the board gets thinner; the lower end of the interval gets there first.
    first, likely, last = (float(np.interp(-freq_hz, -bound, thicknesses)) for bound in (low, value, high))
    stop_mm = max(first, likely)
    (there,) = at_thicknesses(figures, [stop_mm])
    past = _chance_past(there.modes[aim], freq_hz)
    return replace(stop, stop_mm=stop_mm, likely_mm=likely, thinnest_mm=min(last, likely), past=past)


def _chance_past(figure: Figure, target: float) -> float:
    """Return the chance that a figure is below a target."""
    sd = math.log(figure.high / figure.low) / (2.0 * Z_95)
    off = math.log(target / figure.value)
    return NormalDist().cdf(off / sd) if sd > 0.0 else float(off > 0.0)


def stop_as_stiff(figures: WoodFigures, aim: Aim, other: Figure | None, wanted: str = "") -> Stop | None:
    """Return where to stop planing for a board to be as stiff per width as another; ``None`` if its own is not known.

    Equal stiffness: ``h2 = h1 (EI* / EI)^(1/3)``.
    """
    own = figures.stiffness_across_n_m if aim == "across" else figures.stiffness_along_n_m
    today = figures.thickness_mm
    if own is None or today is None:
        return None
    stop = Stop(aim=aim, wanted=wanted, unit="N m", target=None if other is None else other.value, now=own.value)
    if other is None or not THINNEST**3 < other.value / own.value < 1.0:
        return stop
    likely = today * (other.value / own.value) ** (1.0 / 3.0)
    sds = [math.log(figure.high / figure.low) / (2.0 * Z_95) / 3.0 for figure in (own, other)]
    spread = figures.spread_mm or SPREAD_MM
    sd = math.hypot(*sds, ratio_sd(today, likely, (spread, spread)))
    factor = math.exp(Z_95 * sd)
    stop_mm = min(likely * factor, today)
    past = NormalDist().cdf(math.log(likely / stop_mm) / sd)
    return replace(stop, stop_mm=stop_mm, likely_mm=likely, thinnest_mm=likely / factor, past=past)
