"""A plucked string: its pitch, stiffness and decay, and the distance of the two strings of a double course.

Conventions: partial n of a stiff string lies at ``f_n = n f_0 sqrt(1 + B n**2)`` (Fletcher, JASA 36, 1964), B the
inharmonicity; the pitch stated is that of the fundamental, ``f_1``. Distances in cents. A stretch begins 0.3 s
after the touch, when what the body adds has died away (its T60 is a few tenths of a second, a string's are seconds),
and ends before the next sound; where there are less than 1.5 s of it, it begins after 0.1 s.

*One string.* Every partial is fitted by itself (:mod:`tapbatch.measure.partial`); then ``f_1`` and B together, by
weighted least squares on ``ln(f_n/n)``. The body pulls partials by fractions of a cent, more than noise does: their
scatter about the law (Paule & Mandel, J. Res. NBS 87, 1982) enters the weights and the interval.

*Two strings.* All partials share one distance in cents, which is what makes a close pair visible: at a tenth of a
hertz the fundamental does not beat once while it rings, the tenth partial does ten times as fast. The likelihood of
all partials is profiled over the distance. Two are stated where they explain what one leaves over, by a chi-square
far above what chance gives (the noise taken as what two leave over), the distance is known to a third of itself, and
the middles of the pairs lie by the law of one stiff string: a body mode beside a partial is no second string.
The pitch is then the middle of the two. Breaks where the two are coupled through the bridge so strongly that their
partials no longer lie by the law (Weinreich, JASA 62, 1977: within about a hertz of each other on a lively bridge),
and where one of the two is 20 dB fainter. A single string's two directions of swing can also look like two: whoever
knows that there is one string does not ask for the distance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from tapbatch.measure.decimate import Decimator, zones
from tapbatch.measure.geometric import Float
from tapbatch.measure.partial import MOST_STEPS, Band, PartialFit, cut_band, first_guess, fit_partial
from tapbatch.measure.series import HIGHEST_HZ, LOWEST_HZ, find_series, spectral_lines
from tapbatch.values import LN_1000, Sound, StringTone, Tap, TapReading

_CENTS = 1200.0 / math.log(2.0)
_BODY_GONE_S = 0.3
_BODY_GOING_S = 0.1
_LONG_ENOUGH_S = 1.5
_LONGEST_S = 8.0
_LEAST_OVER_NOISE = 100.0  # 20 dB in its own band
_MOST_PARTIALS = 12
_CLEAN = 1.3
_MOST_CENTS = 14.0
_MOST_SCATTER = 0.15
_LEAST_LIKE_A_STRING_CENTS = 5.0  # standard error: partials that scatter more follow no law of strings
_LEAST_SE_CENTS = 0.02  # a breath of warm air moves a string as much
_GRID_CENTS = (0.6, 1.0, 1.5, 2.0, 2.6, 3.3, 4.2, 5.4, 7.0, 9.0, 11.5, 15.0)
_LEAST_DISTANCE = 3.0  # standard errors
_ROUGH_STEPS = 12
_NOISE_FLOOR = 2.0**-15 / math.sqrt(12)


@dataclass(frozen=True, slots=True, eq=False)
class _Course:
    """The fits of all partials at one distance, and their chi-square together."""

    cents: float
    fits: tuple[PartialFit, ...]
    chi2: float


Lowered = tuple[tuple[Decimator, Float], ...]
"""Zones of the spectrum, each with the sound at the low rate that it needs, empty where the sound is too short."""


def lowered(sound: Sound) -> Lowered:
    """Return a sound at the low rates at which its partials are cut out: once for all plucks of a recording."""
    samples, rate_hz = sound.samples, sound.sample_rate_hz
    return tuple(
        (zone, zone.apply(samples) if len(samples) > 2 * zone.reach else np.zeros(0))
        for zone in zones(rate_hz, LOWEST_HZ, min(HIGHEST_HZ, 0.45 * rate_hz))
    )


def measure_tone(sound: Sound, tap: Tap, at_low_rates: Lowered | None = None) -> StringTone | None:
    """Measure the string that a pluck sounds.

    Parameters
    ----------
    sound
        As decoded, at any rate from 4 kHz.
    tap
        The pluck: a used transient of it.
    at_low_rates
        From :func:`lowered`, where there is more than one pluck in a sound.

    Returns
    -------
    StringTone or None
        ``None`` where no partials in series stand out, those that do follow no law of strings (a bell, a bar), or the
        stretch is shorter than about a second. One partial alone tells no distance.
    """
    rate_hz = sound.sample_rate_hz
    there_s = min(tap.free_until_s, sound.duration_s) - tap.free_from_s
    first = int((tap.free_from_s + (_BODY_GONE_S if there_s > _LONG_ENOUGH_S else _BODY_GOING_S)) * rate_hz)
    last = min(int(min(tap.free_until_s, tap.free_from_s + _LONGEST_S) * rate_hz), len(sound.samples))
    lines = spectral_lines(sound.samples, first, last, int(tap.onset_s * rate_hz), rate_hz)
    numbers, freq_hz = find_series(lines)
    if not len(numbers):
        return None
    low = lowered(sound) if at_low_rates is None else at_low_rates
    bands = _bands(sound, low, numbers, freq_hz, first, last, int(tap.onset_s * rate_hz))
    if not bands:
        return None
    single = _single(bands)
    one = _tone(bands, single)
    if one.freq_log_se * _CENTS > _LEAST_LIKE_A_STRING_CENTS:
        return None
    if len(bands) < 2 or single.chi2 < _CLEAN * sum(2 * len(b.samples) for b in bands):
        return one
    # Where even two leave something over, it takes the place of the noise, partial by partial.
    rough = _roughly(bands, single)
    bands = tuple(replace(b, noise=b.noise * e) for b, e in zip(bands, _left_over(bands, rough), strict=True))
    single, double = _single(bands), _closest(bands, rough)
    error = _distance_error(bands, double)
    # Two amplitudes a partial and one distance more; a chi-square with that many degrees of freedom, ten times over.
    gained = single.chi2 - double.chi2 > 10.0 * (2 * len(bands) + 1)
    if not gained or not _LEAST_DISTANCE * error < double.cents < _MOST_CENTS:
        return one
    two = _tone(bands, double)
    if two.freq_log_se * _CENTS > _MOST_SCATTER * double.cents:
        return one
    return replace(
        two,
        freq_hz=one.freq_hz,
        freq_log_se=one.freq_log_se,
        middle_hz=two.freq_hz,
        middle_log_se=two.freq_log_se,
        pair_cents=double.cents,
        pair_se_cents=error,
    )


def with_tones(sound: Sound, readings: tuple[TapReading, ...]) -> tuple[TapReading, ...]:
    """Return the readings of plucks with the string that each of them sounds."""
    low = lowered(sound) if any(r.tap.used for r in readings) else ()
    return tuple(replace(r, tone=measure_tone(sound, r.tap, low)) if r.tap.used else r for r in readings)


def _bands(
    sound: Sound, low: Lowered, numbers: Float, freq_hz: Float, first: int, last: int, touched: int
) -> tuple[Band, ...]:
    """Cut the band of each partial that stands well above its noise."""
    bands: list[Band] = []
    spacing_hz = float(np.median(freq_hz / numbers))
    quiet_until = touched - int(0.02 * sound.sample_rate_hz)
    for n, hz in zip(numbers[:_MOST_PARTIALS], freq_hz[:_MOST_PARTIALS], strict=True):
        held = [(z, x) for z, x in low if z.low_hz <= hz < z.high_hz]
        if not held or not len(held[0][1]):
            continue
        zone, x = held[0]
        rate_hz, f = zone.out_rate_hz, zone.factor
        half_hz = min(max(0.008 * hz, 5.0), 0.3 * spacing_hz)
        reach = (rate_hz, hz - zone.shift_hz, half_hz, min(3.0 * half_hz, 0.8 * spacing_hz))
        samples, band_hz = cut_band(x, *reach, -(-first // f), min((last - zone.reach) // f, len(x)))
        if len(samples) < 12:
            continue
        before, _ = cut_band(x, *reach, 0, max(0, quiet_until // f))
        noise = _noise(samples, before, band_hz)
        if float(np.mean(np.abs(samples[: max(8, len(samples) // 4)]) ** 2)) > _LEAST_OVER_NOISE * noise:
            bands.append(Band(int(n), samples, band_hz, float(hz), noise))
    return tuple(bands)


def _noise(samples: np.ndarray, before: np.ndarray, rate_hz: float) -> float:
    """Return the variance of the noise of a band: of the quiet before, but never more than what the end leaves."""
    last = samples[-max(8, len(samples) // 8) :]
    least = max(_NOISE_FLOOR**2 * rate_hz / 48000.0, 1e-9 * float(np.mean(np.abs(samples) ** 2)))
    end = float(np.mean(np.abs(last) ** 2))
    if len(before) < 8:
        return max(1e-2 * end, least)
    return max(min(float(np.mean(np.abs(before) ** 2)), end), least)


def _single(bands: tuple[Band, ...]) -> _Course:
    fits = []
    for band in bands:
        freq_hz, decay = first_guess(band)
        fits.append(fit_partial(band, (freq_hz, math.log(decay), 0.0)))
    return _Course(0.0, tuple(fits), sum(f.chi2 for f in fits))


def _course_at(bands: tuple[Band, ...], cents: float, near: tuple[PartialFit, ...], wide: bool) -> _Course:
    """Fit all partials at one distance, from fits nearby; ``wide`` also starts with either string at the middle."""
    fits = []
    for band, fit in zip(bands, near, strict=True):
        apart_hz = fit.freq_hz * 2.0 * math.sinh(cents / _CENTS / 2.0)
        offset = fit.freq_hz - band.centre_hz
        shifts = (0.0, 0.4 * apart_hz, -0.4 * apart_hz) if wide else (0.0,)
        start = (fit.log_delta, fit.half_log_ratio)
        steps = _ROUGH_STEPS if wide else MOST_STEPS
        tried = [fit_partial(band, (offset + s, *start), apart_hz, steps) for s in shifts]
        fits.append(min(tried, key=lambda f: f.chi2))
    return _Course(cents, tuple(fits), sum(f.chi2 for f in fits))


def _roughly(bands: tuple[Band, ...], single: _Course) -> _Course:
    """Return the distance of a coarse grid that explains the partials best, each as loud as any other."""
    tried = [_course_at(bands, cents, single.fits, wide=True) for cents in _GRID_CENTS]
    # By logarithms, since what the noise of each band truly is, with what no model explains, is not known yet.
    return min(
        tried, key=lambda c: sum(len(b.samples) * math.log(f.chi2) for b, f in zip(bands, c.fits, strict=True))
    )


def _closest(bands: tuple[Band, ...], rough: _Course) -> _Course:
    """Return the distance at which all partials together are explained best, near a rough one."""
    at = _GRID_CENTS.index(rough.cents)
    best = _course_at(bands, rough.cents, rough.fits, wide=False)
    low = _GRID_CENTS[at - 1] if at else 0.3
    high = _GRID_CENTS[at + 1] if at + 1 < len(_GRID_CENTS) else 1.3 * best.cents
    for _ in range(5):
        left, right = (low + best.cents) / 2, (best.cents + high) / 2
        sides = [_course_at(bands, cents, best.fits, wide=False) for cents in (left, right)]
        better = min(sides, key=lambda c: c.chi2)
        if better.chi2 < best.chi2:
            low, high = (low, best.cents) if better.cents < best.cents else (best.cents, high)
            best = better
        else:
            low, high = left, right
    return _vertex(bands, best)


def _vertex(bands: tuple[Band, ...], best: _Course) -> _Course:
    """Return the course at the vertex of the parabola through three distances."""
    step = max(0.02 * best.cents, 0.03)
    below, above = (_course_at(bands, best.cents + s, best.fits, wide=False) for s in (-step, step))
    curved = below.chi2 - 2 * best.chi2 + above.chi2
    if curved <= 0:
        return best
    shift = float(np.clip(0.5 * (below.chi2 - above.chi2) / curved, -2, 2)) * step
    found = _course_at(bands, best.cents + shift, best.fits, wide=False)
    return min((best, found), key=lambda c: c.chi2)


def _distance_error(bands: tuple[Band, ...], course: _Course) -> float:
    """Return the standard error of the distance from the curvature of the profile, in cents."""
    step = max(0.05 * course.cents, 0.05)
    below, above = (_course_at(bands, course.cents + s, course.fits, wide=False).chi2 for s in (-step, step))
    curved = (below - 2 * course.chi2 + above) / step**2
    return math.sqrt(2.0 / curved) if curved > 0 else math.inf


def _left_over(bands: tuple[Band, ...], course: _Course) -> Float:
    """Return what a model leaves over of each partial, relative to its noise, shape (P,), at least 1."""
    free = 8 if course.cents else 4
    ratio = [f.chi2 / max(2 * len(b.samples) - free, 1) for b, f in zip(bands, course.fits, strict=True)]
    return np.maximum(1.0, np.array(ratio, dtype=np.float64))


def _tone(bands: tuple[Band, ...], course: _Course) -> StringTone:
    n = np.array([b.number for b in bands], dtype=np.float64)
    wider = np.sqrt(_left_over(bands, course))
    y = np.log(np.array([f.freq_hz for f in course.fits]) / n)
    log_f1, log_se, stiffness = stiff_fit(n, y, np.array([f.freq_se_hz / f.freq_hz for f in course.fits]) * wider)
    t60 = [(f, float(w)) for b, f, w in zip(bands, course.fits, wider, strict=True) if b.number == 1]
    return StringTone(
        freq_hz=math.exp(log_f1),
        freq_log_se=log_se,
        inharmonicity=stiffness,
        t60_s=LN_1000 / math.exp(t60[0][0].log_delta) if t60 else None,
        t60_log_se=t60[0][0].log_delta_se * t60[0][1] if t60 else None,
        partials=len(bands),
    )


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
        ``ln f_1``, its standard error (such that 1.96 of it are half a 95 % interval, few partials counted), and B;
        B is ``None`` with fewer than three partials, for then nothing tests the law.

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
        return float(log_over_n[i]), float(np.hypot(se[i], 0.3 / _CENTS)), None
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
    return float(solved[0]), max(log_se, _LEAST_SE_CENTS / _CENTS), stiffness
