"""The fit and its bound, held to published limits, to a numeric Jacobian, and to scatter."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapbatch.measure.bound import covariance, lone_mode_bound, wald
from tapbatch.measure.fit import Fit, fit_modes
from tapbatch.measure.geometric import Samples, decays
from tests.benchmarks.scenes import pole_information

RATE_HZ = 4000.0


def _poles(freq_hz: list[float], t60_s: list[float]) -> np.ndarray:
    return np.exp((-np.log(1000) / np.array(t60_s) + 2j * np.pi * np.array(freq_hz)) / RATE_HZ)


def _fit_of(poles: np.ndarray, weights: np.ndarray, length: int) -> Fit:
    return fit_modes(Samples(decays(poles, weights, length)), poles)


def test_bound_of_a_lone_mode_as_published() -> None:
    """Reference value U02, from Yao & Pandit, IEEE Trans. SP 42/43 (1994/95): 200 Hz, tau 0.1 s, 40 dB, 48 kHz."""
    rate_hz, tau_s = 48000, 0.1
    # Energy over two-sided density: A^2 tau/4 over sigma^2/rate.
    sd_hz, sd_log = lone_mode_bound(tau_s * math.log(1000), 1e4 * tau_s / 4 * rate_hz)
    assert sd_hz == pytest.approx(9.19e-4, rel=0.01)
    assert sd_log == pytest.approx(5.77e-4, rel=0.01)


def test_information_of_a_lone_mode_reaches_that_bound() -> None:
    t60_s, amplitude = 0.35, 50.0
    fit = _fit_of(_poles([187.0], [t60_s]), np.array([amplitude + 0j]), 4000)
    poles, _ = covariance(fit)
    rho = amplitude**2 * t60_s / (4 * math.log(1000)) * RATE_HZ
    sd_hz, sd_log = lone_mode_bound(t60_s, rho)
    assert math.sqrt(poles[0, 0]) == pytest.approx(sd_log, rel=0.03)
    assert math.sqrt(poles[1, 1]) * RATE_HZ / (2 * math.pi) == pytest.approx(sd_hz, rel=0.03)


def test_information_is_that_of_a_numeric_jacobian() -> None:
    poles, weights, length = _poles([180.0, 186.0, 700.0], [0.4, 0.2, 0.3]), np.array([9 + 2j, 4 - 3j, 5j]), 1500
    fit = _fit_of(poles, weights, length)
    start = np.concatenate([weights.real, weights.imag, np.log(-np.log(np.abs(poles))), np.angle(poles)])

    def model(p: np.ndarray) -> np.ndarray:
        return decays(np.exp(-np.exp(p[6:9]) + 1j * p[9:12]), p[:3] + 1j * p[3:6], length)

    steps = np.full(12, 1e-5)
    steps[9:] = 1e-7
    jacobian = np.stack(
        [(model(start + s * e) - model(start - s * e)) / (2 * s) for s, e in zip(steps, np.eye(12), strict=True)]
    )
    np.testing.assert_allclose(fit.information, jacobian @ jacobian.T, rtol=1e-4, atol=1e-3)
    # The corner of the inverse is the inverse of the Schur complement.
    np.testing.assert_allclose(covariance(fit)[0], np.linalg.inv(pole_information(fit)), rtol=1e-6, atol=1e-12)


@pytest.mark.parametrize("modes", [1, 6])
def test_scatter_is_the_bound(modes: int) -> None:
    rng = np.random.default_rng(modes)
    freq = np.linspace(110, 900, modes) + rng.uniform(-20, 20, modes)
    poles = _poles(freq.tolist(), rng.uniform(0.15, 0.5, modes).tolist())
    weights = 60 * np.exp(2j * np.pi * rng.random(modes))
    clean = decays(poles, weights, 2000)
    errors = []
    for _ in range(150):
        fit = fit_modes(Samples(clean + rng.standard_normal(2000)), poles * np.exp(1j * rng.normal(0, 3e-4, modes)))
        sd = np.sqrt(np.diagonal(covariance(fit)[0]))
        error = np.log(np.log(np.abs(fit.poles)) / np.log(np.abs(poles))), np.angle(fit.poles) - np.angle(poles)
        errors.append(np.concatenate(error) / sd)
    # 300 errors and more: their mean square is known to 8 % (one standard deviation).
    assert np.mean(np.square(errors)) == pytest.approx(1.0, abs=0.25)


@settings(max_examples=25)
@given(st.floats(1.0, 1e3))
def test_scaling_the_sound_leaves_poles_alone(scale: float) -> None:
    # Louder only: the fit stops where the rest to be gained is small beside a noise of variance 1.
    rng = np.random.default_rng(4)
    poles = _poles([200.0, 260.0], [0.3, 0.2])
    y = decays(poles, np.array([50.0 + 0j, 30j]), 1500) + rng.standard_normal(1500)
    one, other = fit_modes(Samples(y), poles), fit_modes(Samples(scale * y), poles)
    np.testing.assert_allclose(np.angle(one.poles), np.angle(other.poles), atol=2e-5)


def test_hum_does_not_bias_a_mode_beside_it() -> None:
    rng = np.random.default_rng(8)
    line = np.exp(2j * np.pi * np.array([200.0]) / RATE_HZ)
    poles, n = _poles([201.5], [0.4]), np.arange(2000)
    y = decays(poles, np.array([80.0 + 0j]), 2000) + 20 * np.cos(2 * np.pi * 200.0 / RATE_HZ * n + 1)
    fit = fit_modes(Samples(y + rng.standard_normal(2000)), poles, line)
    sd = np.sqrt(np.diagonal(covariance(fit)[0]))
    assert abs(np.angle(fit.poles) - np.angle(poles))[0] < 4 * sd[1]
    assert abs(fit.hum_weights[0]) == pytest.approx(20.0, abs=1.0)


def test_wald_is_chi_square_where_there_is_no_mode() -> None:
    rng = np.random.default_rng(9)
    poles = _poles([300.0], [0.3])
    values = []
    for _ in range(300):
        fit = fit_modes(Samples(rng.standard_normal(1200)), poles, most_steps=0)
        # With the pole held, only the amplitude is fitted: its covariance is the inverse of the linear corner.
        cov = np.linalg.inv(fit.information[:2, :2])[None]
        values.append(wald(fit.weights, cov)[0])
    assert np.mean(values) == pytest.approx(2.0, abs=0.5)
