"""Figures as text: a value with the digits that its uncertainty calls for, a change with its interval, a decay.

Conventions: numbers are signed with a plain ``-`` or ``+``. A half-width is that of a 95 % interval. The number of
digits follows the uncertainty, by the rule of the Particle Data Group (Review of Particle Physics, Introduction,
"Rounding"): three leading digits from 100 to 354 keep two, 355 to 949 keep one, and 950 to 999 are rounded to 1000
and keep two.
"""

from __future__ import annotations

import math


def leading_decimals(uncertainty: float) -> int:
    """Return how many decimals an uncertainty calls for, negative for tens and more.

    One that is not finite and above zero raises a ``ValueError``.

    Examples
    --------
    >>> leading_decimals(0.119), leading_decimals(0.367), leading_decimals(0.0963), leading_decimals(12.3)
    (2, 1, 2, 0)
    """
    if not (math.isfinite(uncertainty) and uncertainty > 0):
        msg = f"an uncertainty is finite and above zero, not {uncertainty}"
        raise ValueError(msg)
    exponent, leading = _leading_digits(uncertainty)
    # Up to 354 keeps two digits. 950 to 999 become 1000, whose second digit is in the place of the one digit of 949.
    return (1 if leading <= 354 else 0) - exponent


def _leading_digits(uncertainty: float) -> tuple[int, int]:
    exponent = math.floor(math.log10(uncertainty))
    return exponent, round(uncertainty / 10.0 ** (exponent - 2))


def value_and_half_width(value: float, half_width: float, most_decimals: int = 9) -> tuple[str, str]:
    """Return a value and the half-width of its interval as text, with the digits that the half-width calls for.

    Both are in one unit. The text of a half-width that is zero or not finite is empty; one that is below the last of
    ``most_decimals`` becomes one unit of that place.

    Examples
    --------
    >>> value_and_half_width(0.827, 0.119)
    ('0.83', '0.12')
    >>> value_and_half_width(0.827, 0.367)
    ('0.8', '0.4')
    >>> value_and_half_width(234.7654, 0.0021, most_decimals=1)
    ('234.8', '0.1')
    """
    if not (math.isfinite(half_width) and half_width > 0):
        return f"{value:z.{min(most_decimals, 2)}f}", ""
    decimals = min(leading_decimals(half_width), most_decimals)
    exponent, leading = _leading_digits(half_width)
    half_width = 10.0 ** (exponent + 1) if leading >= 950 else half_width
    said = max(half_width, 10.0**-decimals) if decimals == most_decimals else half_width
    places = max(decimals, 0)
    return f"{round(value, decimals):z.{places}f}", f"{round(said, decimals):.{places}f}"


def signed(text: str) -> str:
    """Return a number with a plus in front if it is above zero.

    Examples
    --------
    >>> signed("12"), signed("-3"), signed("0.0")
    ('+12', '-3', '0.0')
    """
    return f"+{text}" if float(text) > 0 else text


def seconds_text(value_s: float | None, low_s: float | None, high_s: float | None) -> str:
    """Return a decay with its interval: ``0.352 ± 0.012``, or ``0.35 (0.2 to 0.6)`` if the interval is lopsided.

    Examples
    --------
    >>> seconds_text(0.3524, 0.340, 0.364), seconds_text(0.35, 0.21, 0.58), seconds_text(0.35, None, None)
    ('0.352 ± 0.012', '0.35 (0.21 to 0.58)', '0.35')
    >>> seconds_text(1.13, 0.15, 8.37)
    '1.13 (0.1 to 8)'
    """
    if value_s is None or not math.isfinite(value_s):
        return ""
    if low_s is None or high_s is None or not (math.isfinite(low_s) and math.isfinite(high_s) and low_s < high_s):
        return f"{value_s:.2f}"
    half_s = (high_s - low_s) / 2
    # An interval of a logarithm is close enough to symmetric for a plus-minus if it spans less than a factor of 1.5.
    if low_s > 0 and high_s / low_s < 1.5:
        return " ± ".join(value_and_half_width(value_s, half_s, 3))
    decimals = min(max(leading_decimals(half_s), 0), 2)
    # The interval of a duration above zero has no bound at zero.
    low = _bound(low_s, decimals, decimals if low_s <= 0 else 6).lstrip("+")
    return f"{value_s:.2f} ({low} to {high_s:.{decimals}f})"


def change_text(
    change: float | None, low: float | None, high: float | None, most: int, unit: str = "", *, interval: bool = True
) -> str:
    """Return a change, to ``most`` decimals, and its interval, such as ``-42.1 c (-43.0 to -41.2)``; else empty.

    The bounds of an interval without zero are never rounded to zero.

    Examples
    --------
    >>> change_text(-42.13, -43.04, -41.22, 1), change_text(None, None, None, 1, "c")
    ('-42.1 (-43.0 to -41.2)', '')
    >>> change_text(-42.13, -43.04, -41.22, 1, "c", interval=False)
    '-42.1 c'
    >>> change_text(6.81, 0.36, 13.2, 1, "c")
    '+7 c (+0.4 to +13)'
    """
    if change is None or low is None or high is None or not all(map(math.isfinite, (change, low, high))):
        return ""
    places = min(max(leading_decimals((high - low) / 2), 0), most) if high > low else most
    said = f"{change:+z.{places}f} {unit}".rstrip()
    most_of_bound = places if low <= 0 <= high else 6
    bounds = (_bound(bound, places, most_of_bound) for bound in (low, high))
    return f"{said} ({' to '.join(bounds)})" if interval else said


def _bound(bound: float, places: int, most: int) -> str:
    """Return a bound with ``places`` decimals; with more, up to ``most``, if those would make it zero."""
    text = f"{bound:+z.{places}f}"
    while float(text) == 0.0 and places < most:
        places += 1
        text = f"{bound:+z.{places}f}"
    return text


def chance_text(share: float) -> str:
    """Return a chance from 0 to 1 in per cent; none is said to be nothing or certain.

    Examples
    --------
    >>> chance_text(0.17), chance_text(0.0), chance_text(1.0)
    ('17 %', 'under 1 %', 'over 99 %')
    """
    return "under 1 %" if share < 0.01 else "over 99 %" if share > 0.99 else f"{100.0 * share:.0f} %"
