"""How far still, said to a person: which landing, the steps to it, and whether the next would pass it.

Conventions: chances are said in whole per cent, never as none or certain.
"""

from __future__ import annotations

from tapbatch.compare.stage import ENOUGH_TAPS
from tapbatch.compare.steps import FEWEST_STEPS
from tapbatch.model.history import Landing
from tapbatch.show.say import figures


def landing_name(landing: Landing) -> str:
    """Say which landing, such as ``target A3`` or ``next note above C#4``."""
    return f"target {landing.landing_note}" if landing.landing == "target" else f"next note {landing.landing_note}"


def target_hz_text(landing: Landing) -> str:
    """Say which frequency a target is, such as ``A3 is 220.00 Hz``; empty for the next notes."""
    return f"{landing.landing_note} is {landing.landing_hz:.2f} Hz" if landing.landing == "target" else ""


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


def _step_text(landing: Landing) -> str:
    text = figures.change_text(landing.step_cents, landing.step_low_cents, landing.step_high_cents, 1, "c")
    return f"one more step {text}" if text else ""


def no_forecast_text(landing: Landing) -> str:
    """Say why there is no forecast, such as ``no forecast under string tension``; empty where there is one."""
    match landing.no_forecast:
        case "few steps":
            return f"next step unknown: {steps_seen_text(landing)}"
        case "points":
            return f"next step unknown: {no_forecast_cell(landing)}"
        case "on target":
            return "no forecast: more work would only carry it off"
        case "strung":
            return "no forecast under string tension"
        case "fault":
            return f"no forecast while this stands: {', '.join(landing.faults)}"
        case "past" | "away":
            return _leads_away(landing)
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
            return ", ".join(landing.faults)
        case _:
            return _IN_A_CELL.get(landing.no_forecast, "")


_IN_A_CELL = {
    "on target": "on target",
    "strung": "under string tension",
    "points": "no point in common",
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


def way_text(landing: Landing) -> str:
    """Say how many steps lead to a landing, such as ``about 2.3 steps``; empty where that is not known."""
    if landing.steps_to_go is None:
        return ""
    return f"about {landing.steps_to_go:.1f} step{'' if round(landing.steps_to_go, 1) == 1 else 's'}"


def chance_text(landing: Landing) -> str:
    """Say the chance that the next step passes a landing, such as ``17 % chance that the next passes it``."""
    if landing.overshoot is None:
        return ""
    said = figures.chance_text(landing.overshoot)
    return f"{said} chance that the next {'leaves' if landing.reads_on else 'passes'} it"


def sure_text(landing: Landing) -> str:
    """Say what would make a mode that reads on a landing surely so, such as ``about 4 more taps would make it sure``.

    Empty if it is sure, if it does not read on the landing, or if fewer than three taps say how well they repeat.
    """
    if landing.on_target == "sure" or not landing.reads_on or landing.taps < ENOUGH_TAPS:
        return ""
    if landing.taps_to_sure is None:
        return "more taps are not likely to make it sure"
    return f"about {landing.taps_to_sure} more tap{'' if landing.taps_to_sure == 1 else 's'} would make it sure"


def way_parts(landing: Landing, *, reason: bool = True) -> list[str]:
    """Return what is said of the way to a landing: what would make it sure, one more step, how many, the reason.

    Without ``reason``, why there is no forecast is left out.
    """
    step = _step_text(landing)
    why = no_forecast_text(landing) if reason else ""
    after = [why, step] if landing.no_forecast in ("past", "away") else [step, why]
    return [part for part in (sure_text(landing), *after, way_text(landing)) if part]
