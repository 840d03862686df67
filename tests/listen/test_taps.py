"""Taps found and placed: held to simulated truth, the sample shop's table, real recordings and symmetries."""

from __future__ import annotations

import csv
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from tapbatch.listen.decode import decode
from tapbatch.listen.envelope import above_rumble
from tapbatch.listen.taps import find_taps, quiet_stretches
from tapbatch.model.reading import Sound, Tap
from tapbatch.simulate import taps as sim
from tests.benchmarks.onsets import a_scene, scored

ROOT = Path(__file__).resolve().parents[2]
REAL = ROOT / "tests" / "recordings"
RATE_HZ = 16000
BODY = (
    sim.SimMode(112.0, 0.45, 0.6),
    sim.SimMode(187.0, 0.35, 1.0, 0.8),
    sim.SimMode(283.0, 0.28, 0.8, -1.1),
    sim.SimMode(451.0, 0.2, 0.5, 2.0),
)


def moved(modes: Sequence[sim.SimMode], level_db: float) -> tuple[sim.SimMode, ...]:
    return tuple(sim.moved(m, level_db=level_db) for m in modes)


def heard(
    strikes: Sequence[sim.Strike],
    duration_s: float,
    others: Sequence[sim.Disturbance] = (),
    *,
    seed: int = 3,
    noise_rms: float = 0.004,
    scale: float = 0.3,
) -> Sound:
    rng = np.random.default_rng(seed)
    noise = sim.pink_noise(round(duration_s * RATE_HZ), rng, sample_rate_hz=RATE_HZ, rms=noise_rms)
    samples, _ = sim.recording(
        strikes, duration_s=duration_s, sample_rate_hz=RATE_HZ, disturbances=others, noise=noise
    )
    return Sound(samples=scale * samples, sample_rate_hz=RATE_HZ)


def struck(*onsets_s: float, modes: Sequence[sim.SimMode] = BODY, contact_s: float = 0.002) -> list[sim.Strike]:
    return [sim.Strike(onset_s=s, modes=tuple(modes), contact_s=contact_s) for s in onsets_s]


def used(taps: Sequence[Tap]) -> list[float]:
    return [t.onset_s for t in taps if t.used]


# ------------------------------------------------------------------ score


@pytest.mark.parametrize("seed", range(100, 104))
def test_at_thirty_decibels_nothing_is_missed(seed: int) -> None:
    scene = a_scene(seed, snr_db=30.0)
    score = scored(scene, find_taps(scene.sound))
    assert score.f_measure == 1.0
    assert max(abs(e) for e in score.errors_s) < 0.005


def test_the_sample_shop_is_found_as_its_table_says() -> None:
    table = ROOT / "sample_data" / "truth_taps.csv"
    truth: dict[str, list[float]] = defaultdict(list)
    with table.open(encoding="utf-8", newline="") as rows:
        for row in csv.DictReader(rows):
            truth[row["recording"]] += [float(row["onset_s"])] if row["what"] in ("tap", "pluck") else []
    assert sum(map(len, truth.values())) > 100
    for name, onsets_s in truth.items():
        assert used(find_taps(decode(table.parent / "recordings" / name))) == pytest.approx(onsets_s, abs=0.005), name


def test_real_hits_are_found_and_no_false_one() -> None:
    # the onsets listed beside the recordings of real struck things (hits.csv)
    truth: dict[str, list[float]] = defaultdict(list)
    with (REAL / "hits.csv").open(encoding="utf-8", newline="") as rows:
        for row in csv.DictReader(rows):
            truth[row["file"]].append(float(row["onset_s"]))
    for name, onsets_s in truth.items():
        assert used(find_taps(decode(REAL / name))) == pytest.approx(onsets_s, abs=0.02), name


# ------------------------------------------------------- what is no tap


@pytest.mark.parametrize("later_s", [0.05, 0.07, 0.1, 0.12])
def test_a_weak_bounce_has_a_row_and_ends_the_decay(later_s: float) -> None:
    bounce = sim.Strike(onset_s=0.5 + later_s, modes=moved(BODY, -16), contact_s=0.002, what="bounce")
    taps = find_taps(heard([*struck(0.5), bounce], 1.3))
    assert [(t.used, t.reason) for t in taps] == [(True, ""), (False, "bounce of the mallet")]
    assert taps[1].onset_s == pytest.approx(bounce.onset_s, abs=0.005)
    assert bounce.onset_s - 0.01 < taps[0].free_until_s <= bounce.onset_s


def disturbance(what: str) -> sim.Disturbance:
    rng = np.random.default_rng(11)
    samples = {
        "knock": lambda: sim.knock(rng, sample_rate_hz=RATE_HZ, peak=0.5),
        "speech": lambda: sim.speech(rng, sample_rate_hz=RATE_HZ, duration_s=0.6, peak=0.3),
        "crackle": lambda: sim.crackle(RATE_HZ // 3, rng, sample_rate_hz=RATE_HZ, per_s=12, peak=0.4),
        "handling": lambda: sim.handling(RATE_HZ // 2, rng, sample_rate_hz=RATE_HZ, peak=0.3),
    }[what]()
    return sim.Disturbance(onset_s=2.3, samples=samples, what=what)


@pytest.mark.parametrize("what", ["knock", "speech", "crackle", "handling"])
def test_what_is_no_tap_keeps_its_row_with_the_reason(what: str) -> None:
    sound = heard(struck(0.4, 1.4, 3.4, 4.4), 5.2, [disturbance(what)])
    taps = find_taps(sound)
    assert used(taps) == pytest.approx([0.4, 1.4, 3.4, 4.4], abs=0.005)
    others = [t for t in taps if not t.used]
    assert others
    assert all(2.25 < t.onset_s < 2.95 and t.reason for t in others)
    assert [t.number for t in taps] == list(range(1, len(taps) + 1))


def test_a_knock_before_a_softer_tap_makes_it_no_bounce() -> None:
    thud = sim.knock(np.random.default_rng(2), sample_rate_hz=RATE_HZ, peak=1.5)
    taps = find_taps(heard(struck(1.0), 1.8, [sim.Disturbance(onset_s=0.85, samples=thud, what="knock")]))
    assert used(taps) == pytest.approx([1.0], abs=0.005)


# ------------------------------------------------ what must stay whole


@pytest.mark.parametrize("apart_hz", [3.0, 5.0, 10.0])
@pytest.mark.parametrize("phase_rad", [0.0, np.pi])
def test_pairs_that_beat_keep_their_decay(apart_hz: float, phase_rad: float) -> None:
    pair = [
        sim.SimMode(187.0, 0.5),
        sim.SimMode(187.0 + apart_hz, 0.5, 0.95, phase_rad),
        sim.SimMode(331.0, 0.3, 0.7),
    ]
    taps = find_taps(heard(struck(0.5, 1.7, modes=pair), 2.9, noise_rms=0.002))
    assert [t.reason for t in taps] == ["", ""]
    assert taps[0].free_until_s == pytest.approx(1.7, abs=0.01)
    assert taps[1].free_until_s == 2.9


def test_a_string_keeps_its_decay() -> None:
    string = sim.string_modes(196.0, 2.5, amplitude=1.0)
    taps = find_taps(heard(struck(0.5, modes=string, contact_s=0.001), 2.5))
    assert [(t.used, t.free_until_s) for t in taps] == [(True, 2.5)]


def test_without_noise_rounding_is_no_contact() -> None:
    taps = find_taps(heard(struck(0.5), 2.0, noise_rms=0.0))
    assert [(t.used, t.free_until_s) for t in taps] == [(True, 2.0)]


# ---------------------------------------------------------- beginnings


def test_a_recording_may_begin_in_the_middle_of_a_tap() -> None:
    whole = heard(struck(0.5, 1.7), 2.6).samples
    taps = find_taps(Sound(samples=whole[round(0.53 * RATE_HZ) :], sample_rate_hz=RATE_HZ))
    assert [(t.onset_s, t.reason) for t in taps if not t.used] == [(0.0, "already ringing when the recording begins")]
    assert used(taps) == pytest.approx([1.17], abs=0.005)
    assert taps[0].free_until_s == pytest.approx(1.17, abs=0.01)


@pytest.mark.parametrize("early_s", [0.0006, 0.002, 0.005])
def test_a_tap_in_the_first_milliseconds_counts(early_s: float) -> None:
    whole = heard(struck(0.5), 1.1).samples
    taps = find_taps(Sound(samples=whole[round((0.5 - early_s) * RATE_HZ) :], sample_rate_hz=RATE_HZ))
    assert used(taps) == pytest.approx([early_s], abs=0.002)


def test_one_tap_without_quiet_is_enough() -> None:
    whole = heard(struck(0.5), 1.1).samples
    taps = find_taps(Sound(samples=whole[round(0.499 * RATE_HZ) : round(0.7 * RATE_HZ)], sample_rate_hz=RATE_HZ))
    assert used(taps) == pytest.approx([0.001], abs=0.002)


@pytest.mark.parametrize("offset", [0.0, 0.2, -0.5])
@pytest.mark.parametrize("count", [0, 1, 100, RATE_HZ])
def test_silence_gives_none(offset: float, count: int) -> None:
    silence = Sound(samples=np.full(count, offset), sample_rate_hz=RATE_HZ)
    assert find_taps(silence) == ()


def test_steady_noise_gives_none() -> None:
    noise = sim.pink_noise(4 * RATE_HZ, np.random.default_rng(5), sample_rate_hz=RATE_HZ, rms=0.01)
    assert find_taps(Sound(samples=noise, sample_rate_hz=RATE_HZ)) == ()


# ----------------------------------------------------------- symmetries


@pytest.mark.parametrize("factor", [-1.0, 0.01, 0.37, 20.0])
def test_scaling_the_sound_leaves_times_and_reasons_alone(factor: float) -> None:
    sound = heard(struck(0.4, 1.4, 2.4), 3.3, [disturbance("knock")])
    scaled = find_taps(Sound(samples=factor * sound.samples, sample_rate_hz=RATE_HZ))
    plain = find_taps(sound)
    assert [(t.onset_s, t.free_until_s, t.reason) for t in scaled] == [
        (t.onset_s, t.free_until_s, t.reason) for t in plain
    ]
    louder_db = 20 * np.log10(abs(factor))
    assert [t.peak_dbfs for t in scaled] == pytest.approx([t.peak_dbfs + louder_db for t in plain], abs=1e-6)


@pytest.mark.parametrize("later", [1, 7, 16, 4001])
def test_delaying_the_sound_moves_onsets_only(later: int) -> None:
    sound = heard(struck(0.4, 1.4, 2.4), 3.3)
    # the delay is filled with noise of the same recording, turned round so that it joins
    delayed = np.concatenate([sound.samples[1 : later + 1][::-1], sound.samples])
    moved_taps = find_taps(Sound(samples=delayed, sample_rate_hz=RATE_HZ))
    plain = find_taps(sound)
    assert [t.reason for t in moved_taps] == [t.reason for t in plain] == ["", "", ""]
    assert used(moved_taps) == pytest.approx([t + later / RATE_HZ for t in used(plain)], abs=0.001)


def test_quiet_stretches_hold_no_tap() -> None:
    sound = heard(struck(0.8, 2.0), 3.2)
    stretches = quiet_stretches(sound, find_taps(sound))
    lengths = [b - a for a, b in stretches]
    assert lengths == sorted(lengths, reverse=True)
    assert sum(lengths) > 0.5 * RATE_HZ
    rms = [float(np.std(sound.samples[a:b])) for a, b in stretches]
    # noise of 0.004, scaled by 0.3, as made
    assert rms == pytest.approx([0.0012] * len(rms), rel=0.5)
    assert not any(a / RATE_HZ < s < b / RATE_HZ for a, b in stretches for s in (0.8, 2.0))


@pytest.mark.parametrize("onset_s", [0.01, 0.02, 0.028])
@pytest.mark.parametrize("duration_s", [1.6, 2.0])
def test_what_rings_is_no_quiet_where_a_recording_begins_with_a_tap(onset_s: float, duration_s: float) -> None:
    rate_hz = 8000
    noise = sim.white_noise(round(duration_s * rate_hz), np.random.default_rng(3), rms=1e-3)
    strike = sim.Strike(onset_s=onset_s, modes=(sim.SimMode(200.0, 1.0, 0.3),), contact_s=0.001)
    samples, _ = sim.recording([strike], duration_s=duration_s, sample_rate_hz=rate_hz, noise=noise)
    sound = Sound(samples=samples, sample_rate_hz=rate_hz)
    # An amplitude of 0.3 is 46.5 dB over that noise, and falls by 60 dB in a second.
    (stretch,) = quiet_stretches(sound, find_taps(sound))
    assert stretch[0] / rate_hz > onset_s + 46.5 / 60.0


# ------------------------------------------------------------- the filter


@pytest.mark.parametrize("rate_hz", [1000, 8000, 44100, 192_000])
@pytest.mark.parametrize("count", [1, 10, 441, 50_021])
def test_the_high_pass_is_the_one_of_scipy(rate_hz: int, count: int) -> None:
    # scipy.signal.butter and sosfilt
    x = np.random.default_rng(1).standard_normal(count)
    sections = butter(2, 40.0, "highpass", fs=rate_hz, output="sos")
    first = np.concatenate([[0.0], x])
    found = above_rumble(Sound(samples=first, sample_rate_hz=rate_hz))
    assert found == pytest.approx(sosfilt(sections, first), abs=1e-9)
