"""The noise of a recording, from the stretches without taps: mains hum as lines, the rest as an autoregression.

Conventions: samples in full scale, frequencies in hertz at the decimated rate. The whitening filter is
``e[n] = sum_k a[k] x[n+k] / sigma`` with ``a[0] = 1``, so that e is white with variance 1. It looks ahead, so that
damped modes pass exactly, as in :mod:`tapbatch.measure.decimate`; a stationary process has the same spectrum in
either direction of time. The coefficients follow from the averaged spectrum of the quiet stretches (Welch 1967) by
the Yule-Walker equations. The model order is 20. Above the pass band and below half the band's lower edge the
spectrum is held up, because whitening what a filter has removed would only amplify aliases.

Mains hum: one fundamental near 50 or 60 Hz (within 0.4 %, the tolerance of the grid) and its harmonics. A line counts
if it stands 25 times above the local floor. The lines stay in the data; the fit includes them as undamped columns.
Leaving them out would raise the errors 1.6 times in frequency and 1.4 times in decay.

Where modes may still ring in the quiet, they stand in its density as lines, and the whitening filter would notch the
loudest of them. There the density is limited to three times its running median over 300 Hz.

It fails with less than 0.15 s of quiet, or if the noise changes between the quiet stretch and the tap. Where modes
may ring in the quiet, noise that rises more steeply than the limit allows is taken for weaker than it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tapbatch.measure.geometric import Complex, Float

AR_ORDER = 20
LEAST_QUIET_S = 0.15
_LINE_OVER_FLOOR = 25.0
_GRID_SPAN = 0.004
_SEGMENT_S = 0.128
_LSB_16 = 2.0**-15
_MOST_OVER_MEDIAN = 3.0
_MEDIAN_HALF_HZ = 150.0


@dataclass(frozen=True, slots=True, eq=False)
class Noise:
    """The noise at the decimated rate.

    ``whitener`` holds the whitening filter ``a/sigma``, shape (order+1,), and ``hum_hz`` the mains lines. ``quiet_s``
    is the length of the quiet it was estimated from, 0 for a guess. ``psd_freq_hz`` and ``psd`` (full scale^2 per
    hertz) are for drawing.
    """

    whitener: Float
    rate_hz: float
    hum_hz: tuple[float, ...]
    quiet_s: float
    psd_freq_hz: Float
    psd: Float

    def whiten(self, x: Float) -> Float:
        """Return ``len(x) - order`` samples in which the noise is white with variance 1."""
        return np.convolve(x, self.whitener[::-1], mode="valid")

    def gain(self, poles: Complex) -> Complex:
        """Return the response of the whitening filter at poles, shape (K,)."""
        return np.asarray(np.polynomial.polynomial.polyval(poles, self.whitener), dtype=np.complex128)

    @property
    def hum_poles(self) -> Complex:
        """Poles of the mains lines at the decimated rate, on the unit circle."""
        return np.exp(2j * np.pi * np.asarray(self.hum_hz) / self.rate_hz)

    def density(self, freq_hz: Float) -> Float:
        """Return the one-sided density of the broadband noise in (full scale)^2/Hz, shape of ``freq_hz``."""
        response = self.gain(np.exp(2j * np.pi * freq_hz / self.rate_hz))
        return 2.0 / (self.rate_hz * np.abs(response) ** 2)


def white_noise(sigma: float, rate_hz: float) -> Noise:
    """Return white noise of a known standard deviation, in full scale.

    Examples
    --------
    >>> white_noise(0.5, 4000.0).whiten(np.array([1.0, 2.0])).tolist()
    [2.0, 4.0]
    """
    sigma = max(sigma, 1e-12)
    freq_hz = np.array([0.0, rate_hz / 2])
    return Noise(
        whitener=np.array([1.0 / sigma]),
        rate_hz=rate_hz,
        hum_hz=(),
        quiet_s=0.0,
        psd_freq_hz=freq_hz,
        psd=np.full(2, 2 * sigma**2 / rate_hz),
    )


def estimate_noise(
    quiet: list[Float],
    rate_hz: float,
    pass_low_hz: float,
    pass_high_hz: float,
    mains_hz: float | None = 50.0,
    *,
    may_ring: bool = False,
) -> Noise:
    """Estimate the noise from stretches without taps.

    Parameters
    ----------
    quiet
        Decimated stretches in full scale, each of shape (n,), together at least 0.15 s.
    rate_hz
        Their sample rate in hertz.
    pass_low_hz, pass_high_hz
        The band in which the spectrum matters, in hertz.
    mains_hz
        The mains frequency to try first, 50 (default) or 60; the other is tried too. ``None`` for a zone shifted
        down, in which harmonics of the mains do not lie at their multiples.
    may_ring
        Whether modes may still ring in the stretches, so that lines other than hum are not noise.

    Raises
    ------
    ValueError
        If there is less than 0.15 s of quiet.

    Examples
    --------
    >>> quiet = 0.01 * np.random.default_rng(1).standard_normal(8000)
    >>> noise = estimate_noise([quiet], 4000.0, 50.0, 1500.0)
    >>> round(float(10 * np.log10(noise.density(np.array([500.0]))[0])))  # 2 * 0.01**2 / 4000 is -73 dB
    -73
    """
    quiet = [q for q in quiet if len(q) >= 64]
    total_s = sum(map(len, quiet)) / rate_hz
    if total_s < LEAST_QUIET_S:
        msg = f"{total_s:.2f} s of quiet is less than the {LEAST_QUIET_S} s needed"
        raise ValueError(msg)
    hum_hz = _mains_lines(quiet, rate_hz, min(pass_high_hz, 0.49 * rate_hz), mains_hz) if mains_hz else ()
    cleaned = [_without(q, hum_hz, rate_hz) for q in quiet]
    freq_hz, psd = _welch(cleaned, rate_hz)
    if may_ring:
        psd = _without_lines(psd, freq_hz[1])
    shaped = _held_up(freq_hz, psd, pass_low_hz, pass_high_hz)
    return Noise(
        whitener=_whitener(shaped, rate_hz),
        rate_hz=rate_hz,
        hum_hz=hum_hz,
        quiet_s=total_s,
        psd_freq_hz=freq_hz,
        psd=psd,
    )


def _welch(stretches: list[Float], rate_hz: float) -> tuple[Float, Float]:
    """Average Hann periodograms with half overlap over all stretches; return the one-sided density."""
    longest = max(map(len, stretches))
    length = int(min(2 ** round(np.log2(_SEGMENT_S * rate_hz)), longest))
    window = np.hanning(length + 1)[:-1]
    total, count = np.zeros(length // 2 + 1), 0
    for stretch in stretches:
        for start in range(0, len(stretch) - length + 1, max(length // 2, 1)):
            piece = stretch[start : start + length]
            total += np.abs(np.fft.rfft(window * (piece - piece.mean()))) ** 2
            count += 1
    psd = total / max(count, 1) * 2 / (rate_hz * (window @ window))
    return np.asarray(np.fft.rfftfreq(length, 1 / rate_hz), dtype=np.float64), psd


def _without_lines(psd: Float, step_hz: float) -> Float:
    """Return the density limited to three times its median within 150 Hz; at the ends, within what there is.

    Examples
    --------
    >>> _without_lines(np.array([1.0, 1.0, 50.0, 1.0, 2.0]), 10.0).tolist()
    [1.0, 1.0, 3.0, 1.0, 2.0]
    """
    half = max(1, round(_MEDIAN_HALF_HZ / step_hz))
    around = np.lib.stride_tricks.sliding_window_view(np.pad(psd, half, constant_values=np.nan), 2 * half + 1)
    return np.asarray(np.minimum(psd, _MOST_OVER_MEDIAN * np.nanmedian(around, axis=1)))


def _held_up(freq_hz: Float, psd: Float, pass_low_hz: float, pass_high_hz: float) -> Float:
    """Hold the density up outside the band, and above 1e-10 of its peak and the quantisation noise of 24 bits."""
    held = psd.copy()
    edge = max(1, int(np.searchsorted(freq_hz, min(pass_high_hz, freq_hz[-1]))) - 1)
    held[edge + 1 :] = np.maximum(held[edge + 1 :], np.mean(held[max(edge - 4, 0) : edge + 1]))
    low = int(np.searchsorted(freq_hz, pass_low_hz / 2 if pass_low_hz < 150 else pass_low_hz))
    held[: low + 1] = np.maximum(held[: low + 1], np.mean(held[low + 1 : low + 4]))
    floor = (_LSB_16 / 256) ** 2 / 12 * 2 / (2 * max(freq_hz[-1], 1.0))
    return np.maximum(held, max(floor, 1e-10 * float(held.max())))


def _whitener(psd: Float, rate_hz: float) -> Float:
    return _autoregression(np.fft.irfft(psd)[: AR_ORDER + 1] * rate_hz / 2)


def _autoregression(correlation: Float) -> Float:
    """Return the prediction-error filter over its standard deviation, from an autocorrelation (Yule-Walker)."""
    order = len(correlation) - 1
    correlation[0] *= 1.0 + 1e-9
    lags = np.abs(np.subtract.outer(np.arange(order), np.arange(order)))
    ahead = np.linalg.solve(correlation[lags], correlation[1 : order + 1])
    variance = float(correlation[0] - ahead @ correlation[1 : order + 1])
    whitener = np.concatenate([[1.0], -ahead]) / np.sqrt(max(variance, 1e-30))
    return np.asarray(whitener, dtype=np.float64)


def _mains_lines(quiet: list[Float], rate_hz: float, top_hz: float, mains_hz: float) -> tuple[float, ...]:
    """Return the mains lines present, from stretches long enough to resolve them from the noise around them."""
    # A line needs about 12 periods to stand out of a broad floor.
    long = [q for q in quiet if len(q) / rate_hz >= 0.24]
    if not long:
        return ()
    spectra = [_padded_spectrum(q, rate_hz) for q in long]
    best: tuple[float, tuple[float, ...]] = (0.0, ())
    for nominal in sorted((50.0, 60.0), key=lambda m: m != mains_hz):
        orders = np.arange(1, int(top_hz / (nominal * (1 + _GRID_SPAN))) + 1)
        grid = nominal * (1 + np.linspace(-_GRID_SPAN, _GRID_SPAN, 41))
        lines = np.multiply.outer(grid, orders)
        power = _over_floor(spectra, lines)
        # The broad floor at each harmonic is exponential with mean 1, so only lines well above it count.
        score = np.where(power > _LINE_OVER_FLOOR, np.log(np.maximum(power, 1e-9)), 0).sum(axis=1)
        at = int(score.argmax())
        if score[at] > best[0] * 1.2:
            present = power[at] > _LINE_OVER_FLOOR
            exact_hz = _refined(spectra, float(grid[at]), orders[present])
            best = (float(score[at]), tuple((exact_hz * orders[present]).tolist()))
    return best[1]


def _refined(spectra: list[tuple[Float, Float, int]], fundamental_hz: float, orders: Float) -> float:
    """Return the fundamental that fits the peaks of its harmonics, weighted by power and by order squared.

    The grid is good to a hundredth of a hertz. At the seventh harmonic that error is large enough to leave the line
    in the residual. Each peak is the vertex of a parabola through the logarithm of the padded Hann spectrum, with a
    bias below 2e-4 of a bin (J. O. Smith, Spectral Audio Signal Processing).
    """
    total, weight = 0.0, 0.0
    for freq_hz, power, _ in spectra:
        step = freq_hz[1]
        for order in orders:
            near = round(fundamental_hz * order / step)
            reach = max(2, int(_GRID_SPAN / 8 * fundamental_hz * order / step))
            low = max(near - reach, 1)
            peak = low + int(np.argmax(power[low : near + reach + 1]))
            if not 1 <= peak < len(power) - 1:
                continue
            left, middle, right = np.log(np.maximum(power[peak - 1 : peak + 2], 1e-300))
            curve = left - 2 * middle + right
            at_hz = (peak + (0.5 * (left - right) / curve if curve < 0 else 0.0)) * step
            w = float(power[peak] * order**2)
            total, weight = total + w * at_hz / order, weight + w
    return total / weight if weight else fundamental_hz


def _padded_spectrum(stretch: Float, rate_hz: float) -> tuple[Float, Float, int]:
    length = 1 << int(np.ceil(np.log2(len(stretch) * 8)))
    window = np.hanning(len(stretch))
    power = np.abs(np.fft.rfft(window * (stretch - stretch.mean()), length)) ** 2 / (window @ window)
    return np.asarray(np.fft.rfftfreq(length, 1 / rate_hz), dtype=np.float64), power, length


def _over_floor(spectra: list[tuple[Float, Float, int]], lines: Float) -> Float:
    """Return the power at the lines over the median around them, averaged over stretches, shape of ``lines``."""
    total = np.zeros(lines.shape)
    middle = lines[len(lines) // 2]
    for freq_hz, power, _ in spectra:
        step = freq_hz[1]
        near = np.round(middle / step).astype(int)[:, None] + np.arange(-round(20 / step), round(20 / step) + 1)
        around = np.median(power[np.clip(near, 0, len(power) - 1)], axis=1) / np.log(2)
        total += power[np.minimum(np.round(lines / step).astype(int), len(power) - 1)] / np.maximum(around, 1e-300)
    return total / len(spectra)


def _without(stretch: Float, hum_hz: tuple[float, ...], rate_hz: float) -> Float:
    if not hum_hz:
        return stretch
    phase = 2 * np.pi * np.multiply.outer(np.arange(len(stretch)) / rate_hz, np.asarray(hum_hz))
    basis = np.hstack([np.cos(phase), np.sin(phase)])
    return np.asarray(stretch - basis @ np.linalg.lstsq(basis, stretch, rcond=None)[0], dtype=np.float64)
