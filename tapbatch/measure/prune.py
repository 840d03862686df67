"""Decide which fitted poles are modes: those the information supports and that are not a neighbour's misfit.

Conventions: those of :mod:`tapbatch.measure.fit`; energies are over the two-sided noise density.

Every pole has to pass two tests. First, the full information matrix must support it: a Wald statistic of at least 40
and ``sd(ln T60)`` below 0.35 (the Wald statistic alone leaves one false mode in ten taps). For two similar lines
within a width, neither amplitude is known well, however clear the pair is. There the likelihood decides: chi-square
must rise by 40 without one of them, and the two together must leave no more than noise.

Second, the pole must be a mode of its own. A decay that is not exactly exponential leaves a residual within a few
widths of its line, and a fit will readily spend poles on it. So no weaker line is accepted under the skirt of a
stronger one (30 dB down, falling with the fourth power of the distance beyond four line widths, at least 6 and at
most 30 Hz). If a mode has gathered two or more satellites, they count as its misfit. If two poles share a line and
the residual still exceeds the noise, they are one mode with two decays. A single neighbour that brings the residual
down to noise is always accepted, so a pair stays a pair. Modes whose decay stays unknown after all errors are added
are dropped last (:mod:`tapbatch.measure.sound`).

Where the residual exceeds the noise, it replaces the noise. It is measured once, with all modes in place: measured
again after each removal, the misfit left by the first pole removed would remove the rest as well.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tapbatch.measure.bound import covariance, wald
from tapbatch.measure.fit import MOST_STEPS, Fit, fit_modes
from tapbatch.measure.geometric import Complex, Float, Samples, decays
from tapbatch.measure.misfit import local_excess, widened
from tapbatch.model.reading import LN_1000

LEAST_WALD = 40.0
MOST_SD_LOG_T60 = 0.35
WINDOW_OF_T60 = 0.7
WINDOW_ON_MAINS = 2.0  # a line that does not decay is known better the longer the window
WINDOW_OF_PAIRS = 1.1  # two lines within a width beat slowly: 0.7 would cost 9 % of their accuracy, this costs 2 %
LONGEST_T60_S = 25.0
SHORTEST_T60_S = 0.012
FAINTEST = 1e-6  # of the total energy: modes 60 dB down are of no use to a maker
_LEAST_WINDOW_S = 0.12
_SKETCH_STEPS = 10
_COARSE_STEPS = 3
_MISFIT = 3.0  # residual power over the noise power
_REACH_WIDTHS = 4.0
_LEAST_REACH_HZ = 6.0
_MOST_REACH_HZ = 30.0
_SKIRT = 1e-3
_SATELLITE = 1e-2
LEAST_OVER_MISFIT = 100.0  # Wald statistic over a misfit; 16 gave two false modes a tap in a room
_SETTLED = 3.0
_MUCH = 0.1  # of the total energy
_SURE_SD_LOG_T60 = 0.15
_APART_HZ = 25.0
_APART_ON_MISFIT_HZ = 6.0
_LEAST_APART = 0.125
_TWINS = 2.5
_ONE_LINE = 0.6  # of the wider line's width: poles closer than that may be one mode with two decays


@dataclass(frozen=True, slots=True, eq=False)
class TapFit:
    """The fit of one tap in whitened samples, before conversion to physical units.

    ``excess`` has shape (K,): residual power around each mode over that of the noise, at least 1. ``scale`` is the
    factor applied to the samples before the fit. ``pair`` and ``uneven``, shape (K,), mark modes that may be two, and
    modes beside which the residual is more than an exponential decay would leave. ``decided``, shape (K,) or empty,
    marks modes that the taps of the recording show together (:mod:`tapbatch.measure.all_taps`). ``bend``, K or empty,
    has the flags of decays that bend, and ``bend_log_delta`` and ``bend_omega`` what this adds to the standard errors
    (:mod:`tapbatch.measure.bending`).
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
    decided: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=bool))
    bend: tuple[tuple[str, ...], ...] = ()
    bend_log_delta: Float = field(default_factory=lambda: np.zeros(0))
    bend_omega: Float = field(default_factory=lambda: np.zeros(0))


def pruned(whitened: Float, first: int, last: int, rate_hz: float, hum: Complex, poles: Complex) -> TapFit | None:
    """Fit the modes of a tap, and remove one after another those that the information does not support.

    Where the residual exceeds the noise, as in rooms and with most real objects, the poles chase it without end. A
    few steps show just as well which ones to remove, and save a third of the cost.

    Parameters
    ----------
    whitened
        Whitened samples of the recording, shape (n,).
    first, last
        The free decay, in samples, last excluded.
    rate_hz
        Rate of ``whitened`` in hertz.
    hum
        Poles of mains lines, shape (H,).
    poles
        Start values, shape (K,), at least one.

    Returns
    -------
    TapFit or None
        ``None`` if no mode is supported. ``excess`` is 1 for every mode.
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
    """Remove modes that are no more than their neighbours' misfit; return ``None`` if none remains.

    The misfit is measured once, with all modes in place. Measured again after each removal, the misfit left by the
    first mode removed would remove the rest as well.
    """
    fit, residual = found.fit, found.residual
    excess = local_excess(residual, fit.poles, found.rate_hz)
    satellites = _satellites(fit, excess, found.rate_hz)
    if len(satellites) or not fit.converged:
        excess = np.delete(excess, satellites)
        fit = fit_modes(Samples(found.samples), np.delete(fit.poles, satellites), hum)
    over = np.maximum(excess * LEAST_OVER_MISFIT / LEAST_WALD, 1.0)
    # Without a misfit, the same modes have already passed this test.
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
    return TapFit(fit, found.samples, residual, widened(excess), found.first, found.rate_hz)


def _supported(
    y: Float, fit: Fit, hum: Complex, rate_hz: float, over: Float, steps: int
) -> tuple[Fit, NDArray[np.intp]] | None:
    """Remove the modes that the information does not support, one after another; ``over``, (K,), is the misfit.

    For two lines within a width, neither amplitude is known well and both Wald statistics are low, however clear it
    is that there are two. So such a mode is removed only if the fit without it is no worse by the same measure, or if
    even the two leave more than noise: then they are not a pair but one decay that is not exponential. A mode whose
    removal would lose a tenth of the energy stays even if a misfit leaves its decay uncertain; its interval shows
    that. Returns the fit and the indices of the modes kept, or ``None`` if none is.
    """
    kept = np.arange(fit.count)
    needed, held = np.zeros((2, fit.count), dtype=bool)
    while len(poor := _poor(fit, over[kept], needed, held, rate_hz)):
        # Single lines, and those with uncertain decay, go first: a pair is easier to judge without them.
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
    """Repeat a fit in which the decay of a held mode became too slow, starting from a decay as long as the window."""
    log_size = np.log(np.abs(fit.poles))
    away = held & (-log_size * rate_hz * LONGEST_T60_S < LN_1000)
    if not away.any():
        return fit
    sizes = np.exp(np.where(away, -LN_1000 / len(y), log_size))
    return fit_modes(Samples(y), sizes * np.exp(1j * np.angle(fit.poles)), hum, steps)


def _mostly_noise(fit: Fit) -> bool:
    """Tell whether little more than noise is left; further steps would only follow a misfit."""
    return fit.chi2 < _MISFIT * fit.length


def beats(fit: Fit) -> NDArray[np.bool_]:
    """Tell which lines have a similar line within the width of both, at least an eighth of it away, shape (K,).

    Closer poles may cancel with huge amplitudes, and a line that decays 2.5 times faster is not similar.
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
    """Return the modes to remove now: the poorest, and others far enough from it to be independent of it.

    A ``needed`` mode may be weak but must have a certain decay; a ``held`` mode may lack both but must be a mode.
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
    # A mode fitted to a misfit depends more on the misfit than on its neighbours.
    apart_hz = _APART_HZ if _mostly_noise(fit) else _APART_ON_MISFIT_HZ
    chosen: list[int] = []
    for i in np.argsort(-badness, kind="stable"):
        if not bad[i]:
            break
        if faint[i] or all(abs(freq_hz[i] - freq_hz[j]) > apart_hz for j in chosen):
            chosen.append(int(i))
    return np.array(chosen)


def _window(poles: Complex, hum: Complex, first: int, last: int, rate_hz: float) -> int:
    """Return the end of a window that holds most of the information on the longest mode, on pairs and on mains."""
    delta, omega = -np.log(np.abs(poles)), np.angle(poles)
    order = np.argsort(omega, kind="stable")
    # A line is 2 delta wide, in rad/sample.
    near = np.diff(omega[order]) < 2.0 * np.minimum(delta[order][1:], delta[order][:-1])
    share = np.full(len(poles), WINDOW_OF_T60)
    share[order[1:][near]] = share[order[:-1][near]] = WINDOW_OF_PAIRS
    if len(hum):
        on_mains = np.abs(omega[:, None] - np.angle(hum)[None]).min(axis=1) < 2.0 * delta
        share[on_mains] = WINDOW_ON_MAINS
    longest_s = np.max(share * np.minimum(LN_1000 / (delta * rate_hz), LONGEST_T60_S))
    return min(last, first + int(max(longest_s, _LEAST_WINDOW_S) * rate_hz))


def model_of(fit: Fit) -> Float:
    """Return the samples of a fit, mains lines included, shape (N,)."""
    poles = np.concatenate([fit.poles, fit.hum_poles])
    return decays(poles, np.concatenate([fit.weights, fit.hum_weights]), fit.length)


def mode_energy(fit: Fit) -> Float:
    """Return the energy of each mode over the two-sided noise density, shape (K,), at most the total energy.

    Two nearly equal poles can cancel with huge amplitudes; these must not set the scale.
    """
    energy = np.abs(fit.weights) ** 2 / (4 * -np.log(np.abs(fit.poles)))
    return np.asarray(np.minimum(energy, fit.energy), dtype=np.float64)


def _reach_hz(poles: Complex, rate_hz: float) -> Float:
    """Return the distance from its line within which a mode's misfit falls: four line widths, between 6 and 30 Hz."""
    delta = -np.log(np.abs(poles)) * rate_hz
    return np.clip(_REACH_WIDTHS * delta / np.pi, _LEAST_REACH_HZ, _MOST_REACH_HZ)


def skirt(at: Complex, poles: Complex, energy: Float, rate_hz: float) -> Float:
    """Return the energy below which a line cannot be told from the misfit of the modes, shape (M,).

    Parameters
    ----------
    at
        Poles of the lines, shape (M,).
    poles, energy
        Poles of the modes and their energies, shape (K,).
    rate_hz
        Sample rate in hertz.

    Examples
    --------
    >>> pole = np.exp(np.array([-0.005 + 0.5j]))
    >>> skirt(pole, pole, np.array([1e6]), 4000.0).tolist()
    [1000.0]
    """
    apart_hz = np.abs(np.angle(at)[:, None] - np.angle(poles)[None]) * rate_hz / (2 * np.pi)
    return np.asarray((_SKIRT * energy / (1 + (apart_hz / _reach_hz(poles, rate_hz)) ** 4)).sum(axis=1))


def _satellites(fit: Fit, excess: Float, rate_hz: float) -> NDArray[np.intp]:
    """Return the indices of modes that belong to a stronger one: its second decay, or its misfit.

    Strength is the height of the line, energy times T60, so modes that ring lead over those that only knock. A single
    neighbour that leaves nothing beside it in the residual is a mode. Two or more, or one that leaves a residual,
    show that the stronger mode is not exponential.
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
