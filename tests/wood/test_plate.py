"""Properties of the plate model: what its shares mean, how it scales, how far its polynomials have converged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapbatch.wood.air import air_matrix
from tapbatch.wood.board import SHARES, Board, Wood
from tapbatch.wood.figures import LONGEST
from tapbatch.wood.plate import plate_modes

BOARD = Board(length_mm=550, width_mm=210, thickness_mm=4.1, mass_g=206)
SPRUCE = Wood(e_along_gpa=11, e_across_gpa=0.86, g_gpa=0.7, poisson=0.37, g_along_gpa=0.67, g_across_gpa=0.033)

MODULI = {"twist": "g_gpa", "shear_along": "g_along_gpa", "shear_across": "g_across_gpa"}


@pytest.mark.parametrize(("share", "field"), MODULI.items())
def test_a_share_is_the_change_of_the_square_of_frequency(share: str, field: str) -> None:
    step = 1e-4
    stiffer = replace(SPRUCE, **{field: getattr(SPRUCE, field) * (1 + step)})
    index = SHARES.index(share)
    for before, after in zip(plate_modes(BOARD, SPRUCE)[:8], plate_modes(BOARD, stiffer)[:8], strict=True):
        assert np.log(after.freq_hz / before.freq_hz) * 2 / step == pytest.approx(before.shares[index], abs=2e-3)


def test_shares_and_energies_are_whole() -> None:
    for mode in plate_modes(BOARD, SPRUCE):
        assert sum(mode.shares) == pytest.approx(1.0, abs=1e-6)
        assert 0 < mode.air_share < 0.1
        assert 0 <= mode.rotary_share < 0.01


@settings(max_examples=10)
@given(st.floats(0.3, 3.0))
def test_a_model_of_another_size_sounds_in_proportion(factor: float) -> None:
    """All lengths times a factor, same wood, same air: frequencies fall by the factor."""
    other = Board(
        length_mm=factor * BOARD.length_mm,
        width_mm=factor * BOARD.width_mm,
        thickness_mm=factor * BOARD.thickness_mm,
        mass_g=factor**3 * BOARD.mass_g,
    )
    for here, there in zip(plate_modes(BOARD, SPRUCE)[:6], plate_modes(other, SPRUCE)[:6], strict=True):
        assert there.freq_hz * factor == pytest.approx(here.freq_hz, rel=1e-6)


def test_turning_the_board_by_a_quarter_changes_names_only() -> None:
    turned = Board(length_mm=BOARD.width_mm, width_mm=BOARD.length_mm, thickness_mm=4.1, mass_g=206)
    wood = Wood(
        e_along_gpa=SPRUCE.e_across_gpa,
        e_across_gpa=SPRUCE.e_along_gpa,
        g_gpa=SPRUCE.g_gpa,
        poisson=SPRUCE.poisson * SPRUCE.e_across_gpa / SPRUCE.e_along_gpa,
        g_along_gpa=SPRUCE.g_across_gpa,
        g_across_gpa=SPRUCE.g_along_gpa,
    )
    for here, there in zip(plate_modes(BOARD, SPRUCE)[:8], plate_modes(turned, wood)[:8], strict=True):
        assert there.freq_hz == pytest.approx(here.freq_hz, rel=1e-6)
        assert there.name == here.name[::-1]


def test_the_polynomials_have_converged() -> None:
    """More of them lower the first ten modes by at most 0.01 %, and never raise one."""
    here = plate_modes(BOARD, SPRUCE)[:10]
    finer = plate_modes(BOARD, SPRUCE, degree=16, count=8)[:10]
    changes = [100 * (a.freq_hz / b.freq_hz - 1) for a, b in zip(here, finer, strict=True)]
    assert min(changes) > -1e-6
    assert max(changes) < 0.01


def test_the_air_has_converged() -> None:
    for parity in ((0, 0), (1, 1)):
        few, many = (air_matrix(0.55, 0.21, 4, parity, 1.2, terms=terms) for terms in (8, 12))
        assert np.allclose(few, many, rtol=1e-3, atol=1e-3 * np.abs(many).max())
        assert np.linalg.eigvalsh(few).min() > 0


def test_the_drawn_shape_has_the_nodal_lines_of_its_name() -> None:
    x = np.linspace(-1, 1, 300)
    for mode in plate_modes(BOARD, SPRUCE)[:3]:
        shape = mode.deflection(x, x)
        along, across = shape[:, 280], shape[280, :]
        assert (np.count_nonzero(np.diff(np.sign(along))), np.count_nonzero(np.diff(np.sign(across)))) == mode.name


def test_planing_takes_mass_and_lets_frequencies_fall() -> None:
    """f ~ h, and with the air f/h falls 1.7 % from 4.2 to 2.5 mm (the air stays, the wood goes)."""
    thick, thin = (BOARD.planed_to(mm) for mm in (4.2, 2.5))
    per_mm = [plate_modes(b, SPRUCE)[1].freq_hz / b.thickness_mm for b in (thick, thin)]
    assert 100 * (1 - per_mm[1] / per_mm[0]) == pytest.approx(1.7, abs=0.3)


def test_the_thinnest_board_that_is_told_still_sounds_in_proportion_to_its_thickness() -> None:
    """Without air a thin plate has f ~ h; rounding errors must not reach the modes before :data:`LONGEST`."""
    (twice, *_), (thinnest, *_) = (
        plate_modes(BOARD.planed_to(BOARD.length_mm / ratio), SPRUCE, air_kg_m3=0.0)
        for ratio in (LONGEST / 2, LONGEST)
    )
    assert thinnest.freq_hz == pytest.approx(twice.freq_hz / 2.0, rel=1e-3)


@pytest.mark.parametrize(("thickness_mm", "low_pct"), [(4.0, 4.6), (8.0, 16.7)])
def test_how_much_too_low_thin_plate_theory_would_put_stiffness(thickness_mm: float, low_pct: float) -> None:
    """The worst of the first twelve modes of a half board; where the rings resist shear more, it is half of that."""
    length, width = (550.0, 210.0) if thickness_mm < 5.0 else (520.0, 200.0)
    board = Board(
        length_mm=length, width_mm=width, thickness_mm=thickness_mm, mass_g=4e-4 * length * width * thickness_mm
    )
    stiff = replace(SPRUCE, g_along_gpa=1e4 * SPRUCE.g_along_gpa, g_across_gpa=1e4 * SPRUCE.g_across_gpa)
    thin = {mode.name: mode.freq_hz for mode in plate_modes(board, stiff, air_kg_m3=0.0)}
    low = [100.0 * (1.0 - (m.freq_hz / thin[m.name]) ** 2) for m in plate_modes(board, SPRUCE, air_kg_m3=0.0)[:12]]
    assert max(low) == pytest.approx(low_pct, abs=0.2)


def test_what_the_air_takes_off_a_half_board_that_is_halved() -> None:
    board = Board(length_mm=550, width_mm=210, thickness_mm=4, mass_g=184.8)
    whole, half = ({m.name: m.freq_hz for m in plate_modes(b, SPRUCE)} for b in (board, board.planed_to(2.0)))
    assert 100.0 * (1.0 - 2.0 * half[2, 0] / whole[2, 0]) == pytest.approx(2.6, abs=0.1)
