"""Say how many forecasts held.

Conventions: a cut counts once for each mode that was asked about. With fewer than ten, only that is said.
"""

from __future__ import annotations

from tapbatch.model.forecast import FEWEST_TOLD, Kept


def kept_text(kept: Kept) -> str:
    """Say how many forecasts held, such as ``17 of 19 cuts came out as forecast``; empty without any.

    Examples
    --------
    >>> kept_text(Kept(19, 17, 3, 2.6))
    '17 of 19 cuts came out as forecast (19 in 20 should)'
    >>> kept_text(Kept(1, 1, 0, 0.2))
    '1 cut had a forecast so far; 10 are needed to say how often forecasts hold'
    >>> kept_text(Kept(0, 0, 0, 0.0))
    ''
    """
    if not kept.count:
        return ""
    if not kept.enough:
        cuts = f"{kept.count} cut{'' if kept.count == 1 else 's'} had a forecast so far"
        return f"{cuts}; {FEWEST_TOLD} are needed to say how often forecasts hold"
    return f"{kept.within} of {kept.count} cuts came out as forecast (19 in 20 should)"


def chances_text(kept: Kept) -> str:
    """Say how the chances to overshoot came out; empty with fewer than ten forecasts.

    Examples
    --------
    >>> chances_text(Kept(19, 17, 3, 2.6))
    '3 overshot; by the chances, 2.6 should have'
    """
    if not kept.enough:
        return ""
    return f"{kept.passed} overshot; by the chances, {kept.said:.1f} should have"
