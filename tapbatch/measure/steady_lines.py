"""Lines that sound before the first tap: a fan's blades, a motor, a whistle.

Conventions: whitened samples, so that noise alone has the power 1.

The noise of a recording is estimated as a smooth spectrum (:mod:`tapbatch.measure.noise`). A narrow line that is no
hum, or one that wanders, stands out of it, before the taps as well as in them. There it is mistaken for a mode in
every tap. So the quiet before the first tap is asked how strong such a line is when nothing was struck: stretches of
it are weighted as the decay of the line is, and their mean power at the line takes the place of the noise. A cell is
as wide as the inverse of the effective length of the weight, as in :mod:`tapbatch.measure.misfit`.
"""

from __future__ import annotations

import numpy as np

from tapbatch.measure.geometric import Complex, Float

_LENGTH = 3.0  # of a stretch, in 1/delta: the rest holds a 400th of the energy
_LEAST = 64  # samples
_AT_CELLS = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])  # around the line: it may wander
_NOISE_ONLY = 1.6


def against_steady(quiet: Float, poles: Complex) -> Float:
    """Return the factors by which statistics fall where a line sounded before the taps.

    Parameters
    ----------
    quiet
        Whitened samples before the first tap, shape (n,); may be empty.
    poles
        Lines, shape (M,).

    Returns
    -------
    ndarray
        Shape (M,), 1 where nothing but noise sounded, or where the quiet is too short to tell.

    Examples
    --------
    >>> noise, poles = np.random.default_rng(1).standard_normal(4000), np.exp(np.array([-0.01 + 0.5j, -0.01 + 1.5j]))
    >>> (against_steady(noise + np.cos(0.5 * np.arange(4000)), poles) < 0.1).tolist()
    [True, False]
    """
    factors = np.ones(len(poles))
    for i, pole in enumerate(poles):
        size = int(_LENGTH / -np.log(np.abs(pole)))
        if not _LEAST <= size <= len(quiet):
            continue
        weight = np.abs(pole) ** np.arange(size)
        stretches = np.lib.stride_tricks.sliding_window_view(quiet, size)[:: size // 2] * weight
        cell = 2 * np.pi * float(weight @ weight) / weight.sum() ** 2
        lines = np.exp(-1j * np.outer(np.arange(size), np.angle(pole) + cell * _AT_CELLS))
        level = float(np.mean(np.abs(stretches @ lines) ** 2)) / float(weight @ weight)
        factors[i] = 1.0 / level if level > _NOISE_ONLY else 1.0
    return factors
