"""Tension and stiffness of strings against published worked examples; the source stands beside each number."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tapbatch.compare.tension import mersenne_tension_n, total_tension_n, unit_weight_g_m
from tapbatch.measure.string_tone import stiff_fit
from tapbatch.model.pitch import note_to_hz
from tapbatch.model.settings import DENSITIES_KG_M3, InstrumentSettings, StringSetting

LBF_N = 4.4482216152605
KGF_N = 9.80665


def test_steel_in_inches() -> None:
    # Piano technicians' list archive: steel .020 in, 16 in long, A4 = 440 Hz, 0.283 lb a cubic inch, and gravity
    # as 386.4 in/s^2: 45.6 lbf, by their formula 45.615.
    weight = unit_weight_g_m(0.020 * 25.4, 0.283 * 0.45359237 / 0.0254**3)
    assert mersenne_tension_n(weight, 16 * 25.4, 440.0) / (0.45359237 * 386.4 * 0.0254) == pytest.approx(
        45.615, abs=5e-4
    )


def test_steel_in_metres() -> None:
    # Piano technicians' list, May 2002: steel 7.85 g/cc, 18.1 cm, 0.925 mm, key 64 (C6): 170.2 lbf.
    tension_n = mersenne_tension_n(unit_weight_g_m(0.925, DENSITIES_KG_M3["steel"]), 181.0, note_to_hz("C6"))
    assert tension_n / LBF_N == pytest.approx(170.2, abs=0.05)


def test_brass_of_a_wire_strung_harp() -> None:
    # A site on wire-strung harps: brass 8.75 g/cc, 0.40 mm, 68 mm, 1760 Hz: 1.1 g/m, 6.44 kgf from rounded weight.
    weight = unit_weight_g_m(0.40, DENSITIES_KG_M3["red brass"])
    assert weight == pytest.approx(1.1, abs=0.05)
    assert mersenne_tension_n(weight, 68.0, 1760.0) / KGF_N == pytest.approx(6.44, rel=0.003)


@pytest.mark.parametrize(
    ("length_m", "freq_hz", "printed"),
    # jaymaron.com, string instruments: K = pi L^2 F^2 of T = rho d^2 K, for strings 1e4 times as heavy.
    [(0.32, 195.6, 1.231), (0.65, 82.5, 0.903)],
)
def test_tension_of_unit_density_and_diameter(length_m: float, freq_hz: float, printed: float) -> None:
    tension_n = mersenne_tension_n(unit_weight_g_m(1.0, 1e6), length_m * 1000, freq_hz)
    assert tension_n / 1e4 == pytest.approx(printed, abs=5e-4)


@pytest.mark.parametrize(
    ("concert_pitch_hz", "ratio"), [(415.0, 1.124111), (430.54, 1.044428), (431.0, 1.042199), (435.0, 1.023121)]
)
def test_tension_at_two_concert_pitches(concert_pitch_hz: float, ratio: float) -> None:
    # (440/x)^2, computed apart from this project.
    one = InstrumentSettings(scale_mm=500.0, strings=(StringSetting(note="G3", unit_weight_g_m=2.0),))
    at_440, lower = total_tension_n(one, 440.0), total_tension_n(one, concert_pitch_hz)
    assert at_440 is not None
    assert lower is not None
    assert at_440 / lower == pytest.approx(ratio, abs=1e-6)


def test_young_on_plain_steel() -> None:
    """R. W. Young, JASA 24 (1952) 267: delta = 3.4e13 n^2 d^2/(f0^2 l^4) cents in cgs units, for plain steel wire.

    The fit is given partials that lie so, and must find the B that Fletcher's law (JASA 36, 1964) makes of it:
    delta = 865.6 B n^2 cents, to first order.
    """
    d_cm, l_cm, f0_hz = 0.1, 65.0, 261.6
    n = np.arange(1.0, 9.0)
    delta = 3.4e13 * n**2 * d_cm**2 / (f0_hz**2 * l_cm**4)
    _, _, stiffness = stiff_fit(n, np.log(f0_hz) + delta * math.log(2) / 1200, np.full(8, 1e-6))
    assert stiffness == pytest.approx(3.4e13 * d_cm**2 / (f0_hz**2 * l_cm**4) / 865.617, rel=0.03)


def test_young_on_middle_c() -> None:
    """Young, 1952: the second partial of middle C of a piano lies 1.2 cents high, so B = 3.47e-4, within a tenth."""
    n = np.arange(1.0, 9.0)
    stiff = 261.6 * np.sqrt(1 + 3.47e-4 * n**2)
    log_f1, _, stiffness = stiff_fit(n, np.log(stiff), np.full(8, 1e-6))
    assert stiffness is not None
    second_cents = 600 / math.log(2) * math.log1p(4 * stiffness)
    assert second_cents == pytest.approx(1.2, rel=0.1)
    assert math.exp(log_f1) == pytest.approx(261.6 * math.sqrt(1 + 3.47e-4), rel=1e-7)
