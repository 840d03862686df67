"""Phones, codecs and voices, by what is known of them from elsewhere."""

from __future__ import annotations

import math
import wave
from pathlib import Path

import numpy as np
import pytest

from tests.bench_simulator import codecs, phones, voices
from tests.bench_simulator.hands import Session
from tests.bench_simulator.world import LN_1000, Phone, stream

RATE_HZ = 48_000


@pytest.mark.parametrize(("codec", "rate_hz"), [("aac", 44_100), ("aac", 48_000), ("opus", 48_000), ("mp3", 44_100)])
def test_a_codec_keeps_frequency_decay_and_time(codec: str, rate_hz: int) -> None:
    """A lone decaying tone at 128 kb/s, read by least squares on the phase and the log envelope."""
    from scipy.signal import butter, hilbert, sosfiltfilt

    if why := codecs.missing(codec):
        pytest.skip(why)
    time_s = np.arange(2 * rate_hz) / rate_hz
    late_s = np.maximum(time_s - 0.5, 0)
    tone = np.where(time_s >= 0.5, 0.4 * np.exp(-LN_1000 * late_s / 0.8) * np.sin(2 * np.pi * 331.7 * late_s), 0.0)
    back = codecs.through(tone, rate_hz, codec, 128)
    assert len(back) == len(tone)
    part = slice(round(0.55 * rate_hz), round(0.9 * rate_hz))
    sos = butter(2, (250, 420), "bandpass", fs=rate_hz, output="sos")
    analytic = hilbert(sosfiltfilt(sos, back))[part]
    freq_hz = np.polyfit(time_s[part], np.unwrap(np.angle(analytic)), 1)[0] / (2 * np.pi)
    per_s = -np.polyfit(time_s[part], np.log(np.abs(analytic)), 1)[0]
    assert 1200 * math.log2(freq_hz / 331.7) == pytest.approx(0.0, abs=0.5)
    assert LN_1000 / per_s == pytest.approx(0.8, rel=0.02)
    assert np.corrcoef(back[part], tone[part])[0, 1] > 0.99


def test_the_high_pass_is_butterworths() -> None:
    """Second order: 3.01 dB at the corner, 12.3 dB an octave below it (1 / (1 + 2**4))."""
    phone = Phone(highpass_hz=60.0)
    assert phones.highpass_db(phone, 60.0) == pytest.approx(-3.01, abs=0.02)
    assert phones.highpass_db(phone, 30.0) == pytest.approx(-10 * math.log10(1 + 2**4), abs=0.02)


def test_gain_control_makes_a_decay_look_long() -> None:
    """A compressor of ratio r that follows at once makes 60 dB into 60/r; one that lags, something between."""
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    tone = 0.3 * np.exp(-LN_1000 * time_s / 1.5) * np.sin(2 * np.pi * 400 * time_s)
    after = phones.gain_controlled(tone, RATE_HZ)
    fallen_db = 20 * math.log10(np.abs(after[4800:9600]).max() / np.abs(after[43200:48000]).max())
    plain_db = 20 * math.log10(np.abs(tone[4800:9600]).max() / np.abs(tone[43200:48000]).max())
    assert plain_db / 1.45 < fallen_db < plain_db / 1.2


def test_shop_noise_falls_by_five_decibels_an_octave() -> None:
    from scipy.signal import welch

    noise = phones.shop_noise(10 * RATE_HZ, stream("noise"), RATE_HZ)
    freq_hz, density = welch(noise, RATE_HZ, nperseg=8192)
    at = [10 * np.log10(np.mean(density[(freq_hz > 0.9 * f) & (freq_hz < 1.1 * f)])) for f in (500, 1000, 2000)]
    assert np.diff(at) == pytest.approx([-5.0, -5.0], abs=0.7)
    assert np.sqrt(np.mean(noise**2)) == pytest.approx(1.0)


def test_a_syllable_is_voiced_and_has_formants() -> None:
    """The pitch of speech: its periodicity lies between 70 and 260 Hz; glottal pulses have every harmonic."""
    pulses = voices.glottal_pulses(np.full(RATE_HZ, 120.0), stream("pulses"), RATE_HZ)
    spectrum = np.abs(np.fft.rfft(pulses * np.hanning(len(pulses))))
    lines = [spectrum[round(120 * k) - 3 : round(120 * k) + 4].max() for k in range(1, 6)]
    between = [spectrum[round(120 * (k + 0.5)) - 3 : round(120 * (k + 0.5)) + 4].max() for k in range(1, 6)]
    assert min(lines) > 5 * max(between)
    for number in range(5):
        sound = voices.syllable(stream("syllable", number), RATE_HZ)
        assert 0.1 < len(sound) / RATE_HZ < 0.5
        assert np.abs(sound).max() <= 2.0


def test_a_clap_is_short_and_broad() -> None:
    for number in range(5):
        clap = voices.clap(stream("clap", number), RATE_HZ)
        passed = np.cumsum(clap**2) / np.sum(clap**2)
        assert np.searchsorted(passed, 0.9) / RATE_HZ < 0.03
        power = np.abs(np.fft.rfft(clap)) ** 2
        share = np.sort(power)[::-1].cumsum() / power.sum()
        assert np.searchsorted(share, 0.5) * RATE_HZ / len(clap) > 150.0


def test_talk_lies_between_the_taps() -> None:
    session = Session((), (1.0, 2.4, 3.8), 5.0)
    said = voices.said_between(session, 5 * RATE_HZ, RATE_HZ, stream("talk", 3))
    assert said.events_s
    assert all(any(voices.RISE_S <= at_s - tap_s < 1.2 for tap_s in session.taps_s) for at_s in said.events_s)


def test_files_are_sixteen_bit(tmp_path: Path) -> None:
    path = phones.write_wav(tmp_path / "a.wav", np.array([0.0, 0.5, -0.5, 1.5]), RATE_HZ, stream("dither"))
    with wave.open(str(path)) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, RATE_HZ)
        samples = np.frombuffer(file.readframes(4), "<i2")
    assert samples[3] == 32767
    assert abs(samples[1] - 16384) <= 2
