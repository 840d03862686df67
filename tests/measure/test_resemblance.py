"""Resemblance: one place in a room answers alike, another does not; where nothing is heard, nothing is claimed.

The room is a tail of noise that dies away, the usual model of a diffuse one (Polack, 1988), made here with numpy.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import fftconvolve

from tapbatch.measure.kept_taps import KeptTaps
from tapbatch.measure.recording import measure_recording
from tapbatch.measure.resemblance import Left, left_of, resemblance
from tapbatch.model.reading import BandSettings
from tests.bench_simulator.phones import write_wav

RATE_HZ = 16_000
MODES = ((142.0, 0.31), (231.0, 0.22), (318.0, 0.41), (437.0, 0.18), (562.0, 0.25), (811.0, 0.2))
Floats = NDArray[np.float64]


def a_room(seed: int, direct_db: float = 10.0, rt60_s: float = 0.5) -> Floats:
    """Return a response: direct sound, then a diffuse tail of that energy."""
    rng, t = np.random.default_rng([1, seed]), np.arange(RATE_HZ) / RATE_HZ
    tail = rng.normal(size=RATE_HZ) * np.exp(-6.908 * t / rt60_s) * (t > 0.004)
    tail *= 10.0 ** (-direct_db / 20.0) / np.sqrt((tail**2).sum())
    tail[0] += 1.0
    return tail


def kept(folder: Path, hand: int, room: Floats | None, cents: float = 0.0, taps: int = 4) -> KeptTaps:
    """Return what is kept of a recording; each hand hits a little differently each time."""
    rng = np.random.default_rng([2, hand])
    sound = np.zeros(round((1.0 + 1.3 * taps) * RATE_HZ))
    for n in range(taps):
        at = round((1.0 + 1.3 * n + rng.uniform(0.0, 0.1)) * RATE_HZ)
        t = np.arange(RATE_HZ) / RATE_HZ
        ring = sum(
            10.0 ** (rng.normal(0.0, 2.5) / 20.0) * np.sin(2 * np.pi * f * 2.0 ** (cents / 1200.0) * t)
            * np.exp(-6.908 * t / t60) for f, t60 in MODES
        )  # fmt: skip
        sound[at : at + RATE_HZ] += ring[: len(sound) - at]
    heard = sound if room is None else fftconvolve(sound, room)[: len(sound)]
    heard = 0.3 * heard / np.abs(heard).max() + rng.normal(0.0, 2e-4, len(sound))
    path = folder / f"{hand}.wav"
    write_wav(path, heard, RATE_HZ, rng)
    found: list[KeptTaps] = []
    measure_recording(path, "0" * 64, BandSettings(), found.append)
    return found[0]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("rooms")


@pytest.fixture(scope="module")
def here(folder: Path) -> tuple[Left, ...]:
    return left_of([kept(folder, 0, a_room(0))])


def test_the_same_place_answers_alike(folder: Path, here: tuple[Left, ...]) -> None:
    alike = resemblance(here, left_of([kept(folder, 1, a_room(0))]))
    assert alike is not None
    assert alike > 0.85


def test_so_it_does_after_a_cut(folder: Path, here: tuple[Left, ...]) -> None:
    alike = resemblance(here, left_of([kept(folder, 2, a_room(0), cents=5.0)]))
    assert alike is not None
    assert alike > 0.75


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_another_place_answers_otherwise(folder: Path, here: tuple[Left, ...], seed: int) -> None:
    alike = resemblance(here, left_of([kept(folder, 10 + seed, a_room(seed))]))
    assert alike is not None
    assert abs(alike) < 0.6


def test_noise_alone_resembles_nothing(folder: Path) -> None:
    one, other = (left_of([kept(folder, hand, None)]) for hand in (20, 21))
    alike = resemblance(one, other)
    assert alike is not None
    assert abs(alike) < 0.5


def test_it_does_not_matter_which_comes_first(folder: Path, here: tuple[Left, ...]) -> None:
    other = left_of([kept(folder, 1, a_room(0))])
    assert resemblance(here, other) == pytest.approx(resemblance(other, here), abs=0.02)


def test_single_taps_of_several_recordings_count_together(folder: Path, here: tuple[Left, ...]) -> None:
    takes = [kept(folder, hand, a_room(0), taps=1) for hand in (30, 31, 32)]
    assert [len(left_of(takes[:n])) for n in (1, 2, 3)] == [1, 2, 3]
    alike = resemblance(here, left_of(takes))
    assert alike is not None
    assert alike > 0.75


def test_a_group_from_two_places_is_not_shown_to_be_like_another(folder: Path, here: tuple[Left, ...]) -> None:
    mixed = left_of([kept(folder, hand, a_room(seed), taps=1) for hand, seed in ((30, 0), (33, 4), (34, 5))])
    alike = resemblance(here, mixed)
    assert alike is not None
    assert alike < 0.75
