"""Damping: published and worked pairs of Q and decay time, and poles, against what values and measurements give.

Sources. D01: definitions, T60 = ln(1000) tau, Q = pi f tau, so T60 = 2.198807 Q/f (the "2.2/(f T)" of building
acoustics) and 8.685890 dB a tau. D02: Q = 16 at 32, 63 and 125 Hz is 1.1, 0.56 and 0.28 s, Avis, Fazenda & Davies,
J. Audio Eng. Soc. 55 (2007), as quoted. D08: worked from D01. D11: f = 13 Hz, zeta = 0.00324, pole
``-zeta 2 pi f + 2 pi i f sqrt(1 - zeta**2)``, sdypy-EMA, tests/test_tools/test_complex_freq_to_freq_and_damp.py.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tapbatch.listen.taps import find_taps
from tapbatch.model.history import StageMode
from tapbatch.model.reading import LN_1000, BandSettings, Mode, Sound
from tapbatch.simulate import taps as sim
from tests.compare.builds import mode
from tests.measured import measure_taps

LEVEL_DB_A_TAU = 8.685890
T60_TIMES_F_OVER_Q = 2.198807
Q_OVER_F_T60 = 0.454792

AVIS = [(32.0, 1.1), (63.0, 0.56), (125.0, 0.28)]  # D02: Hz, s at Q = 16
WORKED = [  # D08: Hz, Q, tau in ms, T60 in s
    (100.0, 20.0, 63.662, 0.43976),
    (200.0, 30.0, 47.746, 0.32982),
    (200.0, 60.0, 95.493, 0.65964),
    (400.0, 40.0, 31.831, 0.21988),
]
EMA_HZ, EMA_ZETA = 13.0, 0.00324  # D11


def stage_mode(freq_hz: float, t60_s: float) -> StageMode:
    return StageMode(
        mode="r1", lead=True, freq_hz=freq_hz, freq_low_hz=freq_hz, freq_high_hz=freq_hz, note="A4", cents=0.0,
        t60_s=t60_s, t60_low_s=t60_s, t60_high_s=t60_s, level_db=0.0, taps=5, within_cents=0.1, between_cents=0.1,
    )  # fmt: skip


@pytest.mark.parametrize(("freq_hz", "printed_s"), AVIS)
def test_published_decay_times_at_q_16(freq_hz: float, printed_s: float) -> None:
    # printed to two digits
    exact_s = T60_TIMES_F_OVER_Q * 16 / freq_hz
    assert exact_s == pytest.approx(printed_s, abs=0.5 * 10 ** (math.floor(math.log10(printed_s)) - 1))
    for made in (mode(freq_hz, exact_s), stage_mode(freq_hz, exact_s)):
        assert made.q == pytest.approx(16, rel=1e-6)


@pytest.mark.parametrize(("freq_hz", "q", "tau_ms", "t60_s"), WORKED)
def test_worked_pairs_of_q_and_decay(freq_hz: float, q: float, tau_ms: float, t60_s: float) -> None:
    for made in (mode(freq_hz, t60_s), stage_mode(freq_hz, t60_s)):
        assert made.q == pytest.approx(q, rel=2e-5)
        assert made.q == pytest.approx(Q_OVER_F_T60 * freq_hz * t60_s, rel=2e-6)
    assert LN_1000 * tau_ms / 1000 == pytest.approx(t60_s, rel=2e-5)
    # and the decay that is made to that number falls by 8.69 dB in tau, and by 60 dB in T60 (D01)
    struck = sim.SimMode(freq_hz, t60_s)
    assert -struck.pole_per_s.real == pytest.approx(1000 / tau_ms, rel=2e-5)
    still = sim.free_decay([sim.SimMode(1e-6, t60_s)], 1.0, 100_000)
    fall_db = -20 * np.log10(np.abs(still))
    assert fall_db[round(100 * tau_ms)] == pytest.approx(LEVEL_DB_A_TAU, abs=2e-3)
    assert fall_db[round(100_000 * t60_s)] == pytest.approx(60, abs=2e-3)


def test_a_pole_and_its_frequency_and_damping() -> None:
    """The house's frequency is that of the ringing, ``f sqrt(1 - zeta**2)``: 5 parts in a million below f here."""
    rings_hz = EMA_HZ * math.sqrt(1 - EMA_ZETA**2)
    t60_s = LN_1000 / (EMA_ZETA * 2 * math.pi * EMA_HZ)
    pole = sim.SimMode(rings_hz, t60_s).pole_per_s
    assert pole == pytest.approx(complex(-0.26464777, 81.68098019), rel=1e-8)
    assert abs(pole) / (2 * math.pi) == pytest.approx(EMA_HZ, rel=1e-12)
    assert -pole.real / abs(pole) == pytest.approx(EMA_ZETA, rel=1e-12)
    # Q = 1/(2 zeta) = 154.32
    assert mode(rings_hz, t60_s).q == pytest.approx(154.32, abs=0.005)


def measured(struck: list[sim.SimMode], seed: int) -> list[Mode]:
    """The modes of one tap 50 to 60 dB over white noise, by frequency."""
    rng = np.random.default_rng([11, seed])
    longest_s = max(m.t60_s for m in struck)
    noise = sim.white_noise(round((1.0 + longest_s) * 8000), rng, rms=1e-4)
    strike = sim.Strike(onset_s=0.9, modes=tuple(struck), contact_s=0.001)
    samples, _ = sim.recording([strike], duration_s=1.0 + longest_s, sample_rate_hz=8000, noise=noise)
    sound = Sound(samples=samples, sample_rate_hz=8000)
    (tap,) = (t for t in measure_taps(sound, find_taps(sound), BandSettings())[0] if t.tap.used)
    return sorted(tap.modes, key=lambda m: m.freq_hz)


@pytest.mark.parametrize("left_out", [1, 2], ids=["200 Hz at Q 60", "200 Hz at Q 30"])
def test_worked_pairs_are_measured_back(left_out: int) -> None:
    wanted = [pair for number, pair in enumerate(WORKED) if number != left_out]
    struck = [sim.SimMode(hz, t60_s, 0.1, 0.7 * n) for n, (hz, _, _, t60_s) in enumerate(wanted)]
    read = measured(struck, left_out)
    assert len(read) == len(wanted)
    for m, (freq_hz, q, _, t60_s) in zip(read, wanted, strict=True):
        assert m.freq_hz == pytest.approx(freq_hz, rel=1e-4)
        assert (m.q, m.t60_s) == pytest.approx((q, t60_s), rel=0.01)
        # and within what the measurement itself says, at four standard errors
        assert abs(math.log(m.t60_s / t60_s)) < 4 * m.t60_log_se


def test_the_published_damping_is_measured_back_ten_times_higher() -> None:
    # 13 Hz lies below every band: the same zeta at ten times the frequency has the same Q
    freq_hz, t60_s = 10 * EMA_HZ, LN_1000 / (EMA_ZETA * 2 * math.pi * 10 * EMA_HZ)
    (read,) = measured([sim.SimMode(freq_hz, t60_s, 0.1)], 0)
    assert read.q == pytest.approx(154.32, rel=0.005)
    assert replace(read, t60_s=t60_s).q == pytest.approx(read.q, rel=0.005)
