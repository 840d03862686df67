"""The modes of one tap: window, start, fit, prune, search again, errors.

Sound enters decimated (:mod:`tapbatch.measure.decimate`) and whitened (:mod:`tapbatch.measure.noise`), so that noise
has variance 1 a sample. Time zero is the first sample of the window, the end of contact.

Steps, and why:

1. Start from the subspace (:mod:`tapbatch.measure.poles`), over-ordered.
2. Window to 0.6 of the longest T60: the rest holds 0.3 to 2.5 % of what can be known, and all of the noise.
3. Fit all modes at once; throw out what the full information matrix does not support (Wald statistic under 40, or
   ``sd(ln T60)`` over 0.35: Wald alone leaves one false mode in ten taps).
4. Look for what is left in the residual, add, fit again: a neighbour left out is the largest error there is.
5. Look whether the window begins right (:func:`_first_right`): inside the contact no sum of decays fits.
6. Throw out what is weaker than the misfit around it (:func:`_settled`).
7. State errors from the information matrix, widened where the residual around a mode is more than noise, and by what
   its early and its late part say differently (:mod:`tapbatch.measure.honesty`).

What is no mode: a decay that is not exactly exponential leaves a residual within a few widths of its own line, and a
fit will gladly spend poles on it. A weaker line is therefore not looked for where it lies under the skirt that a
stronger one casts (30 dB down, falling with the fourth power of the distance over its reach of four line widths),
and where a mode has gathered two or more such satellites 20 dB down they are taken together for its own misfit.
A pair stays a pair: one neighbour is always believed.

Where the residual is louder than the noise (real decays are seldom exact exponentials), it takes the place of the
noise in every test: a line 60 dB below its neighbour is not a mode if the neighbour's own misfit is as large.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field, replace

import numpy as np

from tapbatch.measure.bound import covariance, wald
from tapbatch.measure.fit import Fit, fit_modes
from tapbatch.measure.geometric import Complex, Float, Samples, decays
from tapbatch.measure.noise import residual_whitener
from tapbatch.measure.poles import subspace_poles
from tapbatch.values import LN_1000

LEAST_WALD = 40.0
MOST_SD_LOG_T60 = 0.35
WINDOW_OF_T60 = 0.6
_LEAST_WINDOW_S = 0.12
_CANDIDATE = 18.0
_ROUNDS = 3
_SKETCH_STEPS = 10
_FAINTEST = 1e-6  # of the energy of the strongest: 60 dB down is no business of a builder
_MOST_MODES = 48
_REACH_WIDTHS = 4.0
_LEAST_REACH_HZ = 6.0
_MOST_REACH_HZ = 30.0
_SKIRT = 1e-3
_SATELLITE = 1e-2
_LEAST_OVER_MISFIT = 16.0  # Wald statistic against the misfit: an amplitude twice what it could be by it
_SETTLED = 3.0
_MISFIT = 4.0e99  # of the noise: from here on the misfit takes its place
_ONE_LINE = 0.6  # of the wider line: closer than that, two poles are one mode with two decays
_MOST_ENERGY = 1e9  # 90 dB over the noise density; no decay of wood is an exponential to better than that
_SEARCH_T60_S = (0.06, 0.2, 0.7)
_LONGEST_T60_S = 25.0
_SHORTEST_T60_S = 0.012


@dataclass(frozen=True, slots=True, eq=False)
class TapFit:
    """A fit of one tap in the whitened domain, before any conversion.

    ``excess`` has shape (K,): residual power around each mode over that of the noise, at least 1. ``whitener`` is
    the filter that the samples went through besides those of the noise, 1 where there was none.
    """

    fit: Fit
    samples: Float
    residual: Float
    excess: Float
    first: int
    rate_hz: float
    whitener: Float = field(default_factory=lambda: np.ones(1))


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
    if last - first < 0.03 * rate_hz:
        return None
    stretch = whitened[first:last]
    loud = _MOST_ENERGY / max(float(stretch @ stretch), 1.0)
    if loud < 1.0:
        whitened = whitened * np.sqrt(loud)
    search = _Search(whitened, last, rate_hz, hum, inside_hz)
    found = search.from_start(first)
    if found is None or found.fit.chi2 < _MISFIT * found.fit.length:
        return found
    # The misfit is louder than the noise: weigh everything against it, and look again.
    again = residual_whitener(found.residual)
    weighed = np.convolve(whitened, again[::-1], mode="valid")
    heavier = _Search(weighed, last - len(again) + 1, rate_hz, hum, inside_hz)
    second = heavier.from_start(found.first)
    return found if second is None else replace(second, whitener=again)


def _left(found: TapFit) -> float:
    """Return the share of the sound that the modes leave unexplained."""
    return found.fit.chi2 / found.fit.energy


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
        stretch = self.whitened[first : self.last]
        found = self._searched(first, _physical(subspace_poles(stretch, self.rate_hz), self.rate_hz))
        if found is None:
            return None
        better = _first_right(self.whitened, found)
        if better != found.first:
            moved = self._searched(better, found.fit.poles)
            if moved is not None and (better < found.first or _left(moved) < _left(found) / 1.5):
                found = moved
        return _settled(found, self.hum)

    def _searched(self, first: int, poles: Complex) -> TapFit | None:
        """Fit, prune, look in the residual and fit again until nothing is left to add."""
        current: TapFit | None = None
        if len(poles) == 0:
            poles, _ = _candidates(self.whitened[first : self.last], self.rate_hz, None, self.inside_hz)
        for _ in range(_ROUNDS + 1):
            if len(poles) == 0:
                break
            current = _pruned(self.whitened, first, self.last, self.rate_hz, self.hum, poles)
            if current is None or current.fit.count >= _MOST_MODES:
                break
            added = self._added(current)
            if len(added) == 0:
                break
            poles = np.concatenate([current.fit.poles, added])
        return current

    def _added(self, current: TapFit) -> Complex:
        """Return what stands out of the residual and of the skirts of the modes."""
        added, energy = _candidates(current.residual, self.rate_hz, _level(current), self.inside_hz)
        under = skirt(added, current.fit.poles, mode_energy(current.fit), self.rate_hz)
        above = energy > np.maximum(_FAINTEST * current.fit.energy, under)
        return _not_there(added[above], current.fit.poles, self.rate_hz)


def _settled(found: TapFit, hum: Complex) -> TapFit | None:
    """Throw out what is no more than the misfit of its neighbours, measured once with all modes in place.

    Measuring the misfit again after each removal would let the first one thrown out take the rest along.
    """
    samples = Samples(found.samples)
    fit = fit_modes(samples, np.delete(found.fit.poles, _satellites(found)), hum)
    excess = local_excess(found.samples - _model(fit), fit.poles, found.rate_hz)
    while len(poor := _poor(fit, np.maximum(excess * _LEAST_OVER_MISFIT / LEAST_WALD, 1.0), found.rate_hz)):
        keep = np.setdiff1d(np.arange(fit.count), poor)
        if not len(keep):
            return None
        fit, excess = fit_modes(samples, fit.poles[keep], hum), excess[keep]
    residual = found.samples - _model(fit)
    excess = np.maximum(excess, local_excess(residual, fit.poles, found.rate_hz))
    return TapFit(fit, found.samples, residual, excess, found.first, found.rate_hz)


def mode_energy(fit: Fit) -> Float:
    """Return the energy of each mode over the two-sided noise density, shape (K,), never more than all there is.

    Two poles that nearly agree may cancel with amplitudes beyond all measure; they must not set the scale.
    """
    energy = np.abs(fit.weights) ** 2 / (4 * -np.log(np.abs(fit.poles)))
    return np.asarray(np.minimum(energy, fit.energy), dtype=np.float64)


def _reach_hz(poles: Complex, rate_hz: float) -> Float:
    """Return how far from its line a mode's own misfit is looked for: four line widths, within 6 and 30 Hz."""
    delta = -np.log(np.abs(poles)) * rate_hz
    return np.clip(_REACH_WIDTHS * delta / np.pi, _LEAST_REACH_HZ, _MOST_REACH_HZ)


def skirt(at: Complex, poles: Complex, energy: Float, rate_hz: float) -> Float:
    """Return the energy under which a line at ``at`` (shape (M,)) is not told from the misfit of the modes."""
    apart_hz = np.abs(np.angle(at)[:, None] - np.angle(poles)[None]) * rate_hz / (2 * np.pi)
    return np.asarray((_SKIRT * energy / (1 + (apart_hz / _reach_hz(poles, rate_hz)) ** 4)).sum(axis=1))


def _satellites(found: TapFit) -> np.ndarray:
    """Return the modes that are part of a stronger one: its double decay, or its misfit.

    Strength is the height of the line, energy times T60: what rings on leads, what only strikes does not. A lone
    neighbour beside which nothing is left in the residual is a mode; two or more, or one that does not settle the
    matter, show that the stronger one is no exponential.
    """
    fit, rate_hz = found.fit, found.rate_hz
    energy, freq_hz = mode_energy(fit), np.angle(fit.poles) * rate_hz / (2 * np.pi)
    delta = -np.log(np.abs(fit.poles)) * rate_hz
    width, reach = delta / np.pi, _reach_hz(fit.poles, rate_hz)
    unsettled = local_excess(found.residual, fit.poles, rate_hz) > _SETTLED
    gone = np.zeros(fit.count, dtype=bool)
    for i in np.argsort(-energy / delta, kind="stable"):
        if gone[i]:
            continue
        apart = np.abs(freq_hz - freq_hz[i])
        others = ~gone & (np.arange(fit.count) != i) & (energy / delta <= energy[i] / delta[i])
        double = others & (apart < _ONE_LINE * np.maximum(width, width[i]))
        misfit = others & (apart < reach[i]) & (energy < _SATELLITE * energy[i])
        if (double | misfit).sum() >= 2:
            gone |= double | misfit
        elif unsettled[i]:
            gone |= double
    return np.flatnonzero(gone)


def _physical(poles: Complex, rate_hz: float) -> Complex:
    """Drop poles too fast for a mode; a line that seems not to decay in the first half second gets 10 s to do so."""
    delta = -np.log(np.abs(poles)) * rate_hz
    kept = poles[delta < LN_1000 / _SHORTEST_T60_S]
    delta = np.maximum(delta[delta < LN_1000 / _SHORTEST_T60_S], LN_1000 / 10.0)
    return np.asarray(np.exp(-delta / rate_hz + 1j * np.angle(kept)), dtype=np.complex128)


def _window(poles: Complex, first: int, last: int, rate_hz: float) -> int:
    """Return the last sample of a window that holds what can be known of the longest mode."""
    t60_s = LN_1000 / (-np.log(np.abs(poles)) * rate_hz)
    longest = min(float(t60_s.max()), _LONGEST_T60_S)
    return min(last, first + int(max(WINDOW_OF_T60 * longest, _LEAST_WINDOW_S) * rate_hz))


def _pruned(whitened: Float, first: int, last: int, rate_hz: float, hum: Complex, poles: Complex) -> TapFit | None:
    """Fit, and throw out one after another the modes that the information does not support."""
    end = _window(poles, first, last, rate_hz)
    y = whitened[first:end]
    samples = Samples(y)
    fit = fit_modes(samples, poles, hum, _SKETCH_STEPS)
    while len(poor := _poor(fit, np.ones(fit.count), rate_hz)):
        keep = np.setdiff1d(np.arange(fit.count), poor)
        if not len(keep):
            return None
        fit = fit_modes(samples, fit.poles[keep], hum, _SKETCH_STEPS)
    return TapFit(fit, y, y - _model(fit), np.ones(fit.count), first, rate_hz)


def _model(fit: Fit) -> Float:
    poles = np.concatenate([fit.poles, fit.hum_poles])
    return decays(poles, np.concatenate([fit.weights, fit.hum_weights]), fit.length)


def _poor(fit: Fit, excess: Float, rate_hz: float) -> np.ndarray:
    """Return the modes to throw out now: the poorest, and others far enough from it not to depend on it."""
    pole_cov, amplitude_cov = covariance(fit)
    strength = wald(fit.weights, amplitude_cov) / excess
    sd = np.sqrt(np.abs(np.diagonal(pole_cov)[: fit.count]) * excess)
    energy = mode_energy(fit)
    freq_hz = np.angle(fit.poles) * rate_hz / (2 * np.pi)
    t60_s = LN_1000 / (-np.log(np.abs(fit.poles)) * rate_hz)
    faint = energy < _FAINTEST * fit.energy
    bad = faint | (strength < LEAST_WALD) | ~(sd < MOST_SD_LOG_T60) | (t60_s < _SHORTEST_T60_S) | (freq_hz < 15.0)
    if not bad.any():
        return np.zeros(0, dtype=int)
    badness = np.where(bad, sd / MOST_SD_LOG_T60 + LEAST_WALD / np.maximum(strength, 1e-3), -1.0)
    chosen: list[int] = []
    for i in np.argsort(-badness, kind="stable"):
        if not bad[i]:
            break
        if faint[i] or all(abs(freq_hz[i] - freq_hz[j]) > 25.0 for j in chosen):
            chosen.append(int(i))
    return np.array(chosen)


def local_excess(residual: Float, poles: Complex, rate_hz: float) -> Float:
    """Return the residual power around each mode over that of the noise, shape (K,), at least 1.

    The residual is weighted with the decay of the mode, and its power averaged over a neighbourhood of at least
    12 independent cells; what lies within three standard deviations of 1 counts as 1, so that noise alone does not
    widen an interval.
    """
    count = len(residual)
    delta = -np.log(np.abs(poles))
    cells = 12
    result = np.ones(len(poles))
    n = np.arange(count)
    classes = np.round(np.log(delta) * 2).astype(int)
    for label in np.unique(classes):
        members = np.flatnonzero(classes == label)
        weight = np.exp(-np.exp(np.log(delta[members]).mean()) * n)
        length = 1 << int(np.ceil(np.log2(count)))
        power = np.abs(np.fft.rfft(residual * weight, length)) ** 2 / (weight @ weight)
        # One independent cell is as wide as the inverse of the weight's effective length.
        effective = weight.sum() ** 2 / (weight @ weight)
        half = max(2, int(cells / 2 * length / effective))
        running = np.concatenate([[0.0], np.cumsum(power)])
        at = np.round(np.angle(poles[members]) / (2 * np.pi) * length).astype(int)
        low, high = np.maximum(at - half, 0), np.minimum(at + half + 1, len(power))
        result[members] = (running[high] - running[low]) / (high - low)
    return np.where(result > 1 + 3 / np.sqrt(cells), result, 1.0)


def _level(current: TapFit) -> Float:
    """Return how much louder than noise the residual is, by frequency, in 64 bands from 0 to Nyquist."""
    bands = 64
    power = np.abs(np.fft.rfft(current.residual)) ** 2 / len(current.residual)
    edges = np.linspace(0, len(power), bands + 1).astype(int)
    # The median of an exponential is ln 2: one line does not lift it, a misfit all over does.
    level = [np.median(power[a : max(b, a + 1)]) / np.log(2) for a, b in itertools.pairwise(edges)]
    return np.where(np.array(level) > 2.0, level, 1.0)


def _candidates(
    residual: Float, rate_hz: float, level: Float | None, inside_hz: tuple[float, float]
) -> tuple[Complex, Float]:
    """Return poles and energies of what stands out of a residual: peaks of matched filters with three decays."""
    count = len(residual)
    length = 1 << int(np.ceil(np.log2(2 * count)))
    n = np.arange(count)
    # Only lines that outlive their own resolution cell are worth a decay of that length.
    t60s = [t for t in _SEARCH_T60_S if t < 3 * count / rate_hz] or [_SEARCH_T60_S[0]]
    weights = [np.exp(-LN_1000 / (t * rate_hz) * n) for t in t60s]
    power = np.stack([2 * np.abs(np.fft.rfft(residual * w, length)) ** 2 / (w @ w) for w in weights])
    loud = power.max(axis=0) / 2
    if level is not None:
        lines = power.shape[1]
        power = power / np.interp(np.arange(lines), (np.arange(len(level)) + 0.5) * lines / len(level), level)
    best = power.max(axis=0)
    which = power.argmax(axis=0)
    least = max(2, int(8.0 * length / rate_hz))
    found, energy = [], []
    order = np.argsort(-best, kind="stable")
    taken = np.zeros(len(best), dtype=bool)
    for i in order[:4000]:
        if best[i] < 2 * _CANDIDATE or len(found) >= 12:
            break
        if taken[i] or not inside_hz[0] <= i * rate_hz / length <= inside_hz[1]:
            continue
        taken[max(i - least, 0) : i + least] = True
        delta = LN_1000 / (t60s[which[i]] * rate_hz)
        found.append(np.exp(-delta + 2j * np.pi * i / length))
        energy.append(loud[i])
    return np.array(found, dtype=np.complex128), np.array(energy, dtype=np.float64)


def _not_there(added: Complex, poles: Complex, rate_hz: float) -> Complex:
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
    if len(loud) and float(np.mean(residual[:head] ** 2)) > 2.5 * base:
        return int(current.first + (loud[-1] + 1) * half_ms)
    back = min(current.first, int(0.004 * rate_hz))
    n = -np.arange(1, back + 1)
    poles = np.concatenate([current.fit.poles, current.fit.hum_poles])
    weights = np.concatenate([current.fit.weights, current.fit.hum_weights])
    before = (poles[None] ** n[:, None] @ weights).real
    misfit = (whitened[current.first - back : current.first][::-1] - before) ** 2
    # Reading backwards lifts the error of the amplitudes: allow four times the noise, block by block.
    good = 0
    for start in range(0, back - half_ms + 1, half_ms):
        if misfit[start : start + half_ms].mean() > 6.0 * base / half_ms + 2.0 * base:
            break
        good = start + half_ms
    return current.first - max(0, good - half_ms)
