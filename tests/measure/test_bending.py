"""Decays that bend: what becomes of laws, pairs, missed neighbours and clean taps."""

import numpy as np
import pytest

from tapbatch.measure.bending import judged
from tapbatch.measure.bound import covariance
from tapbatch.measure.prune import TapFit
from tests.measure.bent_taps import LENGTH, RATE_HZ, fitted, pole, rung

MODES = ((150.0, 0.5, 150.0), (240.0, 0.35, 300.0), (355.0, 0.4, 200.0), (490.0, 0.3, 250.0), (640.0, 0.25, 200.0))
WEAK = (560.0, 0.35, 25.0)
TAPS = 4


def _recording(seed: int, kappa: float = 0.0, cents: float = 0.0) -> list[TapFit | None]:
    rng = np.random.default_rng(seed)
    found: list[TapFit | None] = []
    for _ in range(TAPS):
        harder = float(np.exp(0.2 * rng.standard_normal()))
        sound = sum(
            rung(f, t, harder * a, 2 * np.pi * rng.random(), harder * kappa, harder * cents)
            for f, t, a in (*MODES, WEAK)
        )
        found.append(fitted(sound + rng.standard_normal(LENGTH), [pole(f, t) for f, t, _ in (*MODES, WEAK)]))
    return found


def _flags(taps: list[TapFit | None]) -> set[str]:
    return {f for tap in taps if tap is not None for of_mode in tap.bend for f in of_mode}


def _off(taps: list[TapFit | None], mode: tuple[float, float, float]) -> tuple[float, float]:
    """Return mean errors of ``log delta`` and frequency (Hz) of a mode over the taps, in their stated errors."""
    true = pole(*mode[:2])
    off, variance = np.zeros(2), np.zeros(2)
    for tap in taps:
        assert tap is not None
        k = int(np.argmin(np.abs(np.angle(tap.fit.poles) - np.angle(true))))
        found, cov, count = tap.fit.poles[k], covariance(tap.fit)[0], tap.fit.count
        off += [np.log(np.log(np.abs(found)) / np.log(np.abs(true))), np.angle(found) - np.angle(true)]
        more = np.array([b[k] if len(b) else 0.0 for b in (tap.bend_log_delta, tap.bend_omega)])
        variance += [cov[k, k], cov[count + k, count + k]] + TAPS * more**2
    return tuple(off / np.sqrt(variance))


@pytest.mark.slow
def test_clean_taps_are_the_same_objects() -> None:
    for seed in range(60):
        taps = _recording(seed)
        [after] = judged([taps], [0.0])
        # A pair is found by chance once in 300,000 modes: once in a thousand runs of these.
        assert all(a is b for a, b in zip(after, taps, strict=True))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kappa", "cents", "flags"),
    [(0.3, 0.0, {"not-exponential", "by-amplitude"}), (0.0, 5.0, {"glides", "by-amplitude"})],
)
def test_a_law_is_found_and_even_the_weak_mode_is_read_at_small_amplitude(
    kappa: float, cents: float, flags: set[str]
) -> None:
    off = []
    for seed in range(6):
        [after] = judged([_recording(seed, kappa, cents)], [0.0])
        assert _flags(after) == flags
        off += [x for mode in (*MODES, WEAK) for x in _off(after, mode)]
    # 72 errors; beside them, those of exponential fits are 2 to 30 standard errors off.
    assert np.sqrt(np.mean(np.square(off))) < 1.7
    assert np.max(np.abs(off)) < 4.5


def test_a_pair_in_one_mode_is_flagged_and_covered_and_the_others_stay() -> None:
    for seed in range(4):
        rng = np.random.default_rng([5, seed])
        taps: list[TapFit | None] = []
        for _ in range(TAPS):
            sound = sum(rung(f, t, a, 2 * np.pi * rng.random()) for f, t, a in MODES)
            second = 300.0 * float(np.exp(0.3 * rng.standard_normal()) / 1.5)
            sound = sound + rung(281.0, 0.35, 300.0, 0.4) + rung(281.8, 0.35, second, 0.4)
            # The fit sees one line.
            start = [pole(f, t) for f, t, _ in (*MODES, (281.3, 0.35, 0.0))]
            taps.append(fitted(sound + rng.standard_normal(LENGTH), start))
        [after] = judged([taps], [0.0])
        for tap, before in zip(after, taps, strict=True):
            assert tap is not None
            assert before is not None
            assert [bool(flags) for flags in tap.bend] == [False] * len(MODES) + [True]
            assert tap.bend[-1] == ("pair?",)
            at_hz = np.angle(tap.fit.poles[-1]) * RATE_HZ / (2 * np.pi)
            half_hz = 1.96 * tap.bend_omega[-1] * RATE_HZ / (2 * np.pi)
            assert at_hz - half_hz < 281.0 < 281.8 < at_hz + half_hz
            assert tap.fit is before.fit


def test_a_neighbour_that_every_tap_missed_is_no_pair() -> None:
    for seed in range(6):
        rng = np.random.default_rng([6, seed])
        taps: list[TapFit | None] = []
        for _ in range(TAPS):
            sound = sum(rung(f, t, a, 2 * np.pi * rng.random()) for f, t, a in MODES)
            sound = sound + rung(367.0, 0.3, 8.0, 2 * np.pi * rng.random())
            taps.append(fitted(sound + rng.standard_normal(LENGTH), [pole(f, t) for f, t, _ in MODES]))
        assert _flags(judged([taps], [0.0])[0]) == set()
