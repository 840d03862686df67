"""What is believed about a bench before anything is recorded on it, and the grids that these beliefs are summed on.

Conventions: ``sc`` is the standard deviation of the shift that all modes of one set-up share, ``so`` that of the
shift of each mode's own; both in the unit of the values (cents for frequencies, hundredths of ``ln`` for decay
times, which is per cent for small changes). Grids are spaced evenly in the logarithm.

The families are those of a hierarchical mixture:

- ``sc`` is half-t with three degrees of freedom (Gelman, Bayesian Analysis 1, 2006): most benches are quiet, a few
  are not, and one pair of set-ups tells little;
- ``so`` has the density ``s^2 (1 + (s/a)^2/4)^(-7/2)``. It vanishes at zero, because a prior that allows exactly
  none is believed as soon as a few modes happen to agree (Chung et al., Psychometrika 78, 2013). In
  earlier trials, a half-t prior gave 7 to 10 % of stages with a false mover.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

OWN_STEPS, COMMON_STEPS = 11, 12
"""Points of the grids of ``so`` and ``sc``. With five times as many no bound moves by more than 3 % of an interval
(``tests/compare/test_moves.py``)."""

OWN_SHARES = ((0.03, 0.4), (0.2, 0.35), (0.5, 0.25))
"""Shares of the modes that a cut moved on their own, each with its chance: hardly any (nothing was cut, or all
alike), one in five, one in two."""


@dataclass(frozen=True, slots=True)
class Priors:
    """The prior of one quantity; every length is in its unit.

    ``common_scale`` and ``own_scale`` are the scales of ``sc`` and ``so``. ``own_cuts`` are the standard deviations
    of a cut that moves a mode alone, half of the chance each; ``common_cut`` that of a cut that moves all alike.
    ``own_shares`` are the shares of modes that may have been cut so, each with its chance; ``common_share`` is the
    chance that all were cut alike. ``soft_mean``, ``soft_common`` and ``soft_own``
    describe how much a mode falls from no blow to the hardest. ``untold_scatter`` stands in for the scatter of the
    hand where no two taps show it.
    """

    common_scale: float
    own_scale: float
    own_cuts: tuple[float, float]
    common_cut: float
    own_shares: tuple[tuple[float, float], ...]
    common_share: float
    soft_mean: float
    soft_common: float
    soft_own: float
    untold_scatter: float


FREQ = Priors(
    common_scale=1.8,
    own_scale=0.4,
    own_cuts=(4.0, 16.0),
    common_cut=12.0,
    own_shares=OWN_SHARES,
    common_share=0.4,
    soft_mean=1.5,
    soft_common=2.0,
    soft_own=1.5,
    untold_scatter=1.5,
)
"""Cents. Set-ups: the median of ``sc`` is 1.4 cents and 95 % lie below 5.7; the median of ``so`` is 0.7, and 95 % lie
below 1.8. A bench that shifts by 3 cents in common and 1 of each mode's own is to be covered: with a scale of 1.5 for
``sc``, the whole interval would hold 87 % there, and in earlier trials 0.75 gave 27 % of false movers. Cuts: small
ones move a mode by a few cents, a brace by tens; fewer than half of the modes feel a local cut. Softening: 0 to 8
cents at the hardest blow."""

T60 = Priors(
    common_scale=5.0,
    own_scale=2.5,
    own_cuts=(10.0, 40.0),
    common_cut=25.0,
    own_shares=OWN_SHARES,
    common_share=0.4,
    soft_mean=0.0,
    soft_common=4.0,
    soft_own=4.0,
    untold_scatter=5.0,
)
"""Per cent. How a box is held shows in its damping first. The median of ``so`` is 4.2 %, and 95 % lie below 11 %; the
median of ``sc`` is 3.8 %, and 95 % lie below 16 %. No measured figure of how decay times move from set-up to set-up
is known to us, so these scales rest on an argument, to be sharpened by ``again``.

*Own shifts.* A support or a hand adds an impedance to a mode. Its reactive part moves the frequency, its resistive
part the decay; where both are alike, ``d ln T60 = 2 Q d ln f``. The own shifts of frequency assumed above have a
median of 0.7 cents. With the Q of 40 to 60 of a voiced plate (300 Hz, 0.3 to 0.45 s), they come to 3 to 5 %.

*Common shifts.* What one support takes from a mode goes with the square of the mode's shape there, which varies over
modes at least as much as its mean. So what all modes share should be no larger than what is each one's own. This
speaks for a scale of up to 5, and 5 was kept: with 4, the whole interval would be 20 % wide on either side instead of
24 %, but would hold 91 % on a bench that shifts by 8 % in common and 3 % of each mode's own; with 3.4, 86 %.

So a change of 14 % in the decay of all modes cannot be told from a new set-up before set-ups have been repeated.
A brace or a coat of varnish changes the damping of a mode by tens of per cent. Nothing is known of the sign of
softening."""


@lru_cache(maxsize=8)
def own_grid(priors: Priors) -> tuple[Floats, Floats]:
    """Return the grid of ``so`` and the prior probability of each value, shapes (11,).

    Examples
    --------
    >>> so, prior = own_grid(FREQ)
    >>> round(float(so[np.searchsorted(prior.cumsum(), 0.5)]), 1)
    0.6
    """
    grid = priors.own_scale * np.geomspace(0.2, 12.0, OWN_STEPS)
    density = grid**3 * (1.0 + (grid / priors.own_scale) ** 2 / 4.0) ** -3.5  # one power for the logarithmic steps
    return _frozen(grid), _frozen(density / density.sum())


@lru_cache(maxsize=8)
def common_grid(priors: Priors) -> tuple[Floats, Floats]:
    """Return the grid of ``sc`` and the prior probability of each value, shapes (12,).

    Examples
    --------
    >>> sc, prior = common_grid(FREQ)
    >>> float(prior[sc < 5.7].sum().round(2))
    0.95
    """
    grid = priors.common_scale * np.geomspace(0.1, 9.0, COMMON_STEPS)
    edges = np.sqrt(grid[1:] * grid[:-1]) / priors.common_scale
    # Half-t of three degrees of freedom: its tail lets one bench in a hundred shift by 5.8 times the scale. It has a
    # closed form (Abramowitz & Stegun, Handbook of Mathematical Functions, 26.7.3).
    angle = np.arctan(edges / math.sqrt(3.0))
    below = np.concatenate([[0.0], 2.0 / np.pi * (angle + np.sin(angle) * np.cos(angle)), [1.0]])
    return _frozen(grid), _frozen(np.diff(below))


def _frozen(values: Floats) -> Floats:
    values.flags.writeable = False
    return values
