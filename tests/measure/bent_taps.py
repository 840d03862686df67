"""Taps whose modes obey a law of amplitude, by integrating its differential equation; shared by tests of this room.

Conventions: damping is ``delta (1 + kappa x)`` and frequency ``f (1 + epsilon x)``, with ``x`` the amplitude over
that at the start. SciPy's ``solve_ivp`` follows the amplitude and the phase; no closed form is used. Noise has
variance 1.
"""

from collections.abc import Sequence

import numpy as np
from scipy.integrate import solve_ivp

from tapbatch.measure.fit import fit_modes
from tapbatch.measure.geometric import Samples
from tapbatch.measure.misfit import local_excess, widened
from tapbatch.measure.prune import TapFit, model_of

RATE_HZ = 2000.0
LENGTH = 1200
NONE = np.zeros(0, dtype=np.complex128)


def pole(freq_hz: float, t60_s: float) -> complex:
    """Return the pole of a mode at small amplitude."""
    return complex(np.exp((-np.log(1000) / t60_s + 2j * np.pi * freq_hz) / RATE_HZ))


def rung(freq_hz: float, t60_s: float, amplitude: float, phase: float, kappa: float = 0.0, cents: float = 0.0):
    """Return the samples of one mode, shape (LENGTH,)."""
    delta, omega = np.log(1000) / t60_s / RATE_HZ, 2 * np.pi * freq_hz / RATE_HZ
    epsilon = 2 ** (cents / 1200) - 1

    def change(_: float, state: np.ndarray) -> list[float]:
        x = np.exp(state[0])
        return [-delta * (1 + kappa * x), omega * epsilon * x]

    n = np.arange(LENGTH)
    found = solve_ivp(change, (0, LENGTH), [0.0, 0.0], t_eval=n, rtol=1e-9, atol=1e-9)
    return amplitude * np.exp(found.y[0]) * np.cos(omega * n + found.y[1] + phase)


def fitted(samples: np.ndarray, poles: Sequence[complex]) -> TapFit:
    """Return the fit of exponential modes, with the excess that they leave."""
    fit = fit_modes(Samples(samples), np.array(poles), NONE)
    left = samples - model_of(fit)
    return TapFit(fit, samples, left, widened(local_excess(left, fit.poles, RATE_HZ)), 0, RATE_HZ)
