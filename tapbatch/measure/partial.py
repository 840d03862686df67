"""One partial of a plucked string: one damped sinusoid, or two close ones, fitted by maximum likelihood.

Conventions: a partial enters as a narrow complex band, ``x[m] = sum_k c_k z_k**m + noise``, m = 0 at the start of the
stretch, ``z_k = exp((-delta_k + 2 pi i f_k)/r)``, with r the rate of the band and f relative to its centre. The band
is cut out by a minimum-phase filter that looks ahead (:mod:`tapbatch.measure.decimate`), so poles pass exactly.

The amplitudes are linear and are solved for at each step. The search runs over the middle of the two frequencies, the
mean of the logarithms of the two decays, and half the difference of those logarithms, at a given distance of the
frequencies. A prior with a standard deviation of 0.15 holds the difference of the decays (two strings of one make,
plucked together, decay within a third of each other); without it a short stretch could trade distance against it. At
distance 0 the model is a single damped sinusoid.
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


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """The narrow band around a partial: its number, samples, rate, centre, and noise variance per sample."""

    number: int
    samples: Complex
    rate_hz: float
    centre_hz: float
    noise: float


@dataclass(frozen=True, slots=True, eq=False)
class PartialFit:
    """A fit: middle frequency, decay (hertz and 1/s), their standard errors, and chi-square over the noise.

    ``fainter`` is the ratio of the smaller to the larger initial amplitude, 0 to 1, and 0 for a single line.
    ``alike`` is the lag-one correlation of the residual, -1 to 1: near 0 for noise, near 1 if the model lacks
    something.
    """

    freq_hz: float
    freq_se_hz: float
    log_delta: float
    log_delta_se: float
    half_log_ratio: float
    chi2: float
    fainter: float = 0.0
    alike: float = 0.0


def cut_band(
    x: Float, rate_hz: float, centre_hz: float, half_hz: float, stop_hz: float, first: int, last: int
) -> tuple[Complex, float]:
    """Return the band around a frequency of a real sound, decimated, and its sample rate.

    Parameters
    ----------
    x
        The sound at the low rate, shape (n,).
    rate_hz
        Its sample rate.
    centre_hz
        Middle of the band, at this rate.
    half_hz, stop_hz
        Distances from the middle: the pass band ends at the first, the stop band begins at the second.
    first, last
        The stretch, in samples, last excluded. The filter uses no sample after it.
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


def fit_partials(
    band: Band,
    starts: Float,
    apart_hz: Float | None = None,
    expected: tuple[Float, Float] | None = None,
    most_steps: int = MOST_STEPS,
) -> list[PartialFit]:
    """Fit one damped sinusoid, or two at given distances, from several starts or distances at once.

    Parameters
    ----------
    band
        Samples and noise variance.
    starts
        Shape (K, 3): middle frequency from the centre in hertz, log of the mean decay in 1/s, and half the log ratio
        of the two decays.
    apart_hz
        Distances of the two lines in hertz, shape (K,); ``None`` (default) for a single line.
    expected
        Expected middle (hertz from the centre) and its standard deviation, each of shape (K,). It enters chi-square
        as one more observation. ``None`` (default) for no expectation.
    most_steps
        Most steps, 25 by default; fewer are enough to compare distances roughly.

    Returns
    -------
    list of PartialFit
        One for each start, by damped Gauss-Newton steps with the amplitudes projected out (Golub & Pereyra, SIAM J.
        Numer. Anal. 10, 1973, with Kaufman's derivative, BIT 15, 1975).

    Examples
    --------
    >>> ring = np.exp((-5.0 + 2j * math.pi * 1.5) * np.arange(100) / 50.0)
    >>> (fit,) = fit_partials(Band(1, ring, 50.0, 200.0, 1e-6), np.array([[1.0, math.log(4.0), 0.0]]))
    >>> round(fit.freq_hz, 3), round(math.exp(fit.log_delta), 3)
    (201.5, 5.0)
    """
    p, cost, normal = _settled(band, starts, apart_hz, expected, most_steps)
    variance = np.einsum("kii->ki", np.linalg.pinv(normal, hermitian=True))
    _, _, amplitude, _, left = _model(p, band, apart_hz)
    loud = np.abs(amplitude[:, :, 0])
    fainter = loud.min(axis=1) / np.maximum(loud.max(axis=1), 1e-30) if apart_hz is not None else np.zeros(len(p))
    power = np.maximum(np.sum(np.abs(left) ** 2, axis=1), 1e-30)
    alike = np.real(np.sum(left[:, 1:] * left[:, :-1].conj(), axis=1)) / power
    return [
        PartialFit(
            freq_hz=band.centre_hz + float(p[k, 0]),
            freq_se_hz=float(np.sqrt(max(variance[k, 0], 0.0))),
            log_delta=float(p[k, 1]),
            log_delta_se=float(np.sqrt(max(variance[k, 1], 0.0))),
            half_log_ratio=float(p[k, 2]),
            chi2=float(cost[k]),
            fainter=float(fainter[k]),
            alike=float(alike[k]),
        )
        for k in range(len(p))
    ]


def _settled(
    band: Band, starts: Float, apart_hz: Float | None, expected: tuple[Float, Float] | None, most_steps: int
) -> tuple[Float, Float, Float]:
    """Return the converged parameters, (K, 3), with chi-square, (K,), and the normal matrices there, (K, 3, 3)."""
    p = np.array(starts, dtype=np.float64)
    if apart_hz is None:
        p[:, 2] = 0.0
    cost, gradient, normal = _state(p, band, apart_hz, expected)
    damping = np.full(len(p), 1e-3)
    going = np.arange(len(p))
    for _ in range(most_steps):
        if not len(going):
            break
        held = normal[going]
        diagonal = np.einsum("kii->ki", held)
        damped = held + (damping[going, None] * diagonal + 1e-12)[:, :, None] * np.eye(3)
        step = np.linalg.solve(damped, -gradient[going, :, None])[:, :, 0]
        tried = p[going] + np.clip(step, _LEAST_STEP, _MOST_STEP)
        tried[:, 1] = np.clip(tried[:, 1], math.log(_SLOWEST_PER_S), math.log(_FASTEST_PER_S))
        new, new_gradient, new_normal = _state(tried, band, _some(apart_hz, going), _some_of(expected, going))
        better = new < cost[going]
        settled = np.where(better, cost[going] - new < 1e-5 * cost[going] + 1e-4, damping[going] > 1e5)
        at = going[better]
        p[at], cost[at] = tried[better], new[better]
        gradient[at], normal[at] = new_gradient[better], new_normal[better]
        damping[going] = np.where(better, np.maximum(damping[going] / 8, 1e-9), damping[going] * 8)
        going = going[~settled]
    return p, cost, normal


def _some(values: Float | None, which: np.ndarray) -> Float | None:
    return None if values is None else values[which]


def _some_of(pair: tuple[Float, Float] | None, which: np.ndarray) -> tuple[Float, Float] | None:
    return None if pair is None else (pair[0][which], pair[1][which])


def _model(p: Float, band: Band, apart_hz: Float | None) -> tuple[Float, Complex, Complex, Complex, Complex]:
    """Return decays (K, 1 or 2), columns, amplitudes, the part of each line, and the residual of the band (K, N)."""
    time_s = np.arange(len(band.samples)) / band.rate_hz
    sides = _sides(apart_hz)
    delta = np.exp(p[:, 1, None] + sides * p[:, 2, None])
    hz = p[:, 0, None] + (0.0 if apart_hz is None else sides * apart_hz[:, None] / 2)
    columns = np.exp((-delta + 2j * math.pi * hz)[:, :, None] * time_s)
    amplitude = _solved(columns, columns.conj() @ band.samples[:, None])
    parts = amplitude * columns
    return delta, columns, amplitude, parts, band.samples - parts.sum(axis=1)


def _sides(apart_hz: Float | None) -> Float:
    return np.zeros(1) if apart_hz is None else np.array([1.0, -1.0])


def _solved(columns: Complex, right: Complex) -> Complex:
    """Solve the normal equations of one or two columns, with a slight ridge for two that are nearly equal."""
    gram = columns.conj() @ columns.transpose(0, 2, 1)
    if gram.shape[1] == 1:
        return right / gram
    a, b, g = gram[:, 0, 0].real * (1 + 1e-9), gram[:, 1, 1].real * (1 + 1e-9), gram[:, 0, 1]
    inverse = np.empty_like(gram)
    inverse[:, 0, 0], inverse[:, 1, 1], inverse[:, 0, 1], inverse[:, 1, 0] = b, a, -g, -g.conj()
    return np.asarray((inverse / (a * b - np.abs(g) ** 2)[:, None, None]) @ right, dtype=np.complex128)


def _state(
    p: Float, band: Band, apart_hz: Float | None, expected: tuple[Float, Float] | None
) -> tuple[Float, Float, Float]:
    """Return chi-square with the priors, half its gradient, and the normal matrix, for each of the K fits."""
    time_s, sides = np.arange(len(band.samples)) / band.rate_hz, _sides(apart_hz)
    delta, columns, _, parts, left = _model(p, band, apart_hz)
    by_decay = -delta[:, :, None] * time_s * parts
    # Derivatives by middle, mean decay and half ratio, less the part that the amplitudes can follow.
    moves = np.stack(
        [
            2j * math.pi * time_s * (band.samples - left),
            by_decay.sum(axis=1),
            (sides[:, None] * by_decay).sum(axis=1),
        ],
        axis=1,
    )
    along = _solved(columns, columns.conj() @ moves.transpose(0, 2, 1))
    moves = moves - along.transpose(0, 2, 1) @ columns
    scale = 2.0 / band.noise
    cost = scale * np.sum(np.abs(left) ** 2, axis=1) + (p[:, 2] / _SD_HALF_LOG_RATIO) ** 2
    gradient = -scale * np.real(moves.conj() @ left[:, :, None])[:, :, 0]
    normal = scale * np.real(moves.conj() @ moves.transpose(0, 2, 1))
    gradient[:, 2] += p[:, 2] / _SD_HALF_LOG_RATIO**2
    normal[:, 2, 2] += 1 / _SD_HALF_LOG_RATIO**2
    if expected is not None:
        off, sd = p[:, 0] - expected[0], expected[1]
        cost = cost + (off / sd) ** 2
        gradient[:, 0] += off / sd**2
        normal[:, 0, 0] += 1 / sd**2
    return cost, gradient, normal
