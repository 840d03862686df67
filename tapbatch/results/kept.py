"""Models that validate the contents of kept files.

Conventions: types are strict and unknown members are refused. Names that lead out of their folder are refused, and so
are numbers that no file or measurement can have. Fields added after version 0.1 have defaults, so its files can still
be read. Readings have their own codec (:mod:`~tapbatch.results.readings`).
"""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from tapbatch.compare.across import Learned, Then
from tapbatch.compare.bench import SetupEvidence
from tapbatch.compare.moves.belief import Evidence
from tapbatch.compare.moves.priors import COMMON_STEPS, OWN_STEPS
from tapbatch.compare.setups import Contrast, SetupContrasts
from tapbatch.compare.step_course import Taken
from tapbatch.compare.step_taught import TaughtStage, TaughtSteps
from tapbatch.model.forecast import ForecastCame
from tapbatch.model.kin import KinMode, KinStage
from tapbatch.model.reference import Sitting, SittingTaps


def _plain_name(name: str) -> str:
    if name in ("", ".", "..") or Path(name).name != name or "\0" in name:
        msg = "it would lead out of its folder"
        raise ValueError(msg)
    return name


def _path_below(path: str) -> str:
    if path.startswith("/") or "\0" in path or Path(path).drive or {"", ".", ".."} & set(path.split("/")):
        msg = "it would lead out of the recordings"
        raise ValueError(msg)
    return path


def _a_day(text: str) -> str:
    date.fromisoformat(text)
    return text


def _a_time(text: str) -> str:
    if text and datetime.fromisoformat(text).tzinfo is not None:
        msg = "it has a time zone"
        raise ValueError(msg)
    return text


Name = Annotated[str, Field(max_length=1000), AfterValidator(_plain_name)]
RecordingPath = Annotated[str, Field(max_length=5000), AfterValidator(_path_below)]
Sha256 = Annotated[str, Field(pattern=r"\A[0-9a-f]{64}\z")]
Key = Annotated[str, Field(pattern=r"\A[0-9a-f]{40}\z")]
Size = Annotated[int, Field(ge=-1, lt=2**60)]
TimeNs = Annotated[int, Field(ge=-(2**63), lt=2**63)]
FileFacts = tuple[Size, TimeNs]
Hertz = Annotated[float, Field(gt=0, lt=1e6, allow_inf_nan=False)]
LogVariance = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Count = Annotated[int, Field(ge=0, lt=10**9)]


class _Kept(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, defer_build=True)


class KeptEntry(_Kept):
    """The ledger entry of a recording."""

    sha256: Sha256
    size: Size
    mtime_ns: TimeNs
    key: Key


class KeptLedger(_Kept):
    """``ledger.json``: the recordings by path, and the version of the method that measured them."""

    method: str = Field(max_length=100)
    recordings: dict[RecordingPath, KeptEntry]


class KeptOwner(_Kept):
    """A recording to which a kept reading belongs, with enough to restore its ledger entry."""

    path: RecordingPath
    sha256: Sha256
    size: Size
    mtime_ns: TimeNs


class KeptOwners(_Kept):
    """The head of a kept reading: its key, and the recordings to which it belongs."""

    key: Key
    recordings: tuple[KeptOwner, ...]


_Stages = tuple[tuple[tuple[LogVariance, LogVariance, Count, Count], ...], ...]
LogLikelihood = Annotated[float, Field(le=0, allow_inf_nan=False)]
_OfOwn = Annotated[tuple[LogLikelihood, ...], Field(min_length=OWN_STEPS, max_length=OWN_STEPS)]
_OfCommon = Annotated[tuple[LogLikelihood, ...], Field(min_length=COMMON_STEPS, max_length=COMMON_STEPS)]
_Pieces = tuple[tuple[_OfOwn, _OfCommon], ...]


_Day = Annotated[str, Field(pattern=r"\A[0-9]{4}-[0-9]{2}-[0-9]{2}\z"), AfterValidator(_a_day)]
_Time = Annotated[str, Field(max_length=40), AfterValidator(_a_time)]
_Number = Annotated[float, Field(allow_inf_nan=False)]
_Rows = tuple[tuple[_Number | None, ...], ...]
_Variances = tuple[tuple[LogVariance | None, ...], ...]


class KeptSittingTaps(_Kept):
    """The taps of a sitting in one recording, at one point."""

    values: _Rows
    variances: _Variances
    levels_db: tuple[_Number, ...]
    point: str = ""
    spot: str = ""
    room: tuple[LogVariance, ...] = ()

    def value(self, modes: int) -> SittingTaps:
        """Return the contents; refused where rows and columns do not fit."""
        rows = (*self.values, *self.variances, self.room or (0.0,) * modes)
        fit = len(self.values) == len(self.variances) == len(self.levels_db) > 0
        if not fit or any(len(row) != modes for row in rows):
            msg = "the taps of a sitting do not fit its modes"
            raise ValueError(msg)
        return SittingTaps(self.values, self.variances, self.levels_db, self.point, self.spot, self.room)


class KeptSitting(_Kept):
    """A sitting of a reference."""

    instrument: str
    instrument_shown: str
    part: str
    state: str
    method: str
    day: _Day
    at: _Time
    modes: tuple[str, ...]
    taps: tuple[KeptSittingTaps, ...]

    @model_validator(mode="after")
    def _fits(self) -> Self:
        self.value()
        return self

    def value(self) -> Sitting:
        """Return the contents."""
        taps = tuple(t.value(len(self.modes)) for t in self.taps)
        return Sitting(
            instrument=self.instrument, instrument_shown=self.instrument_shown, part=self.part, state=self.state,
            method=self.method, day=self.day, at=self.at, modes=self.modes, taps=taps,
        )  # fmt: skip


class KeptThen(_Kept):
    """What an instrument had taught up to a day."""

    until: _Day
    evidence: tuple[_Pieces, _Pieces]
    sittings: tuple[KeptSitting, ...] = ()

    def value(self) -> Then:
        """Return the contents."""
        return Then(self.until, _setup_evidence(self.evidence), tuple(s.value() for s in self.sittings))


_Place = Annotated[int, Field(ge=0, lt=10**6)]
_Cell = tuple[str, Count, _Number, LogVariance, Count]


class KeptTaughtStage(_Kept):
    """A mode at a stage, as a family learns from it."""

    when: _Time
    area_mm2: LogVariance | None
    cells: tuple[_Cell, ...] = Field(min_length=1)


class KeptTaken(_Kept):
    """What came off at a step."""

    grams: _Number | None
    millimetres: _Number | None


class KeptSteps(_Kept):
    """The steps of one work on an instrument, for one mode."""

    instrument: str
    family: str
    part: str
    state: str
    mode: str
    work: str
    begins: _Place
    steady_cents: Annotated[float, Field(gt=0, le=50)]
    stages: tuple[KeptTaughtStage, ...]
    steps: tuple[tuple[_Place, _Place], ...]
    taken: tuple[KeptTaken, ...]

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if len(self.taken) != len(self.steps) or any(max(step) >= len(self.stages) for step in self.steps):
            msg = "the steps do not fit their stages"
            raise ValueError(msg)
        return self

    def value(self) -> TaughtSteps:
        """Return the contents."""
        return TaughtSteps(
            instrument=self.instrument, family=self.family, part=self.part, state=self.state, mode=self.mode,
            work=self.work, begins=self.begins, steady_cents=self.steady_cents,
            stages=tuple(TaughtStage(s.when, s.area_mm2, s.cells) for s in self.stages),
            steps=self.steps, taken=tuple(Taken(t.grams, t.millimetres) for t in self.taken),
        )  # fmt: skip


class KeptKinMode(_Kept):
    """Where a mode stood, as an instrument shows its family."""

    mode: str
    freq_hz: Hertz
    half_cents: LogVariance
    setups: Annotated[int, Field(ge=1, lt=10**6)]


class KeptKinStage(_Kept):
    """A stage, as an instrument shows its family."""

    instrument: str
    instrument_shown: str
    family: str
    part: str
    state: str
    same: str
    stage_shown: str
    when: _Time
    opening_mm2: LogVariance | None
    modes: tuple[KeptKinMode, ...]

    def value(self) -> KinStage:
        """Return the contents."""
        modes = tuple(KinMode(m.mode, m.freq_hz, m.half_cents, m.setups) for m in self.modes)
        told = {name: getattr(self, name) for name in type(self).model_fields if name != "modes"}
        return KinStage(**told, modes=modes)


class KeptLearned(_Kept):
    """What others learn from an instrument: set-up contrasts of ``ln f`` and ``ln T60``, and last known frequencies.

    ``evidence`` has what set-ups of a stage tell, as (over ``so``, over ``sc``), for each quantity.
    ``setups`` has the contrasts of ``ln f``, then of ``ln T60``, by stage. ``rests`` has (part, mode, hertz).
    """

    setups: tuple[_Stages, _Stages]
    rests: tuple[tuple[str, str, Hertz], ...]
    evidence: tuple[_Pieces, _Pieces] = ((), ())
    sittings: tuple[KeptSitting, ...] = ()
    then: tuple[KeptThen, ...] = ()
    steps: tuple[KeptSteps, ...] = ()
    stages: tuple[KeptKinStage, ...] = ()

    def value(self) -> Learned:
        """Return the contents as a :class:`~tapbatch.compare.across.Learned`."""
        freq, t60 = (tuple(tuple(Contrast(*each) for each in stage) for stage in stages) for stages in self.setups)
        return Learned(
            SetupContrasts(freq, t60),
            _setup_evidence(self.evidence),
            self.rests,
            tuple(s.value() for s in self.sittings),
            tuple(t.value() for t in self.then),
            tuple(s.value() for s in self.steps),
            tuple(s.value() for s in self.stages),
        )


def _setup_evidence(pieces: tuple[_Pieces, _Pieces]) -> SetupEvidence:
    return SetupEvidence(*map(_evidence, pieces))


def _evidence(pieces: _Pieces) -> tuple[Evidence, ...]:
    return tuple(Evidence(own, common) for own, common in pieces)


class KeptAttention(_Kept):
    """Something that the builder must deal with."""

    where: str
    what: str
    remedy: str


class KeptForecast(_Kept):
    """The forecast of a step, and what came of it."""

    part: str
    mode: str
    stage: str
    work: str
    step_cents: _Number
    step_low_cents: _Number
    step_high_cents: _Number
    overshoot: Annotated[float, Field(ge=0, le=1)]
    came_cents: _Number
    came_over: bool
    basis: str

    def value(self) -> ForecastCame:
        """Return the contents."""
        return ForecastCame(**self.model_dump())


class KeptMark(_Kept):
    """``standing-HASH.json``: the mark of an instrument, which records what was made for it and from what."""

    instrument: Name
    basis: str
    lent: KeptLearned | None
    tables: str
    report: str
    card: tuple[str, Size, TimeNs]
    files: dict[Name, FileFacts]
    lines: tuple[str, ...]
    notices: tuple[str, ...]
    attention: tuple[KeptAttention, ...]
    forecasts: tuple[KeptForecast, ...] = ()
    wood: tuple[str, ...] = ()


class KeptCard(_Kept):
    """``card-HASH.json``: an instrument's part of the page."""

    instrument: Name
    recorded: str
    row: str
    article: str


class KeptPage(_Kept):
    """``page.json``, ``store.json``: the fingerprint of what a page was made from, and its size and time."""

    basis: str
    facts: FileFacts | None
