"""Plucked strings with known truth: pitch within half a cent, the two strings of a course told apart."""

from __future__ import annotations

import math
import tracemalloc

import numpy as np
import pytest

from tapbatch.listen.judging import as_plucks
from tapbatch.listen.taps import find_taps
from tapbatch.measure.series import Lines, find_series
from tapbatch.measure.stiff import stiff_fit
from tapbatch.measure.string_tone import lowered, measure_tone
from tapbatch.model.reading import Sound, StringTone
from tapbatch.simulate import taps as sim

RATE_HZ = 16000
BODY = (sim.SimMode(190.0, 0.35, 0.1), sim.SimMode(263.0, 0.3, 0.1, 1.0), sim.SimMode(410.0, 0.25, 0.08, 2.0))


def plucked(*strings: tuple[sim.SimMode, ...], gap_s: float = 4.0, seed: int = 1, noise: float = 2e-4) -> Sound:
    rng = np.random.default_rng(seed)
    strikes = [
        sim.Strike(
            onset_s=1.0 + gap_s * i,
            modes=tuple(m for m in string if m.freq_hz < 0.45 * RATE_HZ) + BODY,
            contact_s=0.0005,
        )
        for i, string in enumerate(strings)
    ]
    duration_s = 1.0 + gap_s * len(strings)
    hiss = noise * rng.standard_normal(round(duration_s * RATE_HZ))
    samples, _ = sim.recording(strikes, duration_s=duration_s, sample_rate_hz=RATE_HZ, noise=hiss)
    return Sound(samples=samples, sample_rate_hz=RATE_HZ)


def tones(sound: Sound) -> list[StringTone | None]:
    return [measure_tone(sound, tap) for tap in as_plucks(find_taps(sound), sound.duration_s) if tap.used]


def cents(a: float, b: float) -> float:
    return 1200 * math.log2(a / b)


@pytest.mark.parametrize("freq_hz", [82.4, 146.8, 293.7, 587.3])
@pytest.mark.parametrize("inharmonicity", [1e-5, 4e-4])
def test_a_stiff_string_is_read_within_half_a_cent(freq_hz: float, inharmonicity: float) -> None:
    [tone] = tones(plucked(sim.string_modes(freq_hz, 3.0, inharmonicity=inharmonicity)))
    assert tone is not None
    assert abs(cents(tone.freq_hz, freq_hz)) < 0.5
    assert tone.pair_cents is None
    assert tone.inharmonicity == pytest.approx(inharmonicity, abs=2e-6 + 0.02 * inharmonicity)
    assert tone.t60_s == pytest.approx(3.0, rel=0.01)


@pytest.mark.parametrize("apart", [2.0, 3.0, 5.0, 8.0])
@pytest.mark.parametrize("freq_hz", [98.0, 196.0, 440.0])
def test_a_course_is_told_apart_within_half_a_cent_from_two_cents_on(freq_hz: float, apart: float) -> None:
    [tone] = tones(plucked(sim.course_modes(freq_hz, 3.0, apart, inharmonicity=2e-4), seed=int(freq_hz)))
    assert tone is not None
    assert tone.pair_cents == pytest.approx(apart, abs=0.5)
    assert tone.middle_hz is not None
    assert abs(cents(tone.middle_hz, freq_hz)) < 0.5


@pytest.mark.parametrize("freq_hz", [130.8, 146.8, 293.7])
def test_a_course_one_cent_apart_is_seen_as_two(freq_hz: float) -> None:
    [tone] = tones(plucked(sim.course_modes(freq_hz, 3.0, 1.0), gap_s=5.0))
    assert tone is not None
    assert tone.pair_cents == pytest.approx(1.0, abs=0.3)


def test_a_course_low_and_short_beside_its_beat_is_told_apart_by_its_upper_partials() -> None:
    """At 147 Hz two cents beat once in 6 s, which is longer than it sounds; the middle still lies by one law."""
    [tone] = tones(plucked(sim.course_modes(146.8, 2.0, 2.0)))
    assert tone is not None
    assert tone.pair_cents == pytest.approx(2.0, abs=0.3)
    assert tone.middle_hz is not None
    assert tone.middle_log_se is not None
    assert abs(math.log(tone.middle_hz / 146.8)) < 3.0 * tone.middle_log_se


def test_the_decay_of_a_course_is_that_of_its_two_strings_though_they_beat() -> None:
    """Two strings of 3.0 and 2.7 s: their geometric mean."""
    [tone] = tones(plucked(sim.course_modes(146.8, 3.0, 5.0)))
    assert tone is not None
    assert tone.t60_s == pytest.approx(3.0 * math.sqrt(0.9), rel=0.01)


@pytest.mark.slow
@pytest.mark.parametrize("apart", [0.0, 5.0])
def test_a_string_plucked_again_while_it_rings_keeps_its_fundamental(apart: float) -> None:
    course = sim.course_modes(146.8, 3.0, apart) if apart else sim.string_modes(146.8, 3.0)
    found = tones(plucked(course, course, course, gap_s=1.6))
    assert len(found) == 3
    for tone in found:
        assert tone is not None
        assert abs(cents(tone.middle_hz or tone.freq_hz, 146.8)) < 0.5
        assert tone.t60_s == pytest.approx(3.0 * math.sqrt(0.9 if apart else 1.0), rel=0.03)
        assert (tone.pair_cents is None) == (apart == 0.0)


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_two_directions_of_swing_of_unlike_decay_are_no_second_string(seed: int) -> None:
    """One of them is held by the bridge and dies away sooner (Weinreich, JASA 62, 1977); 2 cents and 6 dB apart."""
    rng = np.random.default_rng(seed)
    first = sim.string_modes(220.0, 2.0)
    second = tuple(
        sim.SimMode(m.freq_hz * 2 ** (2.0 / 1200), m.t60_s * rng.uniform(1.8, 3.0), 0.5 * m.amplitude, m.phase_rad)
        for m in first
    )
    [tone] = tones(plucked(first + second, seed=seed))
    assert tone is not None
    assert tone.pair_cents is None


def test_a_mode_of_the_body_beside_a_partial_is_no_second_string() -> None:
    beside = sim.SimMode(441.2, 1.5, 0.03, 1.0)
    [tone] = tones(plucked((*sim.string_modes(220.0, 3.0), beside)))
    assert tone is not None
    assert tone.pair_cents is None
    assert abs(cents(tone.freq_hz, 220.0)) < 0.5


def test_a_string_is_read_while_the_one_before_rings_on() -> None:
    low, high = sim.string_modes(145.0, 3.0), sim.string_modes(193.3, 3.0)
    found = tones(plucked(low, high))
    assert [abs(cents(t.freq_hz, f)) < 0.5 for t, f in zip(found, (145.0, 193.3), strict=True) if t] == [True, True]


def test_strings_that_sound_unlike_each_other_are_all_plucks() -> None:
    strings = [sim.string_modes(hz, 1.5) for hz in (110.0, 587.0, 196.0, 392.0)]
    assert len(tones(plucked(*strings, gap_s=2.5))) == 4


def test_noise_and_a_body_alone_are_no_string() -> None:
    [tone] = tones(plucked(()))
    assert tone is None


def test_a_free_bar_has_no_series_of_a_string() -> None:
    """Modes of a free uniform bar, 1 : 2.756 : 5.404 : 8.933 (Euler and Bernoulli's beam, textbook ratios)."""
    bar = tuple(sim.SimMode(300.0 * r, 3.0, 0.05) for r in (1.0, 2.756, 5.404, 8.933))
    [tone] = tones(plucked(bar))
    assert tone is None or (tone.partials < 3 and tone.inharmonicity is None and tone.pair_cents is None)


def test_one_partial_alone_tells_no_distance() -> None:
    two = tuple(sim.SimMode(hz, 3.0, 0.05) for hz in (1500.0, 1503.5))
    [tone] = tones(plucked(two))
    assert tone is None or tone.pair_cents is None


def test_a_series_is_neither_its_octave_nor_half_of_itself() -> None:
    n = np.arange(1, 9)
    full = Lines(196.0 * n * np.sqrt(1 + 2e-4 * n**2), np.linspace(45, 20, 8))
    numbers, freq_hz = find_series(full)
    assert numbers.tolist() == n.tolist()
    assert freq_hz[0] == 196.0 * math.sqrt(1 + 2e-4)
    with_strays = Lines(np.sort(np.append(full.freq_hz, [101.0, 1948.0])), np.full(10, 30.0))
    assert find_series(with_strays)[0][0] == 1


def test_the_scatter_of_the_partials_enters_the_interval() -> None:
    """A body that pulls partials by half a cent: 95 % intervals hold the truth in 93 to 98 of a hundred."""
    rng = np.random.default_rng(5)
    n = np.arange(1.0, 9.0)
    held, runs = 0, 400
    for _ in range(runs):
        pulled = np.log(220.0 * np.sqrt(1 + 2e-4 * n**2)) + rng.normal(0, 0.5, 8) * math.log(2) / 1200
        log_f1, se, _ = stiff_fit(n, pulled, np.full(8, 1e-6))
        held += abs(log_f1 - math.log(220.0 * math.sqrt(1 + 2e-4))) < 1.96 * se
    assert 0.92 * runs < held < 0.985 * runs


def test_a_pluck_after_minutes_of_quiet_takes_little_memory() -> None:
    """A copy of the quiet for each partial took 400 MB after ten minutes; the sound itself is a fraction of that."""
    string = tuple(sim.SimMode(196.0 * n, 2.0 / n, 1.0 / n) for n in range(1, 6))
    sound = plucked(string)
    quiet = 2e-4 * np.random.default_rng(2).standard_normal(120 * RATE_HZ)
    later = Sound(samples=np.concatenate([quiet, sound.samples]), sample_rate_hz=RATE_HZ)
    (tap,) = [tap for tap in as_plucks(find_taps(later), later.duration_s) if tap.used]
    low = lowered(later)
    tracemalloc.start()
    tone = measure_tone(later, tap, low)
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert tone is not None
    assert abs(1200 * math.log2(tone.freq_hz / 196.0)) < 1.0
    assert most < later.samples.nbytes
