"""How far still, said to a person: which landing, the steps to it, and whether the next would pass it.

Conventions: chances are said in whole per cent, never as none or certain. Only a cut is called one; other work is a
step.
"""

from __future__ import annotations

import re

from tapbatch.compare.cuts import Work
from tapbatch.compare.stage import ENOUGH_TAPS
from tapbatch.compare.steps import FEWEST_STEPS
from tapbatch.model.history import Landing
from tapbatch.show.say import figures, words


def landing_name(landing: Landing) -> str:
    """Say which landing, such as ``target A3`` or ``next note above C#4``."""
    kind = "target" if landing.landing == "target" else "next note"
    return f"{kind} {note_shown(landing)}"


def note_shown(landing: Landing) -> str:
    """Return the note of a landing with its cents apart, such as ``A3`` or ``G3 +9 c``."""
    return re.sub(r"(?<=\d)([-+]\d+)$", r" \1 c", landing.landing_note)


def target_hz_text(landing: Landing) -> str:
    """Say which frequency a target is, such as ``A3 is 220.00 Hz``; empty for the next notes."""
    return f"{note_shown(landing)} is {landing.landing_hz:.2f} Hz" if landing.landing == "target" else ""


def to_go_text(landing: Landing) -> str:
    """Say how far it is to a landing.

    Such as ``12.3 c to rise`` to a target, ``12.3 c up`` to a note, ``past it by 12.3 c`` or ``there, surely``.
    """
    if landing.on_target != "no":
        sure = "surely" if landing.on_target == "sure" else "likely"
        return f"there, {sure} ({figures.signed(f'{landing.cents_to_go:z.1f}')} c)"
    if landing.no_forecast == "past" and landing.landing == "target":
        return f"past it by {abs(landing.cents_to_go):.1f} c"
    ways = ("to rise", "to fall") if landing.landing == "target" else ("up", "down")
    return f"{abs(landing.cents_to_go):.1f} c {ways[landing.cents_to_go <= 0]}"


def next_parts(landing: Landing, *, work: Work) -> tuple[str, str]:
    """Return what the next such cut would do, such as ``next such cut +21 c (+14 to +28)``, and why no more is said.

    Each is empty where there is nothing to say. Only a cut is called one: ``work`` is what led to the latest stage.
    """
    text = figures.change_text(landing.step_cents, landing.step_low_cents, landing.step_high_cents, 1, "c")
    if not text and landing.no_forecast in ("", "few steps"):
        return "", _UNKNOWN[work].format(few=FEWEST_STEPS, seen=landing.steps_seen)
    name = "next such cut" if work == "cut" else "next such step"
    # Before the first cut, what led to the stage was other work.
    name = name if landing.steps_seen else "first cut"
    return f"{name} {text}" if text else "", no_forecast_text(landing)


_UNKNOWN: dict[Work, str] = {
    "cut": "no forecast yet: {few} such cuts are needed, {seen} so far",
    "other": "no forecast, no cut led here",
    "unknown": "no forecast, the notes do not name the work",
}


def no_forecast_text(landing: Landing) -> str:
    """Say why there is no forecast, such as ``no forecast under string tension``; empty where there is one.

    That too few steps are known depends on the work, and is said by :func:`next_parts`.
    """
    match landing.no_forecast:
        case "points":
            return f"no forecast: {no_forecast_cell(landing)}"
        case "on target":
            return "more of this work would only move it away again"
        case "strung":
            return "no forecast under string tension"
        case "both ways":
            return "no forecast: earlier ones went both ways"
        case "fault":
            return f"no forecast while this stands: {no_forecast_cell(landing)}"
        case "past" | "away":
            return _leads_away(landing)
        case "beyond" if landing.opening is not None and landing.opening.out_of_reach:
            return "no opening gets there" if landing.cents_to_go > 0 else "only a smaller opening leads there"
        case "beyond":
            return "farther than these steps can tell"
        case _:
            return ""


def no_forecast_cell(landing: Landing) -> str:
    """Say why there is no forecast in a few words for a table cell, such as ``past it``; empty where there is one."""
    match landing.no_forecast:
        case "few steps":
            return steps_seen_text(landing)
        case "points" if landing.moves_with:
            return "the two never at one point"
        case "fault":
            return ", ".join(map(words.flag_text, landing.faults))
        case _:
            return _IN_A_CELL.get(landing.no_forecast, "")


_IN_A_CELL = {
    "on target": "on target",
    "strung": "under string tension",
    "points": "no point in common",
    "both ways": "earlier ones went both ways",
    "past": "past it",
    "away": "leads away",
    "beyond": "too far to tell",
}


def _leads_away(landing: Landing) -> str:
    if not landing.work_way:
        return "this work carried it past"
    if landing.moves_with:
        return "this work leads farther off"
    does = "raises" if landing.work_way == "up" else "lowers"
    return f"this work {does} it{' further' if landing.no_forecast == 'past' else ', away from there'}"


def steps_seen_text(landing: Landing) -> str:
    """Say how many similar steps there are to learn from, such as ``1 of 3 similar steps so far``."""
    return f"{landing.steps_seen} of {FEWEST_STEPS} similar steps so far"


def way_text(landing: Landing, *, work: Work = "unknown") -> str:
    """Say how many steps lead to a landing, such as ``about 2 cuts``; empty where that is not known."""
    if landing.steps_to_go is None:
        return ""
    name, count = "cut" if work == "cut" else "step", round(landing.steps_to_go)
    return f"about {count} {name}{'' if count == 1 else 's'}" if count else f"less than one {name}"


def chance_text(landing: Landing) -> str:
    """Say the chance that the next step passes a landing, such as ``17 % chance to overshoot by 3 c``.

    Empty if it is not known.
    """
    if landing.overshoot is None:
        return ""
    what = "leave it" if landing.reads_on else f"overshoot by {landing.tolerance_cents:g} c"
    return f"{figures.chance_text(landing.overshoot)} chance to {what}"


def sure_text(landing: Landing) -> str:
    """Say what would make a mode that reads on a landing surely so, such as ``about 4 more taps would make it sure``.

    Empty if it is sure, if it does not read on the landing, or if fewer than three taps say how well they repeat.
    """
    if landing.on_target == "sure" or not landing.reads_on or landing.taps < ENOUGH_TAPS:
        return ""
    if landing.taps_to_sure is None:
        return "more taps are not likely to make it sure"
    return f"about {landing.taps_to_sure} more tap{'' if landing.taps_to_sure == 1 else 's'} would make it sure"


def way_parts(landing: Landing, *, work: Work, reason: bool = True) -> list[str]:
    """Return what is said of the way to a landing: what would make it sure, the next step, how many, the reason.

    Without ``reason``, why there is no forecast is left out.
    """
    step, why = next_parts(landing, work=work)
    why = why if reason else ""
    after = [why, step] if landing.no_forecast in ("past", "away") else [step, why]
    return [part for part in (sure_text(landing), *after, way_text(landing, work=work)) if part]
