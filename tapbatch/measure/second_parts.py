"""Strong modes that hide a second part: what lies in a mode's own band is more than one exponential.

Conventions: those of :mod:`tapbatch.measure.fit`. Where other modes leave more than noise, a line is judged by what
is left around it (:mod:`tapbatch.measure.misfit`), over a dozen cells. A second part of a strong mode, such as the
other polarisation of a string, is no more than that and would pass unseen. In the mode's own band, a few widths to
either side, hardly anything else is left, and there it stands out.

The band is what the other modes leave, turned down by the frequency of the mode and averaged three times over a
block, so that poles pass exactly. Two directions belong to the mode, its amplitude and the change of its pole. With
these projected out, each second line of a grid takes a share ``g`` of the energy left ``R``. In noise with ``n``
degrees of freedom besides, the chance of it is ``(1 - g/R)**(n/2)`` (an F distribution with 2 and ``n`` degrees),
times the size of the grid. What is left is seldom white, so the limit is strict.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapbatch.measure.geometric import Complex, Float, decays
from tapbatch.measure.prune import TapFit, mode_energy
from tapbatch.model.reading import LN_1000

_BENDS = 0.25  # of its amplitude: early and late decay then differ by a quarter, as in decay_shape
_STRONG = 10.0**-1.3  # of the energy of the strongest mode
_BY_CHANCE = 1e-5
_MOST_REST = 0.1  # of what the mode leaves in its band: in a room, one line does not take nine tenths of it
_LEAST_HZ, _WIDTHS = 6.0, 4.0  # half of the band
_SAMPLES = 2.5  # a second, over half of the band
_AVERAGES = 3
_OF_T60 = 1.5
_AT_WIDTHS = np.concatenate([-np.arange(0.5, 4.1, 0.5)[::-1], np.arange(0.0, 4.1, 0.5)])
_FASTER = np.array([0.5, 1.0, 2.0, 4.0])
_FEWEST = 4  # degrees of freedom


def second_parts(found: TapFit) -> NDArray[np.bool_]:
    """Tell which strong modes have a second line in their band with a quarter of their amplitude, shape (K,).

    Only modes around which more than noise is left are asked; the others are told by
    :mod:`tapbatch.measure.hidden_pairs`.

    Parameters
    ----------
    found
        The fit of a tap, with its excess.

    Examples
    --------
    Two polarisations of one string, fitted as one mode in a sound that holds an unknown line elsewhere:

    >>> from tapbatch.measure.fit import fit_modes
    >>> from tapbatch.measure.geometric import Samples
    >>> poles = np.exp(np.array([-0.002 + 0.5j, -0.008 + 0.5004j, -0.01 + 1.5j]))
    >>> ring = decays(poles, np.array([100.0, 60.0, 40.0], dtype=complex), 4000)
    >>> ring += np.random.default_rng(1).standard_normal(4000)
    >>> fit = fit_modes(Samples(ring), poles[:1])
    >>> residual = ring - decays(fit.poles, fit.weights, 4000)
    >>> second_parts(TapFit(fit, ring, residual, np.array([9.0]), 0, 4000.0)).tolist()
    [True]
    """
    energy = mode_energy(found.fit)
    asked = (found.excess > 1.0) & (energy > _STRONG * energy.max())
    result = np.zeros(found.fit.count, dtype=bool)
    for k in np.flatnonzero(asked):
        result[k] = _has_second(found, int(k))
    return result


def _has_second(found: TapFit, k: int) -> bool:
    pole, weight = found.fit.poles[k], found.fit.weights[k]
    delta = -float(np.log(np.abs(pole)))
    # Half of the band in cycles a sample.
    half = max(_LEAST_HZ / found.rate_hz, _WIDTHS * delta / np.pi)
    step = max(1, int(1.0 / (_SAMPLES * half)))
    # After one and a half T60, what is left of the mode is less than what others leave.
    length = min(found.fit.length, int(_OF_T60 * LN_1000 / delta))
    own = decays(np.array([pole]), np.array([weight]), length)
    band = _band(found.residual[:length] + own, float(np.angle(pole)), step)
    m = np.arange(len(band))
    falls = np.exp(-delta * step * m)
    tangents, _ = np.linalg.qr(np.stack([falls, m * falls], axis=1))
    left = band - tangents @ (tangents.T @ band)
    lines = _lines(delta * step, len(band))
    apart = lines - tangents @ (tangents.T @ lines)
    size = np.einsum("ng,ng->g", apart.conj(), apart).real
    # The part of a line that the mode cannot imitate is what counts; of some nothing is left but rounding.
    taken = np.abs(apart.conj().T @ left) ** 2 / np.where(size > 1e-9 * len(band), size, np.inf)
    best = int(taken.argmax())
    energy = float(np.vdot(left, left).real)
    freedom = 2 * (len(band) - 3)
    if freedom < _FEWEST or energy <= 0.0:
        return False
    rest = max(1.0 - float(taken[best]) / energy, 0.0)
    # A line of energy g takes the amplitude sqrt(g / size).
    loud = taken[best] / size[best] > (_BENDS * abs(band[0])) ** 2
    return bool(loud and rest < _MOST_REST and len(taken) * rest ** (freedom / 2) < _BY_CHANCE)


def _band(values: Float, omega: float, step: int) -> Complex:
    """Return a band around a frequency, in rad/sample, averaged three times over ``step`` samples and thinned."""
    turned = values * np.exp(-1j * omega * np.arange(len(values)))
    for _ in range(_AVERAGES if step > 1 else 0):
        total = np.cumsum(np.concatenate([[0.0], turned]))
        turned = (total[step:] - total[:-step]) / step
    return np.asarray(turned[::step], dtype=np.complex128)


def _lines(delta: float, count: int) -> Complex:
    """Return the second lines to try, shape (count, lines), for a mode with the decay ``delta`` a sample."""
    poles = np.exp(-delta * _FASTER[:, None] + 2j * delta * _AT_WIDTHS[None]).ravel()
    return np.asarray(poles[None] ** np.arange(count)[:, None], dtype=np.complex128)
