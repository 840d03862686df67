"""Find the landings of a mode, its distance from each, and the predicted effect of one more step.

Conventions: a landing is a frequency where the mode may end up. Distances are in cents, positive upwards, from the
reading to the landing. Every ``[[target]]`` gives a landing, and its mode also gets the next note above and the next
note below. What is worked on gets those two without a target, and so does the lead mode of a part without a target.
Notes are those of equal temperament at the concert pitch of the part's latest stage.

- ``nearest`` is the note nearest to the mode when it was first measured; it stays that note however the mode moves.
- ``like`` is the frequency last measured for the mode of the same label and part on the other instrument.
- ``cents_from`` moves with the other mode, so its overshoot is computed from steps of the distance between the two.

:mod:`tapbatch.compare.step_series` selects the steps, :mod:`tapbatch.compare.steps` learns from them,
:mod:`tapbatch.compare.step_limits` says where there is no forecast and why, and :mod:`tapbatch.compare.on_target`
whether a mode is there.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from tapbatch.box.known import KnownBox
from tapbatch.compare.box_known import BOX, NoBox, box_known
from tapbatch.compare.box_told import box_told, opening_needed
from tapbatch.compare.on_target import on_target, taps_to_sure
from tapbatch.compare.stage import TapAt, members_by_mode
from tapbatch.compare.step_box import Opened, with_box
from tapbatch.compare.step_forecast import Elders, Forecast, basis_text, forecast
from tapbatch.compare.step_limits import Ahead, faults_of, no_forecast
from tapbatch.compare.step_series import Work, is_found, latest_work, positions
from tapbatch.compare.step_taught import TaughtSteps
from tapbatch.compare.steps import At, Outlook, learn_steps
from tapbatch.model.history import TOLD_TO_MOVE, Drift, History, Landing, LandingKind, OnTarget, Stage, StageMode
from tapbatch.model.notice import Notice
from tapbatch.model.opening import BoxTold
from tapbatch.model.pitch import Spelling, cents_between, hz_to_note, note_to_hz
from tapbatch.model.reading import Attention, Mode
from tapbatch.model.settings import InstrumentSettings, TargetSetting

Rests = Mapping[tuple[str, str, str], float]

TOLERANCE_CENTS = 3.0


@dataclass(frozen=True, slots=True)
class _Place:
    """A landing before the mode is compared with it; ``other`` is the mode that ``cents_from`` refers to."""

    kind: LandingKind
    note: str
    freq_hz: float
    tolerance_cents: float
    other: StageMode | None = None


@dataclass(frozen=True, slots=True)
class _Part:
    """The stages of a part that have modes, the latest last, with what targets need to know about them."""

    stages: tuple[Stage, ...]
    settings: InstrumentSettings
    setup_variance: float
    drifts: tuple[Drift, ...]
    elders: Elders = field(default_factory=Elders)
    box: KnownBox | None = None

    @property
    def latest(self) -> Stage:
        return self.stages[-1]

    def mode(self, name: str) -> StageMode | None:
        return next((m for m in self.latest.modes if m.mode == name), None)


def with_landings(
    history: History, settings: InstrumentSettings, rests: Rests, taught: Sequence[TaughtSteps] = ()
) -> tuple[History, tuple[Attention, ...]]:
    """Return a history with its landings, and a notice for each target that cannot be resolved.

    A reference is never cut, so it has none.

    Parameters
    ----------
    history : History
        A history whose stages are in order and compared.
    settings : InstrumentSettings
        The settings of the instrument.
    rests : mapping of (instrument, part, mode) to float
        The last measured frequencies of the modes of all instruments, in hertz; see :func:`resting_places`.
    taught : sequence of TaughtSteps
        What the other instruments of the family taught; default nothing.

    Returns
    -------
    history : History
        The history with ``boxes``, and with ``landings`` sorted by part, then mode, then target, above, below. It has
        a notice for each target whose mode is not found at the latest stage of its part.
    attention : tuple of Attention
        One for each target that refers to a mode never measured on the other instrument.

    Examples
    --------
    >>> empty = History(instrument="cittern-07", instrument_shown="Cittern-07", stages=(), drifts=())
    >>> with_landings(empty, InstrumentSettings(), {})[0].landings
    ()
    """
    if settings.reference:
        return history, ()
    landings: list[Landing] = []
    boxes: list[BoxTold] = []
    notices: list[Notice] = []
    attention: list[Attention] = []
    for part in history.parts:
        stages = tuple(s for s in history.of_part(part) if s.modes)
        if not stages:
            continue
        known = box_known(stages, settings, history.covered_of(part)) if part == BOX else NoBox("opening")
        told = box_told(known, stages[-1])
        boxes += [] if told is None else [told]
        of_part = _Part(
            stages, settings, (history.setup_cents or 0.0) ** 2, tuple(d for d in history.drifts if d.part == part),
            Elders(tuple(taught), settings), None if isinstance(known, NoBox) else known,
        )  # fmt: skip
        targets = targets_of(part, settings)
        for target in targets:
            notices += _waits(target, of_part)
            if target.like is not None and (target.like, part, target.mode) not in rests:
                attention.append(_unknown(history.instrument, target))
        works_on = [w.mode for w in history.working_on(part, stages[-1].stage)]
        landings += _of_part(of_part, targets, works_on, rests)
    told_of = replace(history, landings=tuple(landings), boxes=tuple(boxes), notices=(*history.notices, *notices))
    return told_of, tuple(attention)


def resting_places(histories: Iterable[History]) -> dict[tuple[str, str, str], float]:
    """Return the last measured frequency of each mode of each instrument, in hertz, by (instrument, part, mode).

    Examples
    --------
    >>> resting_places([])
    {}
    """
    return {
        (history.instrument, stage.part, mode.mode): mode.freq_hz
        for history in histories
        for stage in history.stages
        for mode in stage.modes
    }


def next_notes(
    freq_hz: float, concert_pitch_hz: float, spelling: Spelling = "sharp"
) -> tuple[tuple[str, float], tuple[str, float]]:
    """Return the next note above a frequency and the next below, each with its frequency in hertz.

    Examples
    --------
    >>> [(note, round(hz, 1)) for note, hz in next_notes(442.0, 440.0)]
    [('A#4', 466.2), ('A4', 440.0)]
    """
    note, cents = hz_to_note(freq_hz, concert_pitch_hz, spelling)
    here = (note, note_to_hz(note, concert_pitch_hz, spelling))
    # On a note to a millionth of a cent, both neighbours are a semitone away.
    if abs(cents) < 1e-6:
        return _neighbour(here[1], 1, concert_pitch_hz, spelling), _neighbour(here[1], -1, concert_pitch_hz, spelling)
    if cents > 0:
        return _neighbour(here[1], 1, concert_pitch_hz, spelling), here
    return here, _neighbour(here[1], -1, concert_pitch_hz, spelling)


def _neighbour(freq_hz: float, semitones: int, concert_pitch_hz: float, spelling: Spelling) -> tuple[str, float]:
    note, _ = hz_to_note(freq_hz * 2.0 ** (semitones / 12.0), concert_pitch_hz, spelling)
    return note, note_to_hz(note, concert_pitch_hz, spelling)


# ------------------------------------------------------------- resolving


def _part_of(label: str, settings: InstrumentSettings) -> str:
    return next((m.part for m in settings.mode if m.label == label), "body")


def targets_of(part: str, settings: InstrumentSettings) -> list[TargetSetting]:
    """Return the targets for the modes of a part, in the order of the settings.

    Examples
    --------
    >>> targets_of("body", InstrumentSettings.model_validate({"target": [{"mode": "air", "note": "A3"}]}))[0].note
    'A3'
    """
    return [t for t in settings.target if _part_of(t.mode, settings) == part]


def reached(target: TargetSetting, stages: Sequence[Stage], settings: InstrumentSettings, rests: Rests) -> OnTarget:
    """Tell whether the mode of a target lies on it at the last of some stages, at which it was heard.

    ``stages`` are those of one part, in order, up to the one that is asked about. The answer is ``"no"`` if the
    target cannot be resolved there.
    """
    part = _Part(tuple(s for s in stages if s.modes), settings, 0.0, ())
    mode, place = part.mode(target.mode), _resolved(target, part, rests)
    if mode is None or place is None:
        return "no"
    taps_hz = [m.freq_hz for _, m in members_by_mode(part.latest)[mode.mode]]
    to_go = cents_between(mode.freq_hz, place.freq_hz)
    half = math.hypot(*(m.half_cents for m in (mode, place.other) if m is not None))
    return on_target(to_go, half, place.tolerance_cents, _within(taps_hz, place), len(taps_hz))


def fixed_place(target: TargetSetting, stages: Sequence[Stage], settings: InstrumentSettings) -> float | None:
    """Return where a target is, in hertz, at the last of some stages; ``None`` if that hangs on another mode."""
    if target.like is not None or target.cents_from is not None:
        return None
    place = _resolved(target, _Part(tuple(s for s in stages if s.modes), settings, 0.0, ()), {})
    return place.freq_hz if place else None


def _waits(target: TargetSetting, part: _Part) -> tuple[Notice, ...]:
    for label in (target.mode, target.cents_from):
        if label is not None and part.mode(label) is None:
            stage = part.latest.stage_shown
            return (Notice("target waits", name=target.mode, other_name=label, stage=stage),)
    return ()


def _unknown(instrument: str, target: TargetSetting) -> Attention:
    return Attention(
        where=instrument,
        what=f"the target of {target.mode} is the {target.mode} of {target.like}, which was never heard",
        remedy=f"record {target.like} in this shop with that [[mode]], or name a note",
    )


def _of_part(part: _Part, targets: Sequence[TargetSetting], works_on: Sequence[str], rests: Rests) -> list[Landing]:
    lead = part.latest.lead
    unasked = [lead.mode] if lead and not targets else []
    modes = list(dict.fromkeys([*(t.mode for t in targets), *works_on, *unasked]))
    landings = []
    for name in modes:
        mode = part.mode(name)
        if mode is None:
            continue
        of_mode = [t for t in targets if t.mode == name]
        places = [p for p in (_resolved(t, part, rests) for t in of_mode) if p is not None]
        tolerance = of_mode[0].tolerance_cents if of_mode else TOLERANCE_CENTS
        pitch, spelling = part.latest.concert_pitch_hz, part.settings.spelling
        above, below = next_notes(mode.freq_hz, pitch, spelling)
        places += [_Place("above", *above, tolerance), _Place("below", *below, tolerance)]
        landings += _landings(part, mode, places)
    return landings


def _resolved(target: TargetSetting, part: _Part, rests: Rests) -> _Place | None:
    latest, tolerance = part.latest, target.tolerance_cents
    pitch, spelling = latest.concert_pitch_hz, part.settings.spelling
    if target.cents_from is not None:
        other = part.mode(target.cents_from)
        if other is None:
            return None
        hz = other.freq_hz * 2.0 ** ((target.cents or 0.0) / 1200.0)
        return _Place("target", note_name(hz, pitch, spelling), hz, tolerance, other)
    note = target.note
    if target.nearest:
        first = next(s for s in part.stages if any(m.mode == target.mode for m in s.modes))
        heard = next(m for m in first.modes if m.mode == target.mode)
        note = hz_to_note(heard.freq_hz, first.concert_pitch_hz, spelling)[0]
    known = target.hz if target.like is None else rests.get((target.like, latest.part, target.mode))
    hz = note_to_hz(note, pitch, spelling) if note else known or 0.0
    return _Place("target", note_name(hz, pitch, spelling), hz, tolerance) if hz > 0 else None


def note_name(freq_hz: float, concert_pitch_hz: float, spelling: Spelling = "sharp") -> str:
    """Return the name of the nearest note, with the deviation in whole cents unless it is 0.

    Examples
    --------
    >>> note_name(440.0, 440.0), note_name(445.0, 440.0)
    ('A4', 'A4+20')
    """
    note, cents = hz_to_note(freq_hz, concert_pitch_hz, spelling)
    return note if round(cents) == 0 else f"{note}{round(cents):+d}"


# ------------------------------------------------------------- measuring


def _landings(part: _Part, mode: StageMode, places: Sequence[_Place]) -> list[Landing]:
    moved = {d.to_stage for d in part.drifts if d.mode == mode.mode and d.verdict in TOLD_TO_MOVE}
    work = latest_work(part.stages, mode.mode, moved)
    own = positions(work.stages, mode.mode, part.settings.steady_cents, part.setup_variance)
    found = forecast(work, own, part.elders.of(part.stages, mode.mode, work))
    if part.box is not None and mode.mode in part.box.modes:
        found = with_box(found, work, Opened(part.box, part.box.modes.index(mode.mode), mode.freq_hz))
    seen = _Seen(part, mode, work, found, members_by_mode(part.latest)[mode.mode])
    return [_landing(seen, place) for place in places]


@dataclass(frozen=True, slots=True)
class _Seen:
    """A mode at its part's latest stage, the work that led there, and what one more step of it would do."""

    part: _Part
    mode: StageMode
    work: Work
    found: Forecast
    members: Sequence[tuple[TapAt, Mode]]


def _landing(seen: _Seen, place: _Place) -> Landing:
    part, mode, work = seen.part, seen.mode, seen.work
    to_go = cents_between(mode.freq_hz, place.freq_hz)
    taps_hz = [m.freq_hz for _, m in seen.members]
    within = _within(taps_hz, place)
    heard = [m for m in (mode, place.other) if m is not None]
    half = math.hypot(*(m.half_cents for m in heard))
    half_anew = math.hypot(*(math.inf if m.half_anew_cents is None else m.half_anew_cents for m in heard))
    there = on_target(to_go, half, place.tolerance_cents, within, len(taps_hz))
    other = place.other.mode if place.other else ""
    outlook = seen.found.outlook
    against = _outlook_of_two(part, work, mode.mode, other) if other else outlook
    # How far two modes are apart is learned on this instrument alone.
    found = Forecast() if seen.found.instruments and other and against is None else seen.found
    ahead = Ahead(to_go, to_go + _came(work, mode.mode, other), place.kind == "target", there, against, found.opposed)
    faults = faults_of(work, filter(None, (mode.mode, other)), part.drifts)
    why = no_forecast(ahead, work, faults)
    step = outlook if why in ("", "past", "away", "beyond") else None
    return Landing(
        part=part.latest.part,
        mode=mode.mode,
        stage=part.latest.stage,
        freq_hz=mode.freq_hz,
        note=mode.note,
        cents=mode.cents,
        landing=place.kind,
        landing_note=place.note,
        landing_hz=place.freq_hz,
        cents_to_go=to_go,
        tolerance_cents=place.tolerance_cents,
        on_target=there,
        on_target_anew=on_target(to_go, half_anew, place.tolerance_cents, within, len(taps_hz)),
        taps_within=within,
        taps=len(taps_hz),
        step_cents=step.step.middle if step else None,
        step_low_cents=step.low if step else None,
        step_high_cents=step.high if step else None,
        steps_seen=len(work.steps),
        steps_to_go=against.steps_to_go(to_go) if against and not why else None,
        # How far the landing is does not blur what a single step may do.
        overshoot=against.overshoot(to_go, place.tolerance_cents) if against and why in ("", "beyond") else None,
        basis=basis_text(work, found),
        moves_with=other,
        no_forecast=why,
        faults=faults if why == "fault" else (),
        work_way=ahead.way if step else "",
        taps_to_sure=_taps_to_sure(seen, place, to_go) if there != "sure" else None,
        opening=opening_needed(part.box, mode.mode, place.freq_hz) if part.box and not other else None,
    )


def _came(work: Work, mode: str, other: str) -> float:
    """Return how far the mode came since the work began, in cents, against the other one where there is one."""
    first, latest = work.stages[0], work.stages[-1]
    came = 0.0
    for name, sign in ((mode, 1.0), (other, -1.0)):
        was, now = (next((m for m in s.modes if m.mode == name), None) for s in (first, latest))
        came += sign * cents_between(was.freq_hz, now.freq_hz) if was and now else 0.0
    return came


def _taps_to_sure(seen: _Seen, place: _Place, to_go: float) -> int | None:
    """Return how many more taps of the mode would make it surely on the landing; the other mode stays as it is."""
    spare = place.tolerance_cents - abs(to_go)
    others = place.other.half_cents if place.other else 0.0
    if spare <= others:
        return None
    return taps_to_sure(seen.members, seen.mode.half_cents, math.sqrt(spare**2 - others**2))


def _within(taps_hz: Sequence[float], place: _Place) -> int:
    return sum(abs(cents_between(hz, place.freq_hz)) <= place.tolerance_cents for hz in taps_hz)


def _outlook_of_two(part: _Part, work: Work, mode: str, other: str) -> Outlook | None:
    """Return what the next step does to the distance between two modes, from this instrument alone."""
    if not work.enough or not all(is_found(stage, other) for stage in work.stages):
        return None
    own, apart = (
        positions(work.stages, name, part.settings.steady_cents, part.setup_variance) for name in (mode, other)
    )
    if own is None or apart is None:
        return None
    two = [At(a.cents - b.cents, a.variance + b.variance, a.area_mm2) for a, b in zip(own, apart, strict=True)]
    return learn_steps(two, work.steps)
