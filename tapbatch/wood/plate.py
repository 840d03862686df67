r"""The modes of a free board: a thick orthotropic plate, with the air that moves along.

Conventions: Mindlin's plate (deflection :math:`w`, rotations :math:`\psi_x, \psi_y`), shear factor 5/6, edges free.
With x along the grain the energy is

.. math::
    V = \tfrac12 \int D_1 \psi_{x,x}^2 + 2 D_2 \psi_{x,x} \psi_{y,y} + D_3 \psi_{y,y}^2
        + D_4 (\psi_{x,y} + \psi_{y,x})^2 + \kappa h G_{LT} (w_{,x} + \psi_x)^2 + \kappa h G_{RT} (w_{,y} + \psi_y)^2

with :math:`D_1 = E_L h^3 / 12\mu`, :math:`D_2 = \nu_{LR} E_R h^3 / 12\mu`, :math:`D_3 = E_R h^3 / 12\mu`,
:math:`D_4 = G_{LR} h^3 / 12` and :math:`\mu = 1 - \nu_{LR} \nu_{RL}`. Ritz's method with products of orthonormal
Legendre polynomials gives upper bounds, in four blocks by parity. Derivatives of the deflection are in the space of
the rotations, so a thin plate does not lock.

It breaks down for boards that are wedged, arched or bowed, whose grain runs out or is not on the quarter, and where
the thickness is no longer small against half a bending wave.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from tapbatch.wood.air import air_matrix
from tapbatch.wood.board import AIR_KG_M3, Board, Floats, Name, PlateMode, Wood

Orders = NDArray[np.int_]

DEGREE = 10
"""Degree of the polynomials; the first ten modes of a half board change by under 0.01 % beyond it."""

EDGE = 10
"""By how much higher the degree is for the rotation along a free edge, towards that edge."""

EDGE_ALONG = 5
"""The highest degree along the edge that these have."""

KAPPA = 5.0 / 6.0
PARITIES: tuple[Name, ...] = ((0, 0), (1, 1), (1, 0), (0, 1))
_NOT_NEW = 1e-5  # of the largest: a direction that adds less than this to a smaller model is left out
_RIGID = {(0, 0): 1, (1, 0): 1, (0, 1): 1, (1, 1): 0}


def plate_modes(
    board: Board, wood: Wood, *, air_kg_m3: float = AIR_KG_M3, degree: int = DEGREE, count: int = 6
) -> tuple[PlateMode, ...]:
    """Return the modes of a free board, lowest first.

    Parameters
    ----------
    board, wood
        Sizes and mass; elastic constants.
    air_kg_m3
        Density of the air around it; 0 for a vacuum.
    degree
        Degree of the polynomials, default 10.
    count
        How many modes of each of the four parities, default 6.

    Examples
    --------
    A spruce half board in a vacuum:

    >>> board = Board(length_mm=550, width_mm=210, thickness_mm=4.0, mass_g=185)
    >>> spruce = Wood(
    ...     e_along_gpa=11, e_across_gpa=0.86, g_gpa=0.7, poisson=0.37, g_along_gpa=0.67, g_across_gpa=0.033
    ... )
    >>> [(m.name, round(m.freq_hz, 1)) for m in plate_modes(board, spruce, air_kg_m3=0)[:3]]
    [((1, 1), 47.7), ((2, 0), 71.2), ((2, 1), 119.4)]
    """
    return Plates.about(board, air_kg_m3=air_kg_m3, degree=degree).modes(board, wood, count)


@dataclass(frozen=True, slots=True)
class Plates:
    """What all boards of about one length and width share, so that many are solved quickly.

    The air is that of one length and width: a change of a thousandth hardly matters to it.
    """

    blocks: Mapping[Name, _Block]

    @classmethod
    def about(cls, board: Board, *, air_kg_m3: float = AIR_KG_M3, degree: int = DEGREE) -> Plates:
        """Return what boards of this length and width share, with the air around them."""
        blocks = {parity: _block(degree, parity) for parity in PARITIES}
        if air_kg_m3 > 0.0:
            air = {p: air_kg_m3 * _air_of(board.length_mm, board.width_mm, degree, p) for p in PARITIES}
            blocks = {
                p: replace(block, air=block.to_shape.T @ air[p] @ block.to_shape) for p, block in blocks.items()
            }
        return cls(blocks)

    def modes(self, board: Board, wood: Wood, count: int = 6) -> tuple[PlateMode, ...]:
        """Return the modes of one board, lowest first, ``count`` of each parity."""
        modes = [mode for parity in PARITIES for mode in self._modes_of(parity, board, wood, count)]
        return tuple(sorted(modes, key=lambda mode: mode.freq_hz))

    def near(self, board: Board, woods: Sequence[Wood], count: int = 7) -> Plates:
        """Return a smaller model made of the modes of a few woods; others between them come out within 0.1 %."""
        blocks = {}
        for parity, block in self.blocks.items():
            seen = [block.solve(board, wood, 0, _RIGID[parity] + count)[1] for wood in woods]
            directions, sizes, _ = np.linalg.svd(np.hstack([v / np.linalg.norm(v, axis=0) for v in seen]))
            blocks[parity] = block.in_basis(directions[:, : int((sizes > _NOT_NEW * sizes[0]).sum())])
        return Plates(blocks)

    def _modes_of(self, parity: Name, board: Board, wood: Wood, count: int) -> list[PlateMode]:
        block = self.blocks[parity]
        values, vectors, elastic, (moving, turning) = block.solve(board, wood, _RIGID[parity], count)
        shapes = block.to_shape @ vectors
        shares = [(vectors * (k @ vectors)).sum(axis=0) / values for k in elastic]
        in_wood, in_turning = ((vectors * (m @ vectors)).sum(axis=0) for m in (moving, turning))
        modes = []
        for k, name in enumerate(_names(shapes, block.indices, parity)):
            shape = np.zeros((block.indices.max() + 1,) * 2)
            shape[block.indices[:, 0], block.indices[:, 1]] = shapes[:, k]
            modes.append(
                PlateMode(
                    freq_hz=float(np.sqrt(max(values[k], 0.0)) / (2.0 * np.pi)),
                    name=name,
                    parity=parity,
                    shares=tuple(float(share[k]) for share in shares),
                    rotary_share=float(in_turning[k]),
                    air_share=float(1.0 - in_wood[k] - in_turning[k]),
                    shape=shape,
                )
            )
        return modes


@lru_cache(maxsize=64)
def _air_of(length_mm: float, width_mm: float, degree: int, parity: Name) -> Floats:
    return air_matrix(length_mm / 1e3, width_mm / 1e3, degree, parity, 1.0)


def _stiffnesses(board: Board, wood: Wood) -> tuple[float, ...]:
    """Return D1, D2, D3, D4 in newton metres and the two shear stiffnesses in newtons per metre."""
    thick_m = board.thickness_mm / 1e3
    cube, mu = 1e9 * thick_m**3 / 12.0, wood.mu
    return (
        wood.e_along_gpa * cube / mu,
        wood.poisson * wood.e_across_gpa * cube / mu,
        wood.e_across_gpa * cube / mu,
        wood.g_gpa * cube,
        KAPPA * wood.g_along_gpa * 1e9 * thick_m,
        KAPPA * wood.g_across_gpa * 1e9 * thick_m,
    )


def _names(vectors: Floats, indices: Orders, parity: Name) -> list[Name]:
    """Name each mode by the polynomial that is strongest in it, each name once."""
    from scipy.optimize import linear_sum_assignment

    allowed = indices.sum(axis=1) >= 2
    strength = vectors[allowed] ** 2 / (vectors[allowed] ** 2).sum(axis=0)
    rows, columns = linear_sum_assignment(-strength)
    named = {int(c): (int(i), int(j)) for (i, j), c in zip(indices[allowed][rows], columns, strict=True)}
    return [named.get(c, parity) for c in range(vectors.shape[1])]


@dataclass(frozen=True, slots=True)
class _Block:
    """The energies of one parity, without lengths and stiffnesses.

    ``pieces`` has (which stiffness, power of 2/length, power of 2/width, matrix); ``moving`` and ``turning`` are the
    masses of deflection and rotation for unit mass and inertia; ``to_shape`` leads from the unknowns to the
    deflection in polynomials.
    """

    indices: Orders
    pieces: tuple[tuple[int, int, int, Floats], ...]
    moving: Floats
    turning: Floats
    to_shape: Floats
    air: Floats | None = None

    def solve(
        self, board: Board, wood: Wood, first: int, count: int
    ) -> tuple[Floats, Floats, list[Floats], tuple[Floats, Floats]]:
        """Return squares of angular frequencies, vectors, the six elastic matrices, and the two masses."""
        from scipy.linalg import eigh

        a, b = board.length_mm / 2e3, board.width_mm / 2e3
        stiffnesses = _stiffnesses(board, wood)
        elastic = [np.zeros_like(self.moving) for _ in stiffnesses]
        for which, along, across, matrix in self.pieces:
            elastic[which] += matrix * (stiffnesses[which] * a * b / (a**along * b**across))
        moving = self.moving * (board.mass_g / 4e3)
        turning = self.turning * (board.mass_g / 4e3 * (board.thickness_mm / 1e3) ** 2 / 12.0)
        mass = moving + turning if self.air is None else moving + turning + self.air
        last = min(first + count, len(mass)) - 1
        values, vectors = eigh(sum(elastic), mass, subset_by_index=[first, last], check_finite=False)
        return values, vectors, elastic, (moving, turning)

    def in_basis(self, basis: Floats) -> _Block:
        """Return the energies for unknowns that are the columns of a basis."""
        return _Block(
            indices=self.indices,
            pieces=tuple((k, x, y, basis.T @ matrix @ basis) for k, x, y, matrix in self.pieces),
            moving=basis.T @ self.moving @ basis,
            turning=basis.T @ self.turning @ basis,
            to_shape=self.to_shape @ basis,
            air=None if self.air is None else basis.T @ self.air @ basis,
        )


@lru_cache(maxsize=16)
def _block(degree: int, parity: Name) -> _Block:
    px, py = parity
    w = _orders(degree, px, py)
    # Near a free edge the rotation along it changes within about a thickness: it needs polynomials of its own.
    fx = np.concatenate([_orders(degree, 1 - px, py), _edge_orders(degree, 1 - px, py)])
    fy = np.concatenate([_orders(degree, px, 1 - py), _edge_orders(degree, 1 - py, px)[:, ::-1]])
    starts = np.cumsum([0, len(w), len(fx), len(fy)])
    both, mixed = _integrals(degree + EDGE)  # p'_i p'_j and p'_i p_j
    one = np.eye(len(both))

    def pair(first: int, second: int, left: Floats, right: Floats) -> Floats:
        """Return the matrix between two unknowns (0 deflection, 1 and 2 rotations)."""
        i, j = (w, fx, fy)[first], (w, fx, fy)[second]
        matrix = np.zeros((starts[-1], starts[-1]))
        rows, columns = slice(starts[first], starts[first + 1]), slice(starts[second], starts[second + 1])
        matrix[rows, columns] = left[np.ix_(i[:, 0], j[:, 0])] * right[np.ix_(i[:, 1], j[:, 1])]
        return matrix if first == second else matrix + matrix.T

    pieces = (
        (0, 2, 0, pair(1, 1, both, one)),
        (1, 1, 1, pair(1, 2, mixed, mixed.T)),
        (2, 0, 2, pair(2, 2, one, both)),
        (3, 0, 2, pair(1, 1, one, both)),
        (3, 2, 0, pair(2, 2, both, one)),
        (3, 1, 1, pair(1, 2, mixed.T, mixed)),
        (4, 2, 0, pair(0, 0, both, one)),
        (4, 0, 0, pair(1, 1, one, one)),
        (4, 1, 0, pair(0, 1, mixed, one)),
        (5, 0, 2, pair(0, 0, one, both)),
        (5, 0, 0, pair(2, 2, one, one)),
        (5, 0, 1, pair(0, 2, one, mixed)),
    )
    unknowns = np.eye(starts[-1])
    moves = np.arange(starts[-1]) < len(w)
    return _Block(w, pieces, np.diag(1.0 * moves), np.diag(1.0 * ~moves), unknowns[: len(w)])


def _orders(degree: int, px: int, py: int) -> Orders:
    return np.array([(i, j) for i in range(px, degree + 1, 2) for j in range(py, degree + 1, 2)])


def _edge_orders(degree: int, low: int, high: int) -> Orders:
    """Return low orders along an edge, high ones towards it."""
    above = range(degree + 1 + (degree + 1 - high) % 2, degree + EDGE + 1, 2)
    return np.array([(i, j) for i in range(low, min(degree, EDGE_ALONG) + 1, 2) for j in above]).reshape(-1, 2)


@lru_cache(maxsize=4)
def _integrals(degree: int) -> tuple[Floats, Floats]:
    """Return the integrals of p'_i p'_j and of p'_i p_j over [-1, 1], p orthonormal; exact by Gauss's rule."""
    x, weight = np.polynomial.legendre.leggauss(degree + 2)
    scale = np.sqrt(np.arange(degree + 1) + 0.5)
    values = np.polynomial.legendre.legvander(x, degree) * scale
    unit = np.eye(degree + 1)
    slopes = np.stack([np.polynomial.legendre.legval(x, np.polynomial.legendre.legder(c)) for c in unit], 1) * scale
    return (slopes * weight[:, None]).T @ slopes, (slopes * weight[:, None]).T @ values
