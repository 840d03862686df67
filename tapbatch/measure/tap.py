"""The modes of one tap: window, start, fit, prune, search again, errors.

Sound enters decimated (:mod:`tapbatch.measure.decimate`) and whitened (:mod:`tapbatch.measure.noise`), so that noise
has variance 1 a sample. Time zero is the first sample of the window, the end of contact.

Steps, and why:

1. Start from the subspace (:mod:`tapbatch.measure.poles`), over-ordered.
2. Window to 0.7 of the longest T60: the rest holds 0.3 % of what can be known of a lone mode; to 1.1 of that of two
   lines within a width, which beat slowly and need the length, and to twice that of a line with mains in its width.
3. Fit all modes at once; throw out what the full information matrix does not support (Wald statistic under 40, or
   ``sd(ln T60)`` over 0.35: Wald alone leaves one false mode in ten taps), close pairs by the likelihood.
4. Look whether the window begins right (:func:`_first_right`): inside the contact no sum of decays fits. Where this
   first fit leaves more than noise, step 5 comes before it too, since what is missing hides the beginning.
5. Look for what is left in the residual, add, fit again: a neighbour left out is the largest error there is.
6. Throw out what is weaker than the misfit around it (:func:`tapbatch.measure.prune.settled`).
7. State errors from the information matrix, widened where the residual around a mode is more than noise, and by what
   its early and its late part say differently (:mod:`tapbatch.measure.decay_shape`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tapbatch.measure.candidates import candidates, excess_by_band, left_beside, nudged_apart, physical
from tapbatch.measure.geometric import Complex, Float
from tapbatch.measure.poles import subspace_poles
from tapbatch.measure.prune import FAINTEST, TapFit, mode_energy, pruned, settled, skirt

_ROUNDS = 3
_MOST_MODES = 48
_MOST_ENERGY = 1e9  # 90 dB over the noise density; no decay of wood is an exponential to better than that
_LEAST_STRETCH_S = 0.03
_NOISE_ONLY = 1.6
_SAFE_S = 0.002
_LOUD = 40.0  # of the power of what is left
_CLEAN = 1.1  # of the residual's power over the noise: what is still missing then hides nothing of the beginning


def fit_tap(
    whitened: Float, first: int, last: int, rate_hz: float, hum: Complex, inside_hz: tuple[float, float]
) -> TapFit | None:
    """Fit the modes of one tap.

    Parameters
    ----------
    whitened
        Whitened samples of the recording, shape (n,).
    first, last
        The free decay, in samples; last excluded.
    rate_hz
        Rate of ``whitened``.
    hum
        Poles of mains lines, shape (H,).
    inside_hz
        Where the residual is searched: the pass band. Strong modes outside it are fitted all the same.

    Returns
    -------
    TapFit or None
        ``None`` where the stretch is too short to hold a mode or shows none.
    """
    if last - first < _LEAST_STRETCH_S * rate_hz:
        return None
    stretch = whitened[first:last]
    scale = min(1.0, float(np.sqrt(_MOST_ENERGY / max(float(stretch @ stretch), 1.0))))
    # Few taps are that loud; for all others the samples serve as they are.
    scaled = whitened if scale == 1.0 else whitened * scale
    found = _Search(scaled, last, rate_hz, hum, inside_hz).from_start(first)
    if found is None:
        return None
    pair, uneven = left_beside(found)
    # The window alone is kept: a view of it would keep the scaled samples of the whole section, once for every tap.
    return replace(found, samples=found.samples.copy(), scale=scale, pair=pair, uneven=uneven)


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    """One recording's whitened samples, and where in them to look."""

    whitened: Float
    last: int
    rate_hz: float
    hum: Complex
    inside_hz: tuple[float, float]

    def from_start(self, first: int) -> TapFit | None:
        """Fit from the subspace, settle where the decay begins, and throw out what is no mode."""
        # Two milliseconds late, since nothing is lost by it before the start is settled: inside the contact no sum of
        # decays fits, and what is fitted there hides where it ends.
        if self.last - first > 10 * int(_SAFE_S * self.rate_hz):
            first += int(_SAFE_S * self.rate_hz)
        start = physical(subspace_poles(self.whitened[first : self.last], self.rate_hz), self.rate_hz)
        sketch = self._pruned(first, start) if len(start) else None
        # Mostly no more than noise is left, and then the residual need not be searched late and from the beginning.
        clean = sketch is not None and sketch.fit.chi2 < _CLEAN * sketch.fit.length
        found = sketch if clean else self._searched(first, start, sketch)
        if found is None:
            return None
        better = _first_right(self.whitened, found)
        if better != found.first or clean:
            moved = self._searched(better, found.fit.poles)
            if moved is not None and (better <= found.first or _left(moved) < _left(found) / 1.5):
                found = moved
            elif clean:
                found = self._searched(first, start, sketch) or found
        return settled(found, self.hum)

    def _pruned(self, first: int, poles: Complex) -> TapFit | None:
        return pruned(self.whitened, first, self.last, self.rate_hz, self.hum, poles)

    def _searched(self, first: int, poles: Complex, sketch: TapFit | None = None) -> TapFit | None:
        """Fit, prune, search the residual and fit again until nothing is left to add; ``sketch`` is the first fit."""
        current: TapFit | None = None
        if len(poles) == 0:
            poles, _ = candidates(self.whitened[first : self.last], self.rate_hz, None, self.inside_hz)
        for turn in range(_ROUNDS + 1):
            if len(poles) == 0:
                break
            current = sketch if sketch is not None and turn == 0 else self._pruned(first, poles)
            if current is None or current.fit.count >= _MOST_MODES:
                break
            added = self._added(current)
            if len(added) == 0:
                break
            poles = np.concatenate([current.fit.poles, added])
        return current

    def _added(self, current: TapFit) -> Complex:
        """Return what stands out of the residual and of the skirts of the modes."""
        added, energy = candidates(current.residual, self.rate_hz, excess_by_band(current), self.inside_hz)
        under = skirt(added, current.fit.poles, mode_energy(current.fit), self.rate_hz)
        above = energy > np.maximum(FAINTEST * current.fit.energy, under)
        return nudged_apart(added[above], current.fit.poles, self.rate_hz)


def _left(found: TapFit) -> float:
    """Return the share of the sound that the modes leave unexplained."""
    return found.fit.chi2 / found.fit.energy


def _first_right(whitened: Float, current: TapFit) -> int:
    """Return the sample at which the free decay begins, judged by what the fitted modes explain.

    Later, where the first 5 ms are left louder than noise and later ones are not: the mallet was still there.
    Earlier, as far back (at most 4 ms) as the modes read backwards explain the sound.
    """
    rate_hz, residual = current.rate_hz, current.residual
    head, half_ms = max(4, int(0.005 * rate_hz)), max(1, int(0.0005 * rate_hz))
    base = max(1.0, float(np.mean(residual[head : 6 * head] ** 2))) if len(residual) > 7 * head else 1.0
    blocks = residual[:head][: head // half_ms * half_ms].reshape(-1, half_ms)
    loud = np.flatnonzero((blocks**2).mean(axis=1) > 12.0 * base / half_ms + 4.0 * base)
    # Where the misfit is louder than noise, a single block says little: the whole head must be louder.
    if len(loud) and (base < _NOISE_ONLY or float(np.mean(residual[:head] ** 2)) > 2.5 * base):
        return int(current.first + (loud[-1] + 1) * half_ms)
    back = min(current.first, int(0.004 * rate_hz))
    n = -np.arange(1, back + 1)
    poles = np.concatenate([current.fit.poles, current.fit.hum_poles])
    weights = np.concatenate([current.fit.weights, current.fit.hum_weights])
    before = (poles[None] ** n[:, None] @ weights).real
    misfit = (whitened[current.first - back : current.first][::-1] - before) ** 2
    # The force of a mallet ends softly: stop at the first block that noise alone makes once in some forty taps, and
    # stay clear of it, since half a millisecond early costs half the accuracy. Of loud modes what is missing shows at
    # once: there only what noise makes once in several hundred taps stops, since each quarter of a millisecond late
    # costs half a per cent.
    plain = float(np.mean(before**2)) > _LOUD * base
    most, clear = (9.0 * base, 0) if plain else (6.0 * base, half_ms // 2)
    for start in range(back - half_ms + 1):
        if misfit[start : start + half_ms].mean() > most:
            return current.first - max(0, start - clear)
    return current.first - back
