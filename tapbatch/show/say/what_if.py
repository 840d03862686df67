"""What if, said to a person: what changes, where a mode would come to rest, what that rests on, or why nobody knows.

Conventions: what will be afterwards is said first, from what it is now. Nothing is recommended. Cents are given with
their 95 % interval.
"""

from __future__ import annotations

from collections.abc import Iterable

from tapbatch.compare.step_forecast import plural
from tapbatch.compare.steps import FEWEST_STEPS
from tapbatch.model.history import Extent
from tapbatch.model.opening import Size
from tapbatch.model.pitch import Spelling, cents_between, hz_to_note
from tapbatch.model.what_if import (
    Aim,
    Answer,
    Board,
    Box,
    Change,
    Effect,
    Load,
    Rest,
    Slide,
    SlideLine,
    Unknown,
    What,
)
from tapbatch.model.wood import Figure
from tapbatch.show.say.figures import change_text, signed
from tapbatch.show.say.lists import count_text, joined_text

NOTHING_ADVISED = "Nothing was written, and nothing is recommended: you decide, and you cut."

PITCH_CAUTION = (
    "not if bars, bridge or glue are doubtful; slacken and tighten evenly, a little each; with a floating bridge "
    "never all at once, the post may fall; never cut under tension; eyes away"
)
"""The cautions of a change of string tension."""

CUT_CAUTION = "The strings are on: slacken them before you cut, never cut under tension, eyes away."

SHOWN: dict[What, str] = {
    "opening": "opening",
    "thickness": "thickness",
    "grams": "taken off",
    "pitch": "strings",
    "temperature": "temperature",
}

_SETTLED: dict[Unknown, str] = {
    "opening not noted": "what the opening is now is not in the notes",
    "thickness not noted": "what the thickness is now is not in the notes",
    "temperature not noted": "how warm it is now is not in the notes",
    "pitch not noted": "the pitch of the strings now is not in the notes",
    "not strung": "the strings are not on yet",
    "strung": "under string tension no cut was seen by itself",
    "fault": "a flag spoils the reading, or something else moved it too",
    "points": "the steps so far have no tapping point in common",
    "both ways": "this work went both ways on the earlier ones",
    "box": "more than four times the opening, or less than a quarter of it, is not foreseen",
    "beyond": "farther than all steps so far together",
    "wood": "the taps do not tell enough of this wood",
    "too thin": "less than half of today's thickness is not foreseen",
    "not aimed": "only along, across and twist are foreseen",
    "string": "strings drift with the weather, and are tuned again",
}


def change_line(change: Change) -> str:
    """Say what will be otherwise, such as ``opening: from 82 to 84 mm across``.

    Examples
    --------
    >>> change_line(Change(what="grams", before=384.0, after=382.0, taken_g=2.0))
    'taken off: 2 g, from 384 to 382 g'
    >>> change_line(Change(what="temperature", before=None, after=25.0))
    'temperature: to 25 C; what it is now is not noted'
    >>> change_line(Change(what="opening", before=420.0, after=480.0, size_before=Size(70.0, 6.0, 420.0),
    ...                    size_after=Size(80.0, 6.0, 480.0)))
    'opening: from 6 x 70 to 6 x 80 mm (420 to 480 mm2)'
    """
    name = SHOWN[change.what]
    if change.what == "grams":
        left = "" if change.before is None else f", from {_plain(change.before)} to {_plain(change.after)} g"
        return f"{name}: {_plain(change.taken_g)} g{left}"
    if change.size_after is not None:
        return f"{name}: {_opening_text(change, change.size_after)}"
    unit = _UNITS[change.what]
    if change.before is None:
        return f"{name}: to {_plain(change.after)} {unit}; {_NOT_NOTED}"
    return f"{name}: from {_plain(change.before)} to {_plain(change.after)} {unit}"


_NOT_NOTED = "what it is now is not noted"


def _opening_text(change: Change, after: Size) -> str:
    before, each = change.size_before, f", each of {change.count}" if change.count > 1 else ""
    if before is None:
        return f"to {_sides(after)} mm{_across(after)}{each}; {_NOT_NOTED}"
    across = _across(before) if bool(before.width_mm) == bool(after.width_mm) else ""
    told = f"from {_sides(before)} to {_sides(after)} mm{across or _across(after)}{each}"
    areas = f" ({before.area_mm2:.0f} to {after.area_mm2:.0f} mm2)" if before.width_mm or after.width_mm else ""
    return f"{told}{areas}"


def _sides(size: Size) -> str:
    return f"{_plain(size.width_mm)} x {_plain(size.length_mm)}" if size.width_mm else _plain(size.length_mm)


def _across(size: Size) -> str:
    return "" if size.width_mm else " across"


_UNITS: dict[What, str] = {"thickness": "mm", "pitch": "Hz", "temperature": "C"}


def _plain(value: float | None) -> str:
    return "" if value is None else f"{round(value, 2):.6g}"


def moved_text(rest: Rest) -> str:
    """Say how far a mode would move, such as ``+12 c (+8 to +16)``; empty where nobody knows."""
    moved = rest.moved
    return "" if moved is None else change_text(moved.cents, moved.low, moved.high, 1, "c")


def note_text(freq_hz: float, concert_pitch_hz: float, spelling: Spelling) -> str:
    """Return the note of a frequency and how far off it is, in whole cents.

    Examples
    --------
    >>> note_text(445.0, 440.0, "sharp")
    'A4 +20 c'
    """
    note, cents = hz_to_note(freq_hz, concert_pitch_hz, spelling)
    return f"{note} {signed(f'{cents:z.0f}')} c"


def aim_text(aim: Aim) -> str:
    """Say where a mode would lie by a target, such as ``target A3: 4 c below it (-9 to +1)``.

    Examples
    --------
    >>> from tapbatch.model.history import Extent
    >>> aim_text(Aim(note="A3", freq_hz=220.0, left=Extent(-4.0, -9.2, 1.1)))
    'target A3: 4 c below it (-9 to +1)'
    """
    side = "above" if aim.left.cents > 0 else "below"
    bounds = f"({signed(f'{aim.left.low:z.0f}')} to {signed(f'{aim.left.high:z.0f}')})"
    return f"target {aim.note}: {abs(aim.left.cents):z.0f} c {side} it {bounds}"


def against_text(rest: Rest) -> str:
    """Say that steps and the model of the box disagree; empty where they do not."""
    against = next((e.against for e in rest.effects if e.against is not None), None)
    if against is None:
        return ""
    steps = change_text(against.cents, against.low, against.high, 1, "c")
    return f"the steps alone say {steps}, the model of the box otherwise: the interval holds both"


def unknown_text(effect: Effect) -> str:
    """Say why nobody knows what a change does to a mode."""
    match effect.unknown:
        case "":
            return ""
        case "few steps":
            what = _STEPS[effect.what]
            return f"{FEWEST_STEPS} steps with {what} in the notes are needed, {effect.seen} so far"
        case _:
            return _SETTLED[effect.unknown]


_STEPS: dict[What, str] = {"opening": "the opening", "grams": "grams", "thickness": "the thickness"}


def rests_on(effect: Effect, part: str, box: Box | None = None) -> str:
    """Say what the effect of a change rests on.

    Examples
    --------
    >>> from tapbatch.model.history import Extent
    >>> rests_on(Effect(what="opening", extent=Extent(9.0, 5.0, 12.0), seen=6), "body")
    '6 steps here, by the area of the opening'
    """
    if effect.extent is None:
        return ""
    if effect.by_box and box is not None:
        return _box_text(box) if effect.what == "opening" else "the share of air that the model of the box has"
    match effect.what:
        case "pitch":
            return "an assumption: a mode moves a cent at most, either way, for each per cent of pull"
        case "temperature":
            return "air rises by about 3 c a kelvin and wood falls by 2; how much of a mode is air is not known"
        case _ if part == "blank":
            return "the model of this board"
        case _:
            return f"{_seen(effect)}, by {_BY[effect.what]}"


def _box_text(box: Box) -> str:
    """Say what the model of a box rests on.

    Examples
    --------
    >>> _box_text(Box(openings=7, covered=5, volume_l=4.2))
    'the model of the box, from 7 openings, 5 covered taps and its volume'
    """
    known = [count_text(box.openings, "opening")]
    known += [count_text(box.covered, "covered tap")] if box.covered else []
    known += ["its volume"] if box.volume_l is not None else []
    return f"the model of the box, from {joined_text(known)}"


_BY: dict[What, str] = {
    "opening": "the area of the opening",
    "grams": "grams taken off",
    "thickness": "thickness taken off",
}


def _seen(effect: Effect) -> str:
    here = f"{count_text(effect.seen, 'step')} here"
    if not effect.instruments:
        return here
    earlier = f"{effect.instruments} earlier {plural(effect.family)}"
    return f"{earlier} and {here}" if effect.seen else f"{earlier} alone"


def load_line(load: Load, change: Change, *, strung: bool = True) -> str:
    """Say what another pitch does to the pull of the strings, with its caution.

    Without ``strung`` there are no strings on yet.

    Examples
    --------
    >>> change = Change(what="pitch", before=415.0, after=440.0)
    >>> load_line(Load(more_pct=12.4, before_n=310.2, after_n=348.7), change)[:60]
    '440 from 415 pulls 12 % more (310 to 349 N in all): not if b'
    """
    newtons = ""
    if load.after_n is not None:
        newtons = f"{load.after_n:.0f} N in all"
        newtons = f" ({load.before_n:.0f} to {newtons})" if load.before_n is not None else f" ({newtons})"
    if load.more_pct is None or change.before is None:
        pulls = "how much more that pulls is not known" if strung else "that brings the whole load on"
        return f"{_plain(change.after)} Hz, {pulls}{newtons}: {PITCH_CAUTION}."
    way = "more" if load.more_pct >= 0 else "less"
    pulls = f"{_plain(change.after)} from {_plain(change.before)} pulls {abs(load.more_pct):.0f} % {way}"
    return f"{pulls}{newtons}: {PITCH_CAUTION}."


def board_line(board: Board) -> str:
    """Say what a planed board weighs and how stiff it is per width."""
    told = [f"it would weigh {board.mass_g:.0f} g"]
    for name, figure in (("along", board.along_n_m), ("across", board.across_n_m)):
        told += [f"stiffness {name} {_figure(figure)} N m"] if figure else []
    return ", ".join(told)


def _figure(figure: Figure) -> str:
    return f"{figure.value:.3g} ({figure.low:.3g} to {figure.high:.3g})"


def bases(answer: Answer) -> list[str]:
    """Say what the effects of each change rest on, such as ``opening: 6 steps here, by the area of the opening``.

    If it is not the same for all modes, the modes are named.
    """
    told: list[str] = []
    for n, change in enumerate(answer.changes):
        known = [(rest.mode, rest.effects[n]) for rest in answer.rests if rest.moved is not None]
        for text, modes in _by_text(known, answer.part, answer.box).items():
            whose = f" of {modes}" if modes else ""
            told.append(f"{SHOWN[change.what]}{whose}: {text}")
    return told


def _by_text(effects: Iterable[tuple[str, Effect]], part: str, box: Box | None) -> dict[str, str]:
    """Return what effects rest on, each with the modes it holds for; without them if all rest on the same."""
    modes: dict[str, list[str]] = {}
    for mode, effect in effects:
        if text := rests_on(effect, part, box):
            modes.setdefault(text, []).append(mode)
    return {text: ", ".join(each) if len(modes) > 1 else "" for text, each in modes.items()}


def why_not(effects: Iterable[Effect]) -> str:
    """Say why nobody knows where a mode would come to rest: the reason of each change."""
    reasons = dict.fromkeys(text for e in effects if (text := unknown_text(e)))
    return "; ".join(reasons)


# ----------------------------------------------------------------- the slider

SLIDE_NAME = "What a wider opening would do"
SLIDE_MARKS = (
    "Dots: the stages so far. Line and pale band: where a mode would come to rest, 19 times out of 20. Stop short of "
    "what you ask for, and tap: wood cannot be put back."
)


def size_text(slide: Slide, n: int) -> str:
    """Say one of the openings of a slide, such as ``40 mm across``; the first is as it is now."""
    opening = slide.openings[n]
    told = f"{_sides(opening)} mm{_across(opening)}"
    told = f"{told} ({opening.area_mm2:.0f} mm2)" if opening.width_mm else told
    return f"{told}, as it is now" if n == 0 else told


def place_text(slide: Slide, line: SlideLine, n: int) -> str:
    """Say where a mode would come to rest at one of the openings of a slide.

    Such as ``air A3 +12 c, +32 c (+30 to +34); target A3: 12 c above it (+10 to +13)``.
    """
    place = line.places_hz[n]
    if place is None:
        return f"{line.mode}: {unknown_text(line.effect) or _SETTLED['beyond']}"
    low, middle, high = (cents_between(line.freq_hz, hz) for hz in place)
    then = note_text(place[1], slide.concert_pitch_hz, slide.spelling)
    moved = change_text(middle, low, high, 1, "c")
    # Nothing moves with the opening as it is: what is left is how well the reading is known.
    moved = moved if n else f"as read ({moved.partition('(')[2]}"
    told = [f"{line.mode} {then}, {moved}"]
    for note, hz in line.aims:
        below = Extent(*(cents_between(hz, each) for each in (place[1], place[0], place[2])))
        told.append(aim_text(Aim(note=note, freq_hz=hz, left=below)))
    return "; ".join(told)


def slide_basis(slide: Slide) -> str:
    """Say what a slide rests on, and of which modes steps and box surely disagree at its end."""
    by_text = _by_text(((line.mode, line.effect) for line in slide.lines), slide.part, slide.box)
    texts = [f"{modes}: {text}" if modes else text for text, modes in by_text.items()]
    apart = ", ".join(line.mode for line in slide.lines if line.effect.against is not None)
    both = f" Steps and the model of the box disagree on {apart}: the interval holds both." if apart else ""
    rests = f"It rests on {texts[0]}." if len(texts) == 1 else f"What it rests on: {'; '.join(texts)}."
    return f"{rests}{both}"
