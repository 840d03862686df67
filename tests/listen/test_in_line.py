"""Two microphones at unlike distances: found by lag and level, and the room taken off as theory has it."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.listen.in_line import InLine, in_line, without_room
from tapbatch.listen.sections import sections
from tapbatch.model.notice import Notice

RATE_HZ = 48000
SOUND_M_S = 343.0  # at 20 °C, a handbook value


def knocks(seed: int, count: int = 3) -> np.ndarray:
    """Return knocks, each a burst of noise that decays, over a quiet floor."""
    rng = np.random.default_rng(seed)
    samples = 1e-4 * rng.standard_normal(RATE_HZ)
    for k in range(count):
        at = RATE_HZ // 8 + k * RATE_HZ // 4
        samples[at : at + 4800] += 0.3 * rng.standard_normal(4800) * np.exp(-np.arange(4800) / 960)
    return samples


def later(samples: np.ndarray, lag: int, gain: float) -> np.ndarray:
    return gain * np.concatenate([np.zeros(lag), samples[: len(samples) - lag]])


@given(lag=st.integers(3, 55), gain=st.floats(0.2, 0.85), near=st.sampled_from([0, 1]), seed=st.integers(0, 50))
def test_the_earlier_and_louder_channel_is_the_near_one(lag: int, gain: float, near: int, seed: int) -> None:
    first = knocks(seed)
    pair = (first, later(first, lag, gain))
    assert in_line(pair if near == 0 else pair[::-1], RATE_HZ) == InLine(near=near, lag=lag)


@pytest.mark.parametrize(
    ("lag", "gain"),
    [(0, 1.0), (0, 0.5), (1, 0.5), (14, 1.0), (14, 1.5), (200, 0.5)],
    ids=["one microphone", "panned", "side by side", "no louder", "the later is louder", "over 40 cm apart"],
)
def test_no_pair_in_line(lag: int, gain: float) -> None:
    first = knocks(1)
    assert in_line((first, later(first, lag, gain)), RATE_HZ) is None


def test_no_pair_where_the_channels_have_nothing_in_common() -> None:
    assert in_line((knocks(1), 0.5 * knocks(2)), RATE_HZ) is None
    assert in_line((np.zeros(RATE_HZ), np.zeros(RATE_HZ)), RATE_HZ) is None
    assert in_line((np.zeros(0), np.zeros(0)), RATE_HZ) is None


@pytest.mark.parametrize("freq_hz", [100.0, 300.0, 600.0, 1000.0])
def test_of_a_diffuse_field_what_theory_says_is_left(freq_hz: float) -> None:
    """The best estimate leaves ``1 - (sin kd / kd)^2`` of the power: coherence of Cook et al. (1955), as in the code.

    The field is made of 4,000 plane waves from directions spread evenly over the sphere, with random phases. The mean
    over 200 such fields varies by a tenth.
    """
    lag = 14
    apart_m = lag / RATE_HZ * SOUND_M_S
    kd = 2 * np.pi * freq_hz / SOUND_M_S * apart_m
    rng = np.random.default_rng(round(freq_hz))
    cosines = (np.arange(4000) + 0.5) / 2000 - 1.0
    t = np.arange(400) / RATE_HZ
    left = whole = 0.0
    for _ in range(200):
        phasors = np.exp(2j * np.pi * rng.random(4000))
        near, far = phasors.sum(), (phasors * np.exp(1j * kd * cosines)).sum()
        carrier = np.exp(2j * np.pi * freq_hz * t)
        out = without_room(((near * carrier).real, (far * carrier).real), InLine(near=0, lag=lag))[20:-20]
        quarter = without_room(((near * carrier).imag, (far * carrier).imag), InLine(near=0, lag=lag))[20:-20]
        left += float(out @ out + quarter @ quarter)
        whole += abs(near) ** 2 * len(out)
    assert left / whole == pytest.approx(1 - (np.sin(kd) / kd) ** 2, rel=0.3, abs=0.005)


def test_a_decay_keeps_its_pole() -> None:
    n = np.arange(4000)
    decay = np.exp(-0.002 * n) * np.cos(0.05 * n)
    out = without_room((decay, later(decay, 14, 0.5)), InLine(near=0, lag=14))[100:3000]
    # Of a decay, x[n+1] = 2 e^-a cos(w) x[n] - e^-2a x[n-1].
    left = out[2:] - 2 * np.exp(-0.002) * np.cos(0.05) * out[1:-1] + np.exp(-0.004) * out[:-2]
    assert np.abs(left).max() < 1e-12


def test_every_section_has_both_channels_together(tmp_path: Path) -> None:
    near = np.concatenate([knocks(1), knocks(2), knocks(3), knocks(4)])
    soundfile.write(tmp_path / "a.wav", np.stack([later(near, 14, 0.5), near], axis=1), RATE_HZ)
    found = list(sections(tmp_path / "a.wav", most_samples=3 * RATE_HZ))
    assert len(found) > 1
    assert all(section.both is not None for section in found)
    assert all(len(section.both.samples) == len(section.sound.samples) for section in found if section.both)
    last = found[-1]
    assert last.both is not None
    (said,) = [notice for notice in last.both.notices if notice.kind in ("channel", "in line")]
    assert (said.kind, said.number) == ("in line", 2)
    assert said.apart_cm == pytest.approx(10.0, abs=0.1)
    assert Notice("channel", number=2, count=2) in last.sound.notices


def test_one_channel_has_nothing_to_take_off(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", knocks(1), RATE_HZ)
    assert [section.both for section in sections(tmp_path / "a.wav")] == [None]
