"""Published values of free plates, bars and the air about them, each with what the plate model gives.

Sources; those marked *from memory*, as also beside each value, were not looked up again:

- A. W. Leissa, The free vibration of rectangular plates, J. Sound Vib. 31 (1973) 257-293: free square plate, upper
  bounds from 36 beam functions (from memory); later converged values 13.47, 19.60, 24.27, 34.80 (from memory).
- Thin free-free beam: cos x cosh x = 1.
- Timoshenko, first order in (t/L)^2: worked out from his equation; (alpha, beta) of the first three modes.
- ASTM E1876, Standard test method for dynamic Young's modulus by impulse excitation: bars of isotropic material
  (the relation for torsion from memory).
- Torsion of a bar of two shear moduli: Saint-Venant's series (Lekhnitskii, Theory of elasticity of an anisotropic
  body).
- Rectangular plate moving as one in an unbounded fluid: DNV-RP-H103, table A-2 (from memory). Strip: Lamb,
  Hydrodynamics, article 71: pi/4 rho b^2.
- Woods: USDA Forest Products Laboratory, Wood Handbook, FPL-GTR-282, table 5-1.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from tapbatch.wood.air import air_matrix
from tapbatch.wood.board import Board, PlateMode, Wood, isotropic
from tapbatch.wood.plate import KAPPA, plate_modes

MEMORY = "(from memory)"
LEISSA = f"Leissa 1973, an upper bound {MEMORY}"
LEISSA_SQUARE = (13.489, 19.789, 24.432, 35.024)
CONVERGED_SQUARE = (13.47, 19.60, 24.27, 34.80)
LEISSA_TWO_AND_A_HALF = (21.643, 33.050)
FREE_FREE = (4.73004, 7.85320, 10.99561)
TIMOSHENKO = ((4.123, 1.025), (9.077, 3.838), (15.57, 8.24))
AIR = {1.0: 0.579, 1.25: 0.642, 1.5: 0.690, 2.0: 0.757, 3.0: 0.830, 4.0: 0.872, 5.0: 0.897, 8.0: 0.934, 10.0: 0.947}
AIR_OF_A_SQUARE = 0.4547
SITKA = Wood(  # E_L 1.1 times that of bending; ratios of the Wood Handbook
    e_along_gpa=11.9,
    e_across_gpa=11.9 * 0.078,
    g_gpa=11.9 * 0.064,
    poisson=0.372,
    g_along_gpa=11.9 * 0.061,
    g_across_gpa=11.9 * 0.003,
)


@dataclass(frozen=True)
class Value:
    """A published value, ours, and by how much they may differ, in per cent."""

    what: str
    source: str
    published: float
    ours: float
    within_pct: float

    @property
    def off_pct(self) -> float:
        return 100.0 * (self.ours / self.published - 1.0)


def named(board: Board, wood: Wood, name: tuple[int, int]) -> PlateMode:
    """Return a mode in a vacuum."""
    return next(m for m in plate_modes(board, wood, air_kg_m3=0.0) if m.name == name)


def published_values() -> Iterator[Value]:
    yield from _thin_plates()
    yield from _beams()
    yield from _bars_of_metal()
    yield from _strips_of_wood()
    yield from _air()


def square_factors(aspect: float) -> list[float]:
    """Return omega a^2 sqrt(rho h / D) of a thin isotropic plate, Poisson's ratio .3, a the longer side."""
    board = Board(length_mm=1000.0 * aspect, width_mm=1000.0, thickness_mm=1.0, mass_g=1000.0 * aspect)
    rigidity = 70.0 / 12.0 / (1.0 - 0.3**2)  # newton metres
    modes = plate_modes(board, isotropic(70.0, 0.3), air_kg_m3=0.0)
    return [2.0 * math.pi * m.freq_hz * aspect**2 / math.sqrt(rigidity) for m in modes]


def _thin_plates() -> Iterator[Value]:
    ours = square_factors(1.0)
    for k, published in enumerate(LEISSA_SQUARE):
        yield Value(f"free square plate, mode {k + 1}", LEISSA, published, ours[k], 1.1)
    for k, published in enumerate(CONVERGED_SQUARE):
        yield Value(f"free square plate, mode {k + 1}", f"later, converged {MEMORY}", published, ours[k], 0.05)
    ours = square_factors(2.5)
    for k, published in enumerate(LEISSA_TWO_AND_A_HALF):
        yield Value(f"free plate 2.5 to 1, mode {k + 1}", LEISSA, published, ours[k], 1.1)


def _beams() -> Iterator[Value]:
    board = Board(length_mm=1000.0, width_mm=20.0, thickness_mm=1.0, mass_g=20.0)
    for n, published in enumerate(FREE_FREE, 2):
        omega = 2.0 * math.pi * named(board, isotropic(70.0, 0.0), (n, 0)).freq_hz
        ours = (omega**2 * 1000.0 * 12.0 / (70e9 * 1e-6)) ** 0.25
        yield Value(f"free-free beam, beta {n - 1}", "cos x cosh x = 1", published, ours, 0.02)


def astm_e_gpa(board: Board, freq_hz: float, poisson: float) -> float:
    """Return Young's modulus of an isotropic bar by ASTM E1876, from the fundamental in bending."""
    r, nu = board.thickness_mm / board.length_mm, poisson
    down = 8.340 * (1 + 0.2023 * nu + 2.173 * nu**2) * r**4 / (1 + 6.338 * (1 + 0.1408 * nu + 1.536 * nu**2) * r**2)
    t1 = 1 + 6.585 * (1 + 0.0752 * nu + 0.8109 * nu**2) * r**2 - 0.868 * r**4 - down
    return 0.9465e-9 * board.mass_g * freq_hz**2 / board.width_mm / r**3 * t1


def astm_g_gpa(board: Board, freq_hz: float) -> float:
    """Return the shear modulus of an isotropic bar by ASTM E1876, from the fundamental in torsion."""
    b, t, length = board.width_mm, board.thickness_mm, board.length_mm
    shape = (1 + (b / t) ** 2) / (4 - 2.521 * (t / b) * (1 - 1.991 / (math.exp(math.pi * b / t) + 1)))
    r = shape * (1 + 0.00851 * (b / length) ** 2) - 0.060 * (b / length) ** 1.5 * (b / t - 1) ** 2
    return 4e-9 * length * board.mass_g * freq_hz**2 / (b * t) * r


def _bars_of_metal() -> Iterator[Value]:
    for length, width, thick in ((300.0, 30.0, 5.0), (200.0, 20.0, 10.0)):
        board = Board(length_mm=length, width_mm=width, thickness_mm=thick, mass_g=7.85e-3 * length * width * thick)
        steel = isotropic(200.0, 0.3)
        what = f"steel bar {length:g} x {width:g} x {thick:g} mm"
        e_gpa = astm_e_gpa(board, named(board, steel, (2, 0)).freq_hz, 0.3)
        yield Value(f"{what}, E from its tone", "ASTM E1876", 200.0, e_gpa, 0.15)
        g_gpa = astm_g_gpa(board, named(board, steel, (1, 1)).freq_hz)
        yield Value(f"{what}, G from its twist", f"ASTM E1876 {MEMORY}", steel.g_gpa, g_gpa, 0.3)


def strip_of_wood() -> Board:
    """Return a strip that is 20 times as long as thick."""
    return Board(length_mm=200.0, width_mm=10.0, thickness_mm=10.0, mass_g=8.0)


def shear_factor(n: int, board: Board, wood: Wood) -> float:
    """Return thin-beam over true frequency squared of bending mode n (from 1)."""
    density, inertia = board.density_kg_m3, (board.thickness_mm / 1e3) ** 2 / 12.0
    omega = (FREE_FREE[n - 1] / (board.length_mm / 1e3)) ** 2 * math.sqrt(1e9 * wood.e_along_gpa * inertia / density)
    return (omega / (2.0 * math.pi * named(board, wood, (n + 1, 0)).freq_hz)) ** 2


def _strips_of_wood() -> Iterator[Value]:
    board = Board(length_mm=800.0, width_mm=20.0, thickness_mm=10.0, mass_g=64.0)
    for n, (alpha, beta) in enumerate(TIMOSHENKO, 1):
        wood = SITKA
        published = 1 + (board.thickness_mm / board.length_mm) ** 2 * (
            alpha + beta * wood.e_along_gpa / (KAPPA * wood.g_along_gpa)
        )
        ours = shear_factor(n, board, wood)
        yield Value(f"spruce strip, L/t 80, T{n}", "Timoshenko, first order", published, ours, 0.1)
    board = Board(length_mm=600.0, width_mm=30.0, thickness_mm=4.0, mass_g=30.0)
    ours_hz = named(board, SITKA, (1, 1)).freq_hz
    yield Value("spruce strip, twist, Hz", "Saint-Venant, two shear moduli", torsion_hz(board, SITKA), ours_hz, 1.5)


def torsion_hz(board: Board, wood: Wood) -> float:
    """Return the fundamental in torsion of a strip, free to warp, by Saint-Venant's series."""
    b, t = board.width_mm / 1e3, board.thickness_mm / 1e3
    ratio = b / t * math.sqrt(wood.g_along_gpa / wood.g_gpa)
    terms = sum(math.tanh(k * math.pi * ratio / 2) / k**5 for k in range(1, 60, 2))
    j = b * t**3 / 3 * (1 - 192 / (math.pi**5 * ratio) * terms)
    polar = b * t * (b**2 + t**2) / 12
    return math.sqrt(1e9 * wood.g_gpa * j / (board.density_kg_m3 * polar)) / (2 * board.length_mm / 1e3)


def air_of_panel(aspect: float) -> float:
    """Return the air's mass of a panel moving as one, over rho a b^2, b the shorter side."""
    return float(4.0 * air_matrix(aspect, 1.0, 0, (0, 0), 1.0)[0, 0]) / aspect


def _air() -> Iterator[Value]:
    yield Value(
        "square panel, air / rho a^3", f"DNV-RP-H103, times pi/4 {MEMORY}", AIR_OF_A_SQUARE, air_of_panel(1.0), 0.1
    )
    for aspect, published in AIR.items():
        ours = air_of_panel(aspect) / (math.pi / 4)
        yield Value(
            f"panel {aspect:g} to 1, air / (pi/4 rho a b^2)", f"DNV-RP-H103, table A-2 {MEMORY}", published, ours, 0.3
        )
