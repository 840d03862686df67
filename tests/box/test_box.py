"""The physics of a box: conductances against published and exact values, resonances against plain mechanics."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.linalg import eigh

from tapbatch.box.air import speed_of_sound_m_s
from tapbatch.box.modes import resonances_and_shares
from tapbatch.box.openings import Opening, air_alone_hz

# ------------------------------------------------------------ openings


def test_a_round_opening_conducts_by_its_diameter() -> None:
    # Rayleigh, The Theory of Sound, vol. 2 (1896), 306: 2 R.
    assert Opening("round", 83.0).conductance_mm == pytest.approx(83.0)


@pytest.mark.parametrize("ratio", [1.0, 2.0, 4.0, 8.0, 16.0])
def test_an_ellipse_is_exact(ratio: float) -> None:
    # Rayleigh, 306: pi a / K(e), with K by its defining integral.
    half, e_squared = 35.0, 1.0 - 1.0 / ratio**2
    whole, _ = quad(lambda angle: 1.0 / math.sqrt(1.0 - e_squared * math.sin(angle) ** 2), 0.0, math.pi / 2.0)
    expected = math.pi * half / whole
    assert Opening("oval", 2 * half, 2 * half / ratio).conductance_mm == pytest.approx(expected, rel=1e-9)
    assert Opening("oval", 2 * half / ratio, 2 * half).conductance_mm == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(("ratio", "over"), [(1.0, 0.318), (4.0, 0.262), (8.0, 0.221), (16.0, 0.187)])
def test_longer_ellipses_conduct_less_for_their_perimeter(ratio: float, over: float) -> None:
    # Perimeter of an ellipse from Ramanujan's second formula, right to 1e-4 here.
    a, b = 0.5 * ratio, 0.5
    h = ((a - b) / (a + b)) ** 2
    perimeter = math.pi * (a + b) * (1.0 + 3.0 * h / (10.0 + math.sqrt(4.0 - 3.0 * h)))
    assert Opening("oval", ratio, 1.0).conductance_mm / perimeter == pytest.approx(over, abs=0.001)


def test_a_square_conducts_by_its_published_capacitance() -> None:
    # The capacitance of a unit square plate is 0.3668 (Hwang & Mascagni, Mathematics and Computers in Simulation 65,
    # 2004: 0.36678); the flow through an opening is pi times that of the plate of its shape.
    assert Opening("slot", 10.0, 10.0).conductance_mm == pytest.approx(10.0 * math.pi * 0.36678, rel=1e-3)


def _by_elements(ratio: float, along: int, across: int) -> float:
    """The conductance of a slot of width 1 from boundary elements: the capacitance of its plate times pi.

    Rectangles with even charge, finer towards the edges where it crowds; collocated at their middles. The potential
    of an even rectangle is in closed form (Durand, Electrostatique, vol. 1, 1964).
    """

    def edges(length: float, count: int) -> np.ndarray:
        return 0.5 * length * (1.0 - np.cos(np.linspace(0.0, math.pi, count + 1)))

    x, y = edges(ratio, along), edges(1.0, across)
    x0, y0 = (v.ravel() for v in np.meshgrid(x[:-1], y[:-1], indexing="ij"))
    x1, y1 = (v.ravel() for v in np.meshgrid(x[1:], y[1:], indexing="ij"))
    at_x, at_y = 0.5 * (x0 + x1)[:, None], 0.5 * (y0 + y1)[:, None]

    def corner(dx: np.ndarray, dy: np.ndarray) -> np.ndarray:
        return dx * np.arcsinh(dy / np.abs(dx)) + dy * np.arcsinh(dx / np.abs(dy))

    potential = (
        corner(x1 - at_x, y1 - at_y)
        - corner(x0 - at_x, y1 - at_y)
        - corner(x1 - at_x, y0 - at_y)
        + corner(x0 - at_x, y0 - at_y)
    )
    charge = np.linalg.solve(potential, np.ones(len(x0)))
    return math.pi * float(charge @ ((x1 - x0) * (y1 - y0)))


@pytest.mark.parametrize(("ratio", "along"), [(1.0, 12), (2.0, 16), (4.0, 20), (8.0, 28), (16.0, 36)])
def test_a_slot_is_that_of_boundary_elements(ratio: float, along: int) -> None:
    # Twelve elements across are half a per cent low, as the square shows.
    low = math.pi * 0.36678 / _by_elements(1.0, 12, 12)
    assert Opening("slot", ratio, 1.0).conductance_mm == pytest.approx(low * _by_elements(ratio, along, 12), rel=0.01)


def test_a_thick_edge_is_in_series() -> None:
    # A long tube is area over length (Rayleigh, 304).
    assert Opening("round", 10.0, edge_mm=1000.0).conductance_mm == pytest.approx(25 * math.pi / 1000.0, rel=0.01)


@given(st.floats(20.0, 200.0), st.floats(1.0, 60.0), st.floats(0.5, 8.0))
def test_more_opening_conducts_more(length: float, width: float, edge: float) -> None:
    for shape in ("oval", "slot"):
        one = Opening(shape, length, width, edge)  # type: ignore[arg-type]
        wider = Opening(shape, length, 1.05 * width, edge)  # type: ignore[arg-type]
        assert wider.conductance_mm > one.conductance_mm
        assert wider.area_mm2 > one.area_mm2


@pytest.mark.parametrize("wrong", [Opening("round", 0.0), Opening("slot", 70.0), Opening("oval", 70.0, 6.0, -1.0)])
def test_an_opening_without_size_is_refused(wrong: Opening) -> None:
    with pytest.raises(ValueError, match="above zero"):
        _ = wrong.conductance_mm


# ------------------------------------------------------------ air


@pytest.mark.parametrize(
    ("celsius", "humidity", "speed"),
    # Cramer, J. Acoust. Soc. Am. 93 (1993), 2510: 343.37 at 20 degrees, dry, with ordinary carbon dioxide; 331.45 at
    # 0 degrees; humid air at 20 degrees is 0.36 % faster than dry air at most.
    [(20.0, 0.0, 343.37), (0.0, 0.0, 331.45), (20.0, 100.0, 343.37 * 1.0036)],
)
def test_the_speed_of_sound_is_the_published_one(celsius: float, humidity: float, speed: float) -> None:
    assert speed_of_sound_m_s(celsius, humidity) == pytest.approx(speed, rel=1e-3)


def test_a_kelvin_is_worth_three_cents() -> None:
    # The square root of the absolute temperature: 600 log2(294.15/293.15) = 2.95 cents at equal moisture; at equal
    # relative humidity of 50 % warmer air also holds more water, together 3.15.
    dry, moist = (1200.0 * math.log2(speed_of_sound_m_s(21.0, h) / speed_of_sound_m_s(20.0, h)) for h in (0.0, 50.0))
    assert dry == pytest.approx(2.95, abs=0.01)
    assert moist == pytest.approx(3.15, abs=0.03)


def test_a_sphere_of_helmholtz() -> None:
    # Worked by hand: c = 343 m/s, one litre, a round opening of 30 mm in a thin wall: (343/2 pi) sqrt(0.03/0.001).
    assert air_alone_hz(30.0, 1.0, 343.0) == pytest.approx(54.590 * math.sqrt(30.0), rel=1e-4)


# ------------------------------------------------------------ top, back and air


def _read(top: float, coupling: float, back: float, back_coupling: float, air: float) -> list[float]:
    box = np.log([top, coupling / top, air, back / top, max(back_coupling, 1e-9) / top])
    return [float(x) for x in np.exp(resonances_and_shares(box, np.zeros(()))[0])]


@given(
    st.floats(0.05, 0.3), st.floats(0.02, 0.06), st.floats(3.0, 20.0), st.floats(40.0, 110.0),
    st.floats(120.0, 300.0), st.floats(0.0, 0.8), st.floats(1.05, 2.0),
)  # fmt: skip
def test_it_is_the_mechanics_of_three_pistons(
    mass_kg: float, area_m2: float, volume_l: float, hole_mm: float, top_hz: float, share: float, higher: float
) -> None:
    """Three masses on one volume of air, as an eigenvalue problem of a general library (scipy)."""
    density, speed = 1.2, 343.0
    hole_m2 = math.pi * (hole_mm * 5e-4) ** 2
    plug_kg = density * hole_m2**2 / (hole_mm * 1e-3)
    spring = density * speed**2 / (volume_l * 1e-3)
    areas, masses = np.array([area_m2, share * area_m2, hole_m2]), np.array([mass_kg, 1.4 * mass_kg, plug_kg])
    own = np.array([top_hz, higher * top_hz, 0.0])
    stiffness = spring * np.outer(areas, areas) + np.diag(masses * (2 * math.pi * own) ** 2)
    expected = np.sqrt(eigh(stiffness, np.diag(masses), eigvals_only=True)) / (2 * math.pi)
    couplings = np.sqrt(spring / masses) * areas / (2 * math.pi)
    found = _read(top_hz, couplings[0], higher * top_hz, couplings[1], air_alone_hz(hole_mm, volume_l, speed))
    assert found == pytest.approx(expected, rel=1e-6)


def test_a_worked_example() -> None:
    # By hand, from Christensen & Vistisen, J. Acoust. Soc. Am. 68 (1980), 758: low high = top air and low^2 + high^2
    # = covered^2 + air^2. With 180, 120 and 200 Hz, the squares are the roots of x^2 - 54400 x + 466560000: 27200
    # less and more 16531.2, or 10668.8 and 43731.2; so the two are 103.29 and 209.12 Hz.
    low, high, back = _read(180.0, math.sqrt(200.0**2 - 180.0**2), 500.0, 0.0, 120.0)
    assert (low, high, back) == pytest.approx((103.29, 209.12, 500.0), abs=0.01)


@given(
    st.floats(100.0, 300.0), st.floats(40.0, 400.0), st.floats(0.2, 1.0), st.floats(1.02, 2.0), st.floats(0.05, 0.8)
)
def test_the_lowest_never_passes_the_top_and_shares_sum_to_one(
    top: float, air: float, coupling: float, back: float, back_coupling: float
) -> None:
    box = np.log([top, coupling, air, back, back_coupling])
    logs, by_top, by_air = resonances_and_shares(box, np.zeros(()))
    assert math.exp(logs[0]) < top
    assert by_air.sum() == pytest.approx(1.0, abs=1e-6)
    step = 1e-5
    higher = resonances_and_shares(box + np.array([step, -step, 0.0, -step, -step]), np.zeros(()))[0]
    more = resonances_and_shares(box, np.full((), step))[0]
    assert (higher - logs) / step == pytest.approx(by_top, abs=1e-3)
    assert (more - logs) / step == pytest.approx(by_air, abs=1e-3)
    assert np.all(by_air > -1e-6)
    assert np.all(by_top > -1e-6)
    shut = resonances_and_shares(box, np.full((), -20.0))[0]
    assert np.all(logs[1:] >= shut[1:] - 1e-9)
