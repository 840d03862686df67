"""What measuring many taps keeps in memory: their windows, never a copy of the recording for each."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from tapbatch.listen.taps import find_taps
from tapbatch.model.reading import BandSettings, Sound
from tests.measured import measure_taps

RATE_HZ = 16000


def _quick_taps(count: int) -> Sound:
    rng = np.random.default_rng(3)
    time_s = np.arange(RATE_HZ // 4) / RATE_HZ
    one = np.exp(-time_s / 0.0375) * np.sin(2 * np.pi * 764.0 * time_s)
    samples = np.concatenate([np.zeros(RATE_HZ), *(rng.uniform(0.5, 0.9) * one for _ in range(count))])
    return Sound(samples=samples + rng.normal(0.0, 1e-5, len(samples)), sample_rate_hz=RATE_HZ)


def _peak_bytes(sound: Sound) -> int:
    taps = find_taps(sound)
    assert sum(tap.used for tap in taps) > 20
    tracemalloc.start()
    try:
        measure_taps(sound, taps, BandSettings())
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


@pytest.mark.slow
def test_four_times_the_taps_take_little_more_than_four_times_the_memory_of_the_sound() -> None:
    # A copy of the section for each tap would grow with the square: four times the taps would take sixteen times.
    few, many = _quick_taps(40), _quick_taps(160)
    _peak_bytes(few)  # what is imported or cached at the first call counts for neither
    assert _peak_bytes(many) < 6 * _peak_bytes(few)
