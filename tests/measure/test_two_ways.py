"""Both channels of a stereo file are used where that is better, and the nearer one elsewhere."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tapbatch.measure.recording import measure_recording
from tapbatch.measure.two_ways import second_is_better
from tapbatch.model.reading import BandSettings, Reading, TapReading
from tests.bench_simulator import phones, scenes
from tests.bench_simulator.world import stream
from tests.compare.builds import mode, tap_reading


def reading_with(errors_hz: list[float], number: int = 1) -> TapReading:
    """Return the tap that begins after so many seconds, its modes with these standard errors."""
    return tap_reading(number, [mode(100.0 * k, freq_se_hz=error) for k, error in enumerate(errors_hz, start=1)])


@pytest.mark.parametrize(
    ("first", "second", "better"),
    [
        ([0.2, 0.2, 0.2], [0.1, 0.1, 0.1], True),
        ([0.1, 0.1, 0.1], [0.2, 0.2, 0.2], False),
        ([0.2, 0.2, 0.2], [0.1, 0.1], True),
        ([0.2, 0.2, 0.2], [0.1], False),
        ([0.1, 0.1], [0.1, 0.1, 0.1], True),
        ([0.2, 0.2], [], False),
        ([], [0.2, 0.2], False),
    ],
)
def test_smaller_errors_and_more_modes_are_better(first: list[float], second: list[float], better: bool) -> None:
    assert second_is_better([reading_with(first)], [reading_with(second)]) is better


def test_taps_that_are_not_the_same_tell_nothing() -> None:
    assert not second_is_better([reading_with([0.2])], [reading_with([0.1], number=2)])
    one, other = reading_with([0.2]), reading_with([0.1])
    assert not second_is_better([replace(one, tap=replace(one.tap, used=False))], [other])


def measured(folder: Path, samples: np.ndarray, rate_hz: int) -> Reading:
    path = folder / "a.wav"
    phones.write_wav(path, samples, rate_hz, stream("dither", "in line", 0, 0))
    return measure_recording(path, "0" * 64, BandSettings())


def kinds(reading: Reading) -> set[str]:
    return {notice.kind for notice in reading.notices} & {"channel", "in line"}


@pytest.mark.slow
def test_two_microphones_in_a_room_are_used_together(tmp_path: Path) -> None:
    """A room of the second simulator, 10 cm from the instrument: the direct sound then stands out more."""
    (take,) = scenes.play("line-10", 1).takes
    both = measured(tmp_path, take.samples, take.sample_rate_hz)
    near = measured(tmp_path, take.samples[:, 0], take.sample_rate_hz)
    assert kinds(both) == {"in line"}
    assert both.direct_db is not None
    assert near.direct_db is not None
    assert both.direct_db > near.direct_db


@pytest.mark.slow
def test_without_a_room_the_nearer_microphone_is_used_alone(tmp_path: Path) -> None:
    """The far one only adds its noise, as loud as the near one's."""
    (take,) = scenes.play("dry", 1).takes
    near = np.asarray(take.samples)
    hiss = np.random.default_rng(1).standard_normal(len(near)) * near[: take.sample_rate_hz // 10].std()
    far = 0.6 * np.concatenate([np.zeros(14), near[:-14]]) + 0.8 * hiss
    assert kinds(measured(tmp_path, np.stack([near, far], axis=1), take.sample_rate_hz)) == {"channel"}
