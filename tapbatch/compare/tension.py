"""Compute the tension of a string from its pitch, length and unit weight.

Conventions: ``T = mu (2 L f)**2`` (Mersenne's law for an ideal string: M. Mersenne, Harmonie universelle, 1636; B.
Taylor, Phil. Trans. 28, 1713), with T in newtons, the unit weight mu in kilograms per metre, the sounding length L in
metres and the fundamental f in hertz. A plain string of diameter d and density rho has ``mu = rho pi d**2/4``.
Stiffness raises f by half the inharmonicity, about one part in ten thousand, which is ignored. The unit weight of a
wound string must be given, because no formula gives it from the diameter. Tension is proportional to the square of
the frequency: 0.1156 % per cent of pitch.
"""

from __future__ import annotations

import math

from tapbatch.model.pitch import note_to_hz
from tapbatch.model.settings import DENSITIES_KG_M3, InstrumentSettings, StringSetting


def mersenne_tension_n(unit_weight_g_m: float, length_mm: float, freq_hz: float) -> float:
    """Return the tension of a string in newtons.

    Parameters
    ----------
    unit_weight_g_m : float
        Unit weight in grams per metre, over 0.
    length_mm : float
        Sounding length in millimetres, over 0.
    freq_hz : float
        Fundamental frequency in hertz, over 0.

    Examples
    --------
    A steel string of 0.020 inch (0.283 lb per cubic inch), 16 inches long, at 440 Hz: 45.6 lbf are 203 N.

    >>> round(mersenne_tension_n(unit_weight_g_m(0.508, 7833.0), 406.4, 440.0), 1)
    203.1
    """
    return unit_weight_g_m / 1000.0 * (2.0 * length_mm / 1000.0 * freq_hz) ** 2


def unit_weight_g_m(diameter_mm: float, density_kg_m3: float) -> float:
    """Return the unit weight of a plain string, in grams per metre.

    Parameters
    ----------
    diameter_mm : float
        Diameter in millimetres.
    density_kg_m3 : float
        Density in kilograms per cubic metre.

    Examples
    --------
    >>> round(unit_weight_g_m(0.40, 8750.0), 4)
    1.0996
    """
    return density_kg_m3 * math.pi * (diameter_mm / 1000.0) ** 2 / 4.0 * 1000.0


def weight_of(string: StringSetting) -> float | None:
    """Return the unit weight of a string from its settings, in grams per metre; ``None`` if they do not give it."""
    if string.unit_weight_g_m is not None:
        return string.unit_weight_g_m
    density = DENSITIES_KG_M3.get(string.material.lower())
    if string.diameter_mm is None or density is None:
        return None
    return unit_weight_g_m(string.diameter_mm, density)


def tension_of(string: StringSetting, settings: InstrumentSettings, freq_hz: float) -> float | None:
    """Return the tension of one string of an instrument at a pitch, in newtons; ``None`` if it is not known.

    For a double course this is the tension of each of its two strings.
    """
    weight, length_mm = weight_of(string), string.scale_mm or settings.scale_mm
    if weight is None or length_mm is None:
        return None
    return mersenne_tension_n(weight, length_mm, freq_hz)


def total_tension_n(settings: InstrumentSettings, concert_pitch_hz: float) -> float | None:
    """Return the total tension of the strings of an instrument at a concert pitch, in newtons.

    A ``double`` course counts twice.

    Returns
    -------
    float or None
        ``None`` if there are no strings, or if the tension of any is unknown: a partial sum would mislead.
    """
    total = 0.0
    for string in settings.strings:
        tension = tension_of(string, settings, note_to_hz(string.note, concert_pitch_hz, settings.spelling))
        if tension is None:
            return None
        total += tension * (2 if string.double else 1)
    return total if settings.strings else None
