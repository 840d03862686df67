"""Kept taps made by hand: a strong mode and perhaps a weak one in white noise; shared by tests of this room.

Conventions: energies are over the two-sided noise density. A whitener with a gain of 1e4 stands for the noise.
"""

from __future__ import annotations

import numpy as np

from tapbatch.measure.kept_taps import KeptNoise, KeptTap, KeptTaps
from tapbatch.model.reading import LN_1000

RATE_HZ, OUT_HZ = 8000, 4000.0
T60_S = 0.3
STRONG_HZ, WEAK_HZ = 250.0, 613.0
WHITENER = np.array([1e4])


def pole(freq_hz: float) -> complex:
    """Return the pole of a decay with ``T60_S``, per sample at ``OUT_HZ``."""
    return complex(np.exp((-LN_1000 / T60_S + 2j * np.pi * freq_hz) / OUT_HZ))


def kept_tap(rng: np.random.Generator, ratio: float, *, found: bool = False, number: int = 1) -> KeptTaps:
    """Return a recording of one tap: a strong mode, and another of that energy over the noise density."""
    n = np.arange(1500)
    samples = rng.standard_normal(len(n))
    for hz, energy in ((STRONG_HZ, 1e5), (WEAK_HZ, ratio)):
        delta = LN_1000 / (T60_S * OUT_HZ)
        ring = np.sqrt(4 * delta * energy) * np.exp(-delta * n)
        samples += ring * np.cos(2 * np.pi * hz / OUT_HZ * n + rng.uniform(0, 2 * np.pi))
    step = float(np.abs(samples).max()) / 32767
    poles = np.array([pole(STRONG_HZ), pole(WEAK_HZ)])[: 2 if found else 1]
    tap = KeptTap(
        number=number, zone=0, noise=0, samples=np.round(samples / step).astype(np.int16), step=step, poles=poles,
        excess=np.ones(len(poles)), first=0, at_s=0.0,
    )  # fmt: skip
    return KeptTaps(RATE_HZ, 50.0, 1500.0, (tap,), (KeptNoise(WHITENER, (), 1.0),))
