"""Lower the sample rate so that damped modes pass exactly.

Conventions: rates and frequencies in hertz; m counts output samples and D is the factor. A filter that looks ahead,
``x[m] = sum_k h[k] y[mD + k]``, turns ``z**n`` into ``H(z) z**(mD)`` with ``H(z) = sum_k h[k] z**k``. The pole
becomes ``z**D``, the amplitude is scaled by a known number, and output sample m uses nothing before sample ``mD``.
Minimum phase puts the weight of ``h`` at small k, so the first sample of a decay, where it is loudest, keeps its
weight (linear phase costs a tenth in the error of the decay). The stop band matters as much: a strong mode above the
band would alias into it.

A band wider than 2250 Hz is measured in zones 1500 Hz wide, so that the cost grows with the width and not with its
cube. A zone is cut out by a one-sided filter (complex, also looking ahead), shifted down by ``shift_hz``, and its
real part is taken. A damped mode stays a damped mode; only its frequency is lower by the shift.

Each stage decimates by at most 8; the stop band is 75 dB down from the first frequency that would alias.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import overload

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from tapbatch.measure.geometric import Complex, Float

STOP_DB = 75.0
ZONE_HZ = 1500.0
_BLOCK = 1 << 13
_MOST_AT_ONCE = 16
_PASS_MARGIN = 1.04
_RATE_OVER_BAND = 2.5


@dataclass(frozen=True, slots=True, eq=False)
class Decimator:
    """Look-ahead decimation from ``rate_hz`` by ``factor``, in stages ``(taps, factor)``; poles pass exactly.

    ``low_hz`` and ``high_hz`` limit the modes it is responsible for; ``pass_low_hz`` and ``pass_high_hz`` limit its
    pass band at the output. Output frequencies are lower than in the recording by ``shift_hz`` (0 for the lowest
    zone).
    """

    rate_hz: int
    factor: int
    stages: tuple[tuple[NDArray[np.inexact], int], ...]
    low_hz: float
    high_hz: float
    pass_low_hz: float
    pass_high_hz: float
    shift_hz: float = 0.0

    @property
    def out_rate_hz(self) -> float:
        """Rate of the output in hertz."""
        return self.rate_hz / self.factor

    @property
    def reach(self) -> int:
        """Number of input samples that one output sample uses, from its own onwards."""
        total, step = 1, 1
        for taps, factor in self.stages:
            total += (len(taps) - 1) * step
            step *= factor
        return total

    def apply(self, y: Float) -> Float:
        """Return the decimated samples, shape (m,); the last ``reach - 1`` input samples start no output sample.

        Raises
        ------
        ValueError
            If ``y`` is shorter than ``reach``.
        """
        x: NDArray[np.inexact] = y
        for taps, factor in self.stages:
            x = _look_ahead(x, taps, factor)
        if self.shift_hz:
            turn = np.exp(-2j * np.pi * ((self.shift_hz / self.out_rate_hz) * np.arange(len(x)) % 1.0))
            x = (x * turn).real
        return np.ascontiguousarray(x, dtype=np.float64)

    @overload
    def holds(self, freq_hz: float) -> bool: ...
    @overload
    def holds(self, freq_hz: Float) -> NDArray[np.bool_]: ...
    def holds(self, freq_hz: float | Float) -> bool | NDArray[np.bool_]:
        """Tell whether it is responsible for modes at a frequency of the recording, or at each of several (Hz)."""
        return (freq_hz >= self.low_hz) & (freq_hz < self.high_hz)

    def true_hz(self, poles: Complex) -> Float:
        """Return the frequencies in the recording, in hertz, of output poles, shape (K,)."""
        return np.angle(poles) * self.out_rate_hz / (2 * np.pi) + self.shift_hz

    def gain(self, poles: Complex) -> Complex:
        """Return ``H`` at output poles, shape (K,), so that ``amplitude_in = amplitude_out / H``."""
        log_pole = np.log(np.abs(poles)) / self.factor + 2j * np.pi * self.true_hz(poles) / self.rate_hz
        # The real part of a one-sided signal has half the amplitude.
        total = np.full(len(poles), 0.5 if self.shift_hz else 1.0, dtype=np.complex128)
        for taps, factor in self.stages:
            total *= np.exp(np.multiply.outer(log_pole, np.arange(len(taps)))) @ taps
            log_pole = log_pole * factor
        return total


def _look_ahead(y: NDArray[np.inexact], taps: NDArray[np.inexact], factor: int) -> NDArray[np.inexact]:
    reach = len(taps)
    if len(y) < reach:
        msg = f"{len(y)} samples are fewer than the {reach} that the filter needs"
        raise ValueError(msg)
    # Several outputs share a row: a matrix product needs its rows contiguous in memory, and copying them is the main
    # cost. The work is done in blocks to limit memory.
    at_once = max(1, min(_MOST_AT_ONCE, reach // factor))
    staggered = np.zeros((reach + (at_once - 1) * factor, at_once), dtype=taps.dtype)
    for k in range(at_once):
        staggered[k * factor : k * factor + reach, k] = taps
    count, step, width = (len(y) - reach) // factor + 1, at_once * factor, len(staggered)
    whole = max(0, (len(y) - width) // step + 1)
    rest = np.zeros((1, width), dtype=y.dtype)
    rest[0, : len(y) - whole * step] = y[whole * step :]
    rows = sliding_window_view(y, width)[::step] if whole else rest[:0]
    blocks = [rows[at : at + _BLOCK // at_once] for at in range(0, whole, _BLOCK // at_once)]
    return np.concatenate([(block @ staggered).ravel() for block in (*blocks, rest)])[:count]


@functools.lru_cache(maxsize=16)
def zones(rate_hz: int, low_hz: float, high_hz: float) -> tuple[Decimator, ...]:
    """Return the decimators that cover a band together, by frequency.

    Parameters
    ----------
    rate_hz
        Rate of the recording in hertz.
    low_hz, high_hz
        The band in hertz, ``high_hz`` below half the rate.

    Examples
    --------
    >>> [(z.out_rate_hz, z.shift_hz) for z in zones(48000, 50.0, 1500.0)]
    [(4000.0, 0.0)]
    >>> [(round(z.low_hz), round(z.high_hz)) for z in zones(48000, 50.0, 4000.0)]
    [(50, 1500), (1500, 3000), (3000, 4000)]
    """
    if high_hz <= 1.5 * ZONE_HZ:
        return (_lowest(rate_hz, low_hz, high_hz),)
    found = [_lowest(rate_hz, low_hz, ZONE_HZ)] if low_hz < ZONE_HZ else []
    edge = max(low_hz, ZONE_HZ) if found else low_hz
    while edge < high_hz - 1e-6:
        top = min(edge + ZONE_HZ, high_hz)
        found.append(_higher(rate_hz, edge, top))
        edge = top
    return tuple(found)


def _lowest(rate_hz: int, low_hz: float, high_hz: float) -> Decimator:
    factors = _factors(rate_hz / (_RATE_OVER_BAND * high_hz))
    out = rate_hz / math.prod(factors)
    pass_hz = min(_PASS_MARGIN * high_hz, 0.49 * rate_hz)
    stages = _stages(rate_hz, factors, pass_hz, out / 2)
    return Decimator(rate_hz, math.prod(factors), stages, low_hz, high_hz, low_hz, pass_hz)


def _higher(rate_hz: int, low_hz: float, high_hz: float) -> Decimator:
    factors = _factors(rate_hz / (_RATE_OVER_BAND * ZONE_HZ))
    out = rate_hz / math.prod(factors)
    # The stop band must end below the Nyquist frequency, or the mirror image of the top would enter.
    centre = min((low_hz + high_hz) / 2, 0.498 * rate_hz - out / 4)
    half = max(_PASS_MARGIN * ZONE_HZ / 2, high_hz + 20 - centre)
    half = min(half, 0.23 * out)
    stages = _stages(rate_hz, factors, half, out / 4) if factors else _one_sided(rate_hz, half, out / 4)
    turned, step = [], 1
    for taps, factor in stages:
        turn = np.exp(-2j * np.pi * centre / rate_hz * step * np.arange(len(taps)))
        turned.append((taps * turn, factor))
        step *= factor
    middle = out / 4
    return Decimator(
        rate_hz, step, tuple(turned), low_hz, high_hz, middle - half, middle + half, shift_hz=centre - middle
    )


def _one_sided(rate_hz: int, pass_hz: float, stop_hz: float) -> tuple[tuple[Float, int], ...]:
    return ((minimum_phase(rate_hz, pass_hz, stop_hz), 1),)


def _stages(rate_hz: int, factors: list[int], pass_hz: float, stop_hz: float) -> tuple[tuple[Float, int], ...]:
    """Return the filters of each stage; an early one need only prevent aliasing into what the last one passes."""
    stages, rate, final = [], float(rate_hz), rate_hz / math.prod(factors)
    for factor in factors:
        out = rate / factor
        stages.append((minimum_phase(rate, pass_hz, stop_hz if out <= final * 1.0001 else out - stop_hz), factor))
        rate = out
    return tuple(stages)


def _factors(ratio: float) -> list[int]:
    """Return at most two small factors (three from 64 on) with the largest product that does not exceed ``ratio``."""
    best: list[int] = []
    for first in range(2, 9):
        if first <= ratio and first > math.prod(best):
            best = [first]
        for second in range(2, first + 1):
            if math.prod(best) < first * second <= ratio:
                best = [first, second]
    if ratio >= 96:
        return [4, *_factors(ratio / 4)]
    return best


@functools.lru_cache(maxsize=64)
def minimum_phase(rate_hz: float, pass_hz: float, stop_hz: float) -> Float:
    """Return a low-pass filter of minimum phase, 75 dB down from ``stop_hz`` on.

    Parameters
    ----------
    rate_hz
        Sample rate in hertz.
    pass_hz, stop_hz
        Ends of the transition band, ``pass_hz < stop_hz``.

    Returns
    -------
    ndarray
        Filter coefficients, real, shape (n,).

    Examples
    --------
    >>> taps = minimum_phase(48000.0, 1500.0, 2500.0)
    >>> bool(20 * np.log10(np.abs(taps @ np.exp(-2j * np.pi * 3000 / 48000 * np.arange(len(taps))))) < -70)
    True
    """
    # The square root of a filter twice as steep: designed with twice the attenuation, half as long. It is a windowed
    # sinc (Kaiser's formulas: Oppenheim & Schafer, Discrete-Time Signal Processing, 7.6), made minimum phase by
    # folding its cepstrum. Our own code, because importing a signal library for it would add a second to every start.
    width = np.pi * (stop_hz - pass_hz) / (rate_hz / 2)
    half = int(np.ceil((2 * STOP_DB - 7.95) / (2.285 * width) / 2))
    n = np.arange(-half, half + 1)
    cutoff = (stop_hz + pass_hz) / rate_hz
    taps = cutoff * np.sinc(cutoff * n) * np.kaiser(len(n), 0.1102 * (2 * STOP_DB - 8.7))
    taps /= taps.sum()
    size = 1 << 14
    power = np.abs(np.fft.fft(taps, size))
    power += 1e-7 * power[power > 0].min()
    cepstrum = np.fft.ifft(0.5 * np.log(power)).real
    fold = np.zeros(size)
    fold[0], fold[1 : size // 2], fold[size // 2] = 1.0, 2.0, 1.0
    least = np.fft.ifft(np.exp(np.fft.fft(cepstrum * fold))).real
    return np.ascontiguousarray(least[: half + 1])
