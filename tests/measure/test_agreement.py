"""Which sounds are taps, by what the modes of the others explain: decays of known poles, noise, and scenes."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest

from tapbatch.listen.files import hash_file
from tapbatch.measure.agreement import explained_after_all, left_by_db, self_left_db, strange, unexplained
from tapbatch.measure.fit import fit_modes
from tapbatch.measure.geometric import Samples, decays
from tapbatch.measure.prune import TapFit
from tapbatch.measure.recording import measure_recording
from tapbatch.model.reading import BandSettings, Reading
from tests.bench_simulator.phones import write_wav
from tests.bench_simulator.scenes import Take, play

RATE_HZ = 2000.0
LENGTH = 900
WOOD_HZ = (187.0, 262.0, 410.0)
OTHER_HZ = (143.0, 333.0, 520.0)


def tap(
    rng: np.random.Generator, freqs_hz: tuple[float, ...], level: float, noise: float = 1.0, t60_s: float = 0.4
) -> TapFit:
    """Return the fit of decays at these frequencies in noise; its own poles are the true ones."""
    poles = np.exp((-np.log(1000) / t60_s + 2j * np.pi * np.array(freqs_hz)) / RATE_HZ)
    samples = decays(poles, level * np.exp(2j * np.pi * rng.random(len(poles))), LENGTH)
    # What is not explained dies away as the decay does, like a room's answer.
    fading = np.exp(-np.arange(LENGTH) * np.log(1000) / t60_s / RATE_HZ)
    samples = samples + rng.standard_normal(LENGTH) * np.maximum(1.0, noise * fading)
    fit = fit_modes(Samples(samples), poles, most_steps=0)
    left = samples - decays(fit.poles, fit.weights, LENGTH)
    return TapFit(fit, samples, left, np.ones(fit.count), 0, RATE_HZ)


def test_what_is_left_is_what_was_made_of_something_else() -> None:
    """Two modes of three of one amplitude explain two thirds, which leaves 10 log10(1/3) = -4.8 dB."""
    rng = np.random.default_rng(1)
    zones = [[tap(rng, WOOD_HZ, 1000.0), tap(rng, WOOD_HZ[:2], 1000.0), tap(rng, OTHER_HZ, 1000.0)]]
    assert self_left_db(zones, 0) < -40.0
    assert left_by_db(zones, 0, 1) == pytest.approx(10 * np.log10(1 / 3), abs=0.3)
    assert left_by_db(zones, 0, 2) > -0.5


def test_among_sure_taps_a_soft_one_is_a_tap_and_another_sound_is_none() -> None:
    rng = np.random.default_rng(2)
    wood = [tap(rng, WOOD_HZ, 1000.0) for _ in range(4)]
    soft, voice = tap(rng, WOOD_HZ[1:], 3.0), tap(rng, OTHER_HZ, 100.0, noise=80.0)
    zones = [[*wood, soft, voice]]
    assert self_left_db(zones, 4) > -15.0
    assert self_left_db(zones, 5) > -15.0
    assert unexplained(zones, range(6)) == [5]
    # It is the same if the spectrum was judged first, or if the other sound rings as surely as wood.
    assert explained_after_all(zones, range(4), [4, 5]) == [4]
    zones = [[*wood, tap(rng, OTHER_HZ, 1000.0)]]
    assert unexplained(zones, range(5)) == []
    assert strange(zones, range(5), [0, 4]) == [4]
    assert strange(zones, [0, 1, 4], [4]) == []


def test_bursts_of_noise_do_not_explain_one_another_and_one_alone_is_not_judged() -> None:
    rng = np.random.default_rng(3)
    bursts = [tap(rng, tuple(rng.uniform(100.0, 900.0, 4)), 30.0, noise=60.0, t60_s=0.06) for _ in range(6)]
    assert unexplained([bursts], range(6)) == list(range(6))
    assert unexplained([bursts], [2]) == []


def test_taps_in_a_room_that_are_all_unsure_vouch_for_one_another() -> None:
    rng = np.random.default_rng(4)
    taps = [tap(rng, WOOD_HZ, 100.0, noise=60.0) for _ in range(4)]
    assert all(self_left_db([taps], at) > -15.0 for at in range(4))
    assert unexplained([taps], range(4)) == []


# ------------------------------------------------------- scenes of the second simulator, as the product reads them


def read(scene: str, number: int) -> tuple[Take, Reading]:
    """Return a recording of a scene and its reading."""
    (take,) = play(scene, number).takes
    with tempfile.TemporaryDirectory() as folder:
        path = write_wav(
            Path(folder) / "take.wav", take.samples, take.sample_rate_hz, np.random.default_rng([number, 13])
        )
        return take, measure_recording(path, hash_file(path), BandSettings())


def used_s(reading: Reading) -> list[float]:
    return [t.tap.onset_s for t in reading.used_taps]


@pytest.mark.parametrize("number", [0, 11])
def test_syllables_between_taps_are_refused_and_the_taps_are_used(number: int) -> None:
    """In these two recordings, 5 syllables were used when modes near one another were enough for a vote."""
    take, reading = read("talk", number)
    assert used_s(reading) == pytest.approx(take.taps_s, abs=0.02)


@pytest.mark.parametrize(("scene", "number"), [("claps", 7), ("doors", 3)])
def test_claps_doors_and_steps_alone_are_no_taps(scene: str, number: int) -> None:
    """Before, 6 claps of 9 and 5 knocks of 8 were used."""
    _, reading = read(scene, number)
    assert used_s(reading) == []
    assert "no tap" in {notice.kind for notice in reading.notices}


@pytest.mark.parametrize(("scene", "number"), [("scatter", 300), ("bounce", 312)])
def test_soft_taps_and_taps_at_nodes_are_used(scene: str, number: int) -> None:
    """One to two taps of each were refused: their spectrum differs, but it is of the same modes."""
    take, reading = read(scene, number)
    assert used_s(reading) == pytest.approx(take.taps_s, abs=0.02)
