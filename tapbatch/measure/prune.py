"""Which fitted poles are modes: what the information supports, and what is no more than a neighbour's misfit.

Conventions: those of :mod:`tapbatch.measure.fit`; energies are over the two-sided noise density.

Two questions are asked of every pole. Does the full information matrix support it: a Wald statistic of at least 40
and ``sd(ln T60)`` under 0.35 (Wald alone leaves one false mode in ten taps)? Of two like lines within a width neither
amplitude is known, however plain the pair, so there it is the likelihood that is asked: does chi-square rise by 40
without one of them, and do the two leave no more than noise? And is it a mode of its own? A decay
that is not exactly exponential leaves a residual within a few widths of its line, and a fit will gladly spend poles
on it. So a weaker line is not looked for under the skirt of a stronger one (30 dB down, falling with the fourth power
of the distance over a reach of four line widths, 6 to 30 Hz); where a mode has gathered two or more satellites they
are taken together for its misfit; and where two poles share a line and the residual is still not noise, they are one
mode with two decays. A lone neighbour that settles the residual is always believed: a pair stays a pair. Of whose
decay nothing is known, once its error is stated in full, goes last (:mod:`tapbatch.measure.sound`).

Where the residual is louder than the noise it takes the place of the noise, once, with all modes in place: measuring
it again after each removal would let the first one thrown out take the rest along.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tapbatch.measure.bound import covariance, wald
from tapbatch.measure.fit import MOST_STEPS, Fit, fit_modes
from tapbatch.measure.geometric import Complex, Float, Samples, decays
from tapbatch.model.reading import LN_1000

LEAST_WALD = 40.0
MOST_SD_LOG_T60 = 0.35
MISFIT_IN_ONE = 4.0
WINDOW_OF_T60 = 0.7
WINDOW_ON_MAINS = 2.0  # what does not decay is known the better the longer it is looked at
WINDOW_OF_PAIRS = 1.1  # two lines within a width beat slowly: at 0.7 they would lose 9 % of their accuracy, here 2 %
LONGEST_T60_S = 25.0
SHORTEST_T60_S = 0.012
FAINTEST = 1e-6  # of the energy there is: 60 dB down is no business of a builder
_LEAST_WINDOW_S = 0.12
_SKETCH_STEPS = 10
_COARSE_STEPS = 3
_MISFIT = 3.0  # of the residual's power over the noise
_REACH_WIDTHS = 4.0
_LEAST_REACH_HZ = 6.0
_MOST_REACH_HZ = 30.0
_SKIRT = 1e-3
_SATELLITE = 1e-2
_LEAST_OVER_MISFIT = 100.0  # Wald statistic: misfit is no noise, and at 16 a room gave two false modes a tap
_SETTLED = 3.0
_MUCH = 0.1  # of the energy there is
_SURE_SD_LOG_T60 = 0.15
_APART_HZ = 25.0
_APART_ON_MISFIT_HZ = 6.0
_LEAST_APART = 0.125
_LEAST_EXCESS = 3.0
_TWINS = 2.5
_ONE_LINE = 0.6  # of the wider line: closer than that, two poles may be one mode with two decays


@dataclass(frozen=True, slots=True, eq=False)
class TapFit:
    """A fit of one tap in the whitened domain, before any conversion.

    ``excess`` has shape (K,): residual power around each mode over that of the noise, at least 1. ``scale`` is what
    the samples were multiplied with before the fit; ``pair`` and ``uneven``, shape (K,), tell which modes may be two,
    and beside which more is left than an even decay leaves.
    """

    fit: Fit
    samples: Float
    residual: Float
    excess: Float
    first: int
    rate_hz: float
    scale: float = 1.0
    pair: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=bool))
    uneven: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=bool))


def pruned(whitened: Float, first: int, last: int, rate_hz: float, hum: Complex, poles: Complex) -> TapFit | None:
    """Fit, and throw out one after another the modes that the information does not support.

    Where more than noise is left, in rooms and of most real things, poles wander after it without end; few steps tell
    as well what to throw out, at two thirds of the cost.
    """
    end = _window(poles, hum, first, last, rate_hz)
    y = whitened[first:end]
    fit = fit_modes(Samples(y), poles, hum, _COARSE_STEPS)
    if _mostly_noise(fit) and not fit.converged:
        fit = fit_modes(Samples(y), fit.poles, hum, _SKETCH_STEPS)
    steps = _SKETCH_STEPS if _mostly_noise(fit) else _COARSE_STEPS
    supported = _supported(y, fit, hum, rate_hz, np.ones(fit.count), steps)
    if supported is None:
        return None
    fit, _ = supported
    return TapFit(fit, y, y - model_of(fit), np.ones(fit.count), first, rate_hz)


def settled(found: TapFit, hum: Complex) -> TapFit | None:
    """Throw out what is no more than the misfit of its neighbours, measured once with all modes in place.

    Measuring the misfit again after each removal would let the first one thrown out take the rest along.
    """
    fit, residual = found.fit, found.residual
    excess = local_excess(residual, fit.poles, found.rate_hz)
    satellites = _satellites(fit, excess, found.rate_hz)
    if len(satellites) or not fit.converged:
        excess = np.delete(excess, satellites)
        fit = fit_modes(Samples(found.samples), np.delete(fit.poles, satellites), hum)
    over = np.maximum(excess * _LEAST_OVER_MISFIT / LEAST_WALD, 1.0)
    # The same modes have been held against mere noise before.
    if fit is not found.fit or (over > 1.0).any():
        steps = MOST_STEPS if _mostly_noise(fit) else _SKETCH_STEPS
        supported = _supported(found.samples, fit, hum, found.rate_hz, over, steps)
        if supported is None:
            return None
        fit, kept = supported
        excess = excess[kept]
    if fit is not found.fit:
        residual = found.samples - model_of(fit)
        excess = np.maximum(excess, local_excess(residual, fit.poles, found.rate_hz))
    # Noise spreads its power evenly over the four numbers of a mode; a misfit may put all of it on one of them.
    excess = np.where(excess > 1.0, MISFIT_IN_ONE * excess, 1.0)
    return TapFit(fit, found.samples, residual, excess, found.first, found.rate_hz)


def _supported(
    y: Float, fit: Fit, hum: Complex, rate_hz: float, over: Float, steps: int
) -> tuple[Fit, NDArray[np.intp]] | None:
    """Throw out what the information does not support, one after another; ``over``, (K,), is the misfit.

    Of two lines in one width neither amplitude is known well, and both Wald statistics are low, however plain it is
    that there are two. So such a one goes only if the fit without it is no worse by the same measure, or if even the
    two leave more than noise: then they are no pair, but a decay that is no exponential. And what a tenth of the
    sound is lost with stays, however unsure its decay beside a misfit: its interval tells. Returns the fit and which
    modes it kept; None where none is.
    """
    kept = np.arange(fit.count)
    needed, held = np.zeros((2, fit.count), dtype=bool)
    while len(poor := _poor(fit, over[kept], needed, held, rate_hz)):
        # What stands alone, or is unsure of its decay, goes first: a pair is easier to judge without the rest.
        pair = beats(fit)[poor] & _sure(fit)[poor] & ~needed[poor]
        poor = poor[:1] if pair.all() else poor[~pair]
        keep = np.setdiff1d(np.arange(fit.count), poor)
        less = fit_modes(Samples(y), fit.poles[keep], hum, steps)
        new = poor[~held[poor]]
        if len(new) and less.chi2 - fit.chi2 > max(_MUCH * fit.energy, LEAST_WALD):
            held[new[np.argmax(mode_energy(fit)[new])]] = True
            fit = _begun_again(y, fit, held, hum, rate_hz, steps)
            continue
        if not len(keep):
            return None
        if pair.all() and less.chi2 - fit.chi2 > LEAST_WALD * over[kept][poor[0]]:
            left = local_excess(y - model_of(fit), fit.poles[poor], rate_hz)[0]
            if left < _SETTLED:
                needed[poor] = True
                continue
        fit, kept, held, needed = less, kept[keep], held[keep], np.zeros(len(keep), dtype=bool)
    return fit, kept


def _begun_again(y: Float, fit: Fit, held: NDArray[np.bool_], hum: Complex, rate_hz: float, steps: int) -> Fit:
    """Fit again where the decay of a mode that is held ran away, from one as long as what is looked at."""
    log_size = np.log(np.abs(fit.poles))
    away = held & (-log_size * rate_hz * LONGEST_T60_S < LN_1000)
    if not away.any():
        return fit
    sizes = np.exp(np.where(away, -LN_1000 / len(y), log_size))
    return fit_modes(Samples(y), sizes * np.exp(1j * np.angle(fit.poles)), hum, steps)


def _mostly_noise(fit: Fit) -> bool:
    """Tell whether little more than noise is left: more steps would follow a misfit, to no good."""
    return fit.chi2 < _MISFIT * fit.length


def beats(fit: Fit) -> NDArray[np.bool_]:
    """Tell which lines have a like one within the width of both, shape (K,), and yet an eighth of it away.

    Poles nearer than that may cancel with amplitudes beyond all measure; what falls 2.5 times faster is no twin.
    """
    omega, width = np.angle(fit.poles), -2.0 * np.log(np.abs(fit.poles))
    less, more = np.minimum(width[:, None], width[None]), np.maximum(width[:, None], width[None])
    apart = np.abs(omega[:, None] - omega[None]) / less
    return np.asarray(((apart < 1.0) & (apart > _LEAST_APART) & (more < _TWINS * less)).any(axis=1))


def _sure(fit: Fit) -> NDArray[np.bool_]:
    pole_cov, _ = covariance(fit)
    return np.asarray(np.abs(np.diagonal(pole_cov)[: fit.count]) < _SURE_SD_LOG_T60**2)


def _poor(
    fit: Fit, excess: Float, needed: NDArray[np.bool_], held: NDArray[np.bool_], rate_hz: float
) -> NDArray[np.intp]:
    """Return the modes to throw out now: the poorest, and others far enough from it not to depend on it.

    What is ``needed`` may be weak, but not unsure of its decay; what is ``held`` may be both, but must be a mode.
    """
    pole_cov, amplitude_cov = covariance(fit)
    strength = wald(fit.weights, amplitude_cov) / excess
    sd = np.sqrt(np.abs(np.diagonal(pole_cov)[: fit.count]) * excess)
    energy = mode_energy(fit)
    freq_hz = np.angle(fit.poles) * rate_hz / (2 * np.pi)
    t60_s = LN_1000 / (-np.log(np.abs(fit.poles)) * rate_hz)
    faint = energy < FAINTEST * fit.energy
    weak = (strength < LEAST_WALD) & ~needed
    none = (t60_s < SHORTEST_T60_S) | (freq_hz < 15.0)
    bad = ((faint | weak | ~(sd < MOST_SD_LOG_T60)) & ~held) | none
    if not bad.any():
        return np.zeros(0, dtype=int)
    badness = np.where(bad, sd / MOST_SD_LOG_T60 + LEAST_WALD / np.maximum(strength, 1e-3), -1.0)
    # What stands on a misfit hangs on it more than on its neighbours.
    apart_hz = _APART_HZ if _mostly_noise(fit) else _APART_ON_MISFIT_HZ
    chosen: list[int] = []
    for i in np.argsort(-badness, kind="stable"):
        if not bad[i]:
            break
        if faint[i] or all(abs(freq_hz[i] - freq_hz[j]) > apart_hz for j in chosen):
            chosen.append(int(i))
    return np.array(chosen)


def _window(poles: Complex, hum: Complex, first: int, last: int, rate_hz: float) -> int:
    """Return the last sample of a window that holds what can be known of the longest mode, of pairs and of mains."""
    delta, omega = -np.log(np.abs(poles)), np.angle(poles)
    order = np.argsort(omega, kind="stable")
    # A line is 2 delta wide, in rad a sample.
    near = np.diff(omega[order]) < 2.0 * np.minimum(delta[order][1:], delta[order][:-1])
    share = np.full(len(poles), WINDOW_OF_T60)
    share[order[1:][near]] = share[order[:-1][near]] = WINDOW_OF_PAIRS
    if len(hum):
        on_mains = np.abs(omega[:, None] - np.angle(hum)[None]).min(axis=1) < 2.0 * delta
        share[on_mains] = WINDOW_ON_MAINS
    longest_s = np.max(share * np.minimum(LN_1000 / (delta * rate_hz), LONGEST_T60_S))
    return min(last, first + int(max(longest_s, _LEAST_WINDOW_S) * rate_hz))


def model_of(fit: Fit) -> Float:
    """Return the sound of a fit, mains and all, shape (N,)."""
    poles = np.concatenate([fit.poles, fit.hum_poles])
    return decays(poles, np.concatenate([fit.weights, fit.hum_weights]), fit.length)


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


def _satellites(fit: Fit, excess: Float, rate_hz: float) -> NDArray[np.intp]:
    """Return the modes that are part of a stronger one: its double decay, or its misfit.

    Strength is the height of the line, energy times T60: what rings on leads, what only strikes does not. A lone
    neighbour beside which nothing is left in the residual is a mode; two or more, or one that does not settle the
    matter, show that the stronger one is no exponential.
    """
    energy, freq_hz = mode_energy(fit), np.angle(fit.poles) * rate_hz / (2 * np.pi)
    delta = -np.log(np.abs(fit.poles)) * rate_hz
    width, reach = delta / np.pi, _reach_hz(fit.poles, rate_hz)
    unsettled = excess > _SETTLED
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


def local_excess(residual: Float, poles: Complex, rate_hz: float) -> Float:
    """Return the residual power around each mode over that of the noise, shape (K,), at least 1.

    The residual is weighted as it enters the pole, with ``n exp(-delta n)``, and its power averaged over a
    neighbourhood of at least 12 cells, some six of them independent. Up to 3 it counts as 1, so that noise alone
    widens an interval once in 2,000 modes: such a tap would be lost to the mean of its stage.
    """
    count = len(residual)
    delta = -np.log(np.abs(poles))
    cells = 12
    result = np.ones(len(poles))
    n = np.arange(count)
    classes = np.round(np.log(delta) * 2).astype(int)
    for label in np.unique(classes):
        members = np.flatnonzero(classes == label)
        weight = n * np.exp(-np.exp(np.log(delta[members]).mean()) * n)
        length = 1 << int(np.ceil(np.log2(count)))
        power = np.abs(np.fft.rfft(residual * weight, length)) ** 2 / (weight @ weight)
        # One independent cell is as wide as the inverse of the weight's effective length.
        effective = weight.sum() ** 2 / (weight @ weight)
        half = max(2, int(cells / 2 * length / effective))
        running = np.concatenate([[0.0], np.cumsum(power)])
        at = np.round(np.angle(poles[members]) / (2 * np.pi) * length).astype(int)
        low, high = np.maximum(at - half, 0), np.minimum(at + half + 1, len(power))
        result[members] = (running[high] - running[low]) / (high - low)
    return np.where(result > _LEAST_EXCESS, result, 1.0)
