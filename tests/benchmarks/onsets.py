"""How well taps are found and timed, on simulated recordings of known truth, scored by mir_eval.

    python tests/benchmarks/onsets.py [RECORDINGS [FIRST_SEED]]

Conventions: a recording is made from one seed. It has 5 to 8 taps, 0.6 to 1.3 s apart, on a body of 4 to 12 modes
between 80 and 1200 Hz with T60 0.1 to 0.6 s. The mallet touches for 1 to 5 ms; the strength scatters by 8 dB
(standard deviation, limited to two of them). A third of the taps bounce, 30 to 150 ms later and 6 to 25 dB weaker;
between the taps there are knocks, talk, crackle and handling noise. The noise is pink with hum; the *SNR* is the peak
of the weakest tap over the root mean square of the noise, 30 to 60 dB. The score counts used taps within 20 ms.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from tapbatch.listen.taps import find_taps
from tapbatch.model.reading import Sound, Tap
from tapbatch.simulate import taps as sim

WINDOW_S = 0.02
RATES_HZ = (8000, 16000, 44100, 48000)


@dataclass(frozen=True)
class Scene:
    """A sound and its true events."""

    sound: Sound
    truth: tuple[sim.TrueEvent, ...]
    contact_s: float
    snr_db: float

    @property
    def taps_s(self) -> np.ndarray:
        return np.array([e.onset_s for e in self.truth if e.is_tap])

    @property
    def bounces_s(self) -> list[tuple[float, float]]:
        """The onset of each tap that bounces, and that of its bounce."""
        pairs = zip(self.truth, self.truth[1:], strict=False)
        return [(a.onset_s, b.onset_s) for a, b in pairs if a.is_tap and b.what == "bounce"]


@dataclass(frozen=True)
class Score:
    """One recording: mir_eval's three numbers, the timing error of each tap found, and how bounces were treated."""

    f_measure: float
    precision: float
    recall: float
    errors_s: tuple[float, ...]
    bounces: int
    bounces_ended: int


def a_body(rng: np.random.Generator) -> tuple[sim.SimMode, ...]:
    """Return 4 to 12 modes, at least 2 % apart, the higher ones a little weaker."""
    count = int(rng.integers(4, 13))
    freqs_hz: list[float] = []
    while len(freqs_hz) < count:
        freq_hz = float(np.exp(rng.uniform(np.log(80), np.log(1200))))
        if all(abs(np.log(freq_hz / other)) > 0.02 for other in freqs_hz):
            freqs_hz.append(freq_hz)
    return tuple(
        sim.SimMode(
            f,
            float(np.exp(rng.uniform(np.log(0.1), np.log(0.6)))),
            10 ** (rng.uniform(-15, 0) / 20),
            rng.uniform(-np.pi, np.pi),
        )
        for f in sorted(freqs_hz)
    )


def _strikes(rng: np.random.Generator, contact_s: float) -> list[sim.Strike]:
    body, at_s = a_body(rng), float(rng.uniform(0.3, 1.0))
    strikes = []
    for _ in range(int(rng.integers(5, 9))):
        hard_db = 8 * float(np.clip(rng.standard_normal(), -2, 2))
        struck = sim.scattered([sim.moved(m, level_db=hard_db) for m in body], rng, level_db=0)
        strikes.append(sim.Strike(onset_s=at_s, modes=struck, contact_s=contact_s))
        if rng.random() < 1 / 3:
            weaker = [sim.moved(m, level_db=float(rng.uniform(-25, -6))) for m in struck[:1]]
            fall_db = 20 * np.log10(weaker[0].amplitude / struck[0].amplitude)
            again = sim.scattered([sim.moved(m, level_db=fall_db) for m in struck], rng, level_db=0)
            later_s = at_s + float(rng.uniform(0.03, 0.15))
            strikes.append(sim.Strike(onset_s=later_s, modes=again, contact_s=contact_s, what="bounce"))
        at_s += float(rng.uniform(0.6, 1.3))
    return strikes


def _others(
    rng: np.random.Generator, taps_s: list[float], end_s: float, peak: float, rate_hz: int
) -> list[sim.Disturbance]:
    """Return the disturbances between the taps, at least 0.25 s after one and 0.1 s before the next."""
    others = []
    for at_s, next_s in zip(taps_s, [*taps_s[1:], end_s], strict=True):
        room_s = next_s - 0.1 - (at_s + 0.25)
        what = rng.choice(["", "", "knock", "speech", "crackle", "handling"])
        level = peak * 10 ** (float(rng.uniform(-20, 0)) / 20)
        if what == "knock":
            sound = sim.knock(rng, sample_rate_hz=rate_hz, peak=level)
        elif what == "speech":
            sound = sim.speech(rng, sample_rate_hz=rate_hz, duration_s=min(0.7, room_s), peak=0.3 * level)
        elif what == "crackle":
            sound = sim.crackle(round(room_s * rate_hz), rng, sample_rate_hz=rate_hz, peak=0.5 * level)
        elif what == "handling":
            sound = sim.handling(round(room_s * rate_hz), rng, sample_rate_hz=rate_hz, peak=0.3 * level)
        else:
            continue
        start_s = at_s + 0.25 + float(rng.uniform(0, max(0.0, room_s - len(sound) / rate_hz)))
        others.append(sim.Disturbance(onset_s=start_s, samples=sound, what=str(what)))
    return others


def a_scene(seed: int, snr_db: float | None = None, rate_hz: int | None = None) -> Scene:
    """Return the recording of a seed; peak at -6 dBFS, noise by the SNR, 16 bits."""
    rng = np.random.default_rng(seed)
    rate_hz = rate_hz or RATES_HZ[seed % len(RATES_HZ)]
    snr_db = float(rng.uniform(30, 60)) if snr_db is None else snr_db
    contact_s = float(rng.uniform(0.001, 0.005))
    strikes = _strikes(rng, contact_s)
    taps = [s for s in strikes if s.what == "tap"]
    end_s = taps[-1].onset_s + 1.2
    count = round(end_s * rate_hz)
    clean, _ = sim.recording(strikes, duration_s=end_s, sample_rate_hz=rate_hz)
    peaks = [_peak_after(clean, s.onset_s, rate_hz) for s in taps]
    noise = sim.pink_noise(count, rng, sample_rate_hz=rate_hz) + 0.3 * sim.mains_hum(
        count, rng, sample_rate_hz=rate_hz
    )
    noise *= min(peaks) * 10 ** (-snr_db / 20) / np.std(noise)
    others = _others(rng, [s.onset_s for s in taps], end_s, float(np.median(peaks)), rate_hz)
    samples, truth = sim.recording(
        strikes, duration_s=end_s, sample_rate_hz=rate_hz, disturbances=others, noise=noise
    )
    samples = np.rint(samples * 0.5 / np.abs(samples).max() * 32768) / 32768
    return Scene(Sound(samples=samples, sample_rate_hz=rate_hz), truth, contact_s, snr_db)


def _peak_after(samples: np.ndarray, onset_s: float, rate_hz: int) -> float:
    start = round(onset_s * rate_hz)
    return float(np.abs(samples[start : start + round(0.03 * rate_hz)]).max())


def scored(scene: Scene, taps: Iterable[Tap]) -> Score:
    """Compare the taps found with the truth."""
    import mir_eval

    used = [t for t in taps if t.used]
    estimated = np.array([t.onset_s for t in used])
    f_measure, precision, recall = mir_eval.onset.f_measure(scene.taps_s, estimated, window=WINDOW_S)
    matched = mir_eval.util.match_events(scene.taps_s, estimated, WINDOW_S)
    errors_s = tuple(float(estimated[e] - scene.taps_s[r]) for r, e in matched)
    struck = {round(scene.taps_s[r], 6): used[e] for r, e in matched}
    ended = [struck[round(a, 6)].free_until_s <= b for a, b in scene.bounces_s if round(a, 6) in struck]
    return Score(f_measure, precision, recall, errors_s, len(ended), sum(ended))


def main(recordings: int = 120, first_seed: int = 0) -> None:
    """Print a table with a row for each sample rate, and the recordings with errors."""
    print("rate_hz recordings  F      P      R      worst_ms  over_5_ms  bounces  ended  ms_per_s")
    for rate_hz in RATES_HZ:
        seeds = [s for s in range(first_seed, first_seed + recordings) if RATES_HZ[s % len(RATES_HZ)] == rate_hz]
        scores, spent_s, length_s = [], 0.0, 0.0
        for seed in seeds:
            scene = a_scene(seed)
            start_s = time.process_time()
            taps = find_taps(scene.sound)
            spent_s += time.process_time() - start_s
            length_s += scene.sound.duration_s
            scores.append(scored(scene, taps))
        errors_s = np.abs([e for s in scores for e in s.errors_s])
        f, p, r = np.mean([(s.f_measure, s.precision, s.recall) for s in scores], axis=0)
        bounces, ended = sum(s.bounces for s in scores), sum(s.bounces_ended for s in scores)
        print(
            f"{rate_hz:7d} {len(seeds):10d}  {f:.4f} {p:.4f} {r:.4f} {1e3 * errors_s.max():9.2f} "
            f"{np.count_nonzero(errors_s > 0.005):10d} {bounces:8d} {ended:6d} {1e3 * spent_s / length_s:9.2f}"
        )
        short = [f"{seed}: F {s.f_measure:.3f}" for seed, s in zip(seeds, scores, strict=True) if s.f_measure < 1]
        if short:
            print("        short of 1:", ", ".join(short))


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
