"""Frequency and decay against harminv, an independent program of another method.

Source: harminv (Debian package ``harminv``), filter diagonalisation after Mandelshtam & Taylor, J. Chem. Phys. 107,
6756 (1997). It knows nothing of the noise, so it is the tolerance that says what harminv itself reaches: in a study
on simulated taps its errors were 7 to 8 times the physical limit in frequency and in decay, with more than one false
mode a tap. What is asked here is that both agree as far as harminv can tell, and that the tool is nearer the truth.
"""

from __future__ import annotations

import math
import shutil
import statistics
import subprocess
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from tapbatch.listen.decode import decode
from tapbatch.listen.taps import find_taps
from tapbatch.model.reading import LN_1000, BandSettings, Mode, Sound
from tapbatch.simulate import taps as sim
from tests.measured import measure_taps

pytestmark = pytest.mark.skipif(
    shutil.which("harminv") is None, reason="harminv is not installed (apt install harminv)"
)

RATE_HZ = 8000
# where harminv did best on these sounds, of 0.3 and 0.5 s and of pieces of 105 and 210 Hz
WINDOW_S = 0.3
EDGES_HZ = tuple(np.linspace(40.0, 1510.0, 15))


@dataclass(frozen=True)
class Line:
    """One mode as harminv prints it; ``decay_per_s`` is pi f/Q, and ``error`` its own figure of merit."""

    freq_hz: float
    decay_per_s: float
    amplitude: float
    error: float

    @property
    def t60_s(self) -> float:
        return LN_1000 / self.decay_per_s


def harminv(samples: np.ndarray, rate_hz: float, *edges_hz: float) -> list[Line]:
    """Run harminv over a free decay; its columns are frequency, decay constant, Q, amplitude, phase, error.

    It is given the band in pieces, one between two ``edges_hz``: in narrow pieces it does best.
    """
    pieces = [f"{low:.3f}-{high:.3f}" for low, high in pairwise(edges_hz)]
    command = ["harminv", "-t", repr(1 / rate_hz), "-F", *pieces]
    text = "\n".join(f"{s:.9g}" for s in samples)
    done = subprocess.run(command, input=text, capture_output=True, text=True, check=True, timeout=120)
    lines = [line for line in done.stdout.splitlines() if line[:1].isdigit()]
    rows = [[float(cell) for cell in line.split(",")] for line in lines]
    return [Line(abs(r[0]), r[1], r[3], r[5]) for r in rows if r[1] > 0]


def nearest(lines: list[Line], freq_hz: float, cents: float = 10.0) -> Line:
    """Return the loudest line within a few cents."""
    near = [line for line in lines if abs(1200 * math.log2(line.freq_hz / freq_hz)) < cents]
    assert near, f"harminv gives nothing near {freq_hz:.2f} Hz"
    return max(near, key=lambda line: line.amplitude)


def strongest(modes: tuple[Mode, ...], freq_hz: float, cents: float = 10.0) -> Mode:
    near = [m for m in modes if abs(1200 * math.log2(m.freq_hz / freq_hz)) < cents]
    assert near, f"no mode was read near {freq_hz:.2f} Hz"
    return max(near, key=lambda m: m.energy_db)


BODY = (
    sim.SimMode(148.0, 0.42, 0.08, 0.4),
    sim.SimMode(213.5, 0.35, 0.12, -1.2),
    sim.SimMode(340.2, 0.28, 0.07, 2.3),
    sim.SimMode(522.8, 0.24, 0.06, 0.9),
    sim.SimMode(791.0, 0.19, 0.05, -2.6),
    sim.SimMode(1104.0, 0.15, 0.04, 1.7),
)


@pytest.fixture(scope="module")
def compared() -> list[tuple[sim.SimMode, Mode, Line]]:
    """Each true mode of six taps, as the tool and as harminv read it; white noise 40 to 50 dB under each mode."""
    triples = []
    for number in range(6):
        rng = np.random.default_rng([107, 6756, number])
        strike = sim.Strike(onset_s=1.0, modes=sim.scattered(BODY, rng, cents=8, t60_pct=8), contact_s=0.001)
        noise = sim.white_noise(2 * RATE_HZ, rng, rms=4e-4)
        samples, truth = sim.recording([strike], duration_s=2.0, sample_rate_hz=RATE_HZ, noise=noise)
        sound = Sound(samples=samples, sample_rate_hz=RATE_HZ)
        (tap,) = measure_taps(sound, find_taps(sound), BandSettings())[0]
        first = round(tap.tap.free_from_s * RATE_HZ)
        lines = harminv(samples[first : first + round(WINDOW_S * RATE_HZ)], RATE_HZ, *EDGES_HZ)
        true = truth[0].modes
        triples += [(m, strongest(tap.modes, m.freq_hz), nearest(lines, m.freq_hz)) for m in true]
    return triples


def _rms(values: list[float]) -> float:
    return math.sqrt(sum(v * v for v in values) / len(values))


@pytest.mark.slow
def test_both_agree_on_frequency_to_a_fraction_of_a_cent_and_on_decay_to_a_few_per_cent(compared) -> None:
    """36 modes; harminv's own error, a few of them wide, hangs on the sample at which the decay is cut out."""
    cents = [1200 * math.log2(read.freq_hz / line.freq_hz) for _, read, line in compared]
    longer_pct = [100 * (read.t60_s / line.t60_s - 1) for _, read, line in compared]
    # No nearer than harminv is to the truth can anything be to harminv, but by luck: hence the tenth.
    own_cents = [1200 * math.log2(true.freq_hz / line.freq_hz) for true, _, line in compared]
    assert statistics.median(map(abs, cents)) < 1.1 * statistics.median(map(abs, own_cents))
    assert _rms(cents) < 1.1 * _rms(own_cents)
    assert statistics.median(map(abs, own_cents)) < 0.3, "harminv itself must be near the truth to be asked"
    own_pct = [100 * (true.t60_s / line.t60_s - 1) for true, _, line in compared]
    assert statistics.median(map(abs, longer_pct)) < 2.0
    assert _rms(longer_pct) < 1.1 * _rms(own_pct)


@pytest.mark.slow
def test_the_tool_is_nearer_the_truth_than_harminv(compared) -> None:
    ours_cents = [1200 * math.log2(read.freq_hz / true.freq_hz) for true, read, _ in compared]
    theirs_cents = [1200 * math.log2(line.freq_hz / true.freq_hz) for true, _, line in compared]
    ours_pct = [100 * (read.t60_s / true.t60_s - 1) for true, read, _ in compared]
    theirs_pct = [100 * (line.t60_s / true.t60_s - 1) for true, _, line in compared]
    # the study found harminv 8 times over the limit and the tool's method at 1.03 of it; half of that is asked
    assert _rms(ours_cents) < _rms(theirs_cents) / 2
    assert _rms(ours_pct) < _rms(theirs_pct) / 2


# Partials of real struck things on which a spectrum, an envelope, harminv and a least-squares fit agreed, with
# harminv's own reading (Hz, T60 in s) as it was noted when the recordings were chosen (see their detail.csv).
REAL = {
    "glocken_ds8.flac": [(7927.54, 1.1701), (10817.50, 0.5067)],
    "low_agogo.flac": [(5126.58, 0.3536), (7936.22, 0.1708)],
    "beats_06_12.flac": [(2701.26, 0.5142), (3641.90, 0.5600)],
}


def typical(sound: Sound, free_from_s: float, freq_hz: float) -> tuple[float, float]:
    """Return the median of what harminv says of a partial, given three stretches and two widths of band.

    Its answer scatters with them by some tenths of a cent and up to a tenth in decay, and now and then is far off.
    """
    rate_hz, first = sound.sample_rate_hz, round(free_from_s * sound.sample_rate_hz)
    lines = [
        nearest(
            harminv(sound.samples[first : first + round(s * rate_hz)], rate_hz, freq_hz - w, freq_hz + w), freq_hz
        )
        for s in (0.15, 0.20, 0.25)
        for w in (60, 100)
    ]
    return statistics.median(x.freq_hz for x in lines), statistics.median(x.t60_s for x in lines)


@pytest.mark.parametrize("name", REAL)
def test_both_agree_on_real_struck_things(name: str, real_recordings: Path) -> None:
    sound = decode(real_recordings / name)
    wanted = [freq_hz for freq_hz, _ in REAL[name]]
    band = BandSettings(band_low_hz=min(wanted) - 500, band_high_hz=max(wanted) + 500)
    (tap,) = (t for t in measure_taps(sound, find_taps(sound), band)[0] if t.tap.used)
    for freq_hz, noted_t60_s in REAL[name]:
        line_hz, line_t60_s = typical(sound, tap.tap.free_from_s, freq_hz)
        read = strongest(tap.modes, freq_hz)
        assert 1200 * math.log2(read.freq_hz / line_hz) == pytest.approx(0, abs=0.15)
        assert read.t60_s == pytest.approx(line_t60_s, rel=0.12)
        assert read.freq_hz == pytest.approx(freq_hz, abs=0.5)
        assert read.t60_s == pytest.approx(noted_t60_s, rel=0.10)
