"""What a phone before a sound hole does to the air mode: the figures of docs/recording.md, worked out.

The phone is a rigid disc that faces the hole. Air moves in and out of the hole as before a piston in a wide wall, and
has to go round the disc; so more air moves, and the air mode sinks. The wavelength is long beside all of this: the
flow is that of an ideal fluid (Laplace's equation). The disc is a sheet of vortex rings with images behind the wall
(Lamb, Hydrodynamics, 6th ed., art. 161: the field of a vortex ring by elliptic integrals).

Sources of the checks: the added mass of a disc moving broadside, 8/3 rho b^3 (Lamb, art. 102); the end correction of
a piston in a wall, 8 a / (3 pi) (Rayleigh, The Theory of Sound, vol. II, art. 302 and 312).
"""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import ellipe, ellipk, j0, j1

from tests.documentation.pages import page, section, table

HOLE_MM = 85.0
EDGE_MM = 3.0
PHONES_MM = (45.0, 60.0)
"""Radius of a disc as broad as a phone is on average, and of one with the area of a phone of 75 by 150 mm."""

RINGS = 150


def ring_axial(radius: float, at_r: np.ndarray, at_z: float) -> np.ndarray:
    """Return the axial velocity of a vortex ring of circulation 1."""
    near, far = (radius - at_r) ** 2 + at_z**2, (radius + at_r) ** 2 + at_z**2
    m = 4.0 * radius * at_r / far
    return (ellipk(m) + (radius**2 - at_r**2 - at_z**2) / near * ellipe(m)) / (2.0 * np.pi * np.sqrt(far))


def piston_axial(radius: float, at_r: float, at_z: float) -> float:
    """Return the axial velocity before a piston of velocity 1 in a wall, by its Hankel transform."""
    most = 40.0 / at_z
    return float(
        quad(lambda k: radius * j1(k * radius) * j0(k * at_r) * math.exp(-k * at_z), 0.0, most, limit=400)[0]
    )


def longer_by(hole_radius: float, disc_radius: float, distance: float, uniform: bool = False) -> float:
    """Return by how much a disc lengthens the air that moves through a hole, in the unit of its arguments.

    ``uniform`` replaces the flow from the hole by one of velocity 1 everywhere; the result times the area of the hole
    is then the added volume of the disc.
    """
    edges = disc_radius * np.sin(np.linspace(0.0, np.pi / 2, RINGS + 1))
    middles = disc_radius * np.sin(np.linspace(0.0, np.pi / 2, 2 * RINGS + 1)[1::2])
    flow = np.array([1.0 if uniform else piston_axial(hole_radius, r, distance) for r in middles])
    # A strip of the sheet with the jump 1 is a ring at its outer edge and one against it at its inner edge.
    ring = np.array([ring_axial(e, middles, 0.0) - ring_axial(e, middles, 2.0 * distance) for e in edges[1:]])
    inner = np.vstack([np.zeros(RINGS), ring[:-1]])
    jump = np.linalg.solve((ring - inner).T, -flow)
    areas = np.pi * (edges[1:] ** 2 - edges[:-1] ** 2)
    return float(abs(np.sum(jump * flow * areas))) / (np.pi * hole_radius**2)


def cents(disc_radius_mm: float, distance_mm: float) -> float:
    """Return by how many cents the air mode of a rigid box sinks."""
    radius_mm = HOLE_MM / 2.0
    moving_mm = EDGE_MM + 2.0 * 8.0 * radius_mm / (3.0 * math.pi)
    return 600.0 * math.log2(1.0 + longer_by(radius_mm, disc_radius_mm, distance_mm) / moving_mm)


def test_the_added_mass_of_a_disc_is_that_of_the_handbook() -> None:
    # Far from the wall: 8/3 b^3 of volume (Lamb, art. 102).
    volume = longer_by(1.0, 1.0, 50.0, uniform=True) * math.pi
    assert volume == pytest.approx(8.0 / 3.0, rel=0.01)


def test_the_flow_of_the_piston_is_that_of_the_handbook() -> None:
    # On the axis of a uniform layer of sources in a wall: 1 - z/sqrt(z^2 + a^2).
    for z in (0.5, 1.0, 3.0):
        assert piston_axial(1.0, 0.0, z) == pytest.approx(1.0 - z / math.hypot(z, 1.0), abs=1e-6)
    # Kinetic energy of the flow without a disc: the end correction 8 a / (3 pi) (Rayleigh).
    end = quad(lambda k: 2.0 * (j1(k) / k) ** 2, 1e-9, 400.0, limit=800)[0]
    assert end == pytest.approx(8.0 / (3.0 * math.pi), rel=1e-3)


def test_a_small_disc_far_off_follows_from_both() -> None:
    expected = 8.0 / 3.0 * 0.2**3 * (1.0 - 3.0 / math.hypot(3.0, 1.0)) ** 2 / math.pi
    assert longer_by(1.0, 0.2, 3.0) == pytest.approx(expected, rel=0.02)


def test_the_figures_of_the_page() -> None:
    rows = [row for row in table(section(page("docs/recording.md"), "## How near")) if len(row) == 2]
    told = {float(row[0].split()[0]): [float(n) for n in re.findall(r"[0-9.]+", row[-1])] for row in rows}
    assert list(told) == [5.0, 10.0, 20.0]
    for distance_cm, said in told.items():
        sinks = [cents(b, 10.0 * distance_cm) for b in PHONES_MM]
        if len(said) == 2:
            assert said == pytest.approx(sinks, rel=0.1, abs=0.3)
        else:
            assert max(sinks) < said[0]
