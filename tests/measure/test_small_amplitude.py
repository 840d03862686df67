"""Fits of modes that depend on amplitude, against SciPy's integration of the law itself."""

import numpy as np
import pytest

from tapbatch.measure.bound import covariance
from tapbatch.measure.small_amplitude import _model, bent, satellites, with_restored, without_satellites
from tests.measure.bent_taps import LENGTH, RATE_HZ, fitted, pole, rung

MODES = ((180.0, 0.45, 300.0), (310.0, 0.3, 200.0), (505.0, 0.35, 90.0))
FREE = (0.5, 10.0)


def _tap(rng: np.random.Generator, kappa: float, cents: float):
    sound = sum(rung(f, t, a, 2 * np.pi * rng.random(), kappa, cents) for f, t, a in MODES)
    return fitted(sound + rng.standard_normal(LENGTH), [pole(f, t) for f, t, _ in MODES])


def _free(tap):
    omega, delta = np.angle(tap.fit.poles), -np.log(np.abs(tap.fit.poles))
    count = tap.fit.count
    sd = np.concatenate([np.full(count, FREE[0]), FREE[1] * np.log(2) / 1200 * omega / delta])
    return bent(tap, np.zeros(2 * count), sd)


@pytest.mark.parametrize(("kappa", "cents"), [(0.0, 0.0), (0.3, 0.0), (0.0, 6.0), (0.2, -3.0)])
def test_poles_at_small_amplitude_are_found_within_their_errors(kappa: float, cents: float) -> None:
    off = []
    for seed in range(12):
        found = _free(_tap(np.random.default_rng([1, seed]), kappa, cents))
        cov = covariance(found.tap.fit)[0]
        true = np.array([pole(f, t) for f, t, _ in MODES])
        errors = [
            np.log(np.log(np.abs(found.tap.fit.poles)) / np.log(np.abs(true))),
            np.angle(found.tap.fit.poles) - np.angle(true),
        ]
        off += list(np.concatenate(errors) / np.sqrt(np.diagonal(cov)))
        assert found.left < 1.3
    # 72 normal values: their mean square passes 1.6, and one of them 4.5, less than once in a thousand times.
    assert np.mean(np.square(off)) < 1.6
    assert np.max(np.abs(off)) < 4.5


def test_derivatives_are_those_of_the_model() -> None:
    rng = np.random.default_rng(2)
    unknown = np.array([30.0, -20.0, 5.0, 40.0, -5.0, -5.3, 0.6, 1.4, 0.2, -0.1, 0.7, -0.4])
    model, ringing = _model(unknown, 2, 500)
    slopes = ringing.slopes()
    assert len(model) == 500
    for i in rng.permutation(len(unknown)):
        step = np.zeros(len(unknown))
        step[i] = 1e-6
        numeric = (_model(unknown + step, 2, 500)[0] - _model(unknown - step, 2, 500)[0]) / 2e-6
        assert np.allclose(slopes[:, i], numeric, atol=1e-5 * np.abs(numeric).max() + 1e-6)


def test_satellites_go_and_a_true_neighbour_comes_back() -> None:
    rng = np.random.default_rng(3)
    sound = rung(300.0, 0.4, 400.0, 0.3, cents=6.0) + rung(309.0, 0.4, 60.0, 1.0) + rng.standard_normal(LENGTH)
    tap = fitted(sound, [pole(300.0, 0.4), pole(301.5, 0.2), pole(309.0, 0.4)])
    assert satellites(tap).tolist() == [False, True, True]
    assert satellites(tap, of_second_order=True).tolist() == [False, True, False]
    found = _free(without_satellites(tap))
    freqs_hz = np.angle(with_restored(tap, found).fit.poles) * RATE_HZ / (2 * np.pi)
    assert len(freqs_hz) == 2
    assert np.allclose(freqs_hz, [300.0, 309.0], atol=1.0)
