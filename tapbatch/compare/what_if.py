"""What if: where the modes of a part would come to rest if something were otherwise.

Conventions: everything is about the latest stage that has modes, and effects are in cents from today's reading. The
effects of several changes are added, as if each were independent of the others; where one of them is not known,
neither is the sum. The interval holds the error of today's reading, set up anew where that is known.

- Opening: by the model of the box where one is known (:mod:`tapbatch.compare.what_if_opening`), for the modes that it
  has; otherwise by steps of that amount, as grams are (:mod:`tapbatch.compare.step_amount`). If the intervals of both
  leave each other out, each counts as likely as the other, and that is told.
- Thickness: a blank by the model of its board (:mod:`tapbatch.wood.thickness`), of which grams come off evenly; other
  parts by steps per millimetre.
- Temperature: the air in a box rises by 2.95 cents a kelvin if its moisture stays, by 3.15 if the relative humidity
  does; wood falls by some 2.0 (:mod:`tapbatch.compare.weighing`). A mode takes part in both by its share of air. That
  is none on a plate by itself. The model of a box tells it. Without one it is not known: more than half for a mode of
  kind ``air``, less than half for a ``plate``, and anything for a mode without a kind.
- Pitch of the strings: a mode of kind ``string`` goes with it. No formula says what the pull does to a body: it is
  assumed that a mode moves by a cent at most, either way, for each per cent (:mod:`tapbatch.compare.weighing`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tapbatch.box.growth import Hole
from tapbatch.box.known import KnownBox
from tapbatch.compare.blank import BLANK
from tapbatch.compare.box_known import box_known
from tapbatch.compare.conditions import tension_pct
from tapbatch.compare.spread import Spread
from tapbatch.compare.step_amount import Known, Steps, Told
from tapbatch.compare.step_forecast import Elders
from tapbatch.compare.tension import total_tension_n
from tapbatch.compare.weighing import CENTS_A_PCT_OF_TENSION
from tapbatch.compare.what_if_opening import air_shares, by_box, is_within, opening_now, opening_then, size_of
from tapbatch.compare.what_if_spreads import extent_of, mixed, normal, summed, warmth
from tapbatch.model.history import Extent, History, Landing, Stage, StageMode
from tapbatch.model.names import identity
from tapbatch.model.pitch import CENTS, cents_between
from tapbatch.model.settings import InstrumentSettings
from tapbatch.model.what_if import Aim, Answer, Asked, Board, Box, Change, Effect, Load, Rest, Unknown, What
from tapbatch.model.wood import WoodFigures
from tapbatch.wood.thickness import THINNEST, AtThickness, at_thicknesses

Z_95 = 1.959964

_SHARES: dict[str, tuple[float, float]] = {"air": (0.5, 1.0), "plate": (0.0, 0.5), "": (0.0, 1.0)}
_POINTS = 11


@dataclass(frozen=True, slots=True)
class Seen:
    """What is known of the part that is asked about: its latest stage, its steps, and its settings."""

    history: History
    steps: Steps
    settings: InstrumentSettings
    box: KnownBox | None = None

    @property
    def box_told(self) -> Box | None:
        """What the model of the box rests on."""
        box = self.box
        if box is None:
            return None
        openings = len({round(area, 1) for area in box.areas_mm2})
        return Box(openings=openings, covered=box.covered_taps, volume_l=box.volume_l)

    @property
    def stage(self) -> Stage:
        """The latest stage that has modes."""
        return self.steps.stages[-1]

    def kind(self, mode: str) -> str:
        """Return the kind that the settings give a mode, empty if none."""
        part = self.stage.part
        found = (
            m.kind for m in self.settings.mode if identity(m.part) == part and identity(m.label) == identity(mode)
        )
        return next(found, "")


def seen_of(history: History, settings: InstrumentSettings, elders: Elders) -> Seen | None:
    """Return what is known of the part that was recorded last; ``None`` if no stage has modes."""
    with_modes = [s for s in history.stages if s.modes]
    if not with_modes:
        return None
    # Of two parts equally late the body counts, which comes last.
    part = max(enumerate(with_modes), key=lambda pair: (pair[1].order, pair[0]))[1].part
    steps = Steps(
        tuple(s for s in with_modes if s.part == part),
        tuple(d for d in history.drifts if d.part == part),
        settings.steady_cents,
        (history.setup_cents or 0.0) ** 2,
        elders,
    )
    box = box_known(steps.stages, settings, history.covered_of(part))
    return Seen(history, steps, settings, box if isinstance(box, KnownBox) else None)


def answer(seen: Seen, asked: Asked) -> Answer:
    """Return what would come of it.

    Parameters
    ----------
    seen
        What is known of the part.
    asked
        What will be afterwards; one thing at least.
    """
    changes = tuple(changes_of(seen, asked))
    planed = _planed(seen, changes)
    then = _Then(planed, opening_then(opening_now(seen.steps.stages, seen.settings), asked))
    works_on = [w.mode for w in seen.history.working_on(seen.stage.part, seen.stage.stage)]
    modes = sorted(seen.stage.modes, key=lambda m: (m.mode not in works_on, -m.level_db))
    rests = tuple(_rest(seen, mode, changes, then, mode.mode in works_on) for mode in modes)
    load = next((_load(seen, change) for change in changes if change.what == "pitch"), None)
    board = Board(
        mass_g=planed.mass_g, along_n_m=planed.stiffness_along_n_m, across_n_m=planed.stiffness_across_n_m
    ) if planed else None  # fmt: skip
    return Answer(
        instrument_shown=seen.history.instrument_shown,
        part=seen.stage.part,
        stage_shown=seen.stage.stage_shown,
        state=seen.stage.state,
        concert_pitch_hz=seen.stage.concert_pitch_hz,
        spelling=seen.settings.spelling,
        changes=changes,
        rests=rests,
        load=load,
        board=board,
        box=seen.box_told,
    )


# ------------------------------------------------------------ what changes


def changes_of(seen: Seen, asked: Asked) -> Iterator[Change]:
    """Yield what will be otherwise, each with its value now, in a fixed order."""
    note = seen.stage.note
    now = opening_now(seen.steps.stages, seen.settings)
    then = opening_then(now, asked)
    if then is not None:
        before = now.area_mm2 if now else None
        sizes = size_of(now), size_of(then)
        yield Change(
            what="opening", before=before, after=then.area_mm2, size_before=sizes[0], size_after=sizes[1],
            count=then.count,
        )  # fmt: skip
    if asked.thickness_mm is not None:
        yield Change(what="thickness", before=thickness_now(seen), after=asked.thickness_mm)
    if asked.take_off_g is not None:
        mass = note.mass_g if note else None
        left = mass - asked.take_off_g if mass is not None else None
        yield Change(what="grams", before=mass, after=left, taken_g=asked.take_off_g)
    if asked.pitch_hz is not None:
        yield Change(what="pitch", before=pitch_now(seen), after=asked.pitch_hz)
    if asked.temperature_c is not None:
        yield Change(what="temperature", before=note.temperature_c if note else None, after=asked.temperature_c)


def thickness_now(seen: Seen) -> float | None:
    """Return the thickness that is noted for the latest stage, as the mean of its readings; ``None`` without any."""
    noted = seen.stage.note.thickness_mm if seen.stage.note else ()
    return sum(noted) / len(noted) if noted else None


def pitch_now(seen: Seen) -> float | None:
    """Return the A4 to which the strings are tuned at the latest stage; ``None`` if there are none on, or no note."""
    stage = seen.stage
    if stage.state != "strung":
        return None
    noted = stage.note.string_pitch_hz if stage.note else None
    return noted or stage.playing_pitch_hz


def _load(seen: Seen, change: Change) -> Load:
    assert change.after is not None
    before = change.before
    return Load(
        more_pct=tension_pct(before, change.after) if before else None,
        before_n=total_tension_n(seen.settings, before) if before else None,
        after_n=total_tension_n(seen.settings, change.after),
    )


# ----------------------------------------------------------- what comes of it


@dataclass(frozen=True, slots=True)
class _Then:
    """A blank as it will be once planed, and the opening of a box as it will be; ``None`` for what stays."""

    planed: AtThickness | None
    hole: Hole | None


@dataclass(frozen=True, slots=True)
class _Moved:
    """What one change does to a mode: a spread in cents, or the reason; ``placed`` if today's error is in it."""

    what: What
    spread: Spread | None = None
    placed: bool = False
    unknown: Unknown | None = None
    told: Told | None = None
    by_box: bool = False
    against: Extent | None = None


def _rest(seen: Seen, mode: StageMode, changes: Sequence[Change], then: _Then, works_on: bool) -> Rest:
    moved = [_moved(seen, mode, change, then) for change in changes]
    wood = seen.stage.wood
    rest = Rest(
        mode=mode.mode, freq_hz=mode.freq_hz, worked_on=works_on, effects=tuple(map(_effect, moved)),
        aimed=(wood.aim_of(mode.mode) or "") if wood else "",
    )  # fmt: skip
    if any(m.spread is None for m in moved):
        return rest
    extent = extent_of(_with_reading(mode, moved))
    return replace(rest, moved=extent, aims=tuple(_aims(seen.history, mode, extent)))


def _with_reading(mode: StageMode, moved: Sequence[_Moved]) -> Spread:
    """Return all changes together, with the error of today's reading."""
    spreads = [m.spread for m in moved if m.spread is not None and not m.placed]
    # The error of today's reading counts once.
    for n, each in enumerate(m for m in moved if m.placed):
        alone = each.told.step if n and each.told else each.spread
        spreads += [alone] if alone is not None else []
    if not any(m.placed for m in moved):
        spreads.append(normal(0.0, (half_now(mode) / Z_95) ** 2))
    return summed(spreads)


def _moved(seen: Seen, mode: StageMode, change: Change, then: _Then) -> _Moved:
    match change.what:
        case "opening":
            return _by_opening(seen, mode, change, then.hole)
        case "thickness" | "grams":
            return _by_wood(seen, mode.mode, change, then.planed)
        case "pitch":
            return _by_pitch(seen, mode.mode, change)
        case "temperature":
            return _by_warmth(seen, mode.mode, change)


def _effect(moved: _Moved) -> Effect:
    extent = extent_of(moved.spread) if moved.spread else None
    told = moved.told
    return Effect(
        what=moved.what,
        extent=extent,
        unknown=moved.unknown or "",
        seen=told.steps if told else 0,
        instruments=told.instruments if told else 0,
        family=told.family if told else "",
        by_box=moved.by_box,
        against=moved.against,
    )


def opening_effect(seen: Seen, known: Known, mode: StageMode, then: Hole, doublings: float) -> Effect:
    """Return where a mode comes to rest with an opening, in cents from today's reading with the error of that.

    Parameters
    ----------
    seen
        What is known of the part.
    known
        The steps of the mode by area.
    mode
        As it is now.
    then
        The opening as it will be.
    doublings
        How many times its area doubles.
    """
    moved = _opened(seen, known, mode, then, doublings)
    if moved.spread is None:
        return _effect(moved)
    return replace(_effect(moved), extent=extent_of(_with_reading(mode, [moved])))


def _opened(seen: Seen, known: Known, mode: StageMode, then: Hole, doublings: float) -> _Moved:
    told = known.effect(doublings)
    box = seen.box
    if box is None or mode.mode not in box.modes:
        return _by_steps("opening", told)
    if not is_within(box, then):
        return _Moved("opening", unknown="box")
    spread = by_box(box, mode.mode, mode.freq_hz, then)
    moved = _Moved("opening", spread, placed=True, by_box=True)
    steps = told.landing
    if steps is None:
        return moved
    by_model, by_history = extent_of(spread), extent_of(steps)
    if by_model.low <= by_history.high and by_history.low <= by_model.high:
        return moved
    # Neither has earned to be trusted more than the other.
    return replace(moved, spread=mixed(spread, steps), against=by_history)


def _by_opening(seen: Seen, mode: StageMode, change: Change, then: Hole | None) -> _Moved:
    if not change.before or not change.after or then is None:
        return _Moved("opening", unknown="opening not noted")
    doublings = math.log2(change.after / change.before)
    return _opened(seen, seen.steps.known(mode.mode, "doubling"), mode, then, doublings)


def _by_wood(seen: Seen, mode: str, change: Change, planed: AtThickness | None) -> _Moved:
    if seen.stage.part == BLANK and change.what in ("thickness", "grams"):
        return _by_board(seen, mode, change.what, planed)
    if change.what == "grams":
        assert change.taken_g is not None
        return _by_steps("grams", seen.steps.known(mode, "gram").effect(change.taken_g))
    if change.before is None or change.after is None:
        return _Moved("thickness", unknown="thickness not noted")
    return _by_steps("thickness", seen.steps.known(mode, "millimetre").effect(change.before - change.after))


def _by_steps(what: What, told: Told) -> _Moved:
    spread = told.landing or told.step
    return _Moved(what, spread, placed=told.landing is not None, unknown=told.unknown, told=told)


def _by_pitch(seen: Seen, mode: str, change: Change) -> _Moved:
    assert change.after is not None
    if seen.stage.state != "strung":
        return _Moved("pitch", unknown="not strung")
    if change.before is None:
        return _Moved("pitch", unknown="pitch not noted")
    if seen.kind(mode) == "string":
        return _Moved("pitch", normal(cents_between(change.before, change.after), 0.0))
    at_most = CENTS_A_PCT_OF_TENSION * abs(tension_pct(change.before, change.after))
    return _Moved("pitch", normal(0.0, (at_most / Z_95) ** 2))


def _by_warmth(seen: Seen, mode: str, change: Change) -> _Moved:
    before, after, kind = change.before, change.after, seen.kind(mode)
    if before is None or after is None:
        return _Moved("temperature", unknown="temperature not noted")
    if kind == "string":
        return _Moved("temperature", unknown="string")
    low, high = _SHARES[kind] if _is_box(seen.stage) else (0.0, 0.0)
    shares, by_model = np.linspace(low, high, _POINTS), seen.box is not None and mode in seen.box.modes
    if seen.box is not None and by_model:
        shares = air_shares(seen.box, mode)
    pct = seen.stage.note.humidity_pct if seen.stage.note else None
    return _Moved("temperature", warmth(before, after, shares, pct), by_box=by_model)


def _is_box(stage: Stage) -> bool:
    return stage.part == "body" and stage.state != "free"


# ----------------------------------------------------------------- a blank


def _planed(seen: Seen, changes: Sequence[Change]) -> AtThickness | None:
    """Return what a blank becomes, at a thickness or with grams off; ``None`` if nobody can say."""
    wood = seen.stage.wood
    if seen.stage.part != BLANK or wood is None or not wood.thickness_mm:
        return None
    thickness = wood.thickness_mm
    for change in changes:
        if change.what == "thickness":
            thickness = change.after or thickness
        elif change.what == "grams" and change.taken_g is not None and wood.mass_g:
            # Evenly off all over.
            thickness -= wood.thickness_mm * change.taken_g / wood.mass_g
    if thickness == wood.thickness_mm or thickness < THINNEST * wood.thickness_mm:
        return None
    return next(iter(at_thicknesses(wood, [thickness])), None)


def _by_board(seen: Seen, mode: str, what: What, planed: AtThickness | None) -> _Moved:
    wood = seen.stage.wood
    if planed is None or wood is None:
        return _Moved(what, unknown="too thin" if wood is not None and wood.constants else "wood")
    figure = planed_mode(wood, planed, mode)
    if figure is None:
        return _Moved(what, unknown="not aimed")
    was, value, low, high = figure
    sd = CENTS * math.log(high / low) / (2.0 * Z_95)
    return _Moved(what, normal(cents_between(was, value), sd**2))


def planed_mode(wood: WoodFigures, planed: AtThickness, mode: str) -> tuple[float, float, float, float] | None:
    """Return where a mode of a blank is, where it will be, and the ends of that, in hertz; ``None`` if not told."""
    named = next((m for m in wood.modes if m.mode == mode), None)
    aim = wood.aim_of(mode)
    figure = planed.modes.get(aim) if aim else None
    return (named.freq_hz, figure.value, figure.low, figure.high) if named and figure else None


# ------------------------------------------------------------------ readings


def half_now(mode: StageMode) -> float:
    """Return half of the interval of today's reading, in cents: set up anew if that is known."""
    halves = (mode.half_anew_cents, mode.half_cents)
    return next((half for half in halves if half is not None and math.isfinite(half)), 0.0)


def _aims(history: History, mode: StageMode, moved: Extent) -> Iterator[Aim]:
    for landing in targets_of_mode(history, mode.mode):
        to_go = landing.cents_to_go
        left = Extent(moved.cents - to_go, moved.low - to_go, moved.high - to_go)
        yield Aim(note=landing.landing_note, freq_hz=landing.landing_hz, left=left)


def targets_of_mode(history: History, mode: str) -> list[Landing]:
    """Return the targets of a mode; not those that move with another mode."""
    return [c for c in history.landings if c.mode == mode and c.landing == "target" and not c.moves_with]
