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

from dataclasses import dataclass

import numpy as np

from tapbatch.measure.decimate import minimum_phase
from tapbatch.measure.geometric import Complex, Float

_STEPS = 25
_SD_HALF_LOG_RATIO = 0.15
_SLOWEST_PER_S = 0.15
_FASTEST_PER_S = 120.0


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
    power: float


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


def fit_partial(band: Band, start: tuple[float, float, float], apart_hz: float = 0.0) -> PartialFit:
    """Fit one damped sine, or two that lie ``apart_hz`` apart.

    Parameters
    ----------
    band
        Samples and noise.
    start
        Middle frequency from the centre in hertz, log of the decay in 1/s, half the log ratio of the two decays.
    apart_hz
        Distance of the two, 0 for one.
    """
    free = 3 if apart_hz else 2
    p = np.array(start if apart_hz else (start[0], start[1], 0.0), dtype=np.float64)
    residual = _residual(p, band, apart_hz)
    cost, damping = float(residual @ residual), 1e-3
    for _ in range(_STEPS):
        slope = _slope(p, residual, band, apart_hz, free)
        normal = slope.T @ slope
        step = np.linalg.solve(normal + damping * np.diag(np.diagonal(normal) + 1e-12), -slope.T @ residual)
        tried = p.copy()
        tried[:free] += np.clip(step, (-0.5, -0.7, -0.2)[:free], (0.5, 0.7, 0.2)[:free])
        tried[1] = np.clip(tried[1], np.log(_SLOWEST_PER_S), np.log(_FASTEST_PER_S))
        left = _residual(tried, band, apart_hz)
        new = float(left @ left)
        if new < cost:
            settled = cost - new < 1e-5 * cost + 1e-4
            p, residual, cost, damping = tried, left, new, max(damping / 8, 1e-9)
            if settled:
                break
        else:
            damping *= 8
            if damping > 1e5:
                break
    slope = _slope(p, residual, band, apart_hz, free)
    covariance = np.linalg.pinv(slope.T @ slope)
    return PartialFit(
        freq_hz=band.centre_hz + float(p[0]),
        freq_se_hz=float(np.sqrt(covariance[0, 0])),
        log_delta=float(p[1]),
        log_delta_se=float(np.sqrt(covariance[1, 1])),
        half_log_ratio=float(p[2]),
        chi2=cost,
        power=float(np.mean(np.abs(band.samples) ** 2)),
    )


def _residual(p: Float, band: Band, apart_hz: float) -> Float:
    """Return the whitened residual, real and imaginary parts side by side, and what the prior adds."""
    time_s = np.arange(len(band.samples)) / band.rate_hz
    if apart_hz == 0.0:
        basis = np.exp((-np.exp(p[1]) + 2j * np.pi * p[0]) * time_s)[:, None]
    else:
        basis = np.stack(
            [np.exp((-np.exp(p[1] + s * p[2]) + 2j * np.pi * (p[0] + s * apart_hz / 2)) * time_s) for s in (1, -1)],
            axis=1,
        )
    gram = basis.conj().T @ basis
    gram[np.diag_indices_from(gram)] *= 1 + 1e-9
    left = (band.samples - basis @ np.linalg.solve(gram, basis.conj().T @ band.samples)) / np.sqrt(band.noise / 2)
    return np.concatenate([left.real, left.imag, [p[2] / _SD_HALF_LOG_RATIO]])


def _slope(p: Float, residual: Float, band: Band, apart_hz: float, free: int) -> Float:
    step = (1e-4, 1e-4, 1e-3)
    columns = []
    for k in range(free):
        moved = p.copy()
        moved[k] += step[k]
        columns.append((_residual(moved, band, apart_hz) - residual) / step[k])
    return np.stack(columns, axis=1)
