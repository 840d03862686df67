"""What is known of a box from the stages of its opening: the resonances of top and air, with all that is unsure.

Conventions: frequencies in hertz, their logarithms natural; *standard errors* are of logarithms (0.001 is 1.73
cents). The box has a top, its coupling to the air, the air at the latest opening, and with three resonances also a
back and its coupling (:mod:`tapbatch.box.modes`). Their logarithms are the parameters. A reading is ::

    ln f = ln f(parameters, opening) + s_top w_top + s_air w_air + e

where ``s`` are the sensitivities of that resonance to the top and to the air, and ``w`` tells how much the model
errs: wood beside the opening goes and the top drifts; the inner end of the opening and walls that give way alter
the air. Either ``w`` is a slope in the logarithm of the area and a random walk along it, nothing at the latest
stage. What the four standard deviations are was settled on a finer simulation (``python -m
tests.benchmarks.openings``).

The parameters are integrated over: draws from a heavy-tailed proposal around the best ones, weighted by prior and
likelihood, with ``w`` and ``e`` in closed form. Draws are the same at each call, so equal readings give equal bytes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tapbatch.box.air import speed_of_sound_m_s
from tapbatch.box.course import Course, Discrepancy
from tapbatch.box.model import BoxModel
from tapbatch.box.modes import Floats
from tapbatch.box.openings import air_alone_hz

DRAWS, KEPT = 800, 300
MOST_STAGES = 12
"""Older stages tell little of the next opening."""

VOLUME_ERROR = 0.06
"""Of the air alone, from a volume that was measured: half of 5 per cent, and the conductance to some 10 per cent."""

_TAIL = 5.0
_WIDER = 1.3
_ROUNDS = 3


@dataclass(frozen=True, slots=True)
class BoxReading:
    """What was read of a box at one stage, in the order of the stages.

    ``hz`` are the lower resonance, the higher one and, where a third is known, that; ``None`` where not read.
    ``errors`` are their standard errors. ``conductance_mm`` is that of the opening as it was. ``speed_m_s`` is that
    of sound, ``speed_error`` its standard error. With ``covered`` the opening was shut: ``hz`` then holds what the
    top reads, in the second place. ``other_work`` tells that something besides the opening was worked on to get
    there.
    """

    conductance_mm: float
    area_mm2: float
    hz: tuple[float | None, ...]
    errors: tuple[float, ...]
    speed_m_s: float = speed_of_sound_m_s(20.0, 50.0)
    speed_error: float = 0.0
    covered: bool = False
    other_work: bool = False


def fit_box(
    readings: Sequence[BoxReading], volume_l: float | None = None, settled: Discrepancy | None = None
) -> BoxModel | None:
    """Return what is known of a box; ``None`` if its lower resonance was not read at the latest stage.

    Parameters
    ----------
    readings
        In order, the latest last; at least one. A covered tap stands after the stage whose opening it shut.
    volume_l
        Of the air inside, in litres; ``None`` where not known, and then learned.
    settled
        How much the model errs; default what was settled on.

    Examples
    --------
    >>> low, high = 103.3, 209.1
    >>> box = fit_box([BoxReading(80.0, 5027.0, (low, high), (0.001, 0.001)),
    ...                BoxReading(80.0, 5027.0, (None, 200.0), (0.001, 0.001), covered=True)], 15.7)
    >>> [round(x) for x in (box.top.median, box.air.median)]
    [180, 120]
    """
    used = [r for r in readings if any(r.hz)][-MOST_STAGES:]
    opened = [r for r in used if not r.covered]
    if not opened or opened[-1].hz[0] is None:
        return None
    latest = opened[-1]
    course = Course.of(
        [(r.conductance_mm, r.area_mm2, r.speed_m_s, r.covered, r.other_work) for r in used],
        [list(r.hz) for r in used],
        [list(r.errors) for r in used],
        [r.speed_error for r in used],
        (latest.conductance_mm, latest.area_mm2, latest.speed_m_s),
        settled or Discrepancy(),
    )
    prior = _prior(latest, course.resonances, volume_l)
    draws, weights = _integrated(course, *prior)
    return BoxModel.of(_equally_likely(draws, weights), course)


def _equally_likely(draws: Floats, weights: Floats) -> Floats:
    """Return draws that count alike, each as often as its weight asks."""
    at = (np.arange(KEPT) + 0.5) / KEPT
    return draws[np.minimum(np.searchsorted(np.cumsum(weights), at), len(draws) - 1)]


def _prior(latest: BoxReading, resonances: int, volume_l: float | None) -> tuple[Floats, Floats]:
    """Return the middle and the standard deviation of each parameter beforehand."""
    low = latest.hz[0] or 100.0
    high = latest.hz[1] if len(latest.hz) > 1 else None
    top, top_sd = (0.93 * high, 0.3) if high else (1.6 * low, 0.4)
    air, air_sd = 1.18 * low, 0.4
    if volume_l is not None:
        air, air_sd = air_alone_hz(latest.conductance_mm, volume_l, latest.speed_m_s), VOLUME_ERROR
    middle, sd = [math.log(top), math.log(0.5), math.log(air)], [top_sd, 0.6, air_sd]
    if resonances > 2:
        middle += [math.log(1.2), math.log(0.3)]
        sd += [0.25, 0.7]
    return np.array(middle), np.array(sd)


def _integrated(course: Course, middle: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """Return draws of the parameters, shape (n, parameters), and their weights, which sum to 1."""

    def log_posterior(draws: Floats) -> Floats:
        return np.asarray(course.log_likelihood(draws) - 0.5 * (((draws - middle) / sd) ** 2).sum(axis=1))

    centre, spread = _best(course, middle, sd)
    random = np.random.default_rng(18)
    for turn in range(_ROUNDS):
        normal = random.standard_normal((DRAWS, len(middle)))
        tail = np.sqrt(_TAIL / random.chisquare(_TAIL, DRAWS))[:, None]
        root = np.linalg.cholesky(spread * _WIDER**2)
        draws = centre + (normal * tail) @ root.T
        squares = ((normal * tail) ** 2).sum(axis=1)
        log_proposal = -0.5 * (_TAIL + len(middle)) * np.log1p(squares / _TAIL)
        logs = log_posterior(draws) - log_proposal
        weights = np.exp(logs - logs.max())
        weights /= weights.sum()
        if turn < _ROUNDS - 1:
            # Begin again from what was found; few draws may count at first, so the first spread is not left at once.
            tempered = weights ** (0.5 if turn == 0 else 1.0)
            tempered /= tempered.sum()
            centre = tempered @ draws
            away = draws - centre
            spread = (tempered[:, None] * away).T @ away + 1e-4 * spread
    return draws, weights


def _best(course: Course, middle: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """Return the most likely parameters and their covariance, by steps of Gauss and Newton."""
    at, inverse = middle.copy(), np.diag(sd**-2)
    damping = 1e-3
    cost = math.inf
    spread = np.diag(sd**2)
    for _ in range(30):
        residual, slope, precision = course.linear(at)
        now = float(residual @ precision @ residual + ((at - middle) / sd) @ ((at - middle) / sd))
        damping = max(damping / 4.0, 1e-9) if now <= cost else min(damping * 10.0, 1e3)
        settled = abs(now - cost) < 1e-6
        cost = now
        curve = slope.T @ precision @ slope + inverse
        gradient = slope.T @ precision @ residual + inverse @ (middle - at)
        move = np.linalg.solve(curve + damping * np.diag(np.diag(curve)), gradient)
        at = at + np.clip(move, -0.2, 0.2)
        spread = np.asarray(np.linalg.inv(curve), float)
        if settled:
            break
    return at, spread
