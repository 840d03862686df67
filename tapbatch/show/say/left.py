"""What is left, said to a person: which way and how far to a landing, and what the next such cut would do.

Conventions: distances in cents have the digits that the reading calls for. Only a cut is called one; other work is a
step. Where no forecast can be made, the reason stands in its place.
"""

from __future__ import annotations

from collections.abc import Sequence

from tapbatch.compare.cuts import Work
from tapbatch.model.history import Landing, StageMode
from tapbatch.show.say.figures import value_and_half_width
from tapbatch.show.say.landings import chance_text, landing_name, next_parts, sure_text


def left_text(landing: Landing, mode: StageMode, *, work: Work, risky: bool) -> str:
    """Say how far it is to a landing, which way, and what the next such cut would do, with its chance to go too far.

    Examples
    --------
    >>> landing = Landing(part="body", mode="air", stage="s", freq_hz=189.1, note="F#3", cents=38.0, landing="target",
    ...                   landing_note="A3", landing_hz=220.0, cents_to_go=262.0, tolerance_cents=3.0,
    ...                   on_target="no", taps_within=0, taps=5, step_cents=21.0, step_low_cents=14.0,
    ...                   step_high_cents=28.0, steps_seen=5, steps_to_go=12.5, overshoot=0.0, basis="")
    >>> mode = StageMode(mode="air", lead=False, freq_hz=189.1, freq_low_hz=188.5, freq_high_hz=189.7, note="F#3",
    ...                  cents=38.0, t60_s=0.3, t60_low_s=0.29, t60_high_s=0.31, level_db=-3.0, taps=5,
    ...                  within_cents=0.2, between_cents=0.5)
    >>> print(left_text(landing, mode, work="cut", risky=False))
    to target A3: 262 c to rise; next such cut +21 c (+14 to +28), under 1 % chance to overshoot by 3 c
    """
    # A step may go one way and the distance the other, where the place itself goes faster.
    moving = f" (moves with {landing.moves_with})" if landing.moves_with and landing.step_cents is not None else ""
    careful = ": take off less" if risky and work == "cut" else ""
    chance = chance_text(landing)
    told = (sure_text(landing), next_text(landing, work=work), f"{chance}{careful}" if chance else "")
    return f"{_place_text(landing, mode)}{moving}; {', '.join(filter(None, told))}"


def no_target_text(landings: Sequence[Landing], mode: StageMode, *, work: Work) -> str:
    """Say how far it is to the notes either side, for a mode without a target of which no step is known.

    Empty if there are no landings.
    """
    ways = ", ".join(f"{_way(c)} to {c.landing_note} {_cents(c, mode)} c" for c in sorted(landings, key=_from_below))
    return f"no target set: {ways}; {next_text(landings[0], work=work)}" if landings else ""


def next_text(landing: Landing, *, work: Work) -> str:
    """Say what the next such cut would do, such as ``next such cut +21 c (+14 to +28)``, or why that is unknown."""
    step, why = next_parts(landing, work=work)
    # That the cuts to come cannot be counted is no reason where the chance of the next one is said.
    if landing.no_forecast == "beyond" and landing.overshoot is not None:
        why = ""
    return ", ".join(filter(None, (step, why)))


def _place_text(landing: Landing, mode: StageMode) -> str:
    """Return how far it is and which way, such as ``to target A3: 262 c to rise`` or ``on target A3, surely``."""
    name, cents = landing_name(landing), _cents(landing, mode)
    way = f"{cents} c to {'rise' if landing.cents_to_go > 0 else 'fall'}"
    if landing.on_target != "no":
        return f"on {name}, {'surely' if landing.on_target == 'sure' else 'likely'}: {way}"
    if landing.no_forecast == "past" and landing.landing == "target":
        return f"past {name} by {cents} c"
    return f"to {name}: {way}"


def _way(landing: Landing) -> str:
    return "up" if landing.cents_to_go > 0 else "down"


def _from_below(landing: Landing) -> float:
    return landing.cents_to_go


def _cents(landing: Landing, mode: StageMode) -> str:
    return value_and_half_width(abs(landing.cents_to_go), mode.half_cents, 1)[0]
