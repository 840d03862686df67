"""A gain that moves while the taps ring: one course of time, common to all modes and alike in all taps.

Conventions: those of :mod:`tapbatch.measure.by_amplitude`. A compressor that lets go within ``tau`` multiplies the
sound by ``1 + theta (exp(-n/tau) - 1)``, to first order. What changes evenly in decibels is part of each mode's
damping and cannot be seen. The rest is a second line beside every mode, ``z exp(-1/tau)``, with one and the same
``theta``. A damping that depends on amplitude gives one ``theta`` too, with each mode's own ``tau = 1/delta``. So
both are tried, and the better one is believed.

The test asks for three things. Chi-square over all taps is 100 or more, one degree of freedom a tap, in units of what
is left around the strongest modes while they ring. ``theta`` is above 0 by two standard errors in three of four taps.
And a law of amplitude, if there seems to be one, explains less. In 16 clean recordings of the second simulator
chi-square was at most 11, in 12 with a fast gain control it was 200 to 1100.

It needs two taps. Where the gain comes back about as fast as the modes fade, it is taken for a law of amplitude. A
gain that rises as evenly as the sound decays cannot be seen. Both show in the noise floor
(:mod:`tapbatch.listen.gain`).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tapbatch.measure.by_amplitude import SecondOrder, estimate, left_with, of_common
from tapbatch.measure.misfit import left_around
from tapbatch.measure.prune import TapFit, mode_energy

_LETS_GO_S = (0.01, 0.02, 0.04, 0.08)
_LEAST_CHI2 = 100.0
_SHOWS_CHI2 = 4.0
_LEAST_SHARE = 0.75  # of the taps
_BETTER = 1.15  # than a law of amplitude, if there seems to be one
_FEWEST = 2
_STRONGEST = 4


def gain_moves(
    zones: Sequence[Sequence[TapFit | None]], said: Sequence[Sequence[SecondOrder | None]], *, by_amplitude: bool
) -> bool:
    """Tell whether the gain moved while the taps of a recording rang.

    Parameters
    ----------
    zones, said
        For each zone the fits of all taps, and what they say of second order.
    by_amplitude
        Whether the modes seem to obey a law of amplitude.
    """
    taps = max((len(z) for z in zones), default=0)
    by_gain, by_own = np.zeros((taps, len(_LETS_GO_S), 2)), np.zeros(taps)
    for of_zone, said_of in zip(zones, said, strict=True):
        for t, (tap, one) in enumerate(zip(of_zone, said_of, strict=True)):
            if tap is None or one is None:
                continue
            over = _left_over(tap, one)
            by_own[t] += of_common(tap, one, tap.fit.poles * np.abs(tap.fit.poles))[1] / over
            for i, tau_s in enumerate(_LETS_GO_S):
                theta, chi2 = of_common(tap, one, tap.fit.poles * np.exp(-1.0 / (tau_s * tap.rate_hz)))
                by_gain[t, i] += np.array([np.sign(theta), 1.0]) * chi2 / over
    heard = by_gain[..., 1].any(axis=1)
    total = by_gain[..., 1].sum(axis=0)
    best = int(np.argmax(total))
    if heard.sum() < _FEWEST or total[best] < _LEAST_CHI2:
        return False
    share = float(np.mean(by_gain[heard, best, 0] > _SHOWS_CHI2))
    return share >= _LEAST_SHARE and (not by_amplitude or bool(total[best] > _BETTER * by_own.sum()))


def _left_over(tap: TapFit, said: SecondOrder) -> float:
    """Return what is left around the strongest modes with second order, over the noise."""
    left = left_with(tap, said, estimate(said)[0])
    strongest = np.argsort(-mode_energy(tap.fit))[:_STRONGEST]
    return float(np.median(np.maximum(left_around(left, tap.fit.poles[strongest]), 1.0)))
