r"""The wood of a board from the modes that were heard and named.

Conventions: the unknowns are ``ln E_L``, ``ln E_R``, ``ln G_LR``, ``nu_LR``, ``ln G_LT/G_LR``, ``ln G_RT/E_R``, and
the logarithms of thickness, length, width and mass. All have priors (:mod:`~tapbatch.wood.priors`): those of sizes
are what the maker read, with the errors of tape, caliper and scales. The readings are ``ln f``. Gauss and Newton's
method finds the most likely values; the curvature there gives the covariance, so every interval holds the errors of
reading, sizes, mass, the constants that no mode tells, and the model.

The scatter about the model is believed to be :data:`~tapbatch.wood.priors.MODEL_SD`; if the residuals are larger, it
is raised to what they show, and never lowered; so the normal quantile serves for the intervals.

The slopes are exact for the moduli (they are shares of energy), for thickness and mass; those for length and width
use the thin plate, which is enough for errors of 0.1 %.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tapbatch.wood import priors
from tapbatch.wood.board import Board, Floats, Name, PlateMode, Wood
from tapbatch.wood.plate import PARITIES, Plates

Key = tuple[Name, int]
"""A mode by its parity and its place, from 0, among the modes of that parity."""

E_ALONG, E_ACROSS, G, POISSON, THICK_ALONG, THICK_ACROSS, THICKNESS, LENGTH, WIDTH, MASS = range(10)
Z_95 = 1.959964
"""The normal quantile of a 95 % interval."""

_ROUNDS = 12
_CLOSE = 1e-5
# ln of energy over ln length and ln width, mass kept: thin plate, for the six shares.
_OF_LENGTH = np.array([-3.0, -1.0, 1.0, -1.0, -3.0, 1.0])
_OF_WIDTH = np.array([1.0, -1.0, -3.0, -1.0, 1.0, -3.0])


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """The sizes and the mass of a board, with the errors of their logarithms."""

    board: Board
    thickness_sd: float
    length_sd: float
    width_sd: float
    mass_sd: float

    @classmethod
    def of(cls, length_mm: float, width_mm: float, thickness_mm: Sequence[float], mass_g: float) -> Readings:
        """Return the readings with the usual errors of tape, caliper and scales.

        Examples
        --------
        >>> Readings.of(550, 210, [4.0, 4.2], 206).board.thickness_mm
        4.1
        """
        board = Board(
            length_mm=length_mm,
            width_mm=width_mm,
            thickness_mm=sum(thickness_mm) / len(thickness_mm),
            mass_g=mass_g,
        )
        return cls(
            board=board,
            thickness_sd=priors.thickness_sd(tuple(thickness_mm)),
            length_sd=priors.length_sd(length_mm),
            width_sd=priors.length_sd(width_mm),
            mass_sd=priors.mass_sd(mass_g),
        )


@dataclass(frozen=True, slots=True)
class Tone:
    """A mode that was heard: its frequency, and the standard error of its logarithm from reading and set-up.

    ``loss`` is its loss factor, ``None`` if the decay is not known, and ``loss_log_sd`` the error of its logarithm.
    """

    freq_hz: float
    log_sd: float = 0.001
    loss: float | None = None
    loss_log_sd: float = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """The most likely board, and how sure it is.

    ``values`` and ``covariance`` belong to the ten unknowns in the order of this module; ``chi2`` is twice the fall
    of the logarithm of the posterior density with the model's scatter as believed. ``scale`` is the factor by which
    residuals raise that scatter, 1 if they do not.
    """

    readings: Readings
    values: Floats
    covariance: Floats
    chi2: float
    scale: float
    modes: tuple[PlateMode, ...]
    named: Mapping[Key, Tone]

    @property
    def wood(self) -> Wood:
        """The elastic constants."""
        return wood_of(self.values)

    @property
    def board(self) -> Board:
        """The sizes and mass, corrected by what the modes say of them."""
        return board_of(self.values)

    def mode_of(self, key: Key) -> PlateMode:
        """Return a mode of the fitted board."""
        return keyed(self.modes)[key]


def keyed(modes: Sequence[PlateMode]) -> dict[Key, PlateMode]:
    """Return modes by parity and place."""
    return {
        (parity, k): mode
        for parity in PARITIES
        for k, mode in enumerate(m for m in modes if m.parity == parity)
    }  # fmt: skip


def wood_of(values: Floats) -> Wood:
    """Return the elastic constants that a vector of unknowns stands for."""
    e_along, e_across, g = np.exp(values[:3])
    return Wood(
        e_along_gpa=float(e_along),
        e_across_gpa=float(e_across),
        g_gpa=float(g),
        poisson=float(values[POISSON]),
        g_along_gpa=float(g * np.exp(values[THICK_ALONG])),
        g_across_gpa=float(e_across * np.exp(values[THICK_ACROSS])),
    )


def board_of(values: Floats) -> Board:
    """Return the sizes and the mass that a vector of unknowns stands for."""
    thickness, length, width, mass = (float(v) for v in np.exp(values[THICKNESS:]))
    return Board(length_mm=length, width_mm=width, thickness_mm=thickness, mass_g=mass)


class Belief:
    """The priors of a board: their means and the precision of all unknowns, which are not independent."""

    def __init__(self, readings: Readings) -> None:
        board = readings.board
        density = math.log(board.density_kg_m3)
        sizes = (board.thickness_mm, board.length_mm, board.width_mm, board.mass_g)
        # Rows are the independent statements, in terms of the unknowns.
        rows = np.eye(10)
        rows[E_ACROSS, E_ALONG] = rows[G, E_ALONG] = -1.0
        ratios = (
            priors.SPECIFIC_MODULUS,
            priors.ACROSS,
            priors.TWIST,
            priors.POISSON,
            priors.THICK_ALONG,
            priors.THICK_ACROSS,
        )
        means = [p.mean for p in ratios] + [math.log(size) for size in sizes]
        means[E_ALONG] += density
        sds = [p.sd for p in ratios]
        sds += [readings.thickness_sd, readings.length_sd, readings.width_sd, readings.mass_sd]
        self.rows, self.means = rows, np.array(means)
        self.mean = np.linalg.solve(rows, self.means)
        self.weights = 1.0 / np.array(sds) ** 2
        self.precision = rows.T @ (self.weights[:, None] * rows)

    def chi2(self, values: Floats) -> Floats:
        """Return the squared distance from the priors of a vector of unknowns, or of each of several."""
        return np.asarray((values @ self.rows.T - self.means) ** 2 @ self.weights)


def slopes(mode: PlateMode, values: Floats) -> Floats:
    """Return the derivatives of ``ln f`` of a mode by the ten unknowns."""
    along, coupling, across, twist, shear_along, shear_across = mode.shares
    bending = along + coupling + across
    wood = wood_of(values)
    # mu = 1 - nu^2 E_R/E_L stands below D1, D2 and D3.
    softer = (1.0 - wood.mu) / wood.mu
    energy = np.zeros(10)
    energy[E_ALONG] = along - bending * softer
    energy[E_ACROSS] = coupling + across + bending * softer + shear_across
    energy[G] = twist + shear_along
    energy[POISSON] = coupling / wood.poisson + bending * 2.0 * softer / wood.poisson
    energy[THICK_ALONG], energy[THICK_ACROSS] = shear_along, shear_across
    energy[THICKNESS] = 3.0 * (bending + twist) + shear_along + shear_across - 2.0 * mode.rotary_share
    shares = np.array(mode.shares)
    energy[LENGTH], energy[WIDTH] = _OF_LENGTH @ shares, _OF_WIDTH @ shares
    energy[MASS] = -(1.0 - mode.air_share)
    return energy / 2.0


def fit_board(
    readings: Readings,
    named: Mapping[Key, Tone],
    *,
    start: Floats | None = None,
    plates: Plates | None = None,
    rounds: int = _ROUNDS,
    count: int = 5,
    model_sd: float = priors.MODEL_SD,
) -> Fit:
    """Fit the unknowns of a board to modes that were heard and named.

    Parameters
    ----------
    readings
        Sizes and mass with their errors.
    named
        The tones, by parity and place.
    start
        Where to begin; default at the priors.
    plates
        The model; default in air, with all its polynomials.
    rounds, count
        The most steps to take; how many modes of each parity to return at least.
    model_sd
        Scatter of ``ln f`` about the model.
    """
    plates = plates or Plates.about(readings.board)

    def modes_at(values: Floats, count: int) -> tuple[PlateMode, ...]:
        return plates.modes(board_of(values), wood_of(values), count)

    belief = Belief(readings)
    values = belief.mean.copy() if start is None else start.copy()
    keys = list(named)
    heard = np.log([named[k].freq_hz for k in keys])
    reading = np.array([named[k].log_sd for k in keys])
    variance = reading**2 + model_sd**2
    needed = 1 + max((k for _, k in keys), default=0)
    slope = np.zeros((len(keys), 10))
    for _ in range(rounds):
        of_key = keyed(modes_at(values, needed))
        residual = heard - np.log([of_key[k].freq_hz for k in keys])
        slope = np.array([slopes(of_key[k], values) for k in keys]).reshape(len(keys), 10)
        step = _step(belief, values, residual, slope, variance)
        values = values + step
        if np.abs(step).max() < _CLOSE:
            break
    modes = modes_at(values, max(needed, count))
    of_key = keyed(modes)
    residual = heard - np.log([of_key[k].freq_hz for k in keys])
    chi2 = float(residual**2 @ (1.0 / variance)) + float(belief.chi2(values))
    scale = _scatter(residual, variance, len(keys))
    loud = reading**2 + (model_sd * scale) ** 2
    covariance = np.linalg.inv(belief.precision + slope.T @ (slope / loud[:, None]))
    return Fit(
        readings=readings,
        values=values,
        covariance=np.asarray(covariance),
        chi2=chi2,
        scale=scale,
        modes=modes,
        named=dict(named),
    )


def _step(belief: Belief, values: Floats, residual: Floats, slope: Floats, variance: Floats) -> Floats:
    hessian = belief.precision + slope.T @ (slope / variance[:, None])
    gradient = slope.T @ (residual / variance) - belief.rows.T @ (
        belief.weights * (belief.rows @ values - belief.means)
    )
    step = np.linalg.solve(hessian, gradient)
    # Near a crossing of modes the slopes turn; a long step would jump over it.
    longest = float(np.abs(step[:3]).max())
    return np.asarray(step * min(1.0, 0.35 / longest) if longest > 0 else step)


def _scatter(residual: Floats, variance: Floats, count: int) -> float:
    """Return by how much the residuals raise the model's scatter."""
    free = max(count - 3, 0)
    dof = priors.MODEL_DOF + free
    mean_square = (priors.MODEL_DOF + float(residual**2 @ (1.0 / variance))) / dof
    return math.sqrt(max(mean_square, 1.0))
