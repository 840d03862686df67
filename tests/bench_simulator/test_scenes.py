"""Scenes: the same again from the same number, and what they share; none knows the product's own simulator."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

from tests.bench_simulator import scenes

HERE = Path(__file__).parent
NEAR = ("dry", "bounce", "contact", "fan", "scatter", "talk", "gain", "damping", "pitch", "pair")


@pytest.mark.parametrize("name", ["dry", "talk"])
def test_the_same_number_gives_the_same_samples(name: str) -> None:
    one, two = scenes.play(name, 3), scenes.play(name, 3)
    assert np.array_equal(one.takes[0].samples, two.takes[0].samples)
    assert not np.array_equal(one.takes[0].samples[:1000], scenes.play(name, 4).takes[0].samples[:1000])


@pytest.mark.parametrize("name", NEAR)
def test_each_scene_strikes_the_same_plate(name: str) -> None:
    played = scenes.play(name, 1)
    plain = {m.freq_hz for m in scenes.play("dry", 1).plate.modes}
    assert plain <= {m.freq_hz for m in played.plate.modes}
    (take,) = played.takes
    assert len(take.taps_s) == 5
    assert max(played.levels_db) == pytest.approx(0.0)
    assert np.abs(take.samples).max() < 1.0
    for at_s in take.taps_s:
        at = round(at_s * take.sample_rate_hz)
        before, after = take.samples[at - 480 : at - 48], take.samples[at : at + 960]
        assert np.abs(after).max() > 1.5 * np.abs(before).max()


@pytest.mark.parametrize("name", ["speech", "claps", "doors"])
def test_lone_sounds_hold_no_tap(name: str) -> None:
    played = scenes.play(name, 1)
    (take,) = played.takes
    assert (take.taps_s, played.levels_db) == ((), ())
    assert len(take.others_s) >= 4


@pytest.mark.slow
def test_near_and_far_share_the_room() -> None:
    if why := scenes.why_not("still-30"):
        pytest.skip(why)
    far, near = scenes.play("still-30", 0), scenes.play("still-5", 0)
    assert far.plate == near.plate
    assert near.takes[0].direct_db - far.takes[0].direct_db == pytest.approx(15.6, abs=4.0)


@pytest.mark.slow
def test_two_microphones_in_line_are_a_stereo_file() -> None:
    """The far one hears the direct sound later by the way there (343 m/s) and softer by the distance law."""
    if why := scenes.why_not("line-5"):
        pytest.skip(why)
    (take,) = scenes.play("line-5", 0).takes
    rate_hz = take.sample_rate_hz
    at = round(take.taps_s[0] * rate_hz)
    near, far = take.samples[at - 96 : at + 480].T
    lags = np.arange(-40, 41)
    likeness = [float(np.dot(near[50:500], far[50 + lag : 500 + lag])) for lag in lags]
    assert lags[int(np.argmax(likeness))] == pytest.approx(0.1 / 343 * rate_hz, abs=4)
    assert np.abs(near).max() / np.abs(far).max() == pytest.approx(3.0, rel=0.3)


def test_it_shares_nothing_with_the_products_simulator() -> None:
    """Only the judge knows the product, and only its values."""
    for path in sorted(HERE.glob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        names = {n.module or "" for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)}
        names |= {a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}
        known = {name for name in names if name.split(".")[0] == "tapbatch"}
        assert not any("simulate" in name for name in names), path
        if "judge" not in path.name:
            assert known == set(), path
        assert all(name.startswith("tapbatch.model") for name in known), path
