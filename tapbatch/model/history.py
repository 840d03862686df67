"""What a comparison of readings finds, as values: stages, histories, drifts and landings.

Conventions: as in :mod:`tapbatch.model.reading`; intervals are 95 % intervals. The values are made in this order:
``Heard -> Stage -> History -> Drift -> WorkedOn -> Landing``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from tapbatch.model.caution import Caution
from tapbatch.model.forecast import ForecastCame
from tapbatch.model.kin import KinStage
from tapbatch.model.notice import Notice
from tapbatch.model.opening import BoxTold, OpeningNeeded
from tapbatch.model.pitch import CENTS, Spelling
from tapbatch.model.reading import LN_1000, Kind, Reading, Recording
from tapbatch.model.reference import Sitting
from tapbatch.model.what_if import Slide
from tapbatch.model.wood import WoodFigures

Verdict = Literal["up", "up?", "down", "down?", "steady", "unclear", "new", "gone", "unheard"]
TOLD_TO_MOVE: frozenset[Verdict] = frozenset({"up", "up?", "down", "down?"})
"""The verdicts that say that a mode moved, firmly or probably."""

Moved = Literal["own", "all", "whole"]
LandingKind = Literal["target", "above", "below"]
OnTarget = Literal["sure", "likely", "no"]
Because = Literal["said", "target", "label", "strongest"]
NoForecast = Literal["on target", "strung", "fault", "few steps", "both ways", "points", "past", "away", "beyond"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """A recording together with its reading, its part and its state.

    ``missing`` is true if the recording's file is no longer there. ``mode_names`` has one entry for each tap in
    ``reading.used_taps``: the name of each mode of the tap, empty for a mode that belongs to no mode of the stage.
    """

    recording: Recording
    reading: Reading
    part: str
    state: str
    missing: bool = False
    mode_names: tuple[tuple[str, ...], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class StageMode:
    """A mode at a stage, combined over taps, points and set-ups; ``*_low`` and ``*_high`` bound a 95 % interval.

    ``freq_low_hz`` and ``freq_high_hz`` speak of the instrument as it lies, or over its set-ups if there were
    several; ``freq_anew_low_hz`` and ``freq_anew_high_hz`` of what it would read set up anew, ``None`` until stages
    are compared.
    ``within_cents`` and ``between_cents`` are the standard errors of one tap: from noise alone, and from tap to tap.
    ``playing_note`` and ``playing_cents`` give the same frequency relative to the pitch at which the instrument is
    played; they are empty and ``None`` if that is the pitch of the stage. ``t60_s`` and its bounds are ``None`` if
    only the frequency is known (flag ``unresolved``).
    """

    mode: str
    lead: bool
    freq_hz: float
    freq_low_hz: float
    freq_high_hz: float
    note: str
    cents: float
    t60_s: float | None
    t60_low_s: float | None
    t60_high_s: float | None
    level_db: float
    taps: int
    within_cents: float
    between_cents: float
    flags: tuple[str, ...] = ()
    playing_note: str = ""
    playing_cents: float | None = None
    freq_anew_low_hz: float | None = None
    freq_anew_high_hz: float | None = None

    @property
    def q(self) -> float | None:
        """Quality factor, dimensionless; ``None`` if the decay is not known."""
        return None if self.t60_s is None else math.pi * self.freq_hz * self.t60_s / LN_1000

    @property
    def half_cents(self) -> float:
        """Half-width of the frequency's interval as the instrument lies, in cents; NaN where it is not known."""
        return _half_cents(self.freq_low_hz, self.freq_high_hz)

    @property
    def half_anew_cents(self) -> float | None:
        """Likewise if it were set up anew; ``None`` until stages are compared."""
        low_hz, high_hz = self.freq_anew_low_hz, self.freq_anew_high_hz
        return None if low_hz is None or high_hz is None else _half_cents(low_hz, high_hz)


def _half_cents(low_hz: float, high_hz: float) -> float:
    return 0.5 * CENTS * math.log(high_hz / low_hz) if 0 < low_hz <= high_hz < math.inf else math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class StageDecay:
    """Decay of a band, or of the whole sound (bands ``None``), at a stage, combined over taps and recordings."""

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
    """An open string, or double course, in one recording, combined over its plucks; bounds are of 95 % intervals.

    ``string`` counts from 1. ``cents_off`` is the distance from ``expected_hz``; for a course it is measured from the
    middle of its two strings. ``pair_cents`` is the distance between the two strings, or ``None`` if they were not
    told apart. ``t60_s`` belongs to the fundamental. ``tension_n`` is the tension of one string in newtons, at the
    pitch it sounds.
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
    """One row of ``notes.csv``: what the builder wrote about a stage. Unknown fields are ``None`` or empty."""

    instrument: str
    stage: str
    date: str = ""
    work: str = ""
    temperature_c: float | None = None
    humidity_pct: float | None = None
    mass_g: float | None = None
    length_mm: float | None = None
    width_mm: float | None = None
    thickness_mm: tuple[float, ...] = ()
    opening_mm2: float | None = None
    opening_length_mm: float | None = None
    opening_width_mm: float | None = None
    opening_edge_mm: float | None = None
    string_pitch_hz: float | None = None
    strings: str = ""
    removed_g: float | None = None
    place: str = ""
    remark: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """One part of an instrument at one stage: its recordings, modes, decays and open strings.

    ``strings_off_cents`` is the error of the string that is furthest out of tune, or ``None`` if all strings are
    within the limit in the settings. ``playing_pitch_hz`` is the A4 at which the instrument is played, or ``None`` if
    that is ``concert_pitch_hz``. ``spelling`` is that of all its notes; the tables have their own. ``wood`` is
    what the taps of a blank tell of it, ``None`` for all other parts.
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
    spelling: Spelling = "sharp"
    wood: WoodFigures | None = None

    @property
    def lead(self) -> StageMode | None:
        """The lead mode, or ``None`` if nothing was measured."""
        return next((m for m in self.modes if m.lead), None)

    @property
    def strongest(self) -> StageMode | None:
        """The lead mode, or the mode of the highest level if none may lead; ``None`` if nothing was measured."""
        return self.lead or max(self.modes, key=lambda m: m.level_db, default=None)

    @property
    def tapped(self) -> tuple[Heard, ...]:
        """The recordings of taps in which at least one tap was measured, in order."""
        return tuple(h for h in self.heard if h.recording.kind == "tap" and h.reading.used_taps)

    @property
    def taps_used(self) -> int:
        """Number of taps measured at this stage."""
        return sum(len(h.reading.used_taps) for h in self.tapped)


@dataclass(frozen=True, slots=True)
class Extent:
    """A change in cents, and the bounds of its 95 % interval."""

    cents: float
    low: float
    high: float


def _way(low: float | None, high: float | None) -> int:
    """Return the sign of all values of an interval, 0 if it holds zero or is not known."""
    return 0 if low is None or high is None else 1 if low > 0 else -1 if high < 0 else 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """The change of one mode of a part from one stage to the next.

    Changes are ``None`` for ``new``, ``gone`` and ``unheard``.

    ``chance`` (0 to 1) is the probability that any mode of the stage would seem to move this much by chance alone,
    and ``t60_chance`` that any T60 would seem to change this much; ``None`` where it was not asked.
    ``more_taps`` and ``more_setups`` are the numbers of further taps or set-ups at the later stage that would decide
    an open verdict. ``moved`` says what the verdict rests on: what the mode did by itself (``own_*``), what
    all did alike (``common_*``), or the ``whole``; ``extent`` is how far that is. ``parted`` says that nobody can
    tell whether it moved or the others did. ``setups_learned`` is how many repeated set-ups the interval rests on.
    ``first_*`` is the change since the stage at which the mode was first heard. ``unnoted`` is what the notes do not
    tell of the room, with what it can do; it stands in no table.
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
    cautions: tuple[Caution, ...] = ()
    chance: float | None = None
    t60_chance: float | None = None
    more_taps: int | None = None
    more_setups: int | None = None
    moved: Moved | Literal[""] = ""
    extent: Extent | None = None
    parted: bool = False
    common_cents: float | None = None
    common_low_cents: float | None = None
    common_high_cents: float | None = None
    own_cents: float | None = None
    own_low_cents: float | None = None
    own_high_cents: float | None = None
    first_stage: str = ""
    first_change_cents: float | None = None
    first_cents_low: float | None = None
    first_cents_high: float | None = None
    first_verdict: Verdict | Literal[""] = ""
    first_moved: Moved | Literal[""] = ""
    first_extent: Extent | None = None
    first_cautions: tuple[Caution, ...] = ()
    unnoted: tuple[Caution, ...] = ()
    setups_learned: int | None = None

    @property
    def opposed(self) -> bool:
        """Whether the verdict is open because own and whole move have opposite signs, each beyond its interval."""
        whole, own = (self.cents_low, self.cents_high), (self.own_low_cents, self.own_high_cents)
        return self.verdict == "unclear" and _way(*whole) * _way(*own) < 0

    @property
    def alike(self) -> Extent | None:
        """What all modes did alike, if its interval leaves out zero; else ``None``."""
        low, high = self.common_low_cents, self.common_high_cents
        if self.common_cents is None or low is None or high is None or low <= 0.0 <= high:
            return None
        return Extent(self.common_cents, low, high)


@dataclass(frozen=True, slots=True, kw_only=True)
class Alike:
    """All modes of a part moved alike between two stages; the interval of ``extent`` leaves out zero.

    The readings do not tell what did it: a set-up larger than most, the air, the strings, or the cut.
    """

    part: str
    from_stage: str
    to_stage: str
    extent: Extent


@dataclass(frozen=True, slots=True, kw_only=True)
class Landing:
    """A frequency at which a mode could end up, the distance to it, and the effect of one more step of work.

    ``cents_to_go`` is signed and goes from the reading to the landing. ``step_*`` is the effect of one more step of
    the same work with its 95 % prediction interval; ``overshoot`` is the chance (0 to 1) that it carries the mode
    past the landing's tolerance. ``basis`` says which steps the estimate comes from. ``moves_with`` names the mode
    from which the landing is measured, and is empty if the landing is fixed; if it is not empty, ``steps_to_go``,
    ``overshoot`` and ``work_way`` refer to the distance between the two modes.

    ``no_forecast`` is why there is no forecast, empty where there is one (:mod:`tapbatch.compare.step_limits` has the
    rules). Then ``steps_to_go`` and ``overshoot`` are ``None``, and so is ``step_*`` unless the work itself is known:
    it is if the mode is ``past`` the landing, leads ``away`` from it, or the landing is ``beyond`` the data.
    ``faults`` are the flags and cautions that stand against it. ``work_way`` is the way in which the work surely
    moves the mode, empty if that is not sure.

    ``taps_to_sure`` is how many more taps would make a mode that reads on the landing surely so; ``None`` where it is
    sure, or off the landing, or where more taps are not likely to do.

    ``opening`` is the opening that would bring the mode there, by the physics of the box; ``None`` where that is not
    known.
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
    on_target_anew: OnTarget = "no"
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
    no_forecast: NoForecast | Literal[""] = ""
    faults: tuple[str, ...] = ()
    work_way: Literal["up", "down", ""] = ""
    taps_to_sure: int | None = None
    opening: OpeningNeeded | None = None

    @property
    def reads_on(self) -> bool:
        """Whether the reading lies within the tolerance, sure or not."""
        return abs(self.cents_to_go) <= self.tolerance_cents


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkedOn:
    """A mode that the maker works on at one stage of a part.

    ``mode`` is its identity: a label, or ``r1``, ``r2``, ... if nothing is labelled. ``heard`` is false if the stage
    has no reading of it; no other mode takes its place. ``because`` says how it is known: the maker ``said`` so, it
    is the first ``target`` not yet reached, the first ``label`` that was heard, or merely the ``strongest`` mode.
    """

    part: str
    stage: str
    mode: str
    heard: bool
    because: Because


@dataclass(frozen=True, slots=True)
class SetupBelief:
    """What is believed of the shifts that a new set-up brings: probabilities over fixed grids of their sizes.

    ``own`` is for the shift of each mode alone, ``common`` for that of all modes together
    (:mod:`tapbatch.compare.moves` has the grids); ``again`` is how many times a set-up was repeated, ``typical``
    what a new one is expected to shift, in cents or per cent.
    """

    own: tuple[float, ...]
    common: tuple[float, ...]
    again: int
    typical: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Frozen:
    """What the comparisons of stages up to a day rest on: what was known of set-ups, and references, on that day."""

    until: str
    setups_freq: SetupBelief
    setups_t60: SetupBelief
    references: tuple[Sitting, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """One instrument: the stages of every part in order, the drifts between them, and the landings.

    ``stages`` is sorted by part (body last), then by ``order``; so are ``drifts`` and ``landings``. ``setup_cents``
    is the standard deviation by which a new set-up moves a mode, or ``None`` until set-ups have been repeated.
    ``setups_freq`` and ``setups_t60`` are what was believed of set-ups; ``None`` until the stages are compared.
    ``worked_on`` is sorted like ``stages``, with one or two entries for each stage that has modes; it is empty until
    :func:`tapbatch.compare.working_on.with_working_on` fills it. ``references`` are the sittings of references on the
    days of its stages, and ``frozen`` is what stages up to a day were compared with, if the settings name one.
    ``forecasts`` are those of its steps, beside what came; ``kin`` are stages of the others of its family.
    ``covered`` are the stages of a box whose opening was shut while it was tapped: nothing is compared with them, and
    they are in no other field. ``boxes`` tell what is known of the box of a part, if the settings have its openings.
    ``slide`` is what a wider opening would do, if anything is known of that.
    """

    instrument: str
    instrument_shown: str
    stages: tuple[Stage, ...]
    drifts: tuple[Drift, ...]
    notices: tuple[Notice, ...] = ()
    landings: tuple[Landing, ...] = ()
    setup_cents: float | None = None
    setups_freq: SetupBelief | None = None
    setups_t60: SetupBelief | None = None
    worked_on: tuple[WorkedOn, ...] = ()
    references: tuple[Sitting, ...] = ()
    frozen: Frozen | None = None
    forecasts: tuple[ForecastCame, ...] = ()
    kin: tuple[KinStage, ...] = ()
    covered: tuple[Stage, ...] = ()
    boxes: tuple[BoxTold, ...] = ()
    slide: Slide | None = None

    @property
    def parts(self) -> tuple[str, ...]:
        """The parts in the order of the stages."""
        return tuple(dict.fromkeys(s.part for s in self.stages))

    @property
    def every_stage(self) -> tuple[Stage, ...]:
        """All stages, those with the opening shut behind the others of their part."""
        if not self.covered:
            return self.stages
        return tuple(s for part in self.parts for s in (*self.of_part(part), *self.covered_of(part)))

    def covered_of(self, part: str) -> tuple[Stage, ...]:
        """Return the stages of one part that were tapped with the opening shut, in order."""
        return tuple(s for s in self.covered if s.part == part)

    def of_part(self, part: str) -> tuple[Stage, ...]:
        """Return the stages of one part, in order."""
        return tuple(s for s in self.stages if s.part == part)

    def working_on(self, part: str, stage: str) -> tuple[WorkedOn, ...]:
        """Return what the maker works on at a stage of a part, by identity: up to two modes, the first in front."""
        return tuple(w for w in self.worked_on if (w.part, w.stage) == (part, stage))
