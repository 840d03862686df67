"""The modes of one tap: window, start values, fit, pruning, residual search, errors.

Conventions: the sound has been decimated (:mod:`tapbatch.measure.decimate`) and whitened
(:mod:`tapbatch.measure.noise`), so that the noise has variance 1 per sample. Time zero is the first sample of the
window, at the end of contact.

The steps, and the reasons for them:

1. Start from the signal subspace (:mod:`tapbatch.measure.poles`), with too high a model order.
2. Limit the window to 0.7 of the longest T60; the rest holds 0.3 % of the information on a single mode. Allow 1.1 of
   the T60 of two lines within a width, which beat slowly and need the length, and twice that of a mode with mains hum
   within its width.
3. Fit all modes at once. Remove those that the full information matrix does not support (Wald statistic below 40, or
   ``sd(ln T60)`` above 0.35; the Wald statistic alone leaves one false mode in ten taps), and judge close pairs by
   the likelihood.
4. Check the start of the window (:func:`decay_start`), because no sum of decays fits the sound during contact. If
   the first fit leaves more than noise, step 5 also comes before this one: missing modes would hide the start.
5. Search the residual for missing modes, add them, and fit again: a missing neighbour causes the largest errors.
6. Remove modes that are weaker than the misfit around them (:func:`tapbatch.measure.prune.settled`).
7. Derive the errors from the information matrix. Widen them where the residual around a mode exceeds the noise, and
   by the difference between the early and the late part of its decay (:mod:`tapbatch.measure.decay_shape`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tapbatch.measure.candidates import candidates, left_beside, missed_lines, physical
from tapbatch.measure.geometric import Complex, Float
from tapbatch.measure.poles import subspace_poles
from tapbatch.measure.prune import TapFit, pruned, settled
from tapbatch.measure.second_parts import second_parts

_ROUNDS = 3
_MOST_MODES = 48
_MOST_ENERGY = 1e9  # 90 dB over the noise density; no decay of wood is exponential to better accuracy
_LEAST_STRETCH_S = 0.03
_NOISE_ONLY = 1.6
_SAFE_S = 0.002
_BACK_S = 0.004  # how far before the end of contact the free decay may begin
_LOUD = 40.0  # times the residual power
_CLEAN = 1.1  # residual power over the noise: what is still missing then does not hide the start


def fit_tap(
    whitened: Float, first: int, last: int, rate_hz: float, hum: Complex, inside_hz: tuple[float, float]
) -> TapFit | None:
    """Fit the modes of one tap.

    Parameters
    ----------
    whitened
        Whitened samples of the recording, shape (n,), noise variance 1.
    first, last
        The free decay, in samples, last excluded.
    rate_hz
        Sample rate of ``whitened`` in hertz.
    hum
        Poles of mains lines, shape (H,).
    inside_hz
        Range in which to search the residual: the pass band. Strong modes outside it are fitted as well.

    Returns
    -------
    TapFit or None
        ``None`` if the stretch is too short to hold a mode, or shows none.
    """
    if last - first < _LEAST_STRETCH_S * rate_hz:
        return None
    stretch = whitened[first:last]
    scale = min(1.0, float(np.sqrt(_MOST_ENERGY / max(float(stretch @ stretch), 1.0))))
    # Few taps are that loud; for all others the samples serve as they are. A section may last for minutes.
    from_sample = 0 if scale == 1.0 else max(0, first - int(_BACK_S * rate_hz))
    scaled = whitened if scale == 1.0 else whitened[from_sample:last] * scale
    found = _Search(scaled, last - from_sample, rate_hz, hum, inside_hz).from_start(first - from_sample)
    if found is None:
        return None
    pair, uneven = left_beside(found)
    uneven |= second_parts(found)
    # The window alone is kept: a view of it would keep the samples of the whole section, once for every tap.
    samples = found.samples.copy()
    return replace(found, samples=samples, first=found.first + from_sample, scale=scale, pair=pair, uneven=uneven)


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    """The whitened samples of one recording, and the limits of the search."""

    whitened: Float
    last: int
    rate_hz: float
    hum: Complex
    inside_hz: tuple[float, float]

    def from_start(self, first: int) -> TapFit | None:
        """Fit from the subspace, find where the decay begins, and remove what is not a mode."""
        # Start two milliseconds late until the start is settled; this loses nothing. During contact no sum of decays
        # fits, and modes fitted there hide where it ends.
        if self.last - first > 10 * int(_SAFE_S * self.rate_hz):
            first += int(_SAFE_S * self.rate_hz)
        start = physical(subspace_poles(self.whitened[first : self.last], self.rate_hz), self.rate_hz)
        sketch = self._pruned(first, start) if len(start) else None
        # Usually only noise is left. Then the residual need not be searched both here and from the final start.
        clean = sketch is not None and sketch.fit.chi2 < _CLEAN * sketch.fit.length
        found = sketch if clean else self._searched(first, start, sketch)
        if found is None:
            return None
        better = decay_start(self.whitened, found)
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
        """Fit, prune and search the residual until there is nothing to add; ``sketch`` is a first fit, if any."""
        current: TapFit | None = None
        if len(poles) == 0:
            poles, _ = candidates(self.whitened[first : self.last], self.rate_hz, None, self.inside_hz)
        for turn in range(_ROUNDS + 1):
            if len(poles) == 0:
                break
            current = sketch if sketch is not None and turn == 0 else self._pruned(first, poles)
            if current is None or current.fit.count >= _MOST_MODES:
                break
            added = missed_lines(current, self.inside_hz)
            if len(added) == 0:
                break
            poles = np.concatenate([current.fit.poles, added])
        return current


def _left(found: TapFit) -> float:
    """Return the fraction of the energy that the modes leave unexplained."""
    return found.fit.chi2 / found.fit.energy


def decay_start(whitened: Float, current: TapFit) -> int:
    """Return the sample at which the free decay begins, judged by what the fitted modes explain.

    It is later if the residual exceeds the noise in the first 5 ms but not after them: the mallet was still in
    contact. It is earlier, by up to 4 ms, as far as the modes extended backwards explain the sound.

    Parameters
    ----------
    whitened
        Whitened samples of the recording, shape (n,), noise variance 1.
    current
        A fit of the tap, from whose first sample the start is at most 5 ms later and 4 ms earlier.

    Returns
    -------
    int
        A sample of ``whitened``.

    Examples
    --------
    A mode begins at sample 500 and is fitted from sample 520 on:

    >>> ring = np.random.default_rng(1).standard_normal(4000)
    >>> ring[500:] += 50 * np.exp(-0.003 * np.arange(3500)) * np.cos(0.5 * np.arange(3500))
    >>> none = np.zeros(0, dtype=np.complex128)
    >>> found = pruned(ring, 520, 4000, 8000.0, none, np.exp(np.array([-0.003 + 0.5j])))
    >>> decay_start(ring, found) in range(496, 505)
    True
    """
    rate_hz, residual = current.rate_hz, current.residual
    head, half_ms = max(4, int(0.005 * rate_hz)), max(1, int(0.0005 * rate_hz))
    base = max(1.0, float(np.mean(residual[head : 6 * head] ** 2))) if len(residual) > 7 * head else 1.0
    blocks = residual[:head][: head // half_ms * half_ms].reshape(-1, half_ms)
    loud = np.flatnonzero((blocks**2).mean(axis=1) > 12.0 * base / half_ms + 4.0 * base)
    # If the misfit exceeds the noise, a single block says little: the whole 5 ms must be louder.
    if len(loud) and (base < _NOISE_ONLY or float(np.mean(residual[:head] ** 2)) > 2.5 * base):
        return int(current.first + (loud[-1] + 1) * half_ms)
    back = min(current.first, int(_BACK_S * rate_hz))
    n = -np.arange(1, back + 1)
    poles = np.concatenate([current.fit.poles, current.fit.hum_poles])
    weights = np.concatenate([current.fit.weights, current.fit.hum_weights])
    before = (poles[None] ** n[:, None] @ weights).real
    misfit = (whitened[current.first - back : current.first][::-1] - before) ** 2
    # The force of a mallet ends gently. Stop at the first block louder than noise alone gives once in about forty
    # taps, and stay clear of it: half a millisecond too early costs half the accuracy. With loud modes, a misfit
    # shows at once. There, stop only at what noise gives once in several hundred taps, and leave no margin: each
    # quarter of a millisecond too late costs half a per cent.
    plain = float(np.mean(before**2)) > _LOUD * base
    most, clear = (9.0 * base, 0) if plain else (6.0 * base, half_ms // 2)
    for start in range(back - half_ms + 1):
        if misfit[start : start + half_ms].mean() > most:
            return current.first - max(0, start - clear)
    return current.first - back
