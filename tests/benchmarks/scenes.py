"""Sounds of known truth for the cases of the benchmark, and the smallest errors possible in each.

Conventions: all randomness comes from one generator, seeded by the name of the case and the number of the trial, so
``python -m tests.benchmarks --case NAME --first N --trials 1`` repeats one trial.

The bound (Cramer-Rao) is that of the free decay at the native rate, from its first sample after contact to its end,
with all true modes and the lines of the mains in the model: the closed form of :mod:`tapbatch.measure.bound` after
whitening by the true noise, looking ahead, so that poles pass exactly. The *ideal* is the maximum of the likelihood
on the same samples, given the noise, the start, the number of modes and start values: no method can know more. Its
deviation from the bound in a few hundred trials is chance; what another method deviates beyond that is not.
"""

from __future__ import annotations

import functools
import zlib
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapbatch.measure.fit import Fit, fit_modes
from tapbatch.measure.geometric import Samples, decays
from tapbatch.model.reading import Sound, Tap
from tapbatch.simulate import taps as sim
from tests.benchmarks.cases import APART_S, COLOURED, LINES, QUIET_S, SIGMA, Case

Float = NDArray[np.float64]

_STEPS = 8  # from the truth; after four, pairs joined over taps were still off by up to a tenth of their error


@dataclass(frozen=True, kw_only=True, eq=False)
class TrueTap:
    """The truth of one tap: modes as at ``free_from_s``."""

    free_from_s: float
    free_until_s: float
    modes: tuple[sim.SimMode, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class Scene:
    """A sound, what the estimator is given about its taps, and the truth; all taps scatter around ``centre``."""

    sound: Sound
    told: tuple[Tap, ...]
    true: tuple[TrueTap, ...]
    centre: tuple[sim.SimMode, ...]
    hum_hz: tuple[float, ...]


def generator(case: Case, trial: int) -> np.random.Generator:
    """Return the generator of one trial."""
    return np.random.default_rng([zlib.crc32(case.name.encode()), trial])


def scene(case: Case, trial: int) -> Scene:
    """Return one trial of a case."""
    rng = generator(case, trial)
    centre = case.body(rng)
    end_s = QUIET_S + APART_S * case.taps
    count = round(end_s * case.rate_hz)
    samples, true = np.zeros(count), []
    for number in range(case.taps):
        until_s = QUIET_S + APART_S * (number + 1)
        struck = _struck(case, centre, number, count, rng)
        samples += struck.samples
        true.append(TrueTap(free_from_s=struck.free_from_s, free_until_s=until_s, modes=struck.modes))
    if case.room_db is not None:
        samples += sim.room_tail(samples, rng, sample_rate_hz=case.rate_hz, level_db=case.room_db)
    samples += _noise(case, count, rng)
    hum_hz: tuple[float, ...] = ()
    if case.mains_hz is not None:
        mains_hz = case.mains_hz * (1 + float(rng.uniform(-0.001, 0.001)))
        samples += sim.mains_hum(
            count, rng, sample_rate_hz=case.rate_hz, mains_hz=mains_hz, amplitudes=[SIGMA * a for a in LINES]
        )
        hum_hz = tuple(mains_hz * (k + 1) for k in range(len(LINES)))
    if case.codec_kbps is not None:
        samples = through_aac(samples, case.rate_hz, case.codec_kbps)
    sound = Sound(samples=samples, sample_rate_hz=case.rate_hz, lossy=case.codec_kbps is not None)
    told = tuple(_told(case, n, t) for n, t in enumerate(true, start=1))
    return Scene(sound=sound, told=told, true=tuple(true), centre=centre, hum_hz=hum_hz)


def _told(case: Case, number: int, tap: TrueTap) -> Tap:
    return Tap(
        number=number,
        onset_s=tap.free_from_s - (case.contact_s or 0.0),
        peak_dbfs=-20.0,
        snr_db=40.0,
        used=True,
        reason="",
        free_from_s=tap.free_from_s + case.told_s,
        free_until_s=tap.free_until_s,
    )


def _struck(
    case: Case, centre: tuple[sim.SimMode, ...], number: int, count: int, rng: np.random.Generator
) -> sim.SimTap:
    """Return a tap that begins anywhere between two samples; without contact the modes begin at once."""
    modes = centre
    if case.level_scatter_db or case.wander_cents:
        modes = sim.scattered(
            centre, rng, cents=case.wander_cents, t60_pct=case.wander_cents, level_db=case.level_scatter_db
        )
    if case.taps > 1:
        modes = tuple(replace(m, phase_rad=float(rng.uniform(-np.pi, np.pi))) for m in modes)
    onset_s = QUIET_S + APART_S * number + float(rng.uniform(0, 1)) / case.rate_hz
    if case.contact_s is not None:
        return sim.tap(
            modes, duration_s=count / case.rate_hz, sample_rate_hz=case.rate_hz, onset_s=onset_s,
            contact_s=case.contact_s,
        )  # fmt: skip
    first = int(np.ceil(onset_s * case.rate_hz))
    samples = np.zeros(count)
    late_s = first / case.rate_hz - onset_s
    poles, weights = poles_of(modes, case.rate_hz), weights_of(modes, late_s)
    samples[first:] = decays(poles, weights, count - first)
    return sim.SimTap(samples=samples, sample_rate_hz=case.rate_hz, onset_s=onset_s, free_from_s=onset_s, modes=modes)


def _noise(case: Case, count: int, rng: np.random.Generator) -> Float:
    if case.colour == "pink":
        return sim.pink_noise(count, rng, sample_rate_hz=case.rate_hz, rms=case.sigma)
    if case.colour == "coloured":
        return sim.coloured_noise(count, COLOURED, rng, rms=case.sigma)
    return sim.white_noise(count, rng, rms=case.sigma)


def through_aac(samples: Float, rate_hz: int, kbps: int) -> Float:
    """Return the sound after AAC, with the same length and aligned with the input."""
    import io

    import av
    from scipy.signal import correlate

    held = io.BytesIO()
    with av.open(held, "w", format="mp4") as file:
        stream = file.add_stream("aac", rate=rate_hz, layout="mono")
        stream.bit_rate = kbps * 1000
        padded = np.concatenate([samples, np.zeros(4096)]).astype(np.float32)
        for start in range(0, len(padded) - 1023, 1024):
            frame = av.AudioFrame.from_ndarray(padded[None, start : start + 1024], format="fltp", layout="mono")
            frame.sample_rate, frame.pts = rate_hz, start
            file.mux(stream.encode(frame))
        file.mux(stream.encode(None))
    held.seek(0)
    with av.open(held) as file:
        back = np.concatenate([f.to_ndarray()[0] for f in file.decode(audio=0)]).astype(np.float64)
    # Encoders and containers differ in how much silence they put in front.
    loud = slice(round(QUIET_S * rate_hz) - 2048, round((QUIET_S + 0.3) * rate_hz))
    likeness = correlate(back, samples[loud], mode="valid", method="fft")
    # By a few frames at most: otherwise a louder tap later in the sound could match better.
    first = max(loud.start - 8192, 0)
    lead = first + int(np.argmax(likeness[first : loud.start + 8192])) - loud.start
    aligned = back[lead:] if lead >= 0 else np.concatenate([np.zeros(-lead), back])
    return np.concatenate([aligned, np.zeros(len(samples))])[: len(samples)]


# ------------------------------------------------------------------- bound


def poles_of(modes: tuple[sim.SimMode, ...], rate_hz: float) -> NDArray[np.complex128]:
    """Return ``z``, shape (K,)."""
    return np.exp(np.array([m.pole_per_s for m in modes]) / rate_hz)


def weights_of(modes: tuple[sim.SimMode, ...], later_s: float) -> NDArray[np.complex128]:
    """Return complex amplitudes ``later_s`` after the time to which the modes refer, shape (K,)."""
    return np.array([m.phasor * np.exp(m.pole_per_s * later_s) for m in modes])


@functools.cache
def whitener(colour: str, rate_hz: int, sigma: float) -> Float:
    """Return the true noise's prediction-error filter over its standard deviation, looking ahead."""
    if colour == "coloured":
        # Innovation of an AR(1) process of unit variance: sqrt(1 - a^2).
        return np.array([1.0, *COLOURED]) / (sigma * np.sqrt(1 - COLOURED[0] ** 2))
    if colour == "white":
        return np.array([1.0 / sigma])
    from scipy.linalg import solve_toeplitz

    freq_hz = np.fft.rfftfreq(1 << 18, 1 / rate_hz)
    correlation = np.fft.irfft(1 / np.maximum(freq_hz, 20.0))
    correlation *= sigma**2 / correlation[0]
    order = rate_hz // 16  # three times the period of the corner at 20 Hz
    ahead = solve_toeplitz(correlation[:order], correlation[1 : order + 1])
    variance = correlation[0] - ahead @ correlation[1 : order + 1]
    return np.concatenate([[1.0], -ahead]) / np.sqrt(variance)


def pole_information(fit: Fit) -> Float:
    """Return the information on the poles when the amplitudes are unknown, shape (2K, 2K): the Schur complement."""
    modes = fit.count
    linear = len(fit.information) - 2 * modes
    a, e, d = fit.information[:linear, :linear], fit.information[linear:, :linear], fit.information[linear:, linear:]
    return np.asarray(d - e @ np.linalg.solve(a, e.T), dtype=np.float64)


def information(case: Case, tap: TrueTap, hum_hz: tuple[float, ...]) -> Float:
    """Return the information on ``(log delta, omega)`` of all modes of a tap, shape (2K, 2K), rad/sample."""
    rate_hz = case.rate_hz
    first, last = int(np.ceil(tap.free_from_s * rate_hz)), int(tap.free_until_s * rate_hz)
    filter_ = whitener(case.colour, rate_hz, case.sigma)
    poles = poles_of(tap.modes, rate_hz)
    weights = weights_of(tap.modes, first / rate_hz - tap.free_from_s)
    weights = weights * np.polynomial.polynomial.polyval(poles, filter_)
    length = last - first - len(filter_) + 1
    lines = np.exp(2j * np.pi * np.array([h for h in hum_hz if h < rate_hz / 2]) / rate_hz)
    fit = fit_modes(Samples(decays(poles, weights, length)), poles, lines, most_steps=0)
    return pole_information(fit)


def ideal(case: Case, scene: Scene) -> Float:
    """Return ``log delta`` and ``omega`` (rad/sample) of all modes where the likelihood is greatest, shape (2K,).

    The taps share their poles: the Gauss-Newton steps of all taps are averaged, weighted by their information.
    """
    from scipy.signal import correlate

    filter_ = whitener(case.colour, case.rate_hz, case.sigma)
    lines = np.exp(2j * np.pi * np.array([h for h in scene.hum_hz if h < case.rate_hz / 2]) / case.rate_hz)
    ends = [(int(np.ceil(t.free_from_s * case.rate_hz)), int(t.free_until_s * case.rate_hz)) for t in scene.true]
    taps = [Samples(correlate(scene.sound.samples[a:b], filter_, mode="valid")) for a, b in ends]
    poles = poles_of(scene.true[0].modes, case.rate_hz)
    for _ in range(_STEPS):
        moved = [_as_unknowns(fit_modes(tap, poles, lines, most_steps=1).poles) for tap in taps]
        here = [pole_information(fit_modes(tap, poles, lines, most_steps=0)) for tap in taps]
        log_delta, omega = np.split(_weighed(here, moved), 2)
        poles = np.exp(-np.exp(log_delta) + 1j * omega)
    return _as_unknowns(poles)


def _as_unknowns(poles: NDArray[np.complex128]) -> Float:
    return np.concatenate([np.log(-np.log(np.abs(poles))), np.angle(poles)])


def _weighed(informations: list[Float], values: list[Float]) -> Float:
    total = np.sum(informations, axis=0)
    pull = np.sum([i @ v for i, v in zip(informations, values, strict=True)], axis=0)
    scale = 1 / np.sqrt(np.diagonal(total))
    return np.asarray(np.linalg.solve(total * scale[:, None] * scale, pull * scale) * scale)


def bounds(informations: list[Float], rate_hz: float) -> tuple[Float, Float]:
    """Return the least standard errors of frequency (Hz) and of ``ln T60``, each (K,), of taps that share poles."""
    total = np.sum(informations, axis=0)
    scale = 1 / np.sqrt(np.diagonal(total))
    inverse = np.linalg.inv(total * scale[:, None] * scale) * scale[:, None] * scale
    sd = np.sqrt(np.diagonal(inverse))
    count = len(sd) // 2
    return sd[count:] * rate_hz / (2 * np.pi), sd[:count]
