"""Fit the law of a stiff string to its partials: pitch, stiffness, and the scatter of the partials about it.

Conventions: partial n lies at ``f_n = n f_0 sqrt(1 + B n**2)`` (Fletcher, JASA 36, 1964), with inharmonicity B. The
fit is to ``ln(f_n/n)``; the pitch given is that of the fundamental, ``f_1``.
"""

from __future__ import annotations

import math

import numpy as np

from tapbatch.measure.geometric import Float
from tapbatch.model.pitch import CENTS

_LEAST_SE_CENTS = 0.02  # slightly warmer air shifts a string by as much


def stiff_fit(numbers: Float, log_over_n: Float, se: Float) -> tuple[float, float, float | None]:
    """Fit the law of a stiff string to its partials.

    Parameters
    ----------
    numbers
        Partial numbers, shape (P,), at least one.
    log_over_n
        ``ln(f_n/n)``, shape (P,), frequencies in hertz.
    se
        Standard errors of it, shape (P,).

    Returns
    -------
    tuple
        ``ln f_1``, its standard error (1.96 times it is half a 95 % interval, allowing for few partials), and B. With
        fewer than three partials B is ``None``, because nothing tests the law.

    Examples
    --------
    >>> n = np.arange(1.0, 7.0)
    >>> log_f1, _, b = stiff_fit(n, np.log(196.0 * np.sqrt(1 + 3e-4 * n**2)), np.full(6, 1e-6))
    >>> round(math.exp(log_f1), 3), round(b, 6)
    (196.029, 0.0003)
    """
    se = np.maximum(se, 1e-7)
    if len(numbers) < 3:
        i = int(np.argmin(numbers))
        return float(log_over_n[i]), float(np.hypot(se[i], 0.3 / CENTS)), None
    stiffness, scatter2 = 0.0, 0.0
    for _ in range(40):
        weights = 1.0 / (se**2 + scatter2)
        design = np.stack([np.ones_like(numbers), 0.5 * (numbers**2 - 1) / (1 + stiffness * numbers**2)], axis=1)
        target = log_over_n - 0.5 * np.log((1 + stiffness * numbers**2) / (1 + stiffness)) + design[:, 1] * stiffness
        normal = design.T @ (design * weights[:, None])
        solved = np.linalg.solve(normal, design.T @ (weights * target))
        new = max(float(solved[1]), 0.0)
        if new == 0.0:
            solved = np.array([float(weights @ target) / weights.sum(), 0.0])
        left = target - design @ solved
        dof = len(numbers) - 2
        surplus = float(weights @ left**2) - dof
        grown = scatter2 + surplus / max(float((weights**2) @ left**2), 1e-300)
        settled = abs(new - stiffness) < 1e-9
        stiffness, scatter2 = new, max(0.0, grown)
        if settled and abs(surplus) < 0.01 * dof + (dof if scatter2 == 0.0 else 0.0):
            break
    from scipy.special import stdtrit

    factor = float(stdtrit(dof, 0.975)) / 1.96
    log_se = math.sqrt(float(np.linalg.inv(normal)[0, 0])) * (factor if scatter2 > 0 else 1.0)
    return float(solved[0]), max(log_se, _LEAST_SE_CENTS / CENTS), stiffness


def on_the_law(numbers: Float, log_f1: float, stiffness: float) -> Float:
    """Return ``ln(f_n/n)`` of a stiff string, shape (P,).

    Parameters
    ----------
    numbers
        Partial numbers, shape (P,).
    log_f1
        ``ln f_1``, with the frequency in hertz.
    stiffness
        Inharmonicity B, at least 0.

    Examples
    --------
    >>> np.exp(on_the_law(np.array([1.0, 2.0, 3.0]), math.log(220.0), 0.001)).round(2).tolist()
    [220.0, 220.33, 220.88]
    """
    stretched = (1 + stiffness * np.asarray(numbers) ** 2) / (1 + stiffness)
    return np.asarray(log_f1 + 0.5 * np.log(stretched), dtype=np.float64)
