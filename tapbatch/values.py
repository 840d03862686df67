"""The values that travel through the house, frozen, with units in every name.

Conventions: time in seconds from the start of the recording, unless a name says otherwise; frequency in hertz;
levels in decibels, ``_dbfs`` relative to digital full scale (amplitude 1.0). ``t60_s`` is the time in which a free
decay ``exp(-delta t)`` falls by 60 dB, ``t60_s = ln(1000)/delta``. ``*_log_se`` is the standard error of a natural
logarithm, that is a relative error. The quality factor is ``Q = pi f t60_s / ln(1000)``. An empty string or ``None``
stands for what is not known. The order below is the order in which they are made:
``Recording -> Sound -> Tap -> Mode -> Reading -> Stage -> History -> Drift -> Landing``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

LN_1000 = math.log(1000.0)

Kind = Literal["tap", "pluck", "room"]
Verdict = Literal["up", "down", "steady", "unclear", "new", "gone"]
LandingKind = Literal["target", "above", "below"]
OnTarget = Literal["sure", "likely", "no"]


# ---------------------------------------------------------------- listen


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """What the name of a recording said.

    ``instrument`` and ``stage`` are identities (NFC, lower case, hyphens for spaces); ``*_shown`` is the spelling
    as written. ``path`` lies below ``recordings/`` and uses ``/``. ``part`` and ``state`` are empty where the name
    does not give them: the settings of the stage, then the defaults, come later.
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sound:
    """One channel of sound at its native rate, and what was noticed while reading it.

    ``samples`` is float64, shape (n,), full scale 1.0, finite. ``clipped``, of the same shape, is true where the
    converter was at its limit, or ``None`` where nothing clipped. ``device`` is the recorder, where the file tells.
    """

    samples: NDArray[np.float64]
    sample_rate_hz: int
    recorded_at: str = ""
    device: str = ""
    lossy: bool = False
    clipped: NDArray[np.bool_] | None = None
    notices: tuple[str, ...] = ()

    @property
    def duration_s(self) -> float:
        """Length of the sound in seconds."""
        return len(self.samples) / self.sample_rate_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class Tap:
    """A transient heard: when the mallet touches, and the stretch of free decay that may be measured.

    ``used`` is false where it is not a tap or cannot be measured; ``reason`` then says why in a few words.
    ``free_from_s`` is the end of contact, ``free_until_s`` the next contact, the cut, or the end of the recording.
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
    ``freq_t60_corr`` is the correlation of the errors of ``freq_hz`` and ``ln t60_s``; ``freq_misfit_hz`` and
    ``t60_log_misfit`` are what no noise explains of these (a room, say): alike in all taps, so none helps.
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
    def q(self) -> float:
        """Quality factor, without unit."""
        return math.pi * self.freq_hz * self.t60_s / LN_1000

    @property
    def t60_se_s(self) -> float:
        """Standard error of ``t60_s`` in seconds."""
        return self.t60_s * self.t60_log_se


@dataclass(frozen=True, slots=True, kw_only=True)
class Decay:
    """How a band, or the whole sound, dies away after one tap.

    ``band_low_hz`` and ``band_high_hz`` are ``None`` for the whole. ``edt_s``, ``t20_s`` and ``t30_s`` are ``None``
    where the range is not above the floor or the band is too narrow for the decay.
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
    """How the errors of two modes of a tap hang together: correlations, each within -1 and 1.

    ``first < second`` index the modes; ``freq_t60`` is that of the first's ``ln f`` with the second's ``ln T60``.
    """

    first: int
    second: int
    freq_freq: float
    freq_t60: float
    t60_freq: float
    t60_t60: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StringTone:
    """A plucked string: the frequency of its fundamental, its stiffness ``f_n = n f_0 sqrt(1 + B n**2)``, its decay.

    ``freq_hz`` takes the sound for that of one string. Where two were told apart, ``middle_hz`` lies between them and
    ``pair_cents`` is their distance; else these are ``None``. ``inharmonicity`` is B, ``None`` where fewer than three
    partials sound; ``t60_s`` is that of the fundamental, ``None`` where it does not sound itself.
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
    """A transient and, where it was used, what was measured in it.

    ``couplings`` of modes that stand close; ``tone`` where it was a pluck.
    """

    tap: Tap
    modes: tuple[Mode, ...] = ()
    decays: tuple[Decay, ...] = ()
    couplings: tuple[Coupling, ...] = ()
    tone: StringTone | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Spectrum:
    """Power spectral density of the free decays of a recording, averaged over its taps, thinned for drawing.

    Equal lengths; ``level_db`` relative to the strongest line; ``noise_db`` the noise on the same scale.
    """

    freq_hz: tuple[float, ...]
    level_db: tuple[float, ...]
    noise_db: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DecayTrace:
    """Level against time of the clearest tap, thinned for drawing; ``time_s`` from the touch of the mallet.

    ``fit_db`` is the level of the fitted modes (``-inf`` is never stored; before the free decay it is NaN).
    """

    time_s: tuple[float, ...]
    level_db: tuple[float, ...]
    fit_db: tuple[float, ...]
    floor_db: float
    tap: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """All that is known of one recording: a pure function of its bytes, the settings that matter, and the method."""

    sha256: str
    method: str
    duration_s: float
    sample_rate_hz: int
    recorded_at: str
    lossy: bool
    notices: tuple[str, ...]
    taps: tuple[TapReading, ...]
    spectrum: Spectrum | None = None
    trace: DecayTrace | None = None
    device: str = ""

    @property
    def used_taps(self) -> tuple[TapReading, ...]:
        """The taps that were measured."""
        return tuple(t for t in self.taps if t.tap.used)


# --------------------------------------------------------------- compare


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """A recording beside its reading, placed: part, state, stage and order are settled here.

    ``mode_names`` holds, tap by tap (as in ``reading.used_taps``), the identity of each mode, empty for a mode that
    belongs to no stage mode.
    """

    recording: Recording
    reading: Reading
    part: str
    state: str
    missing: bool = False
    mode_names: tuple[tuple[str, ...], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class StageMode:
    """A mode at a stage, joined over taps, points and set-ups; ``*_low``/``*_high`` bound a 95 % interval.

    ``within_cents`` and ``between_cents`` are the standard errors of one tap from noise alone and from tap to tap.
    ``playing_note`` and ``playing_cents`` say the same frequency at the pitch at which the instrument is played; they
    are empty and ``None`` where that is the pitch of the stage.
    """

    mode: str
    lead: bool
    freq_hz: float
    freq_low_hz: float
    freq_high_hz: float
    note: str
    cents: float
    t60_s: float
    t60_low_s: float
    t60_high_s: float
    level_db: float
    taps: int
    within_cents: float
    between_cents: float
    flags: tuple[str, ...] = ()
    playing_note: str = ""
    playing_cents: float | None = None

    @property
    def q(self) -> float:
        """Quality factor, without unit."""
        return math.pi * self.freq_hz * self.t60_s / LN_1000


@dataclass(frozen=True, slots=True, kw_only=True)
class StageDecay:
    """Decay of a band, or of the whole (bands ``None``), at a stage, joined over taps and recordings."""

    kind: Kind
    band_low_hz: float | None
    band_high_hz: float | None
    edt_s: float | None
    t20_s: float | None
    t30_s: float | None
    t60_s: float | None
    t60_low_s: float | None
    t60_high_s: float | None
    recordings: int
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenString:
    """An open string, or double course, in one recording, joined over its plucks; bounds are those of 95 % intervals.

    ``string`` counts from 1. ``cents_off`` is the distance from ``expected_hz``, of a course that of its middle;
    ``pair_cents`` is the distance of its two strings, ``None`` where they were not told apart. ``t60_s`` is that of
    the fundamental; ``tension_n`` of one string, at the pitch it sounds.
    """

    recording: str
    string: int
    expected_note: str
    expected_hz: float
    freq_hz: float
    freq_low_hz: float
    freq_high_hz: float
    cents_off: float
    pair_cents: float | None
    pair_half_cents: float | None
    inharmonicity: float | None
    t60_s: float | None
    t60_low_s: float | None
    t60_high_s: float | None
    tension_n: float | None
    plucks: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """One row of ``notes.csv``: what the builder wrote of a stage. Unknown fields are ``None`` or empty."""

    instrument: str
    stage: str
    date: str = ""
    work: str = ""
    temperature_c: float | None = None
    humidity_pct: float | None = None
    mass_g: float | None = None
    opening_mm2: float | None = None
    opening_edge_mm: float | None = None
    string_pitch_hz: float | None = None
    remark: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """One part of an instrument at one stage: its recordings, modes, decays and open strings.

    ``strings_off_cents`` is how far the string is off that is furthest off, ``None`` where none is by more than the
    settings allow.
    ``playing_pitch_hz`` is the A4 at which the instrument is played, ``None`` where that is ``concert_pitch_hz``.
    """

    part: str
    state: str
    stage: str
    stage_shown: str
    order: int
    concert_pitch_hz: float
    heard: tuple[Heard, ...]
    modes: tuple[StageMode, ...]
    decays: tuple[StageDecay, ...]
    note: Note | None = None
    flags: tuple[str, ...] = ()
    strings: tuple[OpenString, ...] = ()
    strings_off_cents: float | None = None
    playing_pitch_hz: float | None = None

    @property
    def lead(self) -> StageMode | None:
        """The mode that leads, or ``None`` where nothing was measured."""
        return next((m for m in self.modes if m.lead), None)

    @property
    def taps_used(self) -> int:
        """Number of taps measured at this stage."""
        return sum(len(h.reading.used_taps) for h in self.heard if h.recording.kind == "tap")


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """A mode of one part from one stage to the next; changes are ``None`` for ``new`` and ``gone``.

    ``chance`` (0 to 1) is how often one mode of the stage or another would seem to move as much by chance alone;
    ``more_taps`` how many more at the later stage would decide what is ``unclear``. ``first_*`` is the change since
    the stage at which the mode was first heard.
    """

    part: str
    mode: str
    from_stage: str
    to_stage: str
    freq_change_hz: float | None
    freq_change_cents: float | None
    cents_low: float | None
    cents_high: float | None
    t60_change_pct: float | None
    t60_low_pct: float | None
    t60_high_pct: float | None
    verdict: Verdict
    caution: str = ""
    chance: float | None = None
    more_taps: int | None = None
    first_stage: str = ""
    first_change_cents: float | None = None
    first_cents_low: float | None = None
    first_cents_high: float | None = None
    first_verdict: Verdict | Literal[""] = ""
    first_caution: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Landing:
    """A place where a mode could come to rest, how far it is from there, and what one more step would do.

    ``cents_to_go`` is signed, from the reading to the landing. ``step_*`` is one more step of the same work with its
    95 % prediction interval, ``overshoot`` the chance (0 to 1) that it carries the mode past the landing's tolerance;
    both ``None`` where fewer than three such steps were seen. ``basis`` says what was learned from. ``moves_with`` is
    the mode from which the landing is counted, empty where it stands still; ``steps_to_go`` and ``overshoot`` are of
    the distance then.
    """

    part: str
    mode: str
    stage: str
    freq_hz: float
    note: str
    cents: float
    landing: LandingKind
    landing_note: str
    landing_hz: float
    cents_to_go: float
    tolerance_cents: float
    on_target: OnTarget
    taps_within: int
    taps: int
    step_cents: float | None
    step_low_cents: float | None
    step_high_cents: float | None
    steps_seen: int
    steps_to_go: float | None
    overshoot: float | None
    basis: str
    moves_with: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """An instrument: the stages of every part in order, what moved between them, and where it could come to rest.

    ``stages`` is ordered by part (body last), then by order; ``drifts`` and ``landings`` likewise. ``setup_cents`` is
    how much setting up anew moves a mode (standard deviation), ``None`` until it was tried.
    """

    instrument: str
    instrument_shown: str
    stages: tuple[Stage, ...]
    drifts: tuple[Drift, ...]
    notices: tuple[str, ...] = ()
    landings: tuple[Landing, ...] = ()
    setup_cents: float | None = None

    @property
    def parts(self) -> tuple[str, ...]:
        """The parts in the order of the stages."""
        return tuple(dict.fromkeys(s.part for s in self.stages))

    def of_part(self, part: str) -> tuple[Stage, ...]:
        """Return the stages of one part, in order."""
        return tuple(s for s in self.stages if s.part == part)


@dataclass(frozen=True, slots=True, kw_only=True)
class Attention:
    """Something that needs the builder: a file or an instrument, what is wrong, and how to mend it."""

    where: str
    what: str
    remedy: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BandSettings:
    """The settings on which a reading depends; nothing else re-measures a recording."""

    band_low_hz: float = 50.0
    band_high_hz: float = 1500.0
    mains_hz: float = 50.0
    kind: Kind = "tap"
