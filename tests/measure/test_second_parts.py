"""A strong mode that hides a second part, with the sounds made here by plain formulas.

That two polarisations of a string decay differently is common practice; see also Weinreich, JASA 62, 1977.
"""

import numpy as np
import pytest

from tapbatch.measure.fit import fit_modes
from tapbatch.measure.geometric import Samples
from tapbatch.measure.prune import TapFit, model_of
from tapbatch.measure.second_parts import second_parts

RATE_HZ = 4000.0
TIME_S = np.arange(4000) / RATE_HZ


def ring(freq_hz: float, t60_s: float, size: float) -> np.ndarray:
    return np.asarray(size * 10 ** (-3 * TIME_S / t60_s) * np.cos(2 * np.pi * freq_hz * TIME_S))


def told(sound: np.ndarray, seed: int, excess: float = 20.0) -> bool:
    """Fit the mode at 300 Hz alone, and tell whether it is said to have a second part."""
    noisy = sound + np.random.default_rng(seed).standard_normal(len(sound))
    start = np.exp((-np.log(1000) / 0.9 + 2j * np.pi * 300.0) / RATE_HZ)
    fit = fit_modes(Samples(noisy), np.array([start]))
    found = TapFit(fit, noisy, noisy - model_of(fit), np.array([excess]), 0, RATE_HZ)
    return bool(second_parts(found)[0])


@pytest.mark.parametrize("apart_hz", [0.0, 0.3, 1.0, 2.0])
@pytest.mark.parametrize("seed", range(4))
def test_the_other_polarisation_of_a_string_is_told(apart_hz: float, seed: int) -> None:
    elsewhere = ring(420.0, 0.8, 300.0)
    assert told(ring(300.0, 1.0, 1000.0) + ring(300.0 + apart_hz, 0.3, 400.0) + elsewhere, seed)


def test_one_exponential_beside_what_others_leave_is_not_said_to_have_one() -> None:
    # Lines that no mode accounts for, at random places outside the band.
    said = 0
    for seed in range(150):
        rng = np.random.default_rng(1000 + seed)
        others = sum(
            ring(float(f), float(rng.uniform(0.1, 1.0)), 100.0)
            for f in (rng.uniform(100.0, 260.0), rng.uniform(340.0, 900.0), rng.uniform(340.0, 1500.0))
        )
        said += told(ring(300.0, float(rng.uniform(0.2, 1.5)), 1000.0) + others, seed)
    assert said == 0


@pytest.mark.parametrize("seed", range(4))
def test_a_part_too_weak_to_matter_is_not_told(seed: int) -> None:
    assert not told(ring(300.0, 1.0, 1000.0) + ring(302.0, 0.8, 20.0) + ring(420.0, 0.8, 300.0), seed)


def test_a_mode_that_leaves_only_noise_is_not_asked() -> None:
    assert not told(ring(300.0, 1.0, 1000.0) + ring(300.0, 0.3, 400.0), 1, excess=1.0)
