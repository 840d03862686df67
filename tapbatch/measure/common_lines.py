"""Lines that no tap shows by itself: searched in what the modes of all taps leave, and refined in all of them.

Conventions: those of :mod:`tapbatch.measure.fit`; the taps are those of one recording in one zone, by index.

A tap lists a mode only if its own sound leaves hardly a doubt. A mode near a node of the point, struck with a soft
mallet or heard beside a fan may be below that limit in every tap, although all taps together know it well. And where
two neighbours are missing, each is a misfit to the other, so that neither is accepted.

So the residuals of all taps are searched together (:func:`tapbatch.measure.candidates.common_peaks`). What stands out
joins the poles that only some taps have, and what is left is searched again. The pole of a candidate is common to the
taps: each takes a Gauss-Newton step from the common pole, and the mean of these, weighted by their information, is
the next one (Fisher scoring, as in :mod:`tapbatch.measure.close_pairs`). A tap's own modes move too.

Lines can be told from what is left only where that is noise. In a room or after a codec it is not, so there is no
search where more than noise is left in over a third of the frequency bands of most taps.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tapbatch.measure.bound import covariance, inverse_of
from tapbatch.measure.candidates import BY_CHANCE_ALONE, common_peaks, excess_by_band
from tapbatch.measure.chance import chance_beyond
from tapbatch.measure.fit import fit_modes
from tapbatch.measure.geometric import Complex, Float, Samples
from tapbatch.measure.prune import FAINTEST, TapFit, mode_energy, model_of, skirt

_ROUNDS = 3
_STEPS = 2  # after each round; judging takes more
_MOST_LINES = 12
_MOST_WITH_MISFIT = 1.0 / 3.0  # of the bands; clean taps have 0.0 to 0.3, taps in a room 0.8 and more
_MOST_LOG_STEP = 0.7
_MOST_WIDTHS = 2.0  # of delta, for the step in frequency


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A pole that may be a mode.

    ``asked`` are the taps that lack it, and ``owners`` those that have it of their own. What the owners know of it,
    they know about the pole ``told``: ``information``, shape (2, 2), on ``log delta`` and ``omega``. ``accepted``
    tells whether it is known to be a mode.
    """

    pole: complex
    asked: tuple[int, ...]
    owners: tuple[int, ...] = ()
    told: complex = 0j
    information: Float | None = None
    accepted: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Together:
    """The fits of all taps, and the candidates at their common poles.

    ``log_t60_variance``, shape (candidates,), is that of ``ln T60`` in noise, from all taps together.
    """

    taps: Mapping[int, TapFit]
    candidates: tuple[Candidate, ...]
    log_t60_variance: Float

    @property
    def rate_hz(self) -> float:
        """Sample rate in hertz."""
        return next(iter(self.taps.values())).rate_hz

    def of_tap(self, tap: int) -> list[int]:
        """Return the places of the candidates that a tap is asked for."""
        return [i for i, c in enumerate(self.candidates) if tap in c.asked]

    def poles_of(self, tap: int) -> Complex:
        """Return the poles of the candidates that a tap is asked for."""
        return np.array([self.candidates[i].pole for i in self.of_tap(tap)], dtype=np.complex128)


def searched(
    taps: Mapping[int, TapFit], shared: Sequence[Candidate], inside_hz: tuple[float, float]
) -> Together | None:
    """Search what the modes of all taps leave, and refine what is found together with what only some taps have.

    Parameters
    ----------
    taps
        Fits of two taps or more.
    shared
        Poles that only some taps have.
    inside_hz
        Lowest and highest frequency to search, in hertz of the zone.

    Returns
    -------
    Together or None
        ``None`` if there is no line and no pole of two taps, or if more than noise is left.

    Examples
    --------
    Where the modes of the taps explain all there is, nothing is found:

    >>> from tapbatch.measure.prune import pruned
    >>> rng, none = np.random.default_rng(1), np.zeros(0, dtype=np.complex128)
    >>> pole = np.exp(np.array([-0.003 + 0.5j]))
    >>> rings = [(30.0 * pole ** np.arange(3000)).real + rng.standard_normal(3000) for _ in range(3)]
    >>> taps = {number: pruned(ring, 0, 3000, 8000.0, none, pole) for number, ring in enumerate(rings)}
    >>> searched(taps, [], (50.0, 3000.0)) is None
    True
    """
    if _share_with_misfit(taps) > _MOST_WITH_MISFIT:
        return None
    found = Together(taps, tuple(shared), np.zeros(len(shared)))
    worth = any(len(c.owners) > 1 and not c.accepted for c in shared)
    if worth:
        found = refined(found, _STEPS)
    for _ in range(_ROUNDS):
        new = _new_lines(found, inside_hz)
        if not new or len(found.candidates) + len(new) > len(shared) + _MOST_LINES:
            break
        worth = True
        found = refined(replace(found, candidates=(*found.candidates, *new)), _STEPS)
    return found if worth else None


def _share_with_misfit(taps: Mapping[int, TapFit]) -> float:
    """Return the share of the bands in which more than noise is left, for the median tap."""
    return float(np.median([np.mean(excess_by_band(found) > 1.0) for found in taps.values()]))


def _new_lines(found: Together, inside_hz: tuple[float, float]) -> list[Candidate]:
    """Return lines that stand out of what is left, and of the skirts of the modes, with the taps to ask for them."""
    left = [replace(tap, residual=_left(found, t)) for t, tap in found.taps.items()]
    poles, power, energy = common_peaks(
        [tap.residual for tap in left], found.rate_hz, [excess_by_band(tap) for tap in left], inside_hz
    )
    under = np.array([skirt(poles, t.fit.poles, mode_energy(t.fit), t.rate_hz) for t in left]).T
    faintest = FAINTEST * np.array([tap.fit.energy for tap in left])
    new: list[Candidate] = []
    for k, pole in enumerate(poles):
        above = energy[k] > under[k]
        likely = chance_beyond(float(power[k, above].sum()), len(left)) < BY_CHANCE_ALONE
        asked = tuple(t for t, tap in found.taps.items() if not is_beside(pole, tap.fit.poles))
        beside = is_beside(pole, np.array([c.pole for c in (*found.candidates, *new)]), share=0.5)
        if likely and (energy[k] > faintest).any() and len(asked) > 1 and not beside:
            new.append(Candidate(complex(pole), asked))
    return new


def _left(found: Together, tap: int) -> Float:
    """Return what a tap's modes and the candidates leave of it."""
    one, poles = found.taps[tap], found.poles_of(tap)
    if not len(poles):
        return one.residual
    held = np.concatenate([one.fit.hum_poles, poles])
    return one.samples - model_of(fit_modes(Samples(one.samples), one.fit.poles, held, most_steps=1))


def is_beside(pole: complex, poles: Complex, share: float = 1.0) -> bool:
    """Tell whether a line has another within its width, or within half the width of that other.

    Parameters
    ----------
    pole, poles
        The line, and the others, shape (K,).
    share
        Of these distances; default 1.

    Examples
    --------
    >>> is_beside(np.exp(-0.001 + 0.5j), np.exp(np.array([-0.01 + 0.505j]))), is_beside(0.9 + 0j, np.zeros(0))
    (True, False)
    """
    apart = np.abs(np.angle(poles) - np.angle(pole))
    reach = np.maximum(-2.0 * np.log(np.abs(pole)), -np.log(np.abs(poles)))
    return bool((apart < share * reach).any())


def refined(found: Together, steps: int) -> Together:
    """Move the candidates to the poles that all taps share, and each tap's own modes with them.

    Parameters
    ----------
    found
        Fits and candidates.
    steps
        Number of steps, at least 1.
    """
    for _ in range(steps):
        found = _one_step(found)
    return found


def _one_step(found: Together) -> Together:
    unknowns = np.array([_unknowns(c.pole) for c in found.candidates]).reshape(-1, 2)
    total, pull = np.zeros((len(unknowns), 2, 2)), np.zeros((len(unknowns), 2))
    for i, c in enumerate(found.candidates):
        if c.information is not None:
            total[i] += c.information
            pull[i] += c.information @ (_unknowns(c.told) - unknowns[i])
    taps = dict(found.taps)
    for t, tap in found.taps.items():
        which, own = found.of_tap(t), tap.fit.count
        if not which:
            continue
        start = np.concatenate([tap.fit.poles, found.poles_of(t)])
        moved = fit_modes(Samples(tap.samples), start, tap.fit.hum_poles, most_steps=1)
        cov, _ = covariance(moved)
        for place, i in enumerate(which, start=own):
            at = np.array([place, moved.count + place])
            said = inverse_of(cov[np.ix_(at, at)])
            total[i] += said
            pull[i] += said @ (_unknowns(moved.poles[place]) - unknowns[i])
        taps[t] = replace(tap, fit=replace(tap.fit, poles=moved.poles[:own], weights=moved.weights[:own]))
    spread = np.array([inverse_of(each) for each in total]).reshape(-1, 2, 2)
    step = (spread @ pull[:, :, None])[:, :, 0]
    most = np.stack([np.full(len(step), _MOST_LOG_STEP), _MOST_WIDTHS * np.exp(unknowns[:, 0])], axis=1)
    log_delta, omega = (unknowns + np.clip(step, -most, most)).T
    poles = np.exp(-np.exp(np.minimum(log_delta, 0.0)) + 1j * np.clip(omega, 1e-3, np.pi - 1e-3))
    moved_to = tuple(replace(c, pole=complex(p)) for c, p in zip(found.candidates, poles, strict=True))
    return Together(taps, moved_to, spread[:, 0, 0])


def _unknowns(pole: complex) -> Float:
    return np.array([np.log(-np.log(np.abs(pole))), np.angle(pole)])
