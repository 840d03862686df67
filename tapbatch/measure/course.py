"""The two strings of a double course: one distance in cents for all partials, with middles that follow one string.

Conventions: distances in cents. A course holds the fits of all partials at one distance; chi-square is in units of
the noise variance.

A pair so close that the fundamental does not beat once while it sounds is resolved by the upper partials: a tenth of
a hertz at the fundamental is one hertz at the tenth partial. A partial that beats only once or twice cannot tell
which string is louder, and so cannot place the middle. All partials together can, because the middles follow the law
of one stiff string (:mod:`tapbatch.measure.stiff`). The law enters each fit as an observation of the middle, with a
standard deviation that is a fraction of the distance; the law and the partials are fitted in turn.

It fails where the bridge couples the strings so strongly that their partials leave the law (Weinreich, JASA 62, 1977:
within about a hertz of each other on a lively bridge), and where one string is 20 dB fainter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tapbatch.measure.geometric import Float
from tapbatch.measure.partial import MOST_STEPS, Band, PartialFit, fit_partials
from tapbatch.measure.stiff import on_the_law, stiff_fit
from tapbatch.model.pitch import CENTS

_GRID_CENTS = np.array([0.6, 0.8, 1.0, 1.25, 1.6, 2.0, 2.6, 3.3, 4.2, 5.4, 7.0, 9.0, 11.5, 15.0])
_ROUGH_STEPS = 10
# How far a middle may lie from the law: as a fraction of the distance, an extra allowance, and the most allowed.
_LAW_FRACTION, _LAW_CENTS, _LAW_MOST_CENTS = 0.15, 0.1, 0.6
_MOST_HALF_LOG_RATIO = 0.45  # decays differ by more than a factor of 2.5: the second is a mode of the body
_LEAST_CENTS = 0.3
_LEAST_OF_TWO_PARTIALS_CENTS = 2.0
_LEAST_FAINTER = 0.1  # 20 dB
_MOST_UNLIKE = 0.2  # rms of half the log ratio of the two decays: a factor of 1.5


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """The fits of all partials at one distance (0 for a single string), and their total chi-square.

    ``middles`` and ``middle_se`` hold ``ln(f_n/n)`` from each partial alone, with the law's contribution removed.
    """

    cents: float
    fits: tuple[PartialFit, ...]
    chi2: float
    middles: Float
    middle_se: Float


def one_string(bands: tuple[Band, ...], starts: list[tuple[float, float]]) -> Course:
    """Fit each partial as one damped sine; starts are frequency from the band centre (Hz) and decay (1/s)."""
    fits = tuple(
        fit_partials(band, np.array([[hz, math.log(decay), 0.0]]))[0]
        for band, (hz, decay) in zip(bands, starts, strict=True)
    )
    return _course(bands, 0.0, fits, None)


def _numbers(bands: tuple[Band, ...]) -> Float:
    return np.array([b.number for b in bands], dtype=np.float64)


def _law_sd(cents: float) -> float:
    return min(_LAW_FRACTION * cents + _LAW_CENTS, _LAW_MOST_CENTS) / CENTS


def _course(bands: tuple[Band, ...], cents: float, fits: tuple[PartialFit, ...], law: Float | None) -> Course:
    """Collect fits into a course, and remove what the law contributed to each middle."""
    y = np.log(np.array([f.freq_hz for f in fits]) / _numbers(bands))
    se = np.maximum([f.freq_se_hz / f.freq_hz for f in fits], 1e-9)
    if law is not None:
        of_law = 1 / _law_sd(cents) ** 2
        own = np.maximum(1 / se**2 - of_law, 1e-3 * of_law)
        y = (y * (own + of_law) - law * of_law) / own
        se = 1 / np.sqrt(own)
    return Course(cents, fits, sum(f.chi2 for f in fits), y, se)


def _law_of(bands: tuple[Band, ...], course: Course) -> Float | None:
    """Return the middles by the law, ``ln(f_n/n)``; ``None`` for fewer than three partials, too few to test it."""
    if len(bands) < 3:
        return None
    se = np.hypot(course.middle_se, _law_sd(course.cents))
    log_f1, _, stiffness = stiff_fit(_numbers(bands), course.middles, se)
    return on_the_law(_numbers(bands), log_f1, stiffness or 0.0)


def _at(
    bands: tuple[Band, ...], distances: list[float], near: list[Course], laws: list[Float | None], steps: int
) -> list[Course]:
    """Fit all partials at several distances, each from a nearby course and a law for the middles.

    Without a law each partial also starts with either line at its middle, and the best fit is kept.
    """
    sides = (0.0,) if laws[0] is not None else (0.0, 0.4, -0.4)
    fits: list[list[PartialFit]] = [[] for _ in distances]
    for b, band in enumerate(bands):
        starts, apart, hz, sd = [], [], [], []
        for cents, course, law in zip(distances, near, laws, strict=True):
            fit = course.fits[b]
            middle_hz = fit.freq_hz if law is None else band.number * math.exp(law[b])
            apart_hz = middle_hz * 2.0 * math.sinh(cents / CENTS / 2.0)
            for side in sides:
                starts.append((middle_hz + side * apart_hz - band.centre_hz, fit.log_delta, fit.half_log_ratio))
                apart.append(apart_hz)
                hz.append(middle_hz - band.centre_hz)
                sd.append(middle_hz * _law_sd(cents))
        expected = None if laws[0] is None else (np.array(hz), np.array(sd))
        tried = fit_partials(band, np.array(starts), np.array(apart), expected, steps)
        for k in range(len(distances)):
            fits[k].append(min(tried[k * len(sides) : (k + 1) * len(sides)], key=lambda f: f.chi2))
    return [_course(bands, d, tuple(f), law) for d, f, law in zip(distances, fits, laws, strict=True)]


def _again(bands: tuple[Band, ...], courses: list[Course], times: int) -> list[Course]:
    """Fit courses again at their distances, each time with the law from their own last fit."""
    for _ in range(times):
        laws = [_law_of(bands, c) for c in courses]
        if laws[0] is None:
            return courses
        courses = _at(bands, [c.cents for c in courses], courses, laws, MOST_STEPS)
    return courses


def roughly(bands: tuple[Band, ...], single: Course) -> Course:
    """Return the best course on a coarse grid of distances, all partials weighted alike."""
    law = _law_of(bands, single)
    # A single line sits at the louder string. The middle is there, or up to half the distance to either side.
    shifts = (0.0,) if law is None else (-0.35, 0.0, 0.35)
    grid = [(float(cents), shift) for cents in _GRID_CENTS for shift in shifts]
    laws = [None if law is None else law + shift * cents / CENTS for cents, shift in grid]
    tried = _at(bands, [cents for cents, _ in grid], [single] * len(grid), laws, _ROUGH_STEPS)

    def likelihood(course: Course) -> float:
        # Logarithms, because the true noise of each band, with what no model explains, is not known yet.
        return sum(len(b.samples) * math.log(f.chi2) for b, f in zip(bands, course.fits, strict=True))

    best = sorted(tried, key=likelihood)[:4]
    return min(_again(bands, best, 2), key=likelihood)


def closest(bands: tuple[Band, ...], start: Course, reach: float = 1.35, rounds: int = 5) -> Course:
    """Return the course at the distance that fits all partials best, within a factor ``reach`` of ``start``."""
    [best] = _again(bands, [start], 1) if len(bands) > 2 else _at(bands, [start.cents], [start], [None], MOST_STEPS)
    low, high = max(best.cents / reach, _LEAST_CENTS), best.cents * reach
    for _ in range(rounds):
        law = _law_of(bands, best)
        places = [(low + best.cents) / 2, (best.cents + high) / 2]
        better = min(_at(bands, places, [best, best], [law, law], MOST_STEPS), key=lambda c: c.chi2)
        if better.chi2 < best.chi2:
            low, high = (low, best.cents) if better.cents < best.cents else (best.cents, high)
            best = better
        else:
            low, high = places
    return _vertex(bands, best)


def sound_partials(bands: tuple[Band, ...], course: Course) -> list[int]:
    """Return the indices of partials that are two strings and nothing else; all if fewer than three would remain.

    Beside a partial, a mode of the body can take the place of the second string: its decay or the middle is far off.
    """
    law = _law_of(bands, course)
    if law is None:
        return list(range(len(bands)))
    off = np.abs(course.middles - np.asarray(law) - np.median(course.middles - law))
    near = off < 4.0 * np.hypot(course.middle_se, _law_sd(course.cents))
    kept = [i for i, f in enumerate(course.fits) if near[i] and abs(f.half_log_ratio) < _MOST_HALF_LOG_RATIO]
    return kept if len(kept) >= 3 else list(range(len(bands)))


def of_partials(course: Course, kept: list[int]) -> Course:
    """Return a course with only the partials ``kept``."""
    fits = tuple(course.fits[i] for i in kept)
    return Course(course.cents, fits, sum(f.chi2 for f in fits), course.middles[kept], course.middle_se[kept])


def lawful(bands: tuple[Band, ...], course: Course) -> bool:
    """Tell whether the middles follow the law of one stiff string to within their errors."""
    law = _law_of(bands, course)
    if law is None:
        return course.cents > _LEAST_OF_TWO_PARTIALS_CENTS
    off2 = (course.middles - law) ** 2 / (course.middle_se**2 + _law_sd(course.cents) ** 2)
    return float(off2.sum()) < 10.0 + 2.0 * (len(bands) - 2)


def of_one_make(course: Course) -> bool:
    """Tell whether the two lines are equal partners in every partial: neither very faint, with similar decays.

    The two strings of a course are of the same make and plucked in one stroke. The two polarisations of a single
    string are not alike: the bridge yields more to one than to the other (Weinreich, JASA 62, 1977), by an amount
    that changes from partial to partial.
    """
    fainter = float(np.median([f.fainter for f in course.fits]))
    unlike = math.sqrt(float(np.mean([f.half_log_ratio**2 for f in course.fits])))
    return fainter > _LEAST_FAINTER and unlike < _MOST_UNLIKE


def _vertex(bands: tuple[Band, ...], best: Course) -> Course:
    """Return the course at the vertex of the parabola through three distances."""
    step = max(0.02 * best.cents, 0.03)
    [best] = _again(bands, [best], 1)
    below, above = _beside(bands, best, step)
    curved = below.chi2 - 2 * best.chi2 + above.chi2
    if curved <= 0:
        return best
    shift = float(np.clip(0.5 * (below.chi2 - above.chi2) / curved, -2, 2)) * step
    law = _law_of(bands, best)
    found = _again(bands, _at(bands, [best.cents + shift], [best], [law], MOST_STEPS), 1)[0]
    return min((best, found), key=lambda c: c.chi2)


def _beside(bands: tuple[Band, ...], course: Course, step: float) -> list[Course]:
    """Return the courses at a slightly smaller and a slightly larger distance, each with its own law."""
    law = _law_of(bands, course)
    return _again(
        bands, _at(bands, [course.cents - step, course.cents + step], [course] * 2, [law] * 2, MOST_STEPS), 1
    )


def carried(bands: tuple[Band, ...], course: Course) -> tuple[float, float, float]:
    """Return the standard error of the distance, in cents, and what it adds to the log errors of middle and decay.

    It is read from the profile around the best distance, because distance, middle and decay of blended lines are
    known only jointly. The decay is that of the lowest partial.
    """
    step = max(0.05 * course.cents, 0.05)
    below, above = _beside(bands, course, step)
    curved = (below.chi2 - 2 * course.chi2 + above.chi2) / step**2
    if curved <= 0:
        return math.inf, math.inf, math.inf
    error = math.sqrt(2.0 / curved)
    low, high = (stiff_fit(_numbers(bands), c.middles, c.middle_se)[0] for c in (below, above))
    decay = above.fits[0].log_delta - below.fits[0].log_delta
    return error, abs(high - low) / (2 * step) * error, abs(decay) / (2 * step) * error
