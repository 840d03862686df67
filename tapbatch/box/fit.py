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

When it is wrong: the likely parameters lie along a thin, bent sheet that the proposal fits badly, so few of the draws
count. Over 60 simulated boxes of each kind, the 800 draws of the last round were worth a median of 50 with a covered
tap and of 18 to 25 without one, at worst 4 to 5 and 1 to 3. Then one draw may be both the median and a bound of the
top alone. Without a covered tap that median differed by 24 to 36 cents (standard deviation, 20 boxes) from that of an
annealed Markov chain; a chain a fifth as long differed from that by 19 cents.

What is believed beforehand is wide. A guitar that reads 100 and 200 Hz, 189 Hz with the opening shut, and whose air
alone is at 120 Hz (Christensen & Vistisen, as above) has a top at 0.83 of the higher resonance and 1.67 of the lower
one, and a coupling of 0.54 of the top. A back may lie from the covered top up to twice as high, whether or not it was
read: left out, it would be taken for a lower air.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from tapbatch.box.course import BoxReading, Course, Discrepancy
from tapbatch.box.model import BoxModel
from tapbatch.box.modes import Floats
from tapbatch.box.openings import air_alone_hz

DRAWS, KEPT = 800, 300
MOST_STAGES = 12
"""Older stages tell little of the next opening."""

VOLUME_ERROR = 0.06
"""Of the air alone, from a volume that was measured: half of 5 per cent, and half of 11 per cent of conductance."""

_TAIL = 5.0
_WIDER = 1.3
_ROUNDS = 3


def fit_box(
    readings: Sequence[BoxReading],
    volume_l: float | None = None,
    volume_error: float = VOLUME_ERROR,
    settled: Discrepancy | None = None,
) -> BoxModel | None:
    """Return what is known of a box; ``None`` if its lower resonance was not read at the latest stage.

    Parameters
    ----------
    readings
        In order, the latest last; at least one. A covered tap stands after the stage whose opening it shut.
    volume_l
        Of the air inside, in litres; ``None`` where not known, and then learned.
    volume_error
        The standard error of the air alone from that volume, as a logarithm; default 0.06.
    settled
        How much the model errs; default what was settled on.

    Examples
    --------
    >>> low, high = 103.3, 209.1
    >>> box = fit_box([BoxReading(80.0, 5027.0, (low, high), (0.001, 0.001)),
    ...                BoxReading(80.0, 5027.0, (None, 200.0), (0.001, 0.001), covered=True)], 15.7)
    >>> [told.low < hz < told.high for told, hz in ((box.top, 180.0), (box.covered, 200.0))]
    [True, True]
    """
    used = [r for r in readings if any(r.hz)][-MOST_STAGES:]
    opened = [r for r in used if not r.covered]
    if not opened or opened[-1].hz[0] is None:
        return None
    latest = opened[-1]
    course = Course.of(used, latest, settled or Discrepancy())
    draws, weights = _integrated(course, *_prior(latest, volume_l, volume_error))
    return BoxModel.of(_equally_likely(draws, weights), course)


def _equally_likely(draws: Floats, weights: Floats) -> Floats:
    """Return draws that count alike, each as often as its weight asks."""
    at = (np.arange(KEPT) + 0.5) / KEPT
    return draws[np.minimum(np.searchsorted(np.cumsum(weights), at), len(draws) - 1)]


def _prior(latest: BoxReading, volume_l: float | None, volume_error: float) -> tuple[Floats, Floats]:
    """Return the middle and the standard deviation of each parameter beforehand; see the module."""
    low = latest.hz[0] or 100.0
    high = latest.hz[1] if len(latest.hz) > 1 else None
    top, top_sd = (0.88 * high, 0.13) if high else (1.75 * low, 0.25)
    air, air_sd = 1.18 * low, 0.4
    if volume_l is not None:
        air, air_sd = air_alone_hz(latest.conductance_mm, volume_l, latest.speed_m_s), volume_error
    middle = np.array([math.log(x) for x in (top, 0.45, air, 1.45, 0.25)])
    return middle, np.array([top_sd, 0.55, air_sd, 0.25, 0.9])


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
