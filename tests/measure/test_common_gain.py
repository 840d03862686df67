"""A moving gain is told from damping that depends on amplitude, and from clean taps."""

import numpy as np

from tapbatch.measure.bending import judged
from tapbatch.measure.by_amplitude import of_common, second_order
from tapbatch.measure.prune import TapFit
from tests.measure.bent_taps import LENGTH, RATE_HZ, fitted, pole, rung

MODES = ((150.0, 0.5, 150.0), (240.0, 0.25, 300.0), (355.0, 0.4, 200.0), (490.0, 0.15, 250.0), (640.0, 0.3, 200.0))


def _recording(seed: int, gain: np.ndarray, kappa: float = 0.0) -> list[TapFit | None]:
    """Return four taps, each multiplied by a gain of shape (LENGTH,)."""
    rng = np.random.default_rng(seed)
    taps: list[TapFit | None] = []
    for _ in range(4):
        sound = sum(rung(f, t, a, 2 * np.pi * rng.random(), kappa) for f, t, a in MODES)
        taps.append(fitted(gain * sound + rng.standard_normal(LENGTH), [pole(f, t) for f, t, _ in MODES]))
    return taps


def _flags(taps: list[TapFit | None]) -> set[str]:
    return {f for tap in judged([taps], [0.0])[0] if tap is not None for flags in tap.bend for f in flags}


def test_a_gain_that_falls_and_comes_back_is_called_one() -> None:
    """A compressor needs some time to press down, and then follows the sound evenly."""
    time_s = np.arange(LENGTH) / RATE_HZ
    # Between these times it looks like damping that depends on amplitude: the modes themselves take 22 to 72 ms.
    for seed, depth_db, within_s in ((1, 1.0, 0.006), (2, 1.0, 0.01), (3, 3.0, 0.06)):
        gain_db = depth_db * np.exp(-time_s / within_s) + 10.0 * time_s
        assert _flags(_recording(seed, 10 ** (gain_db / 20))) == {"gain"}


def test_an_even_gain_and_none_are_not_seen() -> None:
    even = 10 ** (30.0 * np.arange(LENGTH) / RATE_HZ / 20)
    for seed in range(5):
        assert _flags(_recording(seed, even)) == set()
        assert _flags(_recording(seed, np.ones(LENGTH))) == set()


def test_damping_that_depends_on_amplitude_is_no_gain() -> None:
    for seed in range(3):
        assert _flags(_recording(seed, np.ones(LENGTH), kappa=0.3)) == {"not-exponential", "by-amplitude"}


def test_the_common_factor_is_that_of_the_gain() -> None:
    theta, tau_s = 0.03, 0.04
    gain = 1 + theta * np.exp(-np.arange(LENGTH) / (tau_s * RATE_HZ))
    found = []
    for tap in _recording(7, gain):
        assert tap is not None
        lines = tap.fit.poles * np.exp(-1 / (tau_s * RATE_HZ))
        estimate, chi2 = of_common(tap, second_order(tap), lines)
        found.append((estimate - theta) / (abs(estimate) / np.sqrt(chi2)))
    # Four standard normal values.
    assert np.max(np.abs(found)) < 4.5
