"""What is heard and measured in one recording: frozen values, with the unit in every name.

Conventions: time is in seconds from the start of the recording, unless a name says otherwise. Frequency is in hertz.
Levels are in decibels; ``_dbfs`` is relative to digital full scale (amplitude 1.0). ``t60_s`` is the time in which a
free decay ``exp(-delta t)`` falls by 60 dB, ``t60_s = ln(1000)/delta``. ``*_log_se`` is the standard error of a
natural logarithm, that is, a relative error. The quality factor is ``Q = pi f t60_s / ln(1000)``. An empty string or
``None`` means not known. The classes follow in the order in which their values are made,
``Recording -> Sound -> Tap -> Mode -> Reading``; what is derived from readings is in :mod:`tapbatch.model.history`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tapbatch.model.notice import Notice

LN_1000 = math.log(1000.0)

UNRESOLVED = "unresolved"
"""The flag of a mode whose frequency is known and whose decay is not: its ``t60_s`` is a stand-in, shown nowhere."""

Kind = Literal["tap", "pluck", "room"]
Aim = Literal["along", "across", "twist"]
"""What the taps of a blank aim at: a mode that bends along the grain, one that bends across it, one that twists."""


# ---------------------------------------------------------------- listen


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """What the name of a recording says.

    ``instrument`` and ``stage`` are identities (NFC, lower case, hyphens for spaces); ``*_shown`` is the spelling
    as written. ``path`` is relative to ``recordings/`` and uses ``/``. ``part`` and ``state`` are empty if the name
    does not give them; they are filled in later from the settings of the stage, or else from the defaults. ``spot``
    is the place in the room, empty if the name does not give it. At another spot, instrument and phone were carried
    a metre or more and set up anew. ``resets`` means that everything was put down and set up anew in each pause of
    five seconds or more. ``step_number`` counts from 1 if the name numbers the step, and is 0 otherwise.
    ``arrived_at`` is when it was first seen in the inbox (ISO 8601), empty if it did not come from there. ``aim`` is
    what the taps of a blank aim at, empty if the name does not say.
    """

    path: str
    sha256: str
    instrument: str
    instrument_shown: str
    stage: str
    stage_shown: str
    kind: Kind = "tap"
    part: str = ""
    state: str = ""
    point: str = ""
    take: int | None = None
    step: bool = False
    again: bool = False
    spot: str = ""
    resets: bool = False
    step_number: int = 0
    arrived_at: str = ""
    aim: Aim | Literal[""] = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sound:
    """One channel of sound at its native sample rate, and what was noticed while reading it.

    ``samples`` is float64, shape (n,), finite, with full scale at 1.0. ``clipped`` has the same shape and is true
    where the converter was at its limit; it is ``None`` if nothing clipped. ``device`` is the recorder, if the file
    gives it.
    """

    samples: NDArray[np.float64]
    sample_rate_hz: int
    recorded_at: str = ""
    device: str = ""
    lossy: bool = False
    clipped: NDArray[np.bool_] | None = None
    notices: tuple[Notice, ...] = ()

    @property
    def duration_s(self) -> float:
        """Length of the sound in seconds."""
        return len(self.samples) / self.sample_rate_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class Tap:
    """A transient: the time at which the mallet touches, and the stretch of free decay that can be measured.

    ``used`` is false if the transient is not a tap or cannot be measured; ``reason`` then says why in a few words.
    ``free_from_s`` is the end of contact; ``free_until_s`` is the next contact, the cut, or the end of the recording.
    """

    number: int
    onset_s: float
    peak_dbfs: float
    snr_db: float
    used: bool
    reason: str
    free_from_s: float
    free_until_s: float


# --------------------------------------------------------------- measure


@dataclass(frozen=True, slots=True, kw_only=True)
class Mode:
    """One damped mode in one tap, ``a exp(-delta t) cos(2 pi f t + phase)``, t from ``Tap.free_from_s``.

    ``energy_db`` is ``10 log10`` of the energy of its free decay, ``a**2/(4 delta)``, in (full scale)^2 s.
    ``freq_t60_corr`` is the correlation between the errors of ``freq_hz`` and ``ln t60_s``. ``freq_misfit_hz`` and
    ``t60_log_misfit`` are the parts of these errors that noise does not explain (a room may cause them, for
    example). They are the same in all taps, so more taps do not reduce them.
    """

    freq_hz: float
    freq_se_hz: float
    t60_s: float
    t60_log_se: float
    freq_t60_corr: float
    amplitude: float
    phase_rad: float
    energy_db: float
    flags: tuple[str, ...] = ()
    freq_misfit_hz: float = 0.0
    t60_log_misfit: float = 0.0

    @property
    def resolved(self) -> bool:
        """Whether the decay is known; if it is not, ``t60_s`` is a stand-in with an error of a factor of 400."""
        return UNRESOLVED not in self.flags

    @property
    def q(self) -> float:
        """Quality factor, dimensionless."""
        return math.pi * self.freq_hz * self.t60_s / LN_1000

    @property
    def t60_se_s(self) -> float:
        """Standard error of ``t60_s`` in seconds."""
        return self.t60_s * self.t60_log_se


@dataclass(frozen=True, slots=True, kw_only=True)
class Decay:
    """How a band, or the whole sound, decays after one tap.

    ``band_low_hz`` and ``band_high_hz`` are ``None`` for the whole sound. ``edt_s``, ``t20_s`` and ``t30_s`` are
    ``None`` if their range of levels is not above the noise floor, or if the band is too narrow for the decay.
    """

    band_low_hz: float | None
    band_high_hz: float | None
    edt_s: float | None
    t20_s: float | None
    t30_s: float | None
    t60_s: float | None
    t60_log_se: float | None
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Coupling:
    """Correlations between the errors of two modes of one tap, each between -1 and 1.

    ``first`` and ``second`` are indices of the modes, ``first < second``. ``freq_t60`` is the correlation of ``ln f``
    of the first with ``ln T60`` of the second; the other names follow the same order.
    """

    first: int
    second: int
    freq_freq: float
    freq_t60: float
    t60_freq: float
    t60_t60: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StringTone:
    """A plucked string: the frequency of its fundamental, its inharmonicity and its decay.

    ``freq_hz`` treats the sound as that of one string. If two strings were told apart, ``middle_hz`` lies midway
    between them and ``pair_cents`` is their distance; otherwise both are ``None``. ``inharmonicity`` is B in
    ``f_n = n f_0 sqrt(1 + B n**2)``, or ``None`` if fewer than three partials sound. ``t60_s`` belongs to the
    fundamental; for two strings it is the middle of both. It is ``None`` if the fundamental itself does not sound, or
    if two strings beat too slowly to tell.
    """

    freq_hz: float
    freq_log_se: float
    inharmonicity: float | None
    t60_s: float | None
    t60_log_se: float | None
    partials: int
    middle_hz: float | None = None
    middle_log_se: float | None = None
    pair_cents: float | None = None
    pair_se_cents: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TapReading:
    """A transient and, if it was used, what was measured in it.

    ``modes`` come by frequency. ``couplings`` holds pairs of modes that are close in frequency; ``tone`` is given if
    it was a pluck.
    """

    tap: Tap
    modes: tuple[Mode, ...] = ()
    decays: tuple[Decay, ...] = ()
    couplings: tuple[Coupling, ...] = ()
    tone: StringTone | None = None

    def modes_within(self, below_db: float) -> list[Mode]:
        """Return the modes less than so many decibels below the strongest, by frequency; none if there are none."""
        strongest_db = max((mode.energy_db for mode in self.modes), default=0.0)
        return [mode for mode in self.modes if mode.energy_db > strongest_db - below_db]

    def with_modes(self, more: Sequence[Mode]) -> TapReading:
        """Return the same with modes added, all by frequency; couplings stay between their modes."""
        if not more:
            return self
        every = [*self.modes, *more]
        order = sorted(range(len(every)), key=lambda k: every[k].freq_hz)
        place = {k: at for at, k in enumerate(order)}
        couplings = tuple(replace(c, first=place[c.first], second=place[c.second]) for c in self.couplings)
        return replace(self, modes=tuple(every[k] for k in order), couplings=couplings)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spectrum:
    """Power spectral density of the free decays of a recording, averaged over its taps and thinned for drawing.

    The three have the same length. ``level_db`` is relative to the strongest line; ``noise_db`` is the noise on the
    same scale.
    """

    freq_hz: tuple[float, ...]
    level_db: tuple[float, ...]
    noise_db: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DecayTrace:
    """Level against time of the clearest tap, thinned for drawing.

    ``time_s`` counts from the touch of the mallet. ``fit_db`` is the level of the fitted modes; it is NaN before the
    free decay, and never ``-inf``.
    """

    time_s: tuple[float, ...]
    level_db: tuple[float, ...]
    fit_db: tuple[float, ...]
    floor_db: float
    tap: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Background:
    """What lies behind the modes of a recording, in bands of a sixth of an octave from 20 Hz up.

    ``noise_db`` and ``left_db`` are two-sided densities in decibels relative to 1 (full scale)^2/Hz: of the noise,
    and of all that the modes leave. They begin with band ``first_band`` and are ``None`` where nothing is known.
    """

    first_band: int
    noise_db: tuple[float | None, ...]
    left_db: tuple[float | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """All that is measured in one recording: a pure function of its bytes, its band settings and the method.

    ``direct_db`` is how far the direct sound stands over the room's, or ``None`` if no tap tells, if the recording is
    of another kind, or if the reading is older than this value; so is ``background``.
    """

    sha256: str
    method: str
    duration_s: float
    sample_rate_hz: int
    recorded_at: str
    lossy: bool
    notices: tuple[Notice, ...]
    taps: tuple[TapReading, ...]
    spectrum: Spectrum | None = None
    trace: DecayTrace | None = None
    device: str = ""
    direct_db: float | None = None
    background: Background | None = None

    @property
    def used_taps(self) -> tuple[TapReading, ...]:
        """The taps that were measured."""
        return tuple(t for t in self.taps if t.tap.used)


@dataclass(frozen=True, slots=True, kw_only=True)
class Attention:
    """Something the builder must attend to: the file or instrument, what is wrong, and how to mend it."""

    where: str
    what: str
    remedy: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BandSettings:
    """The settings on which a reading depends; a change to any other setting does not require a new measurement."""

    band_low_hz: float = 50.0
    band_high_hz: float = 1500.0
    mains_hz: float = 50.0
    kind: Kind = "tap"
