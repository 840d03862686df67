"""Decays of bands against simulated taps whose truth is known, and against the definitions of the bands."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from tapbatch.measure.decay import decays_of_taps, measure_decays
from tapbatch.measure.decay_fit import Blocks, fit_decays
from tapbatch.model.reading import BandSettings, Decay, Sound, Tap
from tapbatch.simulate.disturbances import mains_hum, pink_noise, white_noise
from tapbatch.simulate.taps import SimMode, free_decay

WIDE = BandSettings()
QUIET_S = 1.0


def _tap(free_until_s: float, free_from_s: float = QUIET_S) -> Tap:
    return Tap(
        number=1, onset_s=free_from_s - 0.002, peak_dbfs=-6.0, snr_db=60.0, used=True, reason="",
        free_from_s=free_from_s, free_until_s=free_until_s,
    )  # fmt: skip


def _sound(
    modes: list[SimMode], *, noise_rms: float = 1e-4, ring_s: float = 1.0, rate_hz: int = 8000, seed: int = 1
) -> Sound:
    """A second of noise, then the free decay of ``modes`` upon it."""
    rng = np.random.default_rng(seed)
    samples = white_noise(round((QUIET_S + ring_s) * rate_hz), rng, rms=noise_rms)
    samples[round(QUIET_S * rate_hz) :] += free_decay(modes, ring_s, rate_hz)
    return Sound(samples=samples, sample_rate_hz=rate_hz)


def _decays(sound: Sound, settings: BandSettings = WIDE, *, until_s: float | None = None) -> tuple[Decay, ...]:
    quiet = [(0, round(QUIET_S * sound.sample_rate_hz))]
    return measure_decays(sound, _tap(sound.duration_s if until_s is None else until_s), quiet, settings)


def test_taps_measured_together_have_no_part_in_one_another() -> None:
    # Nine taps, one more than are fitted at once: short and long stretches, one that is all noise.
    sound, quiet = _sound([SimMode(310.0, 0.3), SimMode(620.0, 0.1)]), [(0, round(QUIET_S * 8000))]
    taps = [_tap(QUIET_S + 0.1 * (k + 1)) for k in range(8)] + [_tap(0.9, free_from_s=0.4)]
    for tap, decays in zip(taps, decays_of_taps(sound, taps, quiet, WIDE), strict=True):
        for together, alone in zip(decays, measure_decays(sound, tap, quiet, WIDE), strict=True):
            assert together.flags == alone.flags
            assert (together.t60_s is None) == (alone.t60_s is None)
            if together.t60_s is not None and alone.t60_s is not None:
                assert together.t60_s == pytest.approx(alone.t60_s, rel=1e-6)
                assert together.t60_log_se == pytest.approx(alone.t60_log_se, rel=1e-4)
    assert decays_of_taps(sound, [], quiet, WIDE) == []


def _octave(decays: tuple[Decay, ...], mid_hz: float) -> Decay:
    return next(d for d in decays if d.band_low_hz == pytest.approx(mid_hz / math.sqrt(2)))


def _mids(decays: tuple[Decay, ...]) -> list[float]:
    assert (decays[0].band_low_hz, decays[0].band_high_hz) == (None, None)
    bands = [(d.band_low_hz or 0.0, d.band_high_hz or 0.0) for d in decays[1:]]
    assert all(high == pytest.approx(2 * low) for low, high in bands)
    return [round(math.sqrt(low * high), 6) for low, high in bands]


@pytest.mark.parametrize(
    ("rate_hz", "low_hz", "high_hz", "mids"),
    [
        # IEC 61260-1: base-two octaves about 1 kHz; 63 Hz stands for 62.5.
        (8000, 50.0, 1500.0, [62.5, 125.0, 250.0, 500.0, 1000.0]),
        (8000, 70.0, 900.0, [125.0, 250.0, 500.0]),
        (44100, 60.0, 12000.0, [62.5, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0]),
        (8000, 20.0, 12000.0, [31.25, 62.5, 125.0, 250.0, 500.0, 1000.0, 2000.0]),
        (48000, 300.0, 330.0, []),
    ],
)
def test_octaves_mostly_within_the_band(rate_hz: int, low_hz: float, high_hz: float, mids: list[float]) -> None:
    sound = _sound([SimMode(310.0, 0.3)], rate_hz=rate_hz)
    assert _mids(_decays(sound, BandSettings(band_low_hz=low_hz, band_high_hz=high_hz))) == mids


def test_nothing_is_said_of_a_band_above_the_sound() -> None:
    sound = _sound([SimMode(310.0, 0.3)], rate_hz=4000)
    assert _decays(sound, BandSettings(band_low_hz=2000.0, band_high_hz=9000.0)) == ()


@pytest.mark.parametrize("rate_hz", [8000, 22050, 44100, 192000])
def test_each_octave_has_the_decay_of_what_rings_in_it(rate_hz: int) -> None:
    truth = {62.5: 0.6, 125.0: 0.5, 250.0: 0.4, 500.0: 0.3, 1000.0: 0.2}
    modes = [SimMode(mid_hz * 1.04, t60_s, 0.1) for mid_hz, t60_s in truth.items()]
    decays = _decays(_sound(modes, rate_hz=rate_hz))
    for mid_hz, t60_s in truth.items():
        found = _octave(decays, mid_hz)
        assert found.t60_s == pytest.approx(t60_s, rel=0.04), mid_hz
        assert found.edt_s == pytest.approx(t60_s, rel=0.04), mid_hz
        assert found.t20_s == pytest.approx(t60_s, rel=0.04), mid_hz
        assert found.flags == ()


def test_one_mode_to_a_hundredth_in_its_octave_and_nothing_in_the_others() -> None:
    decays = _decays(_sound([SimMode(230.0, 0.4, 0.5, 0.7)], noise_rms=1e-5))
    for found in (decays[0], _octave(decays, 250.0)):
        for value in (found.edt_s, found.t20_s, found.t30_s, found.t60_s):
            assert value == pytest.approx(0.4, rel=0.01)
    for mid_hz in (62.5, 125.0, 500.0, 1000.0):
        other = _octave(decays, mid_hz)
        assert (other.edt_s, other.t20_s, other.t30_s, other.t60_s) == (None, None, None, None)
        assert set(other.flags) <= {"empty-band", "floor"}
        assert other.flags


@hypothesis_settings(max_examples=15)
@given(st.floats(-60.0, 40.0))
def test_louder_is_not_longer(gain_db: float) -> None:
    sound = _sound([SimMode(140.0, 0.5, 0.2), SimMode(170.0, 0.4, 0.1), SimMode(420.0, 0.3, 0.2)])
    louder = replace(sound, samples=10 ** (gain_db / 20) * sound.samples)
    for plain, scaled in zip(_decays(sound), _decays(louder), strict=True):
        assert scaled.flags == plain.flags
        for name in ("edt_s", "t20_s", "t30_s", "t60_s", "t60_log_se"):
            value = getattr(plain, name)
            assert getattr(scaled, name) == (None if value is None else pytest.approx(value, rel=1e-5))


def test_nothing_outside_the_free_decay_is_heard() -> None:
    """What is before, after and between, but for the noise, may be anything."""
    sound = _sound([SimMode(140.0, 0.5, 0.2), SimMode(420.0, 0.3, 0.2)], ring_s=1.5)
    rate_hz = sound.sample_rate_hz
    other = sound.samples.copy()
    other[round(0.6 * rate_hz) : rate_hz] = 0.9
    other[round(1.8 * rate_hz) :] = -0.9
    tap, quiet = _tap(1.8), [(0, rate_hz // 2)]
    plain = measure_decays(sound, tap, quiet, WIDE)
    assert measure_decays(replace(sound, samples=other), tap, quiet, WIDE) == plain
    assert plain[0].t20_s is not None


def test_later_in_the_recording_is_the_same() -> None:
    sound = _sound([SimMode(140.0, 0.5, 0.2), SimMode(420.0, 0.3, 0.2)])
    rate_hz = sound.sample_rate_hz
    later = replace(sound, samples=np.concatenate([np.zeros(3 * rate_hz), sound.samples]))
    moved = measure_decays(later, _tap(5.0, 4.0), [(3 * rate_hz, 4 * rate_hz)], WIDE)
    assert moved == _decays(sound)


@pytest.mark.parametrize(("count", "t60_s", "noise_rms"), [(1, 0.3, 1e-2), (2, 0.4, 1e-3), (4, 0.5, 3e-3)])
def test_errors_are_honest_in_noise_and_in_beats(count: int, t60_s: float, noise_rms: float) -> None:
    """Modes of one decay and random frequency and phase in an octave: the 95 % interval holds, and is of use."""
    rng = np.random.default_rng(20 + count)
    errors, stated = [], []
    for seed in range(60):
        modes = [
            SimMode(float(rng.uniform(390, 660)), t60_s, float(rng.uniform(0.1, 0.3)), float(rng.uniform(0, 6.28)))
            for _ in range(count)
        ]
        found = _octave(_decays(_sound(modes, noise_rms=noise_rms, seed=seed)), 500.0)
        assert found.t60_s is not None
        assert found.t60_log_se is not None
        errors.append(math.log(found.t60_s / t60_s))
        stated.append(found.t60_log_se)
    held = np.abs(np.array(errors)) < 1.96 * np.array(stated)
    # Of 60 intervals that hold in 95 %, fewer than 51 hold in one experiment of 1,300.
    assert held.sum() >= 51
    assert np.median(stated) < 1.8 * np.sqrt(np.mean(np.square(errors)))


def test_mains_hum_and_pink_noise_are_a_floor_like_any_other() -> None:
    rate_hz, rng = 8000, np.random.default_rng(3)
    floor = pink_noise(2 * rate_hz, rng, sample_rate_hz=rate_hz, rms=1e-3)
    floor += 1e-3 * mains_hum(2 * rate_hz, rng, sample_rate_hz=rate_hz)
    floor[rate_hz:] += free_decay([SimMode(187.0, 0.35, 0.3), SimMode(263.0, 0.35, 0.2)], 1.0, rate_hz)
    decays = _decays(Sound(samples=floor, sample_rate_hz=rate_hz))
    assert decays[0].t60_s == pytest.approx(0.35, rel=0.05)
    assert decays[0].t20_s == pytest.approx(0.35, rel=0.05)


def test_a_decay_too_fast_for_its_band_is_left_empty() -> None:
    """Jacobsen & Rindel 1987: B T > 4. The octave about 62.5 Hz is 44.2 Hz wide, so T60 > 0.09 s."""
    fast = _octave(_decays(_sound([SimMode(62.5, 0.06, 0.5)], noise_rms=1e-5)), 62.5)
    assert (fast.edt_s, fast.t20_s, fast.t30_s, fast.t60_s) == (None, None, None, None)
    assert fast.flags == ("band-too-narrow",)
    slow = _octave(_decays(_sound([SimMode(62.5, 0.12, 0.5)], noise_rms=1e-5)), 62.5)
    assert slow.t60_s == pytest.approx(0.12, rel=0.1)
    assert slow.flags == ()


@pytest.mark.parametrize(
    ("above_db", "given"), [(15, ""), (28, "edt_s"), (42, "edt_s t20_s"), (60, "edt_s t20_s t30_s")]
)
def test_a_range_is_given_where_it_ends_ten_decibels_above_the_floor(above_db: float, given: str) -> None:
    """ISO 3382-1:2009: ranges end 10, 25 and 35 dB down; 10 dB more must be free of noise."""
    in_band = 1e-3 * math.sqrt(1450 / 4000)
    amplitude = math.sqrt(2) * in_band * 10 ** (above_db / 20)
    whole = _decays(_sound([SimMode(311.0, 0.5, amplitude)], noise_rms=1e-3))[0]
    names = ("edt_s", "t20_s", "t30_s")
    assert [n for n in names if getattr(whole, n) is not None] == given.split()
    assert whole.flags == (() if given else ("floor",))
    assert whole.t60_s == pytest.approx(0.5, rel=0.15)


def test_noise_alone_has_no_decay() -> None:
    for seed in range(5):
        for decay in _decays(_sound([], noise_rms=1e-2, seed=seed)):
            assert (decay.edt_s, decay.t20_s, decay.t30_s, decay.t60_s) == (None, None, None, None)
            assert decay.flags == ("floor",)


def test_two_slopes_are_flagged() -> None:
    modes = [SimMode(430.0, 0.1, 0.9), SimMode(610.0, 0.1, 0.7), SimMode(520.0, 0.7, 0.05)]
    found = _octave(_decays(_sound(modes, noise_rms=1e-5)), 500.0)
    assert found.flags == ("not-exponential",)
    assert found.edt_s is not None
    assert found.t30_s is not None
    assert found.edt_s < 0.13 < 0.5 < found.t30_s


@pytest.mark.parametrize(("cut_s", "given"), [(0.15, ""), (0.25, "edt_s"), (0.42, "edt_s t20_s"), (0.6, "all")])
def test_a_decay_cut_by_the_next_tap_keeps_what_it_has(cut_s: float, given: str) -> None:
    """T60 of 0.6 s: 100 dB a second, less what the filter spoils at the end, less the 10 dB above the cut."""
    sound = _sound([SimMode(311.0, 0.6, 0.5)], noise_rms=1e-6)
    whole = _decays(sound, until_s=QUIET_S + cut_s)[0]
    wanted = "edt_s t20_s t30_s" if given == "all" else given
    names = ("edt_s", "t20_s", "t30_s")
    assert [n for n in names if getattr(whole, n) is not None] == wanted.split()
    for value in filter(None, (whole.edt_s, whole.t20_s, whole.t30_s, whole.t60_s)):
        assert value == pytest.approx(0.6, rel=0.02)


def test_without_a_quiet_stretch_the_end_of_the_decay_is_the_floor() -> None:
    sound = _sound([SimMode(311.0, 0.35, 0.3)], noise_rms=1e-3)
    whole = measure_decays(sound, _tap(sound.duration_s), [], WIDE)[0]
    assert whole.t60_s == pytest.approx(0.35, rel=0.02)
    assert whole.t20_s == pytest.approx(0.35, rel=0.02)


@pytest.mark.parametrize("length_s", [0.0, 0.001, 0.01, 0.05])
def test_a_stretch_too_short_says_nothing(length_s: float) -> None:
    sound = _sound([SimMode(311.0, 0.35, 0.3)])
    decays = _decays(sound, until_s=QUIET_S + length_s)
    assert len(decays) == 6
    assert all(d.t20_s is None and d.flags for d in decays[1:])


def test_digital_silence_around_a_tap_is_no_stumbling_block() -> None:
    sound = _sound([SimMode(311.0, 0.2, 0.3)], noise_rms=0.0)
    assert _decays(sound)[0].t30_s == pytest.approx(0.2, rel=0.01)
    silent = replace(sound, samples=np.zeros_like(sound.samples))
    assert all(d.t60_s is None for d in _decays(silent))


def test_bands_fitted_side_by_side_do_not_know_of_each_other() -> None:
    rng = np.random.default_rng(4)
    bands = []
    for count, t60_s in ((60, 0.2), (150, 0.5), (90, 0.3)):
        expected = 10 ** (-6 * 0.01 * np.arange(count) / t60_s) + 1e-4
        bands.append(Blocks(power=expected * rng.chisquare(20, count) / 20, block_s=0.01, dof=20.0, noise_power=1e-4))
    together = fit_decays(bands)
    for band, beside in zip(bands, together, strict=True):
        (alone,) = fit_decays([band])
        assert alone is not None
        assert beside is not None
        assert beside.t60_s == pytest.approx(alone.t60_s, rel=1e-4)
        assert beside.t60_log_se == pytest.approx(alone.t60_log_se, rel=1e-2)


def test_the_fit_reaches_the_bound_of_chi_square_blocks() -> None:
    """Blocks distributed as chi-square about the model: the error is that of the information, and as stated.

    With start and rate unknown and no floor, ``sd(ln rate) = sqrt(2/dof) / (rate sqrt(sum (t - mean t)**2))``.
    """
    rng = np.random.default_rng(6)
    time_s, dof, t60_s = 0.01 * np.arange(40), 20.0, 0.5
    rate = 2 * math.log(1000.0) / t60_s
    bound = math.sqrt(2 / dof) / (rate * math.sqrt(float(((time_s - time_s.mean()) ** 2).sum())))
    errors, stated = [], []
    for _ in range(200):
        power = np.exp(-rate * time_s) * rng.chisquare(dof, 40) / dof
        (found,) = fit_decays([Blocks(power=power, block_s=0.01, dof=dof, noise_power=1e-9)])
        assert found is not None
        errors.append(math.log(found.t60_s / t60_s))
        stated.append(found.t60_log_se)
    # The standard error of a standard deviation from 200 trials is 5 %.
    assert np.std(errors) == pytest.approx(bound, rel=0.15)
    assert np.median(stated) == pytest.approx(bound, rel=0.25)
