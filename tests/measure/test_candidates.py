"""What a fit has left beside a mode: when it says that the mode may be two, or does not die away evenly."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapbatch.measure.candidates import left_beside
from tapbatch.measure.fit import Fit, fit_modes
from tapbatch.measure.geometric import Samples, decays
from tapbatch.measure.prune import TapFit, local_excess

RATE_HZ = 2000.0
LENGTH = 1800
FREQ_HZ = 200.0
T60_S = 0.4
WIDTH_HZ = np.log(1000) / T60_S / np.pi


def _pole(freq_hz: float, t60_s: float) -> complex:
    return complex(np.exp((-np.log(1000) / t60_s + 2j * np.pi * freq_hz) / RATE_HZ))


def _sound(of_amplitude: float, widths: float, t60_s: float, phase_rad: float, energy_db: float = 60.0) -> np.ndarray:
    """Return a mode and a fainter one beside it whose energy is the square of ``of_amplitude`` times the first's."""
    poles = np.array([_pole(FREQ_HZ, T60_S), _pole(FREQ_HZ + widths * WIDTH_HZ, t60_s)])
    energies = 10 ** (energy_db / 10) * np.array([1.0, of_amplitude**2])
    weights = np.sqrt(energies * 4 * -np.log(np.abs(poles))) * np.exp(1j * np.array([0.0, phase_rad]))
    return decays(poles, weights, LENGTH)


def _fitted(samples: np.ndarray) -> tuple[Fit, TapFit]:
    """Fit one mode, whatever there is."""
    fit = fit_modes(Samples(samples), np.array([_pole(FREQ_HZ, T60_S)]))
    residual = samples - decays(fit.poles, fit.weights, LENGTH)
    return fit, TapFit(fit, samples, residual, local_excess(residual, fit.poles, RATE_HZ), 0, RATE_HZ)


beside = {
    "widths": st.floats(0.25, 2.0),
    "t60_s": st.floats(0.2, 0.8),
    "phase_rad": st.floats(-np.pi, np.pi),
}


@given(**beside, of_amplitude=st.floats(0.0, 1 / 12))
@settings(deadline=None)
def test_a_line_of_a_twelfth_moves_t60_by_a_twelfth_and_frequency_by_a_25th_of_a_width(
    of_amplitude: float, widths: float, t60_s: float, phase_rad: float
) -> None:
    """The two figures from which the flag's limit comes; without noise, so that nothing else moves them."""
    fit, _ = _fitted(_sound(of_amplitude, widths, t60_s, phase_rad))
    assert abs(np.log(-np.log(np.abs(fit.poles[0])) / -np.log(abs(_pole(FREQ_HZ, T60_S))))) < 1.06 / 12
    assert abs(np.angle(fit.poles[0]) * RATE_HZ / (2 * np.pi) - FREQ_HZ) < 1.06 * WIDTH_HZ / 25


@given(**beside, of_amplitude=st.floats(0.0, 1 / 13))
@settings(deadline=None)
def test_what_is_less_is_no_uneven_decay(of_amplitude: float, widths: float, t60_s: float, phase_rad: float) -> None:
    _, uneven = left_beside(_fitted(_sound(of_amplitude, widths, t60_s, phase_rad))[1])
    assert not uneven[0]


@given(widths=st.floats(1.3, 1.9), t60_s=st.floats(0.4, 0.8), phase_rad=beside["phase_rad"])
@settings(deadline=None)
def test_a_line_of_a_quarter_is_seen_beside(widths: float, t60_s: float, phase_rad: float) -> None:
    """A nearer one the mode takes up into itself, and less is left of it."""
    _, uneven = left_beside(_fitted(_sound(0.25, widths, t60_s, phase_rad))[1])
    assert uneven[0]


@pytest.mark.parametrize("energy_db", [20.0, 40.0, 80.0])
def test_noise_alone_makes_no_decay_uneven(energy_db: float) -> None:
    rng = np.random.default_rng(17)
    even = _sound(0.0, 1.0, 0.4, 0.0, energy_db)
    for _ in range(40):
        pair, uneven = left_beside(_fitted(even + rng.standard_normal(LENGTH))[1])
        assert not pair[0]
        assert not uneven[0]
