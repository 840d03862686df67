"""Boards whose wood is known, finer than any fit assumes: uneven in thickness, stiffness and density.

Conventions: as in :mod:`tapbatch.wood.board`. The plate is Mindlin's, as there, but all fields are functions of place
and no parity is assumed, so the energies are summed at Gauss's points. It shares the polynomials' idea and the air
with :mod:`tapbatch.wood.plate`, and no other code.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tapbatch.simulate.taps import SimMode
from tapbatch.wood.air import air_matrix
from tapbatch.wood.board import AIR_KG_M3, Board, Floats, Name, Wood
from tapbatch.wood.loss import LOSS_OF_T60
from tapbatch.wood.plate import KAPPA, PARITIES

DEGREE = 12
_EDGE = 6
_POINTS = 22
_SILENT = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Unevenness:
    """How a board departs from an even one: coefficients of low Legendre polynomials in length and width.

    Each is an array (4, 4) of relative departures; the first entry, the mean, is 0.
    """

    thickness: Floats
    stiffness: Floats
    density: Floats

    @classmethod
    def drawn(cls, rng: np.random.Generator, thickness: float, stiffness: float, density: float) -> Unevenness:
        """Draw smooth departures with these standard deviations over the board."""
        return cls(thickness=_field(rng, thickness), stiffness=_field(rng, stiffness), density=_field(rng, density))


EVEN = Unevenness(thickness=np.zeros((4, 4)), stiffness=np.zeros((4, 4)), density=np.zeros((4, 4)))


def _field(rng: np.random.Generator, sd: float) -> Floats:
    i, j = np.indices((4, 4))
    field = rng.standard_normal((4, 4)) / (1.0 + i + j) ** 2 * (i + j > 0) * (i + j < 4)
    # On average over the board a polynomial's square is 1 / ((2 i + 1) (2 j + 1)).
    return np.asarray(sd * field / math.sqrt(float((field**2 / ((2 * i + 1) * (2 * j + 1))).sum())))


@dataclass(frozen=True, slots=True)
class TrueMode:
    """A mode of a simulated board: frequency, loss factor, nodal lines of its strongest part, deflection.

    ``shape`` is the deflection on a grid of 41 by 41 points from edge to edge, its largest magnitude 1.
    """

    freq_hz: float
    loss: float
    name: Name
    shape: Floats


def field_at(field: Floats, x: Floats, y: Floats) -> Floats:
    """Return a relative departure at points from -1 to 1 along length and width."""
    return np.asarray(np.polynomial.legendre.legval2d(x, y, field))


def board_modes(
    board: Board,
    wood: Wood,
    losses: tuple[float, float, float] = (0.007, 0.02, 0.016),
    uneven: Unevenness = EVEN,
    *,
    air_kg_m3: float = AIR_KG_M3,
    count: int = 16,
) -> tuple[TrueMode, ...]:
    """Return the modes of an uneven board, lowest first.

    Parameters
    ----------
    board, wood
        Mean sizes and mass; mean elastic constants.
    losses
        Loss factors along, across and in twist; shear through the thickness has that of the twist.
    uneven
        Departures from the means; default an even board.
    air_kg_m3
        Density of the air.
    count
        How many modes.

    Examples
    --------
    >>> board = Board(length_mm=550, width_mm=210, thickness_mm=4.1, mass_g=206)
    >>> spruce = Wood(
    ...     e_along_gpa=11, e_across_gpa=0.86, g_gpa=0.7, poisson=0.37, g_along_gpa=0.67, g_across_gpa=0.033
    ... )
    >>> [(m.name, round(m.freq_hz)) for m in board_modes(board, spruce)[:4]]
    [((1, 1), 46), ((2, 0), 68), ((2, 1), 116), ((0, 2), 132)]
    """
    from scipy.linalg import eigh

    plate = _Uneven(board, wood, uneven)
    elastic, mass = plate.energies()
    size = (DEGREE + 1) ** 2
    if air_kg_m3 > 0.0:
        mass[:size, :size] += _air(board, air_kg_m3)
    values, vectors = eigh(sum(elastic), mass, subset_by_index=[3, 2 + count])
    grid = _polynomials(np.linspace(-1, 1, 41), DEGREE)[0]
    eta_along, eta_across, eta_twist = losses
    modes = []
    for value, vector in zip(values, vectors.T, strict=True):
        energy = [float(vector @ k @ vector / value) for k in elastic]
        loss = eta_along * (energy[0] + energy[1] / 2) + eta_across * (energy[2] + energy[1] / 2)
        loss += eta_twist * sum(energy[3:])
        shape = vector[:size].reshape(DEGREE + 1, DEGREE + 1)
        drawn = grid @ shape @ grid.T
        allowed = np.add.outer(np.arange(DEGREE + 1), np.arange(DEGREE + 1)) >= 2
        name = np.unravel_index(int(np.argmax(np.abs(shape) * allowed)), shape.shape)
        modes.append(
            TrueMode(
                freq_hz=math.sqrt(value) / (2 * math.pi),
                loss=loss,
                name=(int(name[0]), int(name[1])),
                shape=drawn / np.abs(drawn).max(),
            )
        )
    return tuple(modes)


def struck_board(
    modes: Sequence[TrueMode],
    at: tuple[float, float],
    held: Sequence[tuple[float, float]] = (),
    loud: float = 0.1,
) -> tuple[SimMode, ...]:
    """Return the sound of a blow on a board: its modes as they are heard near where it is struck.

    Parameters
    ----------
    modes
        Those of :func:`board_modes`.
    at
        The point that is struck, from -1 to 1 along the length and across the width.
    held
        Points that fingers hold; a mode that swings there dies away sooner.
    loud
        Amplitude of a mode that swings most where it is struck.

    Examples
    --------
    >>> still = np.zeros((41, 41))
    >>> struck_board([TrueMode(69.0, 0.007, (2, 0), still)], (0.0, 0.0))
    ()
    """

    def at_point(shape: Floats, point: tuple[float, float]) -> float:
        i, j = (round(20 * (1 + x)) for x in point)
        return float(shape[i, j])

    found = []
    for mode in modes:
        swing = at_point(mode.shape, at)
        fingers = 0.04 * sum(at_point(mode.shape, point) ** 2 for point in held)
        t60_s = LOSS_OF_T60 / (mode.freq_hz * (mode.loss + fingers))
        if abs(swing) > _SILENT:
            found.append(SimMode(mode.freq_hz, t60_s, loud * abs(swing), 0.0 if swing > 0 else math.pi))
    return tuple(found)


def _polynomials(x: Floats, degree: int) -> tuple[Floats, Floats]:
    """Return orthonormal Legendre polynomials and their slopes at points."""
    scale = np.sqrt(np.arange(degree + 1) + 0.5)
    values = np.polynomial.legendre.legvander(x, degree) * scale
    slopes = [np.polynomial.legendre.legval(x, np.polynomial.legendre.legder(c)) for c in np.eye(degree + 1)]
    return values, np.stack(slopes, axis=1) * scale


class _Uneven:
    """The energies of an uneven board, summed at Gauss's points."""

    def __init__(self, board: Board, wood: Wood, uneven: Unevenness) -> None:
        self.a, self.b = board.length_mm / 2e3, board.width_mm / 2e3
        x, weight = np.polynomial.legendre.leggauss(_POINTS)
        grid = np.meshgrid(x, x, indexing="ij")
        weights = np.outer(weight, weight).ravel() * self.a * self.b
        thick = 1.0 + field_at(uneven.thickness, *grid).ravel()
        stiff = 1.0 + field_at(uneven.stiffness, *grid).ravel()
        dense = (1.0 + field_at(uneven.density, *grid).ravel()) * thick
        self.thick_m = board.thickness_mm / 1e3 * thick
        self.dense_kg_m2 = board.mass_g / 1e3 * dense / float(weights @ dense)
        self.stiff, self.weights, self.wood = stiff * 1e9, weights, wood
        self.values, self.slopes = _polynomials(x, DEGREE + _EDGE)

    def _at(self, orders: list[tuple[int, int]], along: bool = False, across: bool = False) -> Floats:
        """Return each product of polynomials, or a derivative of it, at all points."""
        i, j = np.array(orders).T
        left = self.slopes / self.a if along else self.values
        right = self.slopes / self.b if across else self.values
        return np.asarray(np.einsum("pk,qk->pqk", left[:, i], right[:, j]).reshape(_POINTS**2, -1))

    def energies(self) -> tuple[list[Floats], Floats]:
        """Return the matrices of the six elastic energies, and of the mass without the air."""
        plain = [(i, j) for i in range(DEGREE + 1) for j in range(DEGREE + 1)]
        above = range(DEGREE + 1, DEGREE + _EDGE + 1)
        for_x = plain + [(i, j) for i in range(6) for j in above]
        for_y = plain + [(i, j) for j in range(6) for i in above]
        w, wx, wy = self._at(plain), self._at(plain, along=True), self._at(plain, across=True)
        px, pxx, pxy = self._at(for_x), self._at(for_x, along=True), self._at(for_x, across=True)
        py, pyx, pyy = self._at(for_y), self._at(for_y, along=True), self._at(for_y, across=True)
        zero_w, zero_x, zero_y = np.zeros_like(w), np.zeros_like(px), np.zeros_like(py)
        wood, cube = self.wood, self.stiff * self.thick_m**3 / 12.0
        bend_x, bend_y = np.hstack([zero_w, pxx, zero_y]), np.hstack([zero_w, zero_x, pyy])
        twist = np.hstack([zero_w, pxy, pyx])
        shear_x, shear_y = np.hstack([wx, px, zero_y]), np.hstack([wy, zero_x, py])
        cross = self._product(bend_x, bend_y, wood.poisson * wood.e_across_gpa / wood.mu * cube)
        shear = KAPPA * self.stiff * self.thick_m
        elastic = [
            self._product(bend_x, bend_x, wood.e_along_gpa / wood.mu * cube),
            cross + cross.T,
            self._product(bend_y, bend_y, wood.e_across_gpa / wood.mu * cube),
            self._product(twist, twist, wood.g_gpa * cube),
            self._product(shear_x, shear_x, wood.g_along_gpa * shear),
            self._product(shear_y, shear_y, wood.g_across_gpa * shear),
        ]
        moved = np.hstack([w, zero_x, zero_y])
        rotary = self.dense_kg_m2 * self.thick_m**2 / 12.0
        turned_x, turned_y = np.hstack([zero_w, px, zero_y]), np.hstack([zero_w, zero_x, py])
        mass = self._product(moved, moved, self.dense_kg_m2)
        mass += self._product(turned_x, turned_x, rotary) + self._product(turned_y, turned_y, rotary)
        return elastic, mass

    def _product(self, left: Floats, right: Floats, weight: Floats) -> Floats:
        return np.asarray(left.T @ (right * (weight * self.weights)[:, None]))


def _air(board: Board, air_kg_m3: float) -> Floats:
    """Return the air's mass for all parities together."""
    size = DEGREE + 1
    whole = np.zeros((size, size, size, size))
    for px, py in PARITIES:
        part = air_matrix(board.length_mm / 1e3, board.width_mm / 1e3, DEGREE, (px, py), air_kg_m3, terms=9)
        i, j = range(px, size, 2), range(py, size, 2)
        whole[np.ix_(i, j, i, j)] = part.reshape(len(i), len(j), len(i), len(j))
    return whole.reshape(size**2, size**2)
