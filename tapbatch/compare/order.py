"""Which recordings make up which stage, and in which order the stages follow one another.

Conventions: a place is one (part, state, stage) of an instrument.

- The part of a recording is given by a word of its name, else by the ``[[stage]]`` setting of its stage; otherwise it
  is ``body``.
- The state is given in the same two ways. If neither names one, and the other recordings of its part and stage name
  just one, it is theirs; otherwise it is unknown.
- Stages follow the order of the settings, else the number in front, else the date in the notes, else the recording
  time, else the name; never the file system's time.
- ``order`` counts the stages of an instrument from 1. Two parts that share a stage share its order.

The result depends only on the set of recordings, not on the order in which they are given.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TypeVar

from tapbatch.model.history import Heard, Note
from tapbatch.model.names import COVERED, PARTS, STATES, date_in_name, identity, stage_number
from tapbatch.model.notice import Notice
from tapbatch.model.reading import Attention, Reading, Recording
from tapbatch.model.settings import InstrumentSettings, StageSetting

Item = tuple[Recording, Reading, bool]
Notes = Mapping[tuple[str, str], Note]

T = TypeVar("T")
K = TypeVar("K", bound=Hashable)


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One part at one stage, before anything is joined: its recordings in the order of their paths."""

    part: str
    state: str
    stage: str
    stage_shown: str
    order: int
    concert_pitch_hz: float
    heard: tuple[Heard, ...]
    note: Note | None = None


@dataclass(frozen=True, slots=True)
class Placed:
    """All places of an instrument by part (body last), then in order, and what the builder should know about them."""

    places: tuple[Place, ...]
    notices: tuple[Notice, ...]
    attention: tuple[Attention, ...]


@dataclass(frozen=True, slots=True)
class _Named:
    """A recording with its stage settled: ``base`` is the stage as named, ``stage`` as expanded by ``step``."""

    heard: Heard
    base: str
    stage: str
    stage_shown: str
    step: int = 0


def place(items: Iterable[Item], settings: InstrumentSettings, notes: Notes) -> Placed:
    """Return the recordings of one instrument, placed.

    Parameters
    ----------
    items : iterable of (Recording, Reading, bool)
        All recordings of one instrument; the third value says whether the recording is missing.
    settings : InstrumentSettings
        Those of the instrument.
    notes : mapping of (instrument, stage) to Note
        The bench notes, by identity. A step without its own note takes that of its series.

    Returns
    -------
    Placed
        The same bytes twice in one stage count once. In two stages neither is used and both need attention. A missing
        recording whose bytes are there under another name was renamed, and is left out.

    Examples
    --------
    >>> place([], InstrumentSettings(), {}).places
    ()
    """
    listed = sorted(items, key=lambda i: i[0].path)
    heard = _with_states([_with_part(item, settings) for item in listed])
    kept, notices, attention = _without_copies(heard)
    named = _with_steps(kept)
    ranks, by_name = _stage_ranks(named, settings, notes)
    places = [_place_of(group, ranks, settings, notes) for group in grouped(named, _place_key).values()]
    places.sort(key=lambda p: (_part_rank(p.part), p.order, _state_rank(p.state)))
    return Placed(tuple(places), (*notices, *by_name, *_notice_states(places)), attention)


def recorded_when(heard: Heard) -> datetime | None:
    """Return when a recording was made, from its metadata, its name, or when it came; aware times become UTC.

    Returns
    -------
    datetime or None
        Naive, so that all can be compared; ``None`` if neither tells.
    """
    own = _parsed(heard.reading.recorded_at) or _parsed(date_in_name(heard.recording.path))
    return own or _parsed(heard.recording.arrived_at)


# ------------------------------------------------------- part and state


def _with_part(item: Item, settings: InstrumentSettings) -> Heard:
    recording, reading, missing = item
    setting = _stage_setting((recording.stage,), recording.part, settings)
    part = recording.part or (identity(setting.part) if setting else "") or "body"
    state = recording.state or (identity(setting.state) if setting else "")
    return Heard(recording=recording, reading=reading, part=part, state=state, missing=missing)


def _stage_setting(names: Sequence[str], part: str, settings: InstrumentSettings) -> StageSetting | None:
    # A stage may have a setting for each part: the one for this part counts before one that names no part.
    for name in names:
        of_name = [s for s in settings.stage if identity(s.name) == name]
        fitting = [s for s in of_name if part and identity(s.part) == part] or [s for s in of_name if not s.part]
        if fitting or of_name:
            return (fitting or of_name)[0]
    return None


def _with_states(heard: Sequence[Heard]) -> list[Heard]:
    placed = [_with_tapped_part(h, heard) for h in heard]
    states: dict[tuple[str, str], set[str]] = {}
    for h in placed:
        states.setdefault((h.part, h.recording.stage), set()).add(h.state)
    settled = []
    for h in placed:
        named = sorted(states[h.part, h.recording.stage] - {"", COVERED}, key=_state_rank)
        # A recording of the room belongs to the stage, however the part was held.
        adopts = len(named) == 1 or (named and h.recording.kind == "room")
        settled.append(replace(h, state=named[0]) if not h.state and adopts else h)
    return settled


def _with_tapped_part(heard: Heard, others: Sequence[Heard]) -> Heard:
    # A recording of the room that names no part belongs to the part tapped at its stage, not to a ``body``.
    if heard.recording.kind != "room" or heard.recording.part:
        return heard
    tapped = {h.part for h in others if h.recording.stage == heard.recording.stage and h.recording.kind != "room"}
    return replace(heard, part=min(tapped, key=_part_rank)) if tapped and heard.part not in tapped else heard


def _part_rank(part: str) -> tuple[int, int, str]:
    known = PARTS.index(part) if part in PARTS else len(PARTS)
    return (part == "body", known, part)


def _state_rank(state: str) -> tuple[int, str]:
    return (STATES.index(state) if state in STATES else -1, state)


# --------------------------------------------------------------- copies


def _without_copies(heard: Sequence[Heard]) -> tuple[list[Heard], list[Notice], tuple[Attention, ...]]:
    kept: list[Heard] = []
    notices: list[Notice] = []
    attention: list[Attention] = []
    for copies in grouped(heard, lambda h: h.recording.sha256 or h.recording.path).values():
        present = [h for h in copies if not h.missing] or copies
        if len({(h.part, h.state, h.recording.stage) for h in present}) > 1:
            attention += [_attention_for(h, present) for h in present]
            continue
        kept.append(present[0])
        first = present[0].recording.path
        notices += [Notice("counted once", path=h.recording.path, other_path=first) for h in present[1:]]
        gone = [h for h in copies if h not in present]
        notices += [Notice("renamed", path=h.recording.path, other_path=first) for h in gone]
    kept.sort(key=lambda h: h.recording.path)
    return kept, sorted(notices, key=lambda n: (n.path, n.kind)), tuple(sorted(attention, key=lambda a: a.where))


def _attention_for(heard: Heard, copies: Sequence[Heard]) -> Attention:
    others = [h.recording.path for h in copies if h.recording.path != heard.recording.path]
    return Attention(
        where=heard.recording.path,
        what=f"the same recording is also in another stage ({', '.join(others)}); neither is used",
        remedy="remove or rename the one that is in the wrong place",
    )


# ---------------------------------------------------------------- steps


def _with_steps(heard: Sequence[Heard]) -> list[_Named]:
    named = [_Named(h, h.recording.stage, h.recording.stage, "") for h in heard if not h.recording.step]
    # Taps and plucks of a series are counted separately: the first pluck belongs to the first step.
    series = grouped(
        [h for h in heard if h.recording.step], lambda h: (h.part, h.state, h.recording.stage, h.recording.kind)
    )
    for group in series.values():
        named += _steps_of(group)
    shown = _shown_by_stage([n.heard for n in named])
    return [_named_step(n, shown[n.base]) for n in named]


def _steps_of(series: Sequence[Heard]) -> list[_Named]:
    # Recordings that give the same number belong to the same step; each of the others is a step of its own.
    numbered = [_Named(h, h.recording.stage, "", "", n) for h in series if (n := h.recording.step_number)]
    rest = [h for h in series if not h.recording.step_number]
    steps = in_sequence([h for h in rest if not h.recording.again], lambda h: h) or rest[:1]
    named = numbered + [_Named(h, h.recording.stage, "", "", number) for number, h in enumerate(steps, start=1)]
    anew = [h for h in rest if h.recording.again and h not in steps]
    return named + [_Named(h, h.recording.stage, "", "", _step_set_up_anew(h, steps)) for h in anew]


def _step_set_up_anew(again: Heard, steps: Sequence[Heard]) -> int:
    # The step with the same take; without takes, the last step before it.
    for number, step in enumerate(steps, start=1):
        if again.recording.take is not None and step.recording.take == again.recording.take:
            return number
    both = in_sequence([*steps, again], lambda h: h)
    return max(1, both.index(again))


def _named_step(named: _Named, shown: str) -> _Named:
    label = f"{shown} step {named.step}" if named.step else shown
    return replace(named, stage=identity(label) if named.step else named.base, stage_shown=label)


def _shown_by_stage(heard: Iterable[Heard]) -> dict[str, str]:
    shown: dict[str, str] = {}
    for h in sorted(heard, key=lambda h: h.recording.path):
        shown.setdefault(h.recording.stage, h.recording.stage_shown)
    return shown


def in_sequence(things: Sequence[T], heard_of: Callable[[T], Heard]) -> list[T]:
    """Return recordings in the order of take where all have one, else of time where all have one, else of name."""
    takes = [heard_of(t).recording.take for t in things]
    times = [recorded_when(heard_of(t)) for t in things]
    by_take = None not in takes
    by_time = None not in times

    def key(index: int) -> tuple[float, datetime, tuple[tuple[int, str], ...]]:
        take, when = takes[index], times[index]
        return (
            float(take) if by_take and take is not None else math.inf,
            when if by_time and when is not None else datetime.min,
            _natural(heard_of(things[index]).recording.path),
        )

    return [things[i] for i in sorted(range(len(things)), key=key)]


# ---------------------------------------------------------------- order


def _stage_ranks(
    named: Sequence[_Named], settings: InstrumentSettings, notes: Notes
) -> tuple[dict[str, tuple[int, int]], list[Notice]]:
    bases = grouped(named, lambda n: n.base)
    whens = {base: _stage_when(group, notes) for base, group in bases.items()}
    numbers = {base: stage_number(base) for base in bases}
    listed = list(dict.fromkeys(identity(s.name) for s in settings.stage))
    dated = None not in whens.values()

    def rough(base: str) -> tuple[float, bool, datetime, tuple[tuple[int, str], ...]]:
        number, when = numbers[base], whens[base]
        first = math.inf if dated or number is None else number
        return (first, when is None, when or datetime.min, _natural(base))

    order = sorted(bases, key=rough)
    order = _in_their_places(
        order, sorted((b for b in order if numbers[b] is not None), key=lambda b: numbers[b] or 0)
    )
    order = _in_their_places(order, [b for b in listed if b in bases])
    ranks: dict[str, tuple[int, int]] = {}
    for n in named:
        ranks[n.stage] = (order.index(n.base), n.step)
    return ranks, _notice_by_name(bases, numbers, whens, listed)


def _in_their_places(order: Sequence[str], wanted: Sequence[str]) -> list[str]:
    # Only the stages that a rule orders change places among themselves. So a setting that gives one stage a concert
    # pitch does not move that stage to the front.
    rank = iter(wanted)
    some = set(wanted)
    return [next(rank) if base in some else base for base in order]


def _stage_when(group: Sequence[_Named], notes: Notes) -> datetime | None:
    first = group[0]
    note = notes.get((first.heard.recording.instrument, first.base))
    times = [when for when in (recorded_when(n.heard) for n in group) if when is not None]
    return (_parsed(note.date) if note else None) or min(times, default=None)


def _notice_by_name(
    bases: Mapping[str, Sequence[_Named]],
    numbers: Mapping[str, float | None],
    whens: Mapping[str, datetime | None],
    listed: Sequence[str],
) -> list[Notice]:
    notices = []
    shown = _shown_by_stage(n.heard for group in bases.values() for n in group)
    parts = sorted({n.heard.part for group in bases.values() for n in group}, key=_part_rank)
    for part in parts:
        of_part = [b for b, group in bases.items() if b not in listed and any(n.heard.part == part for n in group)]
        level = grouped(of_part, lambda b: (numbers[b], whens[b]))
        loose = [b for key, same in level.items() if len(same) > 1 or key == (None, None) for b in same]
        if loose and len(of_part) > 1:
            names = sorted((shown[b] for b in loose), key=_natural)
            notices.append(Notice("ordered by name", part=part, names=tuple(names)))
    return notices


# --------------------------------------------------------------- places


def _place_key(named: _Named) -> tuple[str, str, str]:
    return (named.heard.part, named.heard.state, named.stage)


def _place_of(
    group: Sequence[_Named], ranks: Mapping[str, tuple[int, int]], settings: InstrumentSettings, notes: Notes
) -> Place:
    first = group[0]
    heard = tuple(sorted((n.heard for n in group), key=lambda h: h.recording.path))
    setting = _stage_setting((first.stage, first.base), first.heard.part, settings)
    instrument = first.heard.recording.instrument
    return Place(
        part=first.heard.part,
        state=first.heard.state,
        stage=first.stage,
        stage_shown=first.stage_shown,
        order=1 + sorted(set(ranks.values())).index(ranks[first.stage]),
        concert_pitch_hz=(setting.concert_pitch_hz if setting else None) or settings.concert_pitch_hz,
        heard=heard,
        note=notes.get((instrument, first.stage)) or notes.get((instrument, first.base)),
    )


def _notice_states(places: Sequence[Place]) -> list[Notice]:
    held = grouped([p for p in places if p.state != COVERED], lambda p: (p.part, p.stage))
    return [
        Notice("several states", stage=same[0].stage_shown, part=same[0].part, names=tuple(p.state for p in same))
        for same in held.values()
        if len(same) > 1
    ]


# ----------------------------------------------------------------- small


def grouped(things: Iterable[T], key: Callable[[T], K]) -> dict[K, list[T]]:
    """Return things by their key, each group in the order given.

    Examples
    --------
    >>> grouped([1, 2, 3], lambda n: n % 2)
    {1: [1, 3], 0: [2]}
    """
    groups: dict[K, list[T]] = {}
    for thing in things:
        groups.setdefault(key(thing), []).append(thing)
    return groups


def _natural(text: str) -> tuple[tuple[int, str], ...]:
    # 'step 10' comes after 'step 9'.
    return tuple((int(p), "") if p.isdecimal() else (-1, p) for p in re.split(r"([0-9]+)", text) if p)


def _parsed(text: str) -> datetime | None:
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        return None
    return when.astimezone(UTC).replace(tzinfo=None) if when.tzinfo else when
