"""What differs besides the wood, and what an opening does, against published values; their sources stand beside."""

from __future__ import annotations

import math

import pytest

from tapbatch.box.air import air_mode_cents
from tapbatch.compare.conditions import tension_pct
from tapbatch.compare.steps import At, learn_steps


# Speed of sound 343.2 sqrt(T/293.15 K) m/s: ISO 9613-1:1993, A.5, as printed for 20 and 23 degrees.
@pytest.mark.parametrize(("from_c", "to_c", "from_m_s", "to_m_s"), [(20.0, 23.0, 343.20, 344.95)])
def test_an_air_mode_goes_with_the_speed_of_sound(from_c: float, to_c: float, from_m_s: float, to_m_s: float) -> None:
    # Two decimals of 343 m/s are 0.025 cent each.
    assert air_mode_cents(from_c, to_c) == pytest.approx(1200.0 * math.log2(to_m_s / from_m_s), abs=0.05)
    assert air_mode_cents(from_c, to_c) / (to_c - from_c) == pytest.approx(2.95, abs=0.02)


# Mersenne's law: tension with the square of the pitch. Ratios of concert pitches, from memory, computed apart.
@pytest.mark.parametrize(
    ("from_hz", "to_hz", "ratio"),
    [
        (415.0, 440.0, 1.124111), (430.54, 440.0, 1.044428), (431.0, 440.0, 1.042199), (432.0, 440.0, 1.037380),
        (435.0, 440.0, 1.023121), (440.0, 415.0, 0.889592), (440.0, 431.0, 0.959510), (440.0, 435.0, 0.977402),
    ],
)  # fmt: skip
def test_tension_at_two_concert_pitches(from_hz: float, to_hz: float, ratio: float) -> None:
    assert tension_pct(from_hz, to_hz) == pytest.approx(100.0 * (ratio - 1.0), abs=1e-4)


def test_tension_of_a_silver_string_at_two_pitches() -> None:
    # 6.28 kgf gives 1596 Hz where 7.65 kgf gives 1760 (a research site on wire-strung harps).
    assert 1.0 + tension_pct(1760.0, 1596.0) / 100.0 == pytest.approx(6.28 / 7.65, rel=0.002)


def test_a_hole_of_twice_the_size_is_learned_as_a_factor_of_the_root_of_two() -> None:
    # Politzer, Sound Hole Sound, arXiv:1505.04787 (2015): flow goes with the size of a hole of constant shape, so
    # twice the size (four times the area) makes f sqrt(2) times as high: 600 cents for two doublings.
    sizes = (1.0, 1.2, 1.5, 1.8, 2.0)
    stages = [At(1200.0 * math.log2(math.sqrt(s)), 1e-4, 400.0 * s * s) for s in sizes]
    outlook = learn_steps(stages, [(n, n + 1) for n in range(4)])
    assert outlook is not None
    assert outlook.per_doubling == pytest.approx(300.0, abs=0.5)
    assert stages[-1].cents == pytest.approx(600.0)


def test_the_thin_circular_hole_worked() -> None:
    # Rayleigh, Theory of Sound, ch. XVI: f = c/(2 pi) sqrt(2 r/V), the hole thin. Radius 50 mm, 15 litres, 343.2 m/s:
    # 141.03 Hz. What is learned from three smaller holes foretells it.
    def freq_hz(radius_m: float) -> float:
        return 343.2 / (2.0 * math.pi) * math.sqrt(2.0 * radius_m / 0.015)

    assert freq_hz(0.050) == pytest.approx(141.03, abs=0.01)
    areas = [math.pi * 1600.0 + n * (math.pi * 900.0) / 4.0 for n in range(5)]
    cents = [1200.0 * math.log2(freq_hz(math.sqrt(a / math.pi) / 1000.0)) for a in areas]
    outlook = learn_steps([At(c, 1e-4, a) for c, a in zip(cents[:4], areas, strict=False)], [(0, 1), (1, 2), (2, 3)])
    assert outlook is not None
    assert areas[4] == pytest.approx(math.pi * 2500.0)
    foretold = cents[3] + outlook.step.middle
    assert foretold == pytest.approx(1200.0 * math.log2(141.03), abs=0.2)
