"""A recording cut into sections is still that recording, cut where nothing sounds, in one channel."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tapbatch.listen.decode import decode
from tapbatch.listen.sections import Section, sections
from tapbatch.model.errors import SoundError
from tapbatch.model.notice import Notice
from tapbatch.model.progress import listening
from tests.refusals import refused

RATE_HZ = 8000


def ringing(onsets_s: list[float], duration_s: float, *, gain: float = 0.3, noise: float = 1e-3) -> np.ndarray:
    """Return decays of 187 Hz over noise, 16-bit steps."""
    time_s = np.arange(round(RATE_HZ * duration_s)) / RATE_HZ
    sound = noise * np.random.default_rng(4).standard_normal(time_s.size)
    for onset_s in onsets_s:
        since_s = np.clip(time_s - onset_s, 0, None)
        sound += gain * np.sin(2 * np.pi * 187 * since_s) * np.exp(-since_s * np.log(1000) / 0.4)
    return np.rint(np.clip(sound, -1, 1) * 32767) / 32768


def write(path: Path, samples: np.ndarray) -> Path:
    soundfile.write(path, samples, RATE_HZ, format="WAV", subtype="PCM_16")
    return path


def put_together(found: list[Section]) -> np.ndarray:
    return np.concatenate([s.sound.samples[s.lead :] for s in found])


@pytest.mark.slow
@given(count=st.integers(1, 60 * RATE_HZ), most_s=st.integers(4, 70))
@settings(max_examples=25, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_nothing_is_lost_and_nothing_is_there_twice(tmp_path: Path, count: int, most_s: int) -> None:
    samples = ringing([3.0 * k for k in range(20)], 60.0)[:count]
    path = write(tmp_path / "a.wav", samples)
    found = list(sections(path, most_samples=most_s * RATE_HZ))
    assert [s.last for s in found] == [False] * (len(found) - 1) + [True]
    assert all(len(s.sound.samples) <= most_s * RATE_HZ for s in found)
    np.testing.assert_array_equal(put_together(found), decode(path).samples)
    for before, after in itertools.pairwise(found):
        assert after.first + after.lead == before.first + len(before.sound.samples)
        assert after.lead == RATE_HZ // 4


@pytest.mark.parametrize("channels", [1, 2])
def test_a_recording_longer_than_the_budget_is_read_as_far_as_it_goes(tmp_path: Path, channels: int) -> None:
    """The budget counts the samples of all channels, so every machine stops at the same one."""
    samples = ringing([3.0 * k for k in range(20)], 60.0)
    path = write(tmp_path / "a.wav", np.column_stack([samples] * channels))
    found = list(sections(path, most_samples=10 * RATE_HZ, budget_samples=30 * channels * RATE_HZ))
    (notice,) = (n for n in found[-1].sound.notices if n.kind == "too long")
    assert notice.there_s == pytest.approx(30.0, abs=10.0)
    read = put_together(found)
    np.testing.assert_array_equal(read, samples[: round(notice.there_s * RATE_HZ)])
    assert not [n for n in found[-1].sound.notices if n.kind == "cut"]


def test_a_short_recording_is_one_section_and_that_is_what_is_decoded(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", ringing([0.5, 1.5], 3.0, gain=2.0))
    (only,) = sections(path)
    sound = decode(path)
    assert only.whole
    np.testing.assert_array_equal(only.sound.samples, sound.samples)
    assert only.sound.clipped is not None
    assert sound.clipped is not None
    np.testing.assert_array_equal(only.sound.clipped, sound.clipped)
    assert only.sound.notices == sound.notices == (Notice("clipped"),)


@pytest.mark.parametrize("apart_s", [1.7, 2.5, 6.0])
def test_no_decay_is_cut(tmp_path: Path, apart_s: float) -> None:
    onsets_s = list(np.arange(0.7, 118.0, apart_s))
    found = list(sections(write(tmp_path / "a.wav", ringing(onsets_s, 120.0)), most_samples=20 * RATE_HZ))
    assert len(found) > 6
    for section in found[1:]:
        cut_s = (section.first + section.lead) / RATE_HZ
        since_s = min(cut_s - o for o in onsets_s if o <= cut_s)
        left_s = min((o - cut_s for o in onsets_s if o > cut_s), default=1.0)
        # 0.4 s of decay is 20 dB over the noise after 0.2 s; the second before a cut holds the end of one at most.
        assert since_s > min(1.0, apart_s - 0.4)
        assert left_s > 0.29


def test_steady_sound_without_any_calm_is_cut_all_the_same(tmp_path: Path) -> None:
    tone = 0.5 * np.sin(2 * np.pi * 300 * np.arange(60 * RATE_HZ) / RATE_HZ)
    path = write(tmp_path / "a.wav", tone)
    found = list(sections(path, most_samples=10 * RATE_HZ))
    assert 6 <= len(found) <= 12
    np.testing.assert_array_equal(put_together(found), decode(path).samples)


def test_the_channel_is_settled_where_something_sounds_and_kept(tmp_path: Path) -> None:
    left, right = ringing([12.0], 60.0, noise=1e-3), ringing([12.0, 40.0], 60.0, noise=2e-4)
    path = write(tmp_path / "a.wav", np.stack([left, right], axis=1))
    found = list(sections(path, most_samples=20 * RATE_HZ))
    settled = next(i for i, s in enumerate(found) if s.first + len(s.sound.samples) > 13 * RATE_HZ)
    for section in found[settled:]:
        piece = right[section.first : section.first + len(section.sound.samples)]
        assert np.max(np.abs(section.sound.samples - piece)) <= 2**-15
    assert found[-1].sound.notices == (Notice("channel", number=2, count=2),)


def test_what_is_noticed_counts_for_the_whole_file(tmp_path: Path) -> None:
    sound = ringing([5.0], 60.0)
    sound[5 * RATE_HZ : 6 * RATE_HZ] = np.clip(8 * sound[5 * RATE_HZ : 6 * RATE_HZ], -1, 1)
    path = tmp_path / "a.wav"
    bad = sound.copy()
    bad[[7, 50 * RATE_HZ]] = np.nan
    soundfile.write(path, bad, RATE_HZ, subtype="FLOAT")
    raw = path.read_bytes()
    path.write_bytes(raw[: len(raw) - 4 * 4 * RATE_HZ])
    found = list(sections(path, most_samples=20 * RATE_HZ))
    assert len(found) > 2
    assert all(s.sound.notices == () for s in found[:-1])
    assert found[-1].sound.notices == (
        Notice("cut", there_s=pytest.approx(56.0), promised_s=pytest.approx(60.0)),  # type: ignore[arg-type]
        Notice("non-finite samples", count=2),
        Notice("clipped"),
    )


@pytest.mark.parametrize("kind", ["WAV", "FLAC", "OGG", "MP3"])
def test_how_far_it_is_grows_to_the_end(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "a.bin"
    soundfile.write(path, ringing([1.0], 40.0), RATE_HZ, format=kind)
    shares: list[float] = []
    with listening(shares.append):
        found = list(sections(path, most_samples=15 * RATE_HZ))
    assert len(found) > 1
    assert shares == sorted(shares)
    assert 0 < shares[0] < 0.5
    assert shares[-1] == pytest.approx(1.0, abs=0.01)


def test_more_than_can_be_held_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros((100, 64)), 192_000)
    with refused(SoundError, "a.wav", 64, 192000):
        list(sections(path))
