"""The recordings of a stage decide together: kept taps come back as they were, and weak modes are found by all."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom, chi2, ncx2

from tapbatch.measure.all_recordings import decided_together
from tapbatch.measure.kept_taps import MOST_SAMPLES, MOST_TAPS, KeptTaps, restored
from tapbatch.measure.recording import measure_recording
from tapbatch.model.reading import LN_1000, BandSettings, Coupling, Mode, Reading
from tapbatch.results.readings import reading_to_json
from tests.compare.builds import mode, reading
from tests.measure.kept import OUT_HZ, STRONG_HZ, T60_S, WEAK_HZ, kept_tap
from tests.shops import write_wav


def _stage(ratios: list[float], rng: np.random.Generator) -> tuple[list[Reading], list[KeptTaps | None]]:
    """Return recordings of one tap; the first knows the weak mode, whatever its energy in the others."""
    strong, weak = mode(STRONG_HZ, T60_S, -40.0), mode(WEAK_HZ, T60_S, -60.0)
    readings = [reading([[strong, weak]]), *(reading([[strong]]) for _ in ratios)]
    return readings, [kept_tap(rng, 2000.0, found=True), *(kept_tap(rng, ratio) for ratio in ratios)]


def _count(readings: list[Reading]) -> list[int]:
    return [len(t.modes) for r in readings for t in r.taps]


def test_a_mode_of_one_recording_is_listed_in_all_that_show_it_together() -> None:
    readings, kept = _stage([40.0] * 4, np.random.default_rng(1))
    after = decided_together(readings, kept)
    assert _count(after) == [2] * 5
    assert after[0] is readings[0]
    for each in after[1:]:
        strong, weak = each.taps[0].modes
        assert strong is readings[1].taps[0].modes[0]
        assert weak.freq_hz == pytest.approx(WEAK_HZ, abs=4.0)
        # An energy of 40 times the density: the amplitude is known to a sixth or so; the whitener has a gain of 1e4.
        density = 10 * math.log10(1e-8 / OUT_HZ)
        assert weak.energy_db == pytest.approx(density + 10 * math.log10(40.0), abs=5.0)


@pytest.mark.slow
def test_where_nothing_rings_nothing_is_added() -> None:
    rng, trials, false = np.random.default_rng(2), 150, 0
    for _ in range(trials):
        false += _count(decided_together(*_stage([0.0] * 3, rng))) != [2, 1, 1, 1]
    # The rate is 1 in 100,000 for each mode asked.
    assert false <= binom.ppf(0.999, trials, 1e-5)


@pytest.mark.slow
@pytest.mark.parametrize("ratio", [4.0, 8.0, 25.0])
def test_power_is_that_of_the_sum_over_recordings(ratio: float) -> None:
    """Four recordings: chi-square with 8 degrees of freedom and the non-centrality 4 R, passed at 1 in 100,000."""
    rng, trials, found = np.random.default_rng(3), 60, 0
    power = float(ncx2.sf(chi2.isf(1e-5, 8), 8, 4 * ratio))
    for _ in range(trials):
        found += _count(decided_together(*_stage([ratio] * 4, rng))) == [2] * 5
    assert (
        binom.ppf(0.001, trials, max(power - 0.05, 0.0)) <= found <= binom.ppf(0.999, trials, min(power + 0.05, 1.0))
    )


def test_recordings_of_which_nothing_is_kept_are_not_asked() -> None:
    readings, kept = _stage([40.0] * 4, np.random.default_rng(4))
    kept[2] = None
    assert _count(decided_together(readings, kept)) == [2, 2, 1, 2, 2]
    only = decided_together(readings, [kept[0], None, None, None, None])
    assert all(after is before for after, before in zip(only, readings, strict=True))
    # Without its proposer, nobody asks.
    assert _count(decided_together(readings, [None, *kept[1:]])) == [2, 1, 1, 1, 1]


def test_recordings_of_another_rate_are_asked_apart() -> None:
    readings, kept = _stage([40.0] * 4, np.random.default_rng(5))
    kept[4] = replace(kept[4], sample_rate_hz=44100) if kept[4] else None
    assert _count(decided_together(readings, kept)) == [2, 2, 2, 2, 1]


def test_couplings_stay_between_their_modes() -> None:
    readings, kept = _stage([40.0] * 4, np.random.default_rng(6))
    upper: Mode = mode(900.0, T60_S, -50.0)
    tap = readings[1].taps[0]
    coupling = Coupling(first=0, second=1, freq_freq=0.1, freq_t60=0.2, t60_freq=0.3, t60_t60=0.4)
    readings[1] = replace(readings[1], taps=(replace(tap, modes=(*tap.modes, upper), couplings=(coupling,)),))
    after = decided_together(readings, kept)[1].taps[0]
    assert [round(m.freq_hz, -2) for m in after.modes] == [200.0, 600.0, 900.0]
    assert after.couplings == (replace(coupling, second=2),)


def _taps(path: Path, count: int, t60_s: float = 0.3) -> Path:
    rng, rate_hz, n = np.random.default_rng(7), 8000, np.arange(8000)
    rings = [np.exp(-LN_1000 / t60_s * n / rate_hz) * np.sin(2 * np.pi * hz / rate_hz * n) for hz in (180.0, 410.0)]
    dry = np.concatenate([np.zeros(8000), *([0.2 * np.sum(rings, axis=0)] * count)])
    return write_wav(path, dry + 1e-4 * rng.standard_normal(len(dry)), rate_hz)


def test_kept_taps_are_as_the_fit_saw_them(tmp_path: Path) -> None:
    kept: list[KeptTaps] = []
    read = measure_recording(_taps(tmp_path / "a.wav", 3), "", BandSettings(), kept.append)
    assert reading_to_json(measure_recording(tmp_path / "a.wav", "", BandSettings())) == reading_to_json(read)
    assert [t.number for t in kept[0].taps] == [t.tap.number for t in read.used_taps]
    assert len(kept[0].taps) == 3
    for tap in kept[0].taps:
        found, zone = restored(kept[0], tap)
        assert np.mean(found.residual**2) == pytest.approx(1.0, abs=0.3)
        true_hz = sorted(zone.decimator.true_hz(found.fit.poles).tolist())
        assert true_hz == pytest.approx([180.0, 410.0], abs=0.2)


@pytest.mark.slow
def test_what_is_kept_is_bounded(tmp_path: Path) -> None:
    kept: list[KeptTaps] = []
    read = measure_recording(_taps(tmp_path / "a.wav", MOST_TAPS + 3), "", BandSettings(), kept.append)
    assert len(read.used_taps) == MOST_TAPS + 3
    assert len(kept[0].taps) == MOST_TAPS
    assert max(len(t.samples) for t in kept[0].taps) <= MOST_SAMPLES
    for kind in ("pluck", "room"):
        measure_recording(tmp_path / "a.wav", "", BandSettings(kind=kind), lambda _: pytest.fail("kept"))  # type: ignore[arg-type]
