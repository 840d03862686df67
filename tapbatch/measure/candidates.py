"""What a fit has left: lines that stand out of the residual.

Conventions: those of :mod:`tapbatch.measure.fit`. The residual is met with three matched filters, decays of 0.06,
0.2 and 0.7 s; twice their normalised power is chi-square with 2 degrees of freedom in noise alone. A neighbour left
out is the largest error there is, so the threshold is low (once in 6e7 by chance, over some 1e4 cells) and what it
lets through is judged again by the full information.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapbatch.measure.geometric import Complex, Float
from tapbatch.measure.prune import MISFIT_IN_ONE, SHORTEST_T60_S, TapFit, mode_energy
from tapbatch.model.reading import LN_1000

_CANDIDATE = 18.0
_MOST_AT_ONCE = 12
_BESIDE = 25.0
_BESIDE_MISFIT = 12.0
UNEVEN = 1.0 / 12.0  # of a mode's amplitude; chosen so that the close pairs of struck things bear the flag
_LEAST_BESIDE_HZ = 3.0
_APART_HZ = 8.0
_SEARCH_T60_S = (0.06, 0.2, 0.7)
_LONGEST_START_S = 10.0


def physical(poles: Complex, rate_hz: float) -> Complex:
    """Drop poles too fast for a mode; a line that seems not to decay in the first half second gets 10 s to do so."""
    delta = -np.log(np.abs(poles)) * rate_hz
    kept = poles[delta < LN_1000 / SHORTEST_T60_S]
    delta = np.maximum(delta[delta < LN_1000 / SHORTEST_T60_S], LN_1000 / _LONGEST_START_S)
    return np.asarray(np.exp(-delta / rate_hz + 1j * np.angle(kept)), dtype=np.complex128)


def excess_by_band(current: TapFit) -> Float:
    """Return how much louder than noise the residual is, by frequency, in 64 bands from 0 to Nyquist."""
    bands = min(64, len(current.residual) // 8)
    power = np.abs(np.fft.rfft(current.residual)) ** 2 / len(current.residual)
    # The median of an exponential is ln 2: one line does not lift it, a misfit all over does.
    level = np.median(power[: len(power) // bands * bands].reshape(bands, -1), axis=1) / np.log(2)
    return np.where(level > 2.0, level, 1.0)


def candidates(
    residual: Float, rate_hz: float, level: Float | None, inside_hz: tuple[float, float]
) -> tuple[Complex, Float]:
    """Return poles and energies of what stands out of a residual: peaks of matched filters with three decays."""
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
    out = np.flatnonzero(best >= 2 * _CANDIDATE)
    taken = np.zeros(len(best), dtype=bool)
    for i in out[np.argsort(-best[out], kind="stable")]:
        if len(found) >= _MOST_AT_ONCE:
            break
        if taken[i] or not inside_hz[0] <= i * rate_hz / length <= inside_hz[1]:
            continue
        taken[max(i - least, 0) : i + least] = True
        delta = LN_1000 / (t60s[which[i]] * rate_hz)
        found.append(np.exp(-delta + 2j * np.pi * i / length))
        energy.append(loud[i])
    return np.array(found, dtype=np.complex128), np.array(energy, dtype=np.float64)


def _matched(residual: Float, rate_hz: float) -> tuple[Float, list[float], int]:
    """Return the statistic of each decay and line, shape (decays, lines), the decays, and the transform's length."""
    count = len(residual)
    length = 1 << int(np.ceil(np.log2(2 * count)))
    n = np.arange(count)
    # Only lines that outlive their own resolution cell are worth a decay of that length.
    t60s = [t for t in _SEARCH_T60_S if t < 3 * count / rate_hz] or [_SEARCH_T60_S[0]]
    weights = [np.exp(-LN_1000 / (t * rate_hz) * n) for t in t60s]
    return np.stack([2 * np.abs(np.fft.rfft(residual * w, length)) ** 2 / (w @ w) for w in weights]), t60s, length


def left_beside(found: TapFit) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return which modes may be two, and which do not die away evenly, each (K,), by what is left beside them.

    What is left within two line widths must stand 25 above the noise (by chance once in 3e5 cells). Where it is a
    line of its own, 12 above the misfit around the mode (once in 400 cells, of which there are some fifty), the mode
    may be two. Where it is a twelfth of the mode in amplitude, whatever it is, the mode is not even: such a line
    moves T60 by up to a twelfth, and the frequency by up to a 25th of a width, 2 cents of 200 Hz at 0.4 s.
    """
    power, _, length = _matched(found.residual, found.rate_hz)
    best = power.max(axis=0)
    per_hz = length / found.rate_hz
    most, energy = np.zeros(found.fit.count), mode_energy(found.fit)
    for k, pole in enumerate(found.fit.poles):
        width_hz = -np.log(np.abs(pole)) * found.rate_hz / np.pi
        at, half = np.angle(pole) / (2 * np.pi) * length, max(2.0 * width_hz, _LEAST_BESIDE_HZ) * per_hz
        most[k] = best[max(int(at - half), 0) : int(at + half) + 2].max()
    # The misfit itself, without the factor that its part in one number of the mode asks for.
    over_misfit = most > _BESIDE_MISFIT * found.excess / MISFIT_IN_ONE
    plain = most > _BESIDE
    return plain & over_misfit, plain & (most > UNEVEN**2 * energy)


def nudged_apart(added: Complex, poles: Complex, rate_hz: float) -> Complex:
    """Nudge apart a candidate that lies on a mode: two equal poles make a singular fit."""
    if len(added) == 0:
        return added
    omega = np.angle(added)
    apart = np.abs(omega[:, None] - np.angle(poles)[None])
    nearest = apart.argmin(axis=1)
    close = apart.min(axis=1) < 2 * np.pi * 0.3 / rate_hz
    nudge = 2 * np.pi * 1.5 / rate_hz
    same = np.abs(np.log(np.log(np.abs(added)) / np.log(np.abs(poles[nearest])))) < 0.5
    return np.asarray(np.where(close & same, added * np.exp(1j * nudge), added), dtype=np.complex128)
