"""How likely noise alone is to give so large a statistic.

Conventions: a statistic that is the sum of the squares of ``2 n`` normal variables of mean 0 and variance 1 is
chi-square with ``2 n`` degrees of freedom: two for each pole or amplitude. An even number has a closed form, the
first ``n`` terms of a Poisson distribution (Abramowitz & Stegun, Handbook of Mathematical Functions, 26.4.21). It is
used because most recordings need nothing else of a library that takes longer to import than a tap takes to measure.
"""

from __future__ import annotations

import math

import numpy as np

from tapbatch.measure.geometric import Float


def chance_beyond(statistic: float, pairs: int) -> float:
    """Return the probability, 0 to 1, that noise alone exceeds a chi-square statistic.

    Parameters
    ----------
    statistic
        At least 0. A value below 0, which rounding may give, counts as 0; an infinite one has the chance 0.
    pairs
        Half the degrees of freedom, at least 1.

    Examples
    --------
    At two degrees of freedom it is ``exp(-x/2)``:

    >>> round(chance_beyond(2.0 * float(np.log(1000.0)), 1), 9)
    0.001
    """
    half = statistic / 2.0
    if half <= 0.0:
        return 1.0
    if half == math.inf:
        return 0.0
    # The logarithms of half**k / k! neither overflow nor vanish.
    logs: Float = np.concatenate([[0.0], np.cumsum(np.log(half / np.arange(1, pairs)))])
    return min(float(np.exp(logs - half).sum()), 1.0)
