"""Find contacts that hardly change the loudness: those that the ringing before them does not predict.

Conventions: a free decay of K modes obeys a linear recursion of order 2 K, ``y[n] = sum_p a_p y[n-p]``, whatever the
levels and phases of its modes. The residual, the *innovation* ``e[n] = y[n] - sum_p a_p y[n-p]``, is noise while
nothing touches. It jumps when the mallet lands again, even 20 dB below what still rings (linear prediction: Makhoul,
Proc. IEEE 63, 1975). Beating modes do not change this: two lines are two pairs of poles.

How: the decay after one tap is thinned by block means to about 2.5 kHz; what aliases is again a damped cosine. Least
squares over the whole decay gives the recursion. Contacts within it are included, because they are few among many
samples. A contact is where the power of the innovation over 5 ms rises 7 dB over that of the 30 ms before, and 3 dB
over the loudest 5 ms of the 60 ms before: Gaussian noise almost never does both. ``tests/benchmarks/onsets.py``
prints how many bounces are found and how often one is reported where there is none. One recursion fitted to all taps
of a recording finds fewer, because a mode moves more from tap to tap than noise moves its poles.
"""

from __future__ import annotations

import numpy as np

from tapbatch.listen.envelope import Float, thinned

_THINNED_HZ = 2500.0
_ORDER = 40
_LONGEST_S = 0.4
_CONTACT_S = 0.007
_SHORT_S = 0.005
_BACK_S = 0.03
_LEAST_BACK_S = 0.01
_JUMP = 10 ** (7.0 / 10)
_OVER_ALL = 10 ** (3.0 / 10)
_RIDGE = 1e-9


def contact_within(y: Float, onset: int, last: int, rate_hz: int) -> int | None:
    """Return the first sample at which something touches the instrument during the decay of a tap.

    Parameters
    ----------
    y
        Sound above its rumble, shape (n,).
    onset, last
        Samples: the tap's onset, and where its decay ends for another reason, excluded.
    rate_hz
        Sample rate in hertz.

    Returns
    -------
    int or None
        A sample of ``y``, at least 27 ms after ``onset``. ``None`` where nothing touches, or where the decay is
        shorter than 70 ms, too short to tell. Only the first 0.4 s are searched: later, too little rings to hide a
        contact, and the loudness shows it.

    Examples
    --------
    >>> t = np.arange(8000) / 16000
    >>> ringing = np.exp(-9 * t) * np.cos(1500 * t) + 1e-3 * np.random.default_rng(1).standard_normal(8000)
    >>> contact_within(ringing, 0, 8000, 16000) is None
    True
    >>> ringing[1600:] += 0.1 * np.exp(-9 * t[:-1600]) * np.sin(1500 * t[:-1600])
    >>> round(contact_within(ringing, 0, 8000, 16000) / 16000, 2)
    0.1
    """
    factor = max(1, round(rate_hz / _THINNED_HZ))
    first = onset + int(_CONTACT_S * rate_hz)
    last = min(last, onset + int(_LONGEST_S * rate_hz), len(y))
    thin = thinned(y[first : max(first, last)], factor)
    if len(thin) < 4 * _ORDER:
        return None
    jump = _first_jump(_innovation(thin), rate_hz / factor)
    return None if jump is None else first + (_ORDER + jump) * factor


def _innovation(x: Float) -> Float:
    """Return the residual of the recursion of order ``_ORDER`` fitted to ``x``, from sample ``_ORDER`` on."""
    rows = np.ascontiguousarray(np.lib.stride_tricks.sliding_window_view(x, _ORDER + 1))
    gram = rows.T @ rows
    past, ahead = gram[:_ORDER, :_ORDER], gram[:_ORDER, _ORDER]
    ridge = _RIDGE * np.trace(past) / _ORDER + 1e-30
    weights = np.linalg.solve(past + ridge * np.eye(_ORDER), ahead)
    return np.asarray(rows @ np.append(-weights, 1.0))


def _first_jump(novelty: Float, rate_hz: float) -> int | None:
    short, back, least = (max(4, round(s * rate_hz)) for s in (_SHORT_S, _BACK_S, _LEAST_BACK_S))
    sums = np.concatenate([[0.0], np.cumsum(novelty**2)])
    level = (sums[short:] - sums[:-short]) / short
    at = np.arange(least, len(level))
    since = np.maximum(at - back, 0)
    before = (sums[at] - sums[since]) / (at - since)
    for k in np.flatnonzero(level[at] > _JUMP * before):
        now = int(at[k])
        if level[now] > _OVER_ALL * level[max(0, now - 2 * back) : max(1, now - short)].max():
            loud = np.flatnonzero(novelty[now : now + short] ** 2 > 9 * before[k])
            return now + (int(loud[0]) if len(loud) else 0)
    return None
