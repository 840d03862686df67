"""Simulate recordings of taps with known modes: a body of damped modes, struck by a soft mallet.

Conventions: the impulse response of a mode is ``h(t) = a exp(-delta t) cos(2 pi f t + phase)``, with
``delta = ln(1000)/t60_s``, t in seconds from the blow and a relative to full scale (1.0). Written as a phasor it is
``Re(c exp(s t))`` with ``c = a exp(i phase)`` and ``s = -delta + 2 pi i f``. A mallet presses for ``contact_s`` with
a force ``p(t)`` of unit area, so the response is ``Re(c exp(s t) integral_0^min(t, contact) p(u) exp(-s u) du)``.
After the contact it is again a sum of damped cosines, with ``c`` multiplied by
``P(s) = integral_0^contact p(u) exp(-s u) du``. Both are computed in closed form at the sampling instants, so a tap
may begin between two samples. Time runs from the start of the recording. Random values come from a
``numpy.random.Generator`` passed in. Blows add: a bounce does not damp what still rings. Noise and other disturbances
are made in :mod:`tapbatch.simulate.disturbances`; its functions can also be imported from here.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tapbatch.model.reading import LN_1000
from tapbatch.simulate.disturbances import automatic_gain as automatic_gain
from tapbatch.simulate.disturbances import coloured_noise as coloured_noise
from tapbatch.simulate.disturbances import crackle as crackle
from tapbatch.simulate.disturbances import handling as handling
from tapbatch.simulate.disturbances import knock as knock
from tapbatch.simulate.disturbances import mains_hum as mains_hum
from tapbatch.simulate.disturbances import pink_noise as pink_noise
from tapbatch.simulate.disturbances import room_tail as room_tail
from tapbatch.simulate.disturbances import speech as speech
from tapbatch.simulate.disturbances import white_noise as white_noise

Samples = NDArray[np.float64]
Pulse = Literal["half-sine", "raised-cosine"]


@dataclass(frozen=True, slots=True)
class SimMode:
    """One mode, as its impulse response: ``amplitude exp(-delta t) cos(2 pi freq_hz t + phase_rad)``.

    Raises
    ------
    ValueError
        If ``freq_hz`` or ``t60_s`` is not above 0, or ``amplitude`` is below 0.

    Examples
    --------
    >>> round(SimMode(187.0, 0.35, 0.1).energy_db, 2)
    -38.97
    """

    freq_hz: float
    t60_s: float
    amplitude: float = 1.0
    phase_rad: float = 0.0

    def __post_init__(self) -> None:
        if not (self.freq_hz > 0 and self.t60_s > 0 and self.amplitude >= 0):
            msg = f"expected freq_hz > 0, t60_s > 0 and amplitude >= 0, found {self}"
            raise ValueError(msg)

    @property
    def pole_per_s(self) -> complex:
        """``s = -delta + 2 pi i f`` in 1/s."""
        return complex(-LN_1000 / self.t60_s, 2 * math.pi * self.freq_hz)

    @property
    def phasor(self) -> complex:
        """``amplitude exp(i phase)``."""
        return cmath.rect(self.amplitude, self.phase_rad)

    @property
    def energy_db(self) -> float:
        """``10 log10(a**2/(4 delta))``, the energy of the free decay in dB re (full scale)^2 s, as in ``Mode``."""
        return 10 * math.log10(self.amplitude**2 * self.t60_s / (4 * LN_1000))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SimTap:
    """The sound of one tap and its true modes, whose amplitude and phase are those at ``free_from_s``."""

    samples: Samples
    sample_rate_hz: int
    onset_s: float
    free_from_s: float
    modes: tuple[SimMode, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Strike:
    """A blow to simulate: its onset, the modes it excites, the contact time; ``what`` is ``tap``, ``bounce``, ..."""

    onset_s: float
    modes: tuple[SimMode, ...]
    contact_s: float = 0.002
    pulse: Pulse = "half-sine"
    what: str = "tap"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Disturbance:
    """A sound to add to a recording from ``onset_s`` on (rounded to a sample); ``what`` names it."""

    onset_s: float
    samples: Samples
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueEvent:
    """A true event at ``onset_s``; ``modes``, as at ``free_from_s``, are empty if nothing was struck."""

    onset_s: float
    what: str
    free_from_s: float | None = None
    modes: tuple[SimMode, ...] = ()

    @property
    def is_tap(self) -> bool:
        """Whether this is a tap, which should be found and measured."""
        return self.what == "tap"


def free_decay(modes: Sequence[SimMode], duration_s: float, sample_rate_hz: int) -> Samples:
    """Return a sum of damped cosines from t = 0, of shape (round(duration_s * sample_rate_hz),).

    Raises
    ------
    ValueError
        If a mode is at or above half the sample rate.

    Examples
    --------
    >>> free_decay([SimMode(1000.0, 0.3, 0.5)], 0.0005, 4000).round(4).tolist()
    [0.5, 0.0]
    """
    _below_half_rate(modes, sample_rate_hz)
    time_s = np.arange(round(duration_s * sample_rate_hz)) / sample_rate_hz
    return _ringing(modes, time_s)


def contact_force(
    contact_s: float, sample_rate_hz: int, *, pulse: Pulse = "half-sine", lag_s: float = 0.0
) -> Samples:
    """Return the samples of the force of a mallet during one contact, in 1/s, because its area is 1.

    A mass that hits a linear spring leaves it after half a period, hence ``half-sine``. Felt that hardens as it is
    pressed starts and ends more gently; ``raised-cosine`` represents it. (See Fletcher & Rossing, The Physics of
    Musical Instruments, on mallets; real contacts last 0.5 to 5 ms.) ``lag_s`` is the time of the first sample after
    the first touch, in seconds.

    Raises
    ------
    ValueError
        If ``contact_s`` is not above 0 and up to 20 ms.

    Examples
    --------
    >>> contact_force(0.002, 1000).round(3).tolist()
    [0.0, 785.398, 0.0]
    >>> contact_force(0.002, 1000, pulse="raised-cosine").round(3).tolist()
    [0.0, 1000.0, 0.0]
    """
    weights, rates = _pulse_terms(contact_s, pulse)
    count = math.floor((contact_s - lag_s) * sample_rate_hz * (1 + 1e-12)) + 1
    time_s = lag_s + np.arange(count) / sample_rate_hz
    return np.real(np.exp(1j * np.outer(time_s, rates)) @ weights)


def tap(
    modes: Sequence[SimMode],
    *,
    duration_s: float,
    sample_rate_hz: int,
    onset_s: float = 0.0,
    contact_s: float = 0.002,
    pulse: Pulse = "half-sine",
) -> SimTap:
    """Return ``duration_s`` of the sound of ``modes`` struck at ``onset_s``, with its true modes.

    ``onset_s`` may be between two samples. It may also be negative; then the recording begins during the tap.

    Raises
    ------
    ValueError
        If a mode is at or above half the sample rate, or ``contact_s`` is not above 0 and up to 20 ms.

    Examples
    --------
    >>> struck = tap([SimMode(187.0, 0.35, 0.1)], duration_s=1.0, sample_rate_hz=8000, onset_s=0.25, contact_s=0.002)
    >>> round(struck.free_from_s, 6), [round(m.amplitude, 4) for m in struck.modes]
    (0.252, [0.0858])
    """
    _below_half_rate(modes, sample_rate_hz)
    weights, rates = _pulse_terms(contact_s, pulse)
    since_touch_s = np.arange(round(duration_s * sample_rate_hz)) / sample_rate_hz - onset_s
    first, free = np.searchsorted(since_touch_s, (0.0, contact_s))
    pressed_s = since_touch_s[first:free]
    samples = np.zeros(len(since_touch_s))
    freed = tuple(_after_contact(mode, contact_s, weights, rates) for mode in modes)
    for mode in modes:
        held = np.exp(mode.pole_per_s * pressed_s) * _pressed_integral(mode, pressed_s, weights, rates)
        samples[first:free] += np.real(mode.phasor * held)
    samples[free:] = _ringing(freed, since_touch_s[free:] - contact_s)
    return SimTap(
        samples=samples,
        sample_rate_hz=sample_rate_hz,
        onset_s=onset_s,
        free_from_s=onset_s + contact_s,
        modes=freed,
    )


def string_modes(
    freq_hz: float,
    t60_s: float,
    *,
    amplitude: float = 0.1,
    partials: int = 12,
    inharmonicity: float = 1e-4,
    pluck_point: float = 0.13,
) -> tuple[SimMode, ...]:
    """Return the partials of a plucked stiff string, for :func:`free_decay`, :func:`tap` or a :class:`Strike`.

    The frequencies are ``f_n = n f_0 sqrt(1 + B n**2)`` (Fletcher, JASA 36, 1964), with ``f_0`` such that the first
    partial is at ``freq_hz``. The force on the bridge of a string plucked at the fraction ``pluck_point`` of its
    length is proportional to ``sin(n pi pluck_point)/n``. The first partial has ``t60_s``, partial n ``n**-0.5`` of
    it.

    Examples
    --------
    >>> [round(m.freq_hz, 2) for m in string_modes(220.0, 2.0, partials=3, inharmonicity=0.001)]
    [220.0, 440.66, 662.63]
    """
    stretch = [math.sqrt((1 + inharmonicity * n**2) / (1 + inharmonicity)) for n in range(1, partials + 1)]
    levels = [math.sin(n * math.pi * pluck_point) / n for n in range(1, partials + 1)]
    return tuple(
        SimMode(
            n * freq_hz * s, t60_s / math.sqrt(n), amplitude * abs(a) / abs(levels[0]), 0.0 if a >= 0 else math.pi
        )
        for n, s, a in zip(range(1, partials + 1), stretch, levels, strict=True)
    )


def course_modes(
    freq_hz: float,
    t60_s: float,
    apart_cents: float,
    *,
    fainter_db: float = 2.0,
    shorter: float = 0.9,
    amplitude: float = 0.1,
    partials: int = 12,
    inharmonicity: float = 1e-4,
    pluck_point: float = 0.13,
) -> tuple[SimMode, ...]:
    """Return the partials of a double course: two stiff strings ``apart_cents`` apart, centred on ``freq_hz``.

    No two strings are alike, so the upper one is ``fainter_db`` weaker and has ``shorter`` times the T60.

    Examples
    --------
    >>> pair = course_modes(220.0, 2.0, 4.0, partials=1)
    >>> [round(m.freq_hz, 3) for m in pair], [round(m.t60_s, 2) for m in pair]
    ([219.746, 220.254], [2.0, 1.8])
    """
    half = 2 ** (apart_cents / 2400)
    lower, upper = (
        string_modes(hz, t60, amplitude=a, partials=partials, inharmonicity=inharmonicity, pluck_point=pluck_point)
        for hz, t60, a in (
            (freq_hz / half, t60_s, amplitude),
            (freq_hz * half, t60_s * shorter, amplitude * 10 ** (-fainter_db / 20)),
        )
    )
    return lower + upper


def moved(mode: SimMode, *, cents: float = 0.0, t60_pct: float = 0.0, level_db: float = 0.0) -> SimMode:
    """Return a mode changed by ``cents`` in pitch, ``t60_pct`` per cent in T60 and ``level_db`` in level.

    Examples
    --------
    >>> moved(SimMode(220.0, 0.4), cents=1200, t60_pct=-50)
    SimMode(freq_hz=440.0, t60_s=0.2, amplitude=1.0, phase_rad=0.0)
    """
    return replace(
        mode,
        freq_hz=mode.freq_hz * 2 ** (cents / 1200),
        t60_s=mode.t60_s * (1 + t60_pct / 100),
        amplitude=mode.amplitude * 10 ** (level_db / 20),
    )


def scattered(
    modes: Sequence[SimMode],
    rng: np.random.Generator,
    *,
    cents: float = 0.5,
    t60_pct: float = 0.5,
    level_db: float = 2.0,
    mode_level_db: float = 1.0,
) -> tuple[SimMode, ...]:
    """Return the modes as one tap of many would have them; the values are standard deviations from tap to tap.

    ``level_db`` is common to all modes (how hard the tap was); the others are drawn separately for each mode.

    Examples
    --------
    >>> still = scattered([SimMode(220.0, 0.4)], np.random.default_rng(1), cents=0, t60_pct=0, level_db=0)
    >>> still[0].freq_hz, still[0].t60_s
    (220.0, 0.4)
    """
    common_db = level_db * rng.standard_normal()
    drawn = rng.standard_normal((len(modes), 3)) * (cents, t60_pct, mode_level_db)
    return tuple(
        moved(mode, cents=float(c), t60_pct=float(t), level_db=float(common_db + own_db))
        for mode, (c, t, own_db) in zip(modes, drawn, strict=True)
    )


def recording(
    strikes: Sequence[Strike],
    *,
    duration_s: float,
    sample_rate_hz: int,
    disturbances: Sequence[Disturbance] = (),
    noise: Samples | None = None,
) -> tuple[Samples, tuple[TrueEvent, ...]]:
    """Return the samples of a recording, and the true events in order of time.

    Parameters
    ----------
    strikes, disturbances
        In any order; a disturbance that reaches past the start or the end is cut there.
    noise
        Samples to add, of shape (round(duration_s * sample_rate_hz),).

    Returns
    -------
    samples : ndarray of shape (round(duration_s * sample_rate_hz),)
        The sound, full scale 1.0.
    events : tuple of TrueEvent
        One for each strike and each disturbance.

    Raises
    ------
    ValueError
        As :func:`tap`, and if ``noise`` has another length.

    Examples
    --------
    >>> strikes = [Strike(onset_s=s, modes=(SimMode(187.0, 0.3, 0.1),)) for s in (0.5, 1.5)]
    >>> samples, truth = recording(strikes, duration_s=2.5, sample_rate_hz=8000)
    >>> len(samples), [(e.onset_s, e.what, e.is_tap) for e in truth]
    (20000, [(0.5, 'tap', True), (1.5, 'tap', True)])
    """
    count = round(duration_s * sample_rate_hz)
    if noise is not None and len(noise) != count:
        msg = f"expected {count} samples of noise, found {len(noise)}"
        raise ValueError(msg)
    samples = np.zeros(count) if noise is None else np.array(noise, dtype=float)
    truth = []
    for s in strikes:
        struck = tap(
            s.modes,
            duration_s=duration_s,
            sample_rate_hz=sample_rate_hz,
            onset_s=s.onset_s,
            contact_s=s.contact_s,
            pulse=s.pulse,
        )
        samples += struck.samples
        truth.append(TrueEvent(onset_s=s.onset_s, what=s.what, free_from_s=struck.free_from_s, modes=struck.modes))
    for d in disturbances:
        start = round(d.onset_s * sample_rate_hz)
        heard = d.samples[max(0, -start) : max(0, count - start)]
        samples[max(0, start) : max(0, start) + len(heard)] += heard
        truth.append(TrueEvent(onset_s=d.onset_s, what=d.what))
    return samples, tuple(sorted(truth, key=lambda event: event.onset_s))


def _below_half_rate(modes: Sequence[SimMode], sample_rate_hz: int) -> None:
    for mode in modes:
        if mode.freq_hz >= sample_rate_hz / 2:
            msg = f"a mode at {mode.freq_hz:g} Hz needs a sample rate above {2 * mode.freq_hz:g} Hz"
            raise ValueError(msg)


def _pulse_terms(contact_s: float, pulse: Pulse) -> tuple[NDArray[np.complex128], Samples]:
    """Return weights and rates of the pulse ``sum_k weights[k] exp(i rates[k] t)``, 0 to ``contact_s``, of area 1."""
    if not 0 < contact_s <= 0.02:
        msg = f"expected a contact of 0 to 0.02 s, found {contact_s:g}"
        raise ValueError(msg)
    if pulse == "half-sine":
        rate = math.pi / contact_s
        return rate / 2 * np.array([-0.5j, 0.5j], dtype=np.complex128), np.array([rate, -rate])
    rate = 2 * math.pi / contact_s
    return np.array([1.0, -0.5, -0.5], dtype=np.complex128) / contact_s, np.array([0.0, rate, -rate])


def _pressed_integral(
    mode: SimMode, until_s: Samples, weights: NDArray[np.complex128], rates: Samples
) -> NDArray[np.complex128]:
    """Return ``integral_0^until p(u) exp(-s u) du`` for each of ``until_s``."""
    exponents = 1j * rates - mode.pole_per_s
    return np.asarray(np.expm1(np.outer(until_s, exponents)) @ (weights / exponents), dtype=complex)


def _after_contact(mode: SimMode, contact_s: float, weights: NDArray[np.complex128], rates: Samples) -> SimMode:
    integral = complex(_pressed_integral(mode, np.array([contact_s]), weights, rates)[0])
    amplitude, phase_rad = cmath.polar(mode.phasor * integral * cmath.exp(mode.pole_per_s * contact_s))
    return replace(mode, amplitude=amplitude, phase_rad=phase_rad)


def _ringing(modes: Sequence[SimMode], time_s: Samples) -> Samples:
    sound = np.zeros(len(time_s))
    for mode in modes:
        sound += np.real(mode.phasor * np.exp(mode.pole_per_s * time_s))
    return sound
