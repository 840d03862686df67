"""A plucked string: pitch, stiffness and decay, and the distance of the two strings of a double course.

Conventions: partial n of a stiff string lies at ``f_n = n f_0 sqrt(1 + B n**2)`` (Fletcher, JASA 36, 1964), with
inharmonicity B. The pitch given is that of the fundamental, ``f_1``. Distances are in cents. The stretch measured
begins 0.3 s after the touch, when the body's own sound has died away (its T60 is a few tenths of a second, a string's
is seconds), and ends before the next sound. If that leaves less than 1.5 s, it begins after 0.1 s.

*One string.* Each partial is fitted separately (:mod:`tapbatch.measure.partial`), then ``f_1`` and B together by
weighted least squares on ``ln(f_n/n)``. The body shifts partials by fractions of a cent, more than noise does. Their
scatter about the law (Paule & Mandel, J. Res. NBS 87, 1982) enters the weights and the interval.

*Two strings.* All partials share one distance in cents, and the middles of the pairs follow the law of one stiff
string (:mod:`tapbatch.measure.course`). Two strings are reported only if all of these hold:

- two strings explain what one string leaves over: chi-square falls far more than chance allows, and not in one
  partial alone (the residual of the two-string fit serves as the noise);
- the distance is known to a third of itself;
- the middles follow the law;
- the two decays are alike.

The pitch is then the middle of the two. The uncertainty of the distance is added to the errors of pitch and decay;
the decay is the mean of the logarithms of both decays. A decay not known within a factor of 1.5 is not given. If the
sound beats but two strings cannot be resolved, pitch and decay are those of one string, with errors that reach to the
two-string values.

*Two polarisations.* A single string also vibrates in two directions, a fraction of a hertz apart and with different
decays. It is not taken for two strings if the decays differ by more than a factor of about 1.5, or change from
partial to partial. Otherwise the sound alone cannot tell it from a course; a maker who knows that there is one string
can ignore the distance.

A physical limit: two strings cannot be resolved if even the highest audible partial beats less than about once. At
75 Hz with a T60 below 2 s that may mean 2 or 3 cents, at 150 Hz with 2 s about one (``tests/benchmarks/strings.py``).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from tapbatch.measure.course import (
    Course,
    carried,
    closest,
    lawful,
    of_one_make,
    of_partials,
    one_string,
    roughly,
    sound_partials,
)
from tapbatch.measure.decimate import Decimator, zones
from tapbatch.measure.geometric import Float
from tapbatch.measure.partial import Band, cut_band, first_guess
from tapbatch.measure.series import HIGHEST_HZ, LOWEST_HZ, find_series, spectral_lines
from tapbatch.measure.stiff import stiff_fit
from tapbatch.model.pitch import CENTS
from tapbatch.model.reading import LN_1000, Sound, StringTone, Tap, TapReading

_BODY_GONE_S = 0.3
_BODY_GOING_S = 0.1
_LONG_ENOUGH_S = 1.5
_LONGEST_S = 8.0
_LEAST_OVER_NOISE = 100.0  # 20 dB, within its own band
_MOST_QUIET_S = 20.0
_MOST_PARTIALS = 12
# In white noise, the mean power of 12 complex samples is below 0.7 of its mean 15 times in a hundred (chi-square).
_PART, _QUIETEST, _QUIETEST_OF_MEAN = 12, 0.15, 0.7
_CLEAN = 1.3
_MOST_CENTS = 14.0
_MOST_SCATTER = 0.3  # of the distance: scatter of the middles, as the error of the pitch
_LEAST_GAIN = 10.0
_LEAST_CENTS = 0.6
_MOST_T60_LOG_SE = 0.2  # an interval of a factor of 1.5 either way
_LEAST_PAIR_SE_CENTS = 0.02
_LEAST_T60_LOG_SE = 0.001
_MOST_DOUBT_CENTS = 1.0
_LEAST_LIKE_A_STRING_CENTS = 5.0  # standard error: partials that scatter more do not follow the law of a string
_LEAST_DISTANCE = 3.0  # standard errors
_NOISE_FLOOR = 2.0**-15 / math.sqrt(12)


Lowered = tuple[tuple[Decimator, Float], ...]
"""Zones of the spectrum, each with the sound at its low rate; that is empty if the sound is too short."""


def lowered(sound: Sound) -> Lowered:
    """Return a sound at the low rates from which its partials are cut out; once for all plucks of a recording."""
    samples, rate_hz = sound.samples, sound.sample_rate_hz
    return tuple(
        (zone, zone.apply(samples) if len(samples) > 2 * zone.reach else np.zeros(0))
        for zone in zones(rate_hz, LOWEST_HZ, min(HIGHEST_HZ, 0.45 * rate_hz))
    )


def measure_tone(sound: Sound, tap: Tap, at_low_rates: Lowered | None = None) -> StringTone | None:
    """Measure the string that sounds after a pluck.

    Parameters
    ----------
    sound
        The decoded sound, at 4 kHz or more.
    tap
        The pluck: a used transient of the sound.
    at_low_rates
        From :func:`lowered`, to share the work between several plucks. Default: computed here.

    Returns
    -------
    StringTone or None
        ``None`` if no series of partials stands out, if the partials do not follow the law of a string (a bell, a
        bar), or if the stretch is shorter than about a second. A single partial gives no distance.
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
    return _tone(bands)


def with_tones(sound: Sound, readings: tuple[TapReading, ...]) -> tuple[TapReading, ...]:
    """Return the readings of plucks, each with the string that it sounds.

    Parameters
    ----------
    sound
        The decoded sound, at 4 kHz or more.
    readings
        One per transient; those not used are returned unchanged.
    """
    low = lowered(sound) if any(r.tap.used for r in readings) else ()
    return tuple(replace(r, tone=measure_tone(sound, r.tap, low)) if r.tap.used else r for r in readings)


def _bands(
    sound: Sound, low: Lowered, numbers: Float, freq_hz: Float, first: int, last: int, touched: int
) -> tuple[Band, ...]:
    """Cut out the band of each partial that stands well above its noise."""
    bands: list[Band] = []
    spacing_hz = float(np.median(freq_hz / numbers))
    quiet_until = touched - int(0.02 * sound.sample_rate_hz)
    for n, hz in zip(numbers[:_MOST_PARTIALS], freq_hz[:_MOST_PARTIALS], strict=True):
        held = [(z, x) for z, x in low if z.holds(hz)]
        if not held or not len(held[0][1]):
            continue
        zone, x = held[0]
        rate_hz, f = zone.out_rate_hz, zone.factor
        half_hz = min(max(0.008 * hz, 5.0), 0.3 * spacing_hz)
        reach = (rate_hz, hz - zone.shift_hz, half_hz, min(3.0 * half_hz, 0.8 * spacing_hz))
        samples, band_hz = cut_band(x, *reach, -(-first // f), min((last - zone.reach) // f, len(x)))
        if len(samples) < 12:
            continue
        until = max(0, quiet_until // f)
        # More of the quiet would tell nothing new, and ten minutes of it would take 400 MB.
        before, _ = cut_band(x, *reach, max(0, until - int(_MOST_QUIET_S * rate_hz)), until)
        noise = _noise(samples, before, band_hz)
        if float(np.mean(np.abs(samples[: max(8, len(samples) // 4)]) ** 2)) > _LEAST_OVER_NOISE * noise:
            bands.append(Band(int(n), samples, band_hz, float(hz), noise))
    return tuple(bands)


def _noise(samples: np.ndarray, before: np.ndarray, rate_hz: float) -> float:
    """Return the noise variance of a band: that of the quiet before the pluck, at most that of the stretch's end.

    Only the quietest part of the sound before is used, because the same string may already have been plucked there.
    """
    last = samples[-max(8, len(samples) // 8) :]
    least = max(_NOISE_FLOOR**2 * rate_hz / 48000.0, 1e-9 * float(np.mean(np.abs(samples) ** 2)))
    end = float(np.mean(np.abs(last) ** 2))
    if len(before) < 8:
        return max(1e-2 * end, least)
    quiet = float(np.mean(np.abs(before) ** 2))
    parts = len(before) // _PART
    if parts > 1:
        power = np.sort(np.mean(np.abs(before[: parts * _PART].reshape(parts, _PART)) ** 2, axis=1))
        quiet = min(quiet, float(power[int(_QUIETEST * (parts - 1))]) / _QUIETEST_OF_MEAN)
    return max(min(quiet, end), least)


def _tone(bands: tuple[Band, ...]) -> StringTone | None:
    """Return the tone from the bands of the partials: one string, or two where they are resolved."""
    single = one_string(bands, [first_guess(b) for b in bands])
    one = _as_string(bands, single)
    like_one = one.freq_log_se * CENTS <= _LEAST_LIKE_A_STRING_CENTS
    if len(bands) < 2 or single.chi2 < _CLEAN * sum(2 * len(b.samples) for b in bands):
        return one if like_one else None
    rough = roughly(bands, single)
    kept = sound_partials(bands, rough)
    two, told_apart = _two(tuple(bands[i] for i in kept), of_partials(rough, kept)) or (one, False)
    if not told_apart and len(kept) < len(bands):
        # A first distance that is far off rejects good partials.
        two, told_apart = _two(bands, rough) or (two, False)
    if told_apart:
        return replace(two, freq_hz=one.freq_hz, freq_log_se=one.freq_log_se)
    return _doubtful(one, two) if like_one else None


def _two(quiet: tuple[Band, ...], rough: Course) -> tuple[StringTone, bool] | None:
    """Return the two-string tone, with the middle as pitch, and whether two are resolved; ``None`` if it is one."""
    # Where even two strings leave a residual, the residual replaces the noise, partial by partial: first at the
    # distance from the grid, then at the best one.
    bands = _noisier(quiet, quiet, rough)
    double = closest(bands, rough)
    bands = _noisier(quiet, bands, double)
    double = closest(bands, double, reach=1.2, rounds=4)
    single = one_string(bands, [first_guess(b) for b in bands])
    gained = np.array([s.chi2 - d.chi2 for s, d in zip(single.fits, double.fits, strict=True)])
    # Two more amplitudes per partial and one distance: chi-square with that many degrees of freedom, times ten.
    # One partial alone is not enough: a mode of the body may stand in for its second string.
    if min(gained.sum() / (2 * len(bands) + 1), (gained.sum() - gained.max()) / (2 * len(bands) - 1)) < _LEAST_GAIN:
        return None
    two = _as_string(bands, double)
    error, of_middle, of_decay = carried(bands, double)
    far_enough = max(_LEAST_CENTS, _LEAST_DISTANCE * error) < double.cents < _MOST_CENTS
    near_law = two.freq_log_se * CENTS < _MOST_SCATTER * double.cents and lawful(bands, double)
    if not (far_enough and near_law and of_one_make(double)):
        return two, False
    decay_se = None if two.t60_log_se is None else two.t60_log_se + of_decay
    # A fundamental that beats less than once while it sounds may be one decaying string, or two drifting apart.
    known = decay_se is not None and decay_se < _MOST_T60_LOG_SE
    told = replace(
        two,
        t60_s=two.t60_s if known else None,
        t60_log_se=decay_se if known else None,
        middle_hz=two.freq_hz,
        # Both errors come from the same blend and do not average out.
        middle_log_se=two.freq_log_se + of_middle,
        pair_cents=double.cents,
        pair_se_cents=math.hypot(error, _LEAST_PAIR_SE_CENTS),
    )
    return told, True


def _doubtful(one: StringTone, two: StringTone) -> StringTone:
    """Return one string, with errors that reach to the two-string values, for a sound that beats unresolved."""
    pitch = min(abs(math.log(two.freq_hz / one.freq_hz)), _MOST_DOUBT_CENTS / CENTS)
    decay = abs(math.log(two.t60_s / one.t60_s)) if two.t60_s and one.t60_s else 0.0
    return replace(
        one,
        freq_log_se=math.hypot(one.freq_log_se, pitch),
        t60_log_se=None if one.t60_log_se is None else math.hypot(one.t60_log_se, decay),
    )


def _left_over(bands: tuple[Band, ...], course: Course) -> Float:
    """Return the residual variance of each partial relative to its noise, shape (P,).

    A residual that is correlated from sample to sample counts for more: the mean of N samples with correlation r has
    the variance of ``N (1 - r)/(1 + r)`` independent ones (textbook).
    """
    free = 8 if course.cents else 4
    ratio = np.array([f.chi2 / max(2 * len(b.samples) - free, 1) for b, f in zip(bands, course.fits, strict=True)])
    like = np.clip([f.alike for f in course.fits], 0.0, 0.9)
    return np.asarray(ratio * (1 + like) / (1 - like), dtype=np.float64)


def _noisier(quiet: tuple[Band, ...], bands: tuple[Band, ...], course: Course) -> tuple[Band, ...]:
    """Return the bands with a course's residual as their noise, where it exceeds the noise they began with."""
    left = _left_over(bands, course)
    return tuple(
        replace(q, noise=max(q.noise, b.noise * float(e))) for q, b, e in zip(quiet, bands, left, strict=True)
    )


def _as_string(bands: tuple[Band, ...], course: Course) -> StringTone:
    n = np.array([b.number for b in bands], dtype=np.float64)
    wider = np.sqrt(np.maximum(_left_over(bands, course), 1.0))
    log_f1, log_se, stiffness = stiff_fit(n, course.middles, course.middle_se * wider)
    t60 = [(f, float(w)) for b, f, w in zip(bands, course.fits, wider, strict=True) if b.number == 1]
    return StringTone(
        freq_hz=math.exp(log_f1),
        freq_log_se=log_se,
        inharmonicity=stiffness,
        t60_s=LN_1000 / math.exp(t60[0][0].log_delta) if t60 else None,
        t60_log_se=max(t60[0][0].log_delta_se * t60[0][1], _LEAST_T60_LOG_SE) if t60 else None,
        partials=len(bands),
    )
