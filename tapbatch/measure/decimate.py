"""Lowering the rate so that damped modes pass exactly.

A filter that looks ahead, ``x[m] = sum_k h[k] y[mD + k]``, turns ``z**n`` into ``H(z) z**(mD)`` with
``H(z) = sum_k h[k] z**k``: the pole becomes ``z**D``, the amplitude is scaled by a known number, and nothing that
came before sample ``mD`` is touched. Minimum phase puts the weight of ``h`` at small k, so that the first sample of a
decay, where it is loudest, keeps its weight (linear phase loses a tenth in the error of the decay). The stop band
matters as much: a strong mode above the band would fold in.

Stages of at most 1:8; stop band 75 dB down from the output's Nyquist frequency on; pass band to 1.04 times the band.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np

from tapbatch.measure.geometric import Complex, Float

STOP_DB = 75.0
_PASS_MARGIN = 1.04
_RATE_OVER_BAND = 2.5


@dataclass(frozen=True, slots=True, eq=False)
class Decimator:
    """Look-ahead decimation from ``rate_hz`` by ``factor``, in stages ``(taps, factor)``; poles pass exactly."""

    rate_hz: int
    factor: int
    stages: tuple[tuple[Float, int], ...]
    pass_hz: float

    @property
    def out_rate_hz(self) -> float:
        """Rate of the output in hertz."""
        return self.rate_hz / self.factor

    @property
    def reach(self) -> int:
        """How many input samples one output sample looks ahead, itself included."""
        total, step = 1, 1
        for taps, factor in self.stages:
            total += (len(taps) - 1) * step
            step *= factor
        return total

    def apply(self, y: Float) -> Float:
        """Return the decimated samples; the last ``reach`` input samples cannot start an output sample.

        Raises
        ------
        ValueError
            Where ``y`` is shorter than ``reach``.
        """
        for taps, factor in self.stages:
            y = _look_ahead(y, taps, factor)
        return y

    def gain(self, poles: Complex) -> Complex:
        """Return ``H`` at output-rate poles, shape (K,), so that ``amplitude_in = amplitude_out / H``."""
        log_pole = np.log(poles) / self.factor
        total = np.ones(len(poles), dtype=np.complex128)
        for taps, factor in self.stages:
            total *= np.exp(np.multiply.outer(log_pole, np.arange(len(taps)))) @ taps
            log_pole = log_pole * factor
        return total


def _look_ahead(y: Float, taps: Float, factor: int) -> Float:
    from scipy.signal import upfirdn

    reach = len(taps)
    if len(y) < reach:
        msg = f"{len(y)} samples are fewer than the {reach} that the filter needs"
        raise ValueError(msg)
    pad = -(reach - 1) % factor
    out = upfirdn(taps[::-1], np.concatenate([np.zeros(pad), y]), 1, factor)
    first = (reach - 1 + pad) // factor
    count = (len(y) - reach) // factor + 1
    return np.ascontiguousarray(out[first : first + count])


@functools.lru_cache(maxsize=64)
def decimator(rate_hz: int, band_high_hz: float) -> Decimator:
    """Return the decimation for a band.

    Parameters
    ----------
    rate_hz
        Rate of the recording in hertz.
    band_high_hz
        Upper edge of the band in hertz; no factor is used (1, no filter) where the rate is under 2 x 2.5 times it.

    Examples
    --------
    >>> decimator(48000, 1500.0).out_rate_hz
    4000.0
    >>> decimator(44100, 12000.0).factor
    1
    """
    factors = _factors(rate_hz / (_RATE_OVER_BAND * band_high_hz))
    pass_hz = _PASS_MARGIN * band_high_hz
    total = math.prod(factors)
    stages, rate = [], float(rate_hz)
    final = rate_hz / total
    for factor in factors:
        out = rate / factor
        # An early stage need only keep folding out of what the last one passes.
        stop_hz = out / 2 if out <= final * 1.0001 else out - final / 2
        stages.append((_minimum_phase(rate, pass_hz, stop_hz), factor))
        rate = out
    if total == 1:
        pass_hz = min(pass_hz, 0.49 * rate_hz)
    return Decimator(rate_hz=rate_hz, factor=total, stages=tuple(stages), pass_hz=pass_hz)


def _factors(ratio: float) -> list[int]:
    """Return the largest product of small factors, at most two (three from 64 on), that is not above ``ratio``."""
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


def _minimum_phase(rate_hz: float, pass_hz: float, stop_hz: float) -> Float:
    from scipy.signal import firwin, kaiserord, minimum_phase

    # The square root of a filter twice as steep: twice the attenuation in, half the length out.
    width = (stop_hz - pass_hz) / (rate_hz / 2)
    length, beta = kaiserord(2 * STOP_DB, width)
    taps = firwin(length | 1, (stop_hz + pass_hz) / rate_hz, window=("kaiser", beta))
    return np.ascontiguousarray(minimum_phase(taps, method="homomorphic", n_fft=1 << 14), dtype=np.float64)
