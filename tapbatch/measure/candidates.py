"""Modes that a fit has missed: spectral lines that stand out of its residual.

Conventions: those of :mod:`tapbatch.measure.fit`. The residual passes three matched filters with decays of 0.06, 0.2
and 0.7 s. In noise alone, twice their normalised power is chi-square with 2 degrees of freedom. A missing neighbour
causes the largest errors of all, so the threshold is low (exceeded by chance once in 6e7, over some 1e4 cells);
whatever passes is judged again by the full information matrix.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tapbatch.measure.chance import chance_beyond
from tapbatch.measure.geometric import Complex, Float
from tapbatch.measure.misfit import MISFIT_IN_ONE
from tapbatch.measure.prune import FAINTEST, SHORTEST_T60_S, TapFit, mode_energy, skirt
from tapbatch.model.reading import LN_1000

_CANDIDATE = 18.0
BY_CHANCE_ALONE = float(np.exp(-_CANDIDATE))
"""Probability with which noise gives so strong a line in one cell: 1 in 6e7."""

_MOST_AT_ONCE = 12
_BESIDE = 25.0
_BESIDE_MISFIT = 12.0
UNEVEN = 1.0 / 12.0  # of a mode's amplitude; chosen so that close pairs in struck objects are flagged
_LEAST_BESIDE_HZ = 3.0
_APART_HZ = 8.0
SEARCH_T60_S = (0.06, 0.2, 0.7)
"""Decays of the matched filters, in seconds."""

_LONGEST_START_S = 10.0


def physical(poles: Complex, rate_hz: float) -> Complex:
    """Drop poles that decay too fast to be modes, and start those that hardly decay at 10 s.

    A line that does not seem to decay within the first half second may still be a mode.

    Parameters
    ----------
    poles
        Shape (K,), inside the unit circle.
    rate_hz
        Sample rate in hertz.

    Returns
    -------
    ndarray
        The poles kept, in the same order.

    Examples
    --------
    >>> kept = physical(np.exp(np.array([-1.0 + 0.1j, -1e-9 + 0.2j])), 1000.0)
    >>> (LN_1000 / (-np.log(np.abs(kept)) * 1000.0)).round(2).tolist()
    [10.0]
    """
    delta = -np.log(np.abs(poles)) * rate_hz
    kept = poles[delta < LN_1000 / SHORTEST_T60_S]
    delta = np.maximum(delta[delta < LN_1000 / SHORTEST_T60_S], LN_1000 / _LONGEST_START_S)
    return np.asarray(np.exp(-delta / rate_hz + 1j * np.angle(kept)), dtype=np.complex128)


def excess_by_band(current: TapFit) -> Float:
    """Return the residual power over the noise power in 64 bands from 0 to Nyquist; 1 where it is at most 2."""
    bands = min(64, len(current.residual) // 8)
    power = np.abs(np.fft.rfft(current.residual)) ** 2 / len(current.residual)
    # The median of an exponential distribution is ln 2. One line does not raise it; a broad misfit does.
    level = np.median(power[: len(power) // bands * bands].reshape(bands, -1), axis=1) / np.log(2)
    return np.where(level > 2.0, level, 1.0)


def candidates(
    residual: Float, rate_hz: float, level: Float | None, inside_hz: tuple[float, float]
) -> tuple[Complex, Float]:
    """Return start poles and energies of lines that stand out of a residual.

    They are the peaks of matched filters with three decays, strongest first, at most 12.

    Parameters
    ----------
    residual
        Residual of a fit, noise variance 1, shape (n,).
    rate_hz
        Sample rate in hertz.
    level
        Residual power over the noise by frequency, from :func:`excess_by_band`; ``None`` for noise alone.
    inside_hz
        Lowest and highest frequency to search.

    Examples
    --------
    >>> ring = 20 * np.exp(-0.005 * np.arange(2000)) * np.cos(0.5 * np.arange(2000))
    >>> poles, _ = candidates(ring + np.random.default_rng(1).standard_normal(2000), 4000.0, None, (50.0, 1500.0))
    >>> round(float(np.angle(poles[0])), 2)
    0.5
    """
    power, t60s, length = _matched(residual, rate_hz)
    loud = power.max(axis=0) / 2
    if level is not None:
        lines = power.shape[1]
        power = power / np.interp(np.arange(lines), (np.arange(len(level)) + 0.5) * lines / len(level), level)
    best = power.max(axis=0)
    which = power.argmax(axis=0)
    least = max(2, int(_APART_HZ * length / rate_hz))
    found: list[complex] = []
    energy: list[float] = []
    line_hz = np.arange(len(best)) * rate_hz / length
    free = np.where((best >= 2 * _CANDIDATE) & (line_hz >= inside_hz[0]) & (line_hz <= inside_hz[1]), best, 0.0)
    for _ in range(_MOST_AT_ONCE):
        i = int(np.argmax(free))
        if free[i] == 0.0:
            break
        free[max(i - least, 0) : i + least] = 0.0
        delta = LN_1000 / (t60s[which[i]] * rate_hz)
        found.append(np.exp(-delta + 2j * np.pi * i / length))
        energy.append(loud[i])
    return np.array(found, dtype=np.complex128), np.array(energy, dtype=np.float64)


def missed_lines(current: TapFit, inside_hz: tuple[float, float]) -> Complex:
    """Return start poles of lines that stand out of the residual of a fit and of the skirts of its modes.

    Parameters
    ----------
    current
        The fit, with at least one mode.
    inside_hz
        Lowest and highest frequency to search.

    Returns
    -------
    ndarray
        Poles, strongest first, at most 12; none where the fit has missed nothing.

    Examples
    --------
    A sound of two modes is fitted with the first alone:

    >>> from tapbatch.measure.prune import pruned
    >>> poles = np.exp(np.array([-0.003 + 0.5j, -0.004 + 0.9j]))
    >>> ring = (30 * poles[None] ** np.arange(3000)[:, None]).sum(axis=1).real
    >>> ring += np.random.default_rng(1).standard_normal(3000)
    >>> none = np.zeros(0, dtype=np.complex128)
    >>> found = pruned(ring, 0, 3000, 8000.0, none, poles[:1])
    >>> round(float(np.angle(missed_lines(found, (50.0, 3000.0))[0])), 2)
    0.9
    >>> len(missed_lines(pruned(ring, 0, 3000, 8000.0, none, poles), (50.0, 3000.0)))
    0
    """
    added, energy = candidates(current.residual, current.rate_hz, excess_by_band(current), inside_hz)
    under = skirt(added, current.fit.poles, mode_energy(current.fit), current.rate_hz)
    above = energy > np.maximum(FAINTEST * current.fit.energy, under)
    return nudged_apart(added[above], current.fit.poles, current.rate_hz)


def common_peaks(
    residuals: Sequence[Float], rate_hz: float, levels: Sequence[Float], inside_hz: tuple[float, float]
) -> tuple[Complex, Float, Float]:
    """Return start poles of lines that stand out of what is left of several taps together.

    The powers of the matched filters are added over the taps. Around a peak nothing else is taken within 8 Hz or a
    line's width, if that is more: all of it may belong to the same line.

    Parameters
    ----------
    residuals
        Residuals of n fits, noise variance 1.
    rate_hz
        Their sample rate in hertz.
    levels
        For each, its power over the noise by frequency, from :func:`excess_by_band`.
    inside_hz
        Lowest and highest frequency to search.

    Returns
    -------
    poles : ndarray
        Shape (M,), the strongest first, at most 12.
    power, energy : ndarray
        Each line's power over what is left around it, and its energy, in each tap, shape (M, n).

    Examples
    --------
    A line too weak for any one of five taps:

    >>> rng, n = np.random.default_rng(1), np.arange(2000)
    >>> ring = np.exp(-0.005 * n) * np.cos(0.5 * n)
    >>> taps = [0.6 * ring + rng.standard_normal(2000) for _ in range(5)]
    >>> poles, _, _ = common_peaks(taps, 4000.0, [np.ones(64)] * 5, (50.0, 1500.0))
    >>> round(float(np.angle(poles[0])), 2)
    0.5
    >>> [len(candidates(tap, 4000.0, None, (50.0, 1500.0))[0]) for tap in taps]
    [0, 0, 0, 0, 0]
    """
    longest = max(map(len, residuals))
    powers, decays, lengths = zip(*(_matched(r, rate_hz, longest) for r in residuals), strict=True)
    length, lines = lengths[0], powers[0].shape[1]
    at = np.arange(lines)
    over = [np.interp(at, (np.arange(len(v)) + 0.5) * lines / len(v), v) for v in levels]
    each = np.stack([p / v for p, v in zip(powers, over, strict=True)])
    total = each.sum(axis=0)
    best, which = total.max(axis=0), total.argmax(axis=0)
    line_hz = at * rate_hz / length
    free = np.where((line_hz >= inside_hz[0]) & (line_hz <= inside_hz[1]), best, 0.0)
    found: list[tuple[int, int]] = []
    while len(found) < _MOST_AT_ONCE:
        i = int(np.argmax(free))
        if chance_beyond(float(free[i]), len(residuals)) > BY_CHANCE_ALONE:
            break
        found.append((int(which[i]), i))
        apart = max(2, int(max(_APART_HZ, LN_1000 / (np.pi * decays[0][which[i]])) * length / rate_hz))
        free[max(i - apart, 0) : i + apart] = 0.0
    poles = [np.exp(-LN_1000 / (decays[0][d] * rate_hz) + 2j * np.pi * i / length) for d, i in found]
    power = [each[:, d, i] for d, i in found]
    energy = [[p[d, i] / 2 for p in powers] for d, i in found]
    shape = (len(found), len(residuals))
    return np.array(poles, dtype=np.complex128), np.array(power).reshape(shape), np.array(energy).reshape(shape)


def _matched(residual: Float, rate_hz: float, longest: int = 0) -> tuple[Float, list[float], int]:
    """Return the statistic of each decay and line, shape (decays, lines), the decays, and the transform length.

    All residuals get the same lines whose ``longest`` is the same and at least their length.
    """
    n = np.arange(len(residual))
    count = max(len(residual), longest)
    length = 1 << int(np.ceil(np.log2(2 * count)))
    # A decay is worth trying only where its line is not much narrower than a resolution cell.
    t60s = [t for t in SEARCH_T60_S if t < 3 * count / rate_hz] or [SEARCH_T60_S[0]]
    weights = [np.exp(-LN_1000 / (t * rate_hz) * n) for t in t60s]
    return np.stack([2 * np.abs(np.fft.rfft(residual * w, length)) ** 2 / (w @ w) for w in weights]), t60s, length


def left_beside(found: TapFit) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return which modes may be two, and which do not decay evenly, each shape (K,), from the residual beside them.

    A residual line counts if it lies within two line widths and stands 25 above the noise (by chance once in 3e5
    cells). If it also stands 12 above the misfit around the mode (once in 400 cells, of which there are about
    fifty), it is a line of its own and the mode may be two. If its amplitude is a twelfth of the mode's or more, the
    mode does not decay evenly, whatever the line is: it shifts T60 by up to a twelfth and the frequency by up to a
    25th of a width, 2 cents at 200 Hz and 0.4 s.
    """
    power, _, length = _matched(found.residual, found.rate_hz)
    best = power.max(axis=0)
    per_hz = length / found.rate_hz
    most, energy = np.zeros(found.fit.count), mode_energy(found.fit)
    for k, pole in enumerate(found.fit.poles):
        width_hz = -np.log(np.abs(pole)) * found.rate_hz / np.pi
        at, half = np.angle(pole) / (2 * np.pi) * length, max(2.0 * width_hz, _LEAST_BESIDE_HZ) * per_hz
        most[k] = best[max(int(at - half), 0) : int(at + half) + 2].max()
    # The misfit itself, without the factor for misfit that falls on a single parameter.
    over_misfit = most > _BESIDE_MISFIT * found.excess / MISFIT_IN_ONE
    plain = most > _BESIDE
    return plain & over_misfit, plain & (most > UNEVEN**2 * energy)


def nudged_apart(added: Complex, poles: Complex, rate_hz: float) -> Complex:
    """Move a candidate that coincides with a mode by 1.5 Hz: two equal poles would make the fit singular.

    Parameters
    ----------
    added
        Candidate poles, shape (M,).
    poles
        Poles of the modes, shape (K,), at least one.
    rate_hz
        Sample rate in hertz.

    Examples
    --------
    >>> pole = np.exp(np.array([-0.01 + 0.5j]))
    >>> (np.angle(nudged_apart(pole, pole, 4000.0)) * 4000.0 / (2 * np.pi)).round(1).tolist()
    [319.8]
    """
    if len(added) == 0:
        return added
    omega = np.angle(added)
    apart = np.abs(omega[:, None] - np.angle(poles)[None])
    nearest = apart.argmin(axis=1)
    close = apart.min(axis=1) < 2 * np.pi * 0.3 / rate_hz
    nudge = 2 * np.pi * 1.5 / rate_hz
    same = np.abs(np.log(np.log(np.abs(added)) / np.log(np.abs(poles[nearest])))) < 0.5
    return np.asarray(np.where(close & same, added * np.exp(1j * nudge), added), dtype=np.complex128)
