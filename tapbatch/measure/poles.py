"""Start values for the fit: poles from the signal subspace, band by band, with a model order set too high on purpose.

Conventions: samples are whitened to variance 1. ESPRIT (Roy & Kailath, IEEE Trans. ASSP 37, 1989): the columns of a
Hankel matrix of a sum of damped modes span a space that a shift by one sample leaves unchanged, and the eigenvalues
of the shift are the poles. A small matrix is enough in sub-bands about 200 Hz wide, each filtered looking ahead (see
:mod:`tapbatch.measure.decimate`) and decimated to about 300 Hz. Too low an order does the harm: a missed mode bends
its neighbours. So twelve poles are taken in each band; those that noise made are discarded by their amplitude here
and by the full information matrix later.
"""

from __future__ import annotations

import functools

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from tapbatch.measure.geometric import Complex, Float, powers

ORDER = 12
HANKEL_ROWS = 24
_BAND_HZ = 200.0
_LONGEST_S = 0.6
_LEAST_LOUD = 1.25
_MOST_A_BAND = 10
_FAINTEST_BESIDE = 1e-4  # of the band's energy: fainter lines beside a strong mode are left to the residual search
_FAINTEST = 1e-6  # of the energy of the loudest band
_LEAST_OVER_NOISE = 10.0  # |a|^2/var(a) for a pole to be passed on; noise alone exceeds it once in 2e4


@functools.lru_cache(maxsize=32)
def _bands(rate_hz: float) -> tuple[Complex, Float, int]:
    """Return look-ahead band filters, shape (bands, taps), their centres in hertz, and the decimation."""
    from tapbatch.measure.decimate import minimum_phase

    count = max(1, round(rate_hz / 2 / _BAND_HZ))
    width = rate_hz / 2 / count
    step = max(1, int(rate_hz / (1.5 * width)))
    prototype = minimum_phase(rate_hz, 0.53 * width, max(rate_hz / step - 0.55 * width, 0.75 * width))
    centres = np.asarray((np.arange(count) + 0.5) * width, dtype=np.float64)
    shift = np.exp(2j * np.pi * np.multiply.outer(centres, np.arange(len(prototype))) / rate_hz).conj()
    return np.asarray(prototype * shift, dtype=np.complex128), centres, step


def subspace_poles(x: Float, rate_hz: float, order: int = ORDER) -> Complex:
    """Return start poles from whitened samples.

    Parameters
    ----------
    x
        Whitened samples (noise of variance 1), shape (N,), from the start of the free decay.
    rate_hz
        Their sample rate in hertz.
    order
        Poles per band, 12 by default: about three times as many as an instrument body has modes in 200 Hz.

    Returns
    -------
    ndarray
        Poles at ``rate_hz``, by frequency; empty if the sound is too short or no band is louder than noise.

    Examples
    --------
    >>> n = np.arange(4000)
    >>> ring = 50 * np.exp(-n / 600) * np.cos(2 * np.pi * 200 / 4000 * n)
    >>> poles = subspace_poles(ring + np.random.default_rng(1).standard_normal(4000), 4000.0)
    >>> bool(np.abs(np.angle(poles) * 4000 / (2 * np.pi) - 200).min() < 0.1)
    True
    """
    filters, centres, step = _bands(rate_hz)
    reach = filters.shape[1]
    most = min(len(x), int(_LONGEST_S * rate_hz) + reach)
    columns = (most - reach) // step + 1
    rows = min(HANKEL_ROWS, columns // 2)
    if rows < 4:
        return np.zeros(0, dtype=np.complex128)
    frames = sliding_window_view(x[:most], reach)[::step]
    banded = (frames @ filters.real.T + 1j * (frames @ filters.imag.T)).T
    noise = (np.abs(filters) ** 2).sum(axis=1)
    # A band that is no louder than noise has no signal subspace; the residual is searched later anyway.
    loud = np.mean(np.abs(banded) ** 2, axis=1) > _LEAST_LOUD * noise
    if not loud.any():
        return np.zeros(0, dtype=np.complex128)
    banded, noise, centres = banded[loud], noise[loud], centres[loud]
    poles = _esprit(banded, rows, min(order, rows - 1))
    keep, strength = _above_noise(banded, poles, noise)
    freq_hz, decay = _unfold(poles, centres, rate_hz, step)
    width = rate_hz / 2 / len(loud)
    inside = np.abs(freq_hz - centres[:, None]) <= width / 2 + 3.0
    keep &= inside & (freq_hz > 15.0) & (freq_hz < 0.495 * rate_hz)
    found = np.exp((-decay + 2j * np.pi * freq_hz) / rate_hz)[keep]
    return _merged(found, strength[keep], rate_hz)


def _esprit(banded: Complex, rows: int, order: int) -> Complex:
    """Return ``order`` poles of every band, shape (bands, order)."""
    hankel = sliding_window_view(banded, rows, axis=1)
    covariance = np.swapaxes(hankel, 1, 2) @ hankel.conj()
    vectors = np.linalg.eigh(covariance)[1][:, :, -order:]
    upper, lower = vectors[:, :-1], vectors[:, 1:]
    adjoint = np.swapaxes(upper.conj(), 1, 2)
    shift = np.linalg.solve(adjoint @ upper + 1e-13 * np.eye(order), adjoint @ lower)
    return np.asarray(np.linalg.eigvals(shift), dtype=np.complex128)


def _above_noise(banded: Complex, poles: Complex, noise: Float) -> tuple[np.ndarray, Float]:
    """Return which poles stand out of the noise of their band, and their squared amplitude over its variance."""
    count = banded.shape[1]
    size = np.abs(poles)
    # A pole outside the circle is noise or a growing line: move it inside, and let the amplitude decide.
    poles = poles / np.maximum(size, 1e-12) * np.clip(size, 1e-3, 0.99999)
    basis = np.moveaxis(powers(poles.ravel(), count).reshape(count, *poles.shape), 0, 1)
    adjoint = np.swapaxes(basis.conj(), 1, 2)
    gram = adjoint @ basis + 1e-9 * np.eye(poles.shape[1])
    inverse = np.linalg.inv(gram)
    amplitude = (inverse @ (adjoint @ banded[:, :, None]))[:, :, 0]
    variance = np.abs(np.diagonal(inverse, axis1=1, axis2=2)) * noise[:, None]
    strength = np.abs(amplitude) ** 2 / variance
    good = (strength > _LEAST_OVER_NOISE) & (size < 1.02) & (size > 0.05)
    # Nearly equal poles can cancel with huge amplitudes: none gets more energy than the band holds.
    present = (np.abs(banded) ** 2).sum(axis=1, keepdims=True)
    energy = np.where(good, np.minimum(np.abs(amplitude) ** 2 / (1 - np.abs(poles) ** 2), present), 0.0)
    faintest = np.maximum(_FAINTEST_BESIDE * present, _FAINTEST * present.max())
    good &= energy > faintest
    rank = np.argsort(np.argsort(-energy, axis=1, kind="stable"), axis=1, kind="stable")
    return good & (rank < _MOST_A_BAND), strength


def _unfold(poles: Complex, centres: Float, rate_hz: float, step: int) -> tuple[Float, Float]:
    """Return the frequency in hertz nearest to the band's centre, and the decay in 1/s, of sub-band poles."""
    sub_rate = rate_hz / step
    freq_hz = np.angle(poles) / (2 * np.pi) * sub_rate
    freq_hz = freq_hz + np.round((centres[:, None] - freq_hz) / sub_rate) * sub_rate
    decay = -np.log(np.clip(np.abs(poles), 1e-3, 0.9999)) * sub_rate
    return freq_hz, decay


def _merged(poles: Complex, strength: Float, rate_hz: float) -> Complex:
    """Drop the weaker of two poles that neighbouring bands found for one line."""
    order = np.argsort(np.angle(poles), kind="stable")
    poles, strength = poles[order], strength[order]
    freq_hz = np.angle(poles) * rate_hz / (2 * np.pi)
    decay = -np.log(np.abs(poles)) * rate_hz
    keep = np.ones(len(poles), dtype=bool)
    for i in range(len(poles) - 1):
        apart = freq_hz[i + 1] - freq_hz[i]
        if apart < 0.3 and abs(np.log(decay[i + 1] / decay[i])) < 0.7:
            keep[i if strength[i] < strength[i + 1] else i + 1] = False
    return poles[keep]
