"""Taps are found and placed, and what is none keeps its row with a reason: on made-up recordings of known truth."""

from dataclasses import replace

import mir_eval
import numpy as np
import pytest

from tapbatch.listen.taps import find_taps, quiet_stretches
from tapbatch.model.reading import Sound
from tapbatch.simulate.taps import SimMode, Strike, recording, white_noise
from tests.benchmarks.onsets import a_scene, scored

MODES = tuple(SimMode(f, t, 0.05) for f, t in ((95.0, 0.5), (190.0, 0.35), (270.0, 0.4), (600.0, 0.2)))


def _sound(onsets_s: list[float], *, duration_s: float, seed: int = 1, rate_hz: int = 16000) -> Sound:
    rng = np.random.default_rng(seed)
    noise = white_noise(int(duration_s * rate_hz), rng, rms=3e-5)
    strikes = [Strike(onset_s=t, modes=MODES, contact_s=0.0015) for t in onsets_s]
    samples, _ = recording(strikes, duration_s=duration_s, sample_rate_hz=rate_hz, noise=noise)
    return Sound(samples=samples, sample_rate_hz=rate_hz)


def _used(sound: Sound) -> list[float]:
    return [t.onset_s for t in find_taps(sound) if t.used]


def test_the_score_counts_as_published() -> None:
    """Reference value O03: the hand example, computed with mir_eval 0.8.2 (from memory in the reference)."""
    reference, estimated = np.array([0.5, 1.0, 1.5, 2.0]), np.array([0.51, 1.049, 1.56, 2.0, 2.02])
    f, precision, recall = mir_eval.onset.f_measure(reference, estimated, window=0.05)
    assert (round(precision, 6), round(recall, 6), round(f, 6)) == (0.6, 0.75, 0.666667)


@pytest.mark.slow
@pytest.mark.parametrize("first", [0, 8, 16])
def test_taps_among_bounces_knocks_and_talk(first: int) -> None:
    """Onset F-measure (mir_eval, 20 ms) of at least 0.99, every tap within 5 ms."""
    scenes = [a_scene(seed) for seed in range(first, first + 8)]
    scores = [scored(scene, find_taps(scene.sound)) for scene in scenes]
    assert np.mean([s.f_measure for s in scores]) >= 0.99
    assert max(abs(e) for s in scores for e in s.errors_s) < 0.005


@pytest.mark.slow
def test_what_is_no_tap_says_why() -> None:
    scenes = [a_scene(seed) for seed in range(4)]
    for tap in (t for scene in scenes for t in find_taps(scene.sound)):
        assert tap.used != bool(tap.reason)
        assert tap.onset_s < tap.free_from_s


@pytest.mark.parametrize("scale", [0.01, 0.3, 3.0])
def test_scaling_the_sound_leaves_onsets_alone(scale: float) -> None:
    sound = _sound([0.7, 1.9], duration_s=3.0)
    assert _used(sound) == pytest.approx(_used(replace(sound, samples=scale * sound.samples)), abs=0.0011)


@pytest.mark.parametrize("later_s", [0.1, 0.75])
def test_delaying_the_sound_moves_onsets_only(later_s: float) -> None:
    sound = _sound([0.7, 1.9], duration_s=3.0)
    quiet = 3e-5 * np.random.default_rng(9).standard_normal(int(later_s * 16000))
    delayed = replace(sound, samples=np.concatenate([quiet, sound.samples]))
    assert np.array(_used(delayed)) - later_s == pytest.approx(np.array(_used(sound)), abs=0.0011)


def test_a_lone_tap_without_any_quiet_is_found() -> None:
    sound = _sound([0.02], duration_s=0.5)
    assert _used(sound) == pytest.approx([0.02], abs=0.005)


@pytest.mark.parametrize(
    "samples", [np.zeros(16000), np.zeros(3), 1e-3 * np.random.default_rng(2).standard_normal(32000)]
)
def test_silence_and_noise_hold_no_tap(samples: np.ndarray) -> None:
    assert not any(t.used for t in find_taps(Sound(samples=samples, sample_rate_hz=16000)))


def test_quiet_is_where_nothing_rings() -> None:
    sound = _sound([1.0, 2.6], duration_s=4.0)
    for first, last in quiet_stretches(sound, find_taps(sound)):
        assert not any(t - 0.001 < last / 16000 and first / 16000 < t + 0.25 for t in (1.0, 2.6))
