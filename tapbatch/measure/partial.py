"""One partial of a plucked string: one damped sine, or two that nearly agree, fitted by maximum likelihood.

Conventions: a partial enters as a narrow complex band, ``x[m] = sum_k c_k z_k**m + noise``, m = 0 at the start of the
stretch, ``z_k = exp((-delta_k + 2 pi i f_k)/r)``, r the rate of the band, f relative to its centre. The band is cut
out by a filter of minimum phase that looks ahead (:mod:`tapbatch.measure.decimate`), so that poles pass exactly.

Amplitudes are linear and always solved for; what is searched is the middle of the two frequencies, the mean of the
logarithms of the two decays, and half of their difference, at a given distance of the frequencies. The difference of
the decays is held by a prior of 0.15 (two strings of one make, plucked together, die away within a third of each
other): without it a short stretch could trade distance against it. At distance 0 the model is a single damped sine.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tapbatch.measure.decimate import minimum_phase
from tapbatch.measure.geometric import Complex, Float

MOST_STEPS = 25
_SD_HALF_LOG_RATIO = 0.15
_SLOWEST_PER_S = 0.15
_FASTEST_PER_S = 120.0
_LEAST_STEP, _MOST_STEP = np.array([-0.5, -0.7, -0.2]), np.array([0.5, 0.7, 0.2])
_SMALL = (1e-4, 1e-4, 1e-3)


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """The narrow band around a partial: samples, rate, centre, and the variance of its noise a sample."""

    number: int
    samples: Complex
    rate_hz: float
    centre_hz: float
    noise: float


@dataclass(frozen=True, slots=True, eq=False)
class PartialFit:
    """A fit: middle frequency, decay (both in 1/s or hertz), their standard errors, and chi-square over the noise."""

    freq_hz: float
    freq_se_hz: float
    log_delta: float
    log_delta_se: float
    half_log_ratio: float
    chi2: float


def cut_band(
    x: Float, rate_hz: float, centre_hz: float, half_hz: float, stop_hz: float, first: int, last: int
) -> tuple[Complex, float]:
    """Return the band around a frequency of a real sound, decimated, and its rate.

    Parameters
    ----------
    x
        Sound at the rate of the measuring, shape (n,).
    rate_hz
        Its rate.
    centre_hz
        Middle of the band, at this rate.
    half_hz, stop_hz
        How far from the middle it passes all, and from where on nothing.
    first, last
        The stretch, in samples, last excluded. The filter looks beyond no sample of it.
    """
    taps = minimum_phase(rate_hz, half_hz, stop_hz)
    step = max(1, int(rate_hz / (1.15 * (half_hz + stop_hz))))
    piece = x[first:last]
    if len(piece) < len(taps) + 12 * step:
        return np.zeros(0, dtype=np.complex128), rate_hz / step
    turned = taps * np.exp(-2j * np.pi * centre_hz / rate_hz * np.arange(len(taps)))
    frames = np.lib.stride_tricks.sliding_window_view(piece, len(taps))[::step]
    starts = np.arange(len(frames)) * step
    shift = np.exp(-2j * np.pi * (centre_hz / rate_hz * starts % 1.0))
    return np.asarray((frames @ turned) * shift, dtype=np.complex128), rate_hz / step


def first_guess(band: Band) -> tuple[float, float]:
    """Return frequency (hertz from the centre) and decay (1/s) of the strongest line in a band."""
    x, count = band.samples, len(band.samples)
    size = 8 * (1 << int(np.ceil(np.log2(count))))
    spectrum = np.abs(np.fft.fft(x * np.hanning(2 * count)[count:], size))
    at = int(spectrum.argmax())
    freq_hz = (at if at < size // 2 else at - size) * band.rate_hz / size
    half = count // 2
    early, late = (float(np.mean(np.abs(p) ** 2)) for p in (x[:half], x[half:]))
    fall = 0.5 * np.log(max(early, 1e-30) / max(late, 1e-30)) / (half / band.rate_hz)
    return freq_hz, float(np.clip(fall, 0.5, _FASTEST_PER_S))


def fit_partial(
    band: Band, start: tuple[float, float, float], apart_hz: float = 0.0, most_steps: int = MOST_STEPS
) -> PartialFit:
    """Fit one damped sine, or two that lie ``apart_hz`` apart.

    Parameters
    ----------
    band
        Samples and noise.
    start
        Middle frequency from the centre in hertz, log of the decay in 1/s, half the log ratio of the two decays.
    apart_hz
        Distance of the two, 0 for one.
    most_steps
        25 by default; fewer where distances are only to be told apart roughly.
    """
    free = 3 if apart_hz else 2
    p = np.array(start if apart_hz else (start[0], start[1], 0.0), dtype=np.float64)
    time_s = np.arange(len(band.samples)) / band.rate_hz
    residual = _residual(p, band, time_s, apart_hz)
    slope = _slope(p, residual, band, time_s, apart_hz, free)
    cost, damping = float(residual @ residual), 1e-3
    for _ in range(most_steps):
        normal = slope.T @ slope
        step = np.linalg.solve(normal + damping * np.diag(np.diagonal(normal) + 1e-12), -slope.T @ residual)
        tried = p.copy()
        tried[:free] += np.clip(step, _LEAST_STEP[:free], _MOST_STEP[:free])
        tried[1] = min(max(float(tried[1]), math.log(_SLOWEST_PER_S)), math.log(_FASTEST_PER_S))
        left = _residual(tried, band, time_s, apart_hz)
        new = float(left @ left)
        if new < cost:
            settled = cost - new < 1e-5 * cost + 1e-4
            p, residual, cost, damping = tried, left, new, max(damping / 8, 1e-9)
            slope = _slope(p, residual, band, time_s, apart_hz, free)
            if settled:
                break
        else:
            damping *= 8
            if damping > 1e5:
                break
    covariance = np.linalg.pinv(slope.T @ slope)
    return PartialFit(
        freq_hz=band.centre_hz + float(p[0]),
        freq_se_hz=float(np.sqrt(covariance[0, 0])),
        log_delta=float(p[1]),
        log_delta_se=float(np.sqrt(covariance[1, 1])),
        half_log_ratio=float(p[2]),
        chi2=cost,
    )


def _residual(p: Float, band: Band, time_s: Float, apart_hz: float) -> Float:
    """Return the whitened residual, real and imaginary parts in turn, and what the prior adds."""
    x = band.samples
    if apart_hz == 0.0:
        one = np.exp(complex(-math.exp(p[1]), 2 * math.pi * p[0]) * time_s)
        left = x - (np.vdot(one, x) / np.vdot(one, one).real) * one
    else:
        poles = [
            complex(-math.exp(p[1] + side * p[2]), 2 * math.pi * (p[0] + side * apart_hz / 2)) for side in (1, -1)
        ]
        one, two = np.exp(poles[0] * time_s), np.exp(poles[1] * time_s)
        # The normal equations of two columns, with a trace of a ridge for two that nearly agree.
        a, b = np.vdot(one, one).real * (1 + 1e-9), np.vdot(two, two).real * (1 + 1e-9)
        g, y, z = np.vdot(one, two), np.vdot(one, x), np.vdot(two, x)
        det = a * b - abs(g) ** 2
        left = x - ((b * y - g * z) / det) * one - ((a * z - g.conjugate() * y) / det) * two
    return np.append((left / math.sqrt(band.noise / 2)).view(np.float64), p[2] / _SD_HALF_LOG_RATIO)


def _slope(p: Float, residual: Float, band: Band, time_s: Float, apart_hz: float, free: int) -> Float:
    slope = np.empty((len(residual), free))
    for k in range(free):
        moved = p.copy()
        moved[k] += _SMALL[k]
        slope[:, k] = (_residual(moved, band, time_s, apart_hz) - residual) / _SMALL[k]
    return slope
