"""What modes leave of a sound around a pole, and how it takes the place of the noise.

Conventions: residuals are those of whitened samples, so that noise alone has variance 1 and every power here is one
over that of the noise. A residual is weighted as the decay in question is, and its spectrum averaged over 12 cells
around the pole. A cell is as wide as the inverse of the effective length of the weight; about six of 12 are
independent.

A misfit is not noise. Noise spreads its power evenly over the four parameters of a mode; a misfit may fall on a
single one. So variances count it fourfold (:func:`widened`), and a statistic that decides whether a line is there
tenfold (:func:`against_misfit`).
"""

from __future__ import annotations

import numpy as np

from tapbatch.measure.geometric import Complex, Float

MISFIT_IN_ONE = 4.0
"""Factor by which a misfit counts more than noise in the variance of one parameter."""

UP_TO_NOISE = 3.0
"""Power over that of the noise up to which a residual counts as noise; exceeded by noise once in 2,000 modes."""

_CELLS = 12
_MISFIT = 1.6  # power over that of the noise; noise alone gives it once in ten to twenty times
_OVER_MISFIT = 10.0


def widened(excess: Float) -> Float:
    """Return the factors by which a misfit widens the variances of modes.

    Parameters
    ----------
    excess
        Residual power around each mode from :func:`local_excess`, any shape, at least 1.

    Examples
    --------
    >>> widened(np.array([1.0, 5.0])).tolist()
    [1.0, 20.0]
    """
    return np.where(excess > 1.0, MISFIT_IN_ONE * excess, 1.0)


def against_misfit(left: Float) -> Float:
    """Return the factors by which statistics fall where more than noise is left.

    Parameters
    ----------
    left
        Residual power around each line from :func:`left_around`, any shape.

    Examples
    --------
    >>> against_misfit(np.array([1.5, 2.0])).tolist()
    [1.0, 0.05]
    """
    return np.where(left > _MISFIT, 1.0 / (_OVER_MISFIT * left), 1.0)


def left_around(residual: Float, poles: Complex) -> Float:
    """Return the residual power around each pole, shape (M,), weighted as its decay is.

    The weight finds what rises and falls with the sound, such as the noise of a codec, which hardly shows over a
    whole window.

    Parameters
    ----------
    residual
        What modes leave, shape (n,), noise variance 1.
    poles
        Shape (M,).

    Examples
    --------
    >>> noise = np.random.default_rng(1).standard_normal(4000)
    >>> bool(0.3 < left_around(noise, np.exp(np.array([-0.005 + 0.5j])))[0] < 3.0)
    True
    """
    n, left = np.arange(len(residual)), np.empty(len(poles))
    for i, pole in enumerate(poles):
        power, half = weighted_power(residual, np.abs(pole) ** n)
        at = round(float(np.angle(pole)) / (2 * np.pi) * 2 * (len(power) - 1))
        left[i] = power[max(at - half, 0) : at + half + 1].mean()
    return left


def weighted_power(residual: Float, weight: Float) -> tuple[Float, int]:
    """Return the power spectrum of a weighted residual, and half of 12 cells in its lines.

    Parameters
    ----------
    residual, weight
        Shape (n,).

    Returns
    -------
    power : ndarray
        Its mean in noise is 1. Shape (N/2 + 1,), where N is the lowest power of 2 that is at least n.
    half : int
        At least 2.
    """
    length = 1 << (len(residual) - 1).bit_length()
    power = np.abs(np.fft.rfft(residual * weight, length)) ** 2 / (weight @ weight)
    half = max(2, int(_CELLS / 2 * length * (weight @ weight) / weight.sum() ** 2))
    return power, half


def local_excess(residual: Float, poles: Complex, rate_hz: float) -> Float:
    """Return the residual power around each mode over that of the noise, shape (K,), at least 1.

    The residual is weighted with ``n exp(-delta n)``, as it acts on the pole, and its power is averaged over at least
    12 cells, about six of them independent. Values up to 3 count as 1, so that noise alone widens an interval only
    once in 2,000 modes: such a tap would hardly count in the mean of its stage.

    Parameters
    ----------
    residual
        Residual of a fit, noise variance 1, shape (n,).
    poles
        Poles of the modes, shape (K,).
    rate_hz
        Sample rate in hertz.

    Examples
    --------
    >>> noise = np.random.default_rng(1).standard_normal(4000)
    >>> local_excess(noise, np.exp(np.array([-0.005 + 0.5j])), 4000.0).tolist()
    [1.0]
    """
    delta = -np.log(np.abs(poles))
    result = np.ones(len(poles))
    n = np.arange(len(residual))
    classes = np.round(np.log(delta) * 2).astype(int)
    for label in np.unique(classes):
        members = np.flatnonzero(classes == label)
        weight = n * np.exp(-np.exp(np.log(delta[members]).mean()) * n)
        power, half = weighted_power(residual, weight)
        length = 2 * (len(power) - 1)
        running = np.concatenate([[0.0], np.cumsum(power)])
        at = np.round(np.angle(poles[members]) / (2 * np.pi) * length).astype(int)
        low, high = np.maximum(at - half, 0), np.minimum(at + half + 1, len(power))
        result[members] = (running[high] - running[low]) / (high - low)
    return np.where(result > UP_TO_NOISE, result, 1.0)
