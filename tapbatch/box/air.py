"""How fast sound is in the air of a room, and how the air of a box goes with temperature and vapour.

Conventions: temperatures in degrees Celsius, relative humidity in per cent, at 1013.25 hPa. All that the project says
of the speed of sound comes from here: it goes with the square root of the absolute temperature; vapour raises it.
"""

from __future__ import annotations

import math

ZERO_CELSIUS_K = 273.15

_DRY_AT_20_C = 343.21
"""Dry air at 20 degrees (ISO 9613-1: 343.2; Cramer, J. Acoust. Soc. Am. 93, 1993, 2510: 343.37 with more CO2)."""


def speed_of_sound_m_s(temperature_c: float, humidity_pct: float = 0.0) -> float:
    """Return the speed of sound in air at sea level, to 0.1 %.

    Parameters
    ----------
    temperature_c
        -20 to 50.
    humidity_pct
        Relative humidity, 0 to 100; default dry.

    Examples
    --------
    >>> round(speed_of_sound_m_s(20.0), 1), round(speed_of_sound_m_s(20.0, 50.0), 1)
    (343.2, 343.8)
    """
    cents = air_mode_cents(20.0, temperature_c) + vapour_cents(temperature_c, humidity_pct)
    return float(_DRY_AT_20_C * 2.0 ** (cents / 1200.0))


def air_mode_cents(from_c: float, to_c: float) -> float:
    """Return how far the air mode of a rigid cavity moves with temperature, in cents.

    Parameters
    ----------
    from_c, to_c : float
        Temperatures in degrees Celsius, above absolute zero.

    Returns
    -------
    float
        ``600 log2(T2/T1)``, positive upwards: the resonance goes with the speed of sound, that with ``sqrt(T)``.

    Raises
    ------
    ValueError
        Where a temperature is not above absolute zero.

    Examples
    --------
    >>> round(air_mode_cents(20.0, 21.0), 2)
    2.95
    """
    before, after = from_c + ZERO_CELSIUS_K, to_c + ZERO_CELSIUS_K
    if not (before > 0 and after > 0):
        msg = f"temperatures must be above {-ZERO_CELSIUS_K} degrees, found {from_c!r} and {to_c!r}"
        raise ValueError(msg)
    return 600.0 * math.log2(after / before)


def vapour_cents(celsius: float, pct: float) -> float:
    """Return by how much water vapour raises an air mode over dry air, in cents.

    Parameters
    ----------
    celsius, pct : float
        Temperature in degrees Celsius and relative humidity in per cent, at 1013.25 hPa.

    Returns
    -------
    float
        From the molar mass and the heat capacities of moist air as an ideal gas (seven halves of the gas constant for
        air, four for vapour), with the vapour pressure over water by the Magnus formula of the WMO guide no. 8.

    Examples
    --------
    >>> round(vapour_cents(20.0, 90.0) - vapour_cents(20.0, 10.0), 1)
    5.1
    """
    share = pct / 100.0 * 611.2 * math.exp(17.62 * celsius / (243.12 + celsius)) / 101325.0
    ratio = (3.5 + 0.5 * share) / (2.5 + 0.5 * share) / 1.4
    return 600.0 * math.log2(ratio * 28.965 / (28.965 * (1.0 - share) + 18.015 * share))
