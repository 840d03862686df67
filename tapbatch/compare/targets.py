"""Find the landings of a mode, its distance from each, and the predicted effect of one more step.

Conventions: a landing is a frequency where the mode may end up. Distances are in cents, positive upwards, from the
reading to the landing. Every ``[[target]]`` gives a landing, and its mode also gets the next note above and the next
note below; a part without a target gets those two for its lead mode. Notes are those of equal temperament at the
concert pitch of the part's latest stage.

- ``nearest`` is the note nearest to the mode when it was first measured; it stays that note however the mode moves.
- ``like`` is the frequency last measured for the mode of the same label and part on the other instrument.
- ``cents_from`` moves with the other mode, so its overshoot is computed from steps of the distance between the two.

:mod:`tapbatch.compare.step_series` selects the steps, and :mod:`tapbatch.compare.steps` learns from them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from tapbatch.compare.random_effects import CENTS
from tapbatch.compare.stage import members_by_mode
from tapbatch.compare.step_series import Work, latest_work, positions
from tapbatch.compare.steps import FEWEST_STEPS, At, Outlook, learn_steps
from tapbatch.model.history import History, Landing, LandingKind, OnTarget, Stage, StageMode
from tapbatch.model.notice import Notice
from tapbatch.model.pitch import Spelling, cents_between, hz_to_note, note_to_hz
from tapbatch.model.reading import Attention
from tapbatch.model.settings import InstrumentSettings, TargetSetting

Rests = Mapping[tuple[str, str, str], float]

TOLERANCE_CENTS = 3.0
LIKELY = 2.0 / 3.0


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

    @property
    def latest(self) -> Stage:
        return self.stages[-1]

    def mode(self, name: str) -> StageMode | None:
        return next((m for m in self.latest.modes if m.mode == name), None)


def with_landings(
    history: History, settings: InstrumentSettings, rests: Rests
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

    Returns
    -------
    history : History
        The history with ``landings`` sorted by part, then mode, then target, above, below. It has a notice for each
        target whose mode is not found at the latest stage of its part.
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
    notices: list[Notice] = []
    attention: list[Attention] = []
    for part in history.parts:
        stages = tuple(s for s in history.of_part(part) if s.modes)
        if not stages:
            continue
        of_part = _Part(stages, settings, (history.setup_cents or 0.0) ** 2)
        targets = [t for t in settings.target if _part_of(t.mode, settings) == part]
        for target in targets:
            notices += _waits(target, of_part)
            if target.like is not None and (target.like, part, target.mode) not in rests:
                attention.append(_unknown(history.instrument, target))
        landings += _of_part(of_part, targets, rests)
    return replace(history, landings=tuple(landings), notices=(*history.notices, *notices)), tuple(attention)


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
    here = (note, note_to_hz(note, concert_pitch_hz))
    # On a note to a millionth of a cent, both neighbours are a semitone away.
    if abs(cents) < 1e-6:
        return _neighbour(here[1], 1, concert_pitch_hz, spelling), _neighbour(here[1], -1, concert_pitch_hz, spelling)
    if cents > 0:
        return _neighbour(here[1], 1, concert_pitch_hz, spelling), here
    return here, _neighbour(here[1], -1, concert_pitch_hz, spelling)


def _neighbour(freq_hz: float, semitones: int, concert_pitch_hz: float, spelling: Spelling) -> tuple[str, float]:
    note, _ = hz_to_note(freq_hz * 2.0 ** (semitones / 12.0), concert_pitch_hz, spelling)
    return note, note_to_hz(note, concert_pitch_hz)


# ------------------------------------------------------------- resolving


def _part_of(label: str, settings: InstrumentSettings) -> str:
    return next((m.part for m in settings.mode if m.label == label), "body")


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


def _of_part(part: _Part, targets: Sequence[TargetSetting], rests: Rests) -> list[Landing]:
    lead = part.latest.lead
    modes = list(dict.fromkeys(t.mode for t in targets)) or ([lead.mode] if lead else [])
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
    hz = note_to_hz(note, pitch) if note else known or 0.0
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
    work = latest_work(part.stages, mode.mode)
    outlook = _outlook(part, work, mode.mode)
    of_modes = members_by_mode(part.latest)
    taps_hz = [m.freq_hz for _, m in of_modes[mode.mode]]
    landings = []
    for place in places:
        against = outlook if place.other is None else _outlook(part, work, mode.mode, place.other.mode)
        to_go = cents_between(mode.freq_hz, place.freq_hz)
        within = sum(abs(cents_between(hz, place.freq_hz)) <= place.tolerance_cents for hz in taps_hz)
        landings.append(
            Landing(
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
                on_target=_on_target(mode, place, within, len(taps_hz), _half_cents),
                on_target_anew=_on_target(mode, place, within, len(taps_hz), _half_anew_cents),
                taps_within=within,
                taps=len(taps_hz),
                step_cents=outlook.step.middle if outlook else None,
                step_low_cents=outlook.low if outlook else None,
                step_high_cents=outlook.high if outlook else None,
                steps_seen=len(work.steps),
                steps_to_go=against.steps_to_go(to_go) if against else None,
                overshoot=against.overshoot(to_go, place.tolerance_cents) if against else None,
                basis=_basis(work, outlook),
                moves_with=place.other.mode if place.other else "",
            )
        )
    return landings


def _outlook(part: _Part, work: Work, mode: str, other: str = "") -> Outlook | None:
    if not work.enough:
        return None
    found = [
        positions(work.stages, name, part.settings.steady_cents, part.setup_variance)
        for name in (mode, *([other] if other else []))
        if all(any(m.mode == name for m in s.modes) for s in work.stages)
    ]
    if any(f is None for f in found) or len(found) < (2 if other else 1):
        return None
    own, *against = [f for f in found if f is not None]
    for apart in against:
        own = [At(a.cents - b.cents, a.variance + b.variance, a.area_mm2) for a, b in zip(own, apart, strict=True)]
    return learn_steps(own, work.steps)


def _half_cents(mode: StageMode) -> float:
    return CENTS * math.log(mode.freq_high_hz / mode.freq_low_hz) / 2.0


def _half_anew_cents(mode: StageMode) -> float:
    if mode.freq_anew_low_hz is None or mode.freq_anew_high_hz is None:
        return math.inf
    return CENTS * math.log(mode.freq_anew_high_hz / mode.freq_anew_low_hz) / 2.0


def _on_target(
    mode: StageMode, place: _Place, within: int, taps: int, half_cents: Callable[[StageMode], float]
) -> OnTarget:
    off = abs(cents_between(mode.freq_hz, place.freq_hz))
    halves = [half_cents(m) for m in (mode, place.other) if m is not None]
    if off + math.hypot(*halves) <= place.tolerance_cents:
        return "sure"
    return "likely" if off <= place.tolerance_cents and within >= LIKELY * taps else "no"


def _basis(work: Work, outlook: Outlook | None) -> str:
    if not work.steps:
        return "no steps of the same work"
    steps = f"{len(work.steps)} step{'' if len(work.steps) == 1 else 's'} of {work.shown}"
    if not work.enough:
        return f"{steps}: {FEWEST_STEPS} are needed"
    if outlook is None:
        return f"{steps}, at no common point"
    return f"{steps}, by opening area" if outlook.model == "area" else steps
