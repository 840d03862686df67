"""What differs between two stages besides the wood.

Conventions: short phrases, ``what a, then b``. Only what is known of both stages is compared; what was never noted
is not a difference. How the instrument was held is another matter: whoever names a state at one of two stages means
that something changed there (strings went on), and so ``unsaid`` differs from every state, as it does wherever steps
are learned or decays compared. For a mode of kind ``air`` a temperature goes with the bound that physics gives: the
speed of sound goes with the square root of the absolute temperature, so the air mode of a rigid cavity moves by ``600
log2(T2/T1)`` cents, 2.95 cents a kelvin at 20 degrees; modes coupled to wood move less. The pitch of strings gives
their tension, 0.116 % a cent. What tension and humidity do to a body no formula says, so they are named and no more.
Days passed are named from two on, by the dates of the notes, else by the times of the recordings.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import date

from tapbatch.compare.open_strings import strings_phrase
from tapbatch.compare.order import recorded_when
from tapbatch.model.history import Heard, Note, Stage

ZERO_CELSIUS_K = 273.15
# From one day to the next the same bench goes on; over more, wood dries, glue cures and air changes.
FEWEST_DAYS = 2


def cautions(before: Stage, after: Stage, kind: str = "") -> tuple[str, ...]:
    """Return what differs between two stages besides the wood, as phrases in a fixed order; empty where nothing does.

    Parameters
    ----------
    before, after : Stage
        Two stages of one part.
    kind : str
        The kind of the mode that is looked at: for ``air`` physics bounds what a temperature does.

    Returns
    -------
    tuple of str
        State, points (where none is common), codec, sample rate, recorder, concert pitch, strings out of tune, days
        passed, and what the notes tell: temperature, humidity, string pitch.
    """
    phrases = []
    if before.state != after.state:
        phrases.append(f"state {before.state or 'unsaid'}, then {after.state or 'unsaid'}")
    phrases += _points(before, after)
    phrases += _codec(before, after)
    phrases += _device(before, after)
    if before.concert_pitch_hz != after.concert_pitch_hz:
        phrases.append(f"concert pitch {before.concert_pitch_hz:g}, then {after.concert_pitch_hz:g} Hz")
    phrases += strings_phrase(before, after)
    return (*phrases, *_days(before, after), *_noted(before.note, after.note, kind))


def air_mode_cents(from_c: float, to_c: float) -> float:
    """Return how far the air mode of a rigid cavity moves with temperature, in cents.

    Parameters
    ----------
    from_c, to_c : float
        Temperatures in degrees Celsius, above absolute zero.

    Returns
    -------
    float
        ``600 log2(T2/T1)``, positive upwards: the resonance goes with the speed of sound, that with ``sqrt(T)``.

    Raises
    ------
    ValueError
        Where a temperature is not above absolute zero.

    Examples
    --------
    >>> round(air_mode_cents(20.0, 21.0), 2)
    2.95
    """
    before, after = from_c + ZERO_CELSIUS_K, to_c + ZERO_CELSIUS_K
    if not (before > 0 and after > 0):
        msg = f"temperatures must be above {-ZERO_CELSIUS_K} degrees, found {from_c!r} and {to_c!r}"
        raise ValueError(msg)
    return 600.0 * math.log2(after / before)


def tension_pct(from_hz: float, to_hz: float) -> float:
    """Return by how much the tension of strings changes with their pitch, in per cent.

    Tension goes with the square of the frequency (Mersenne's law): 0.116 % a cent.

    Examples
    --------
    >>> round(tension_pct(440.0, 440.0 * 2.0 ** (1.0 / 1200.0)), 3)
    0.116
    """
    return 100.0 * ((to_hz / from_hz) ** 2 - 1.0)


def _tapped(stage: Stage) -> list[Heard]:
    return [h for h in stage.heard if h.recording.kind == "tap" and h.reading.used_taps]


def _points(before: Stage, after: Stage) -> list[str]:
    points = [sorted({h.recording.point for h in _tapped(s)}) for s in (before, after)]
    if not all(points) or set(points[0]) & set(points[1]):
        return []
    return [f"points {_listed(points[0])}, then {_listed(points[1])}"]


def _codec(before: Stage, after: Stage) -> list[str]:
    phrases = []
    lossy = [_lossy(_tapped(s)) for s in (before, after)]
    if all(lossy) and lossy[0] != lossy[1]:
        phrases.append(f"codec {lossy[0]}, then {lossy[1]}")
    rates = [sorted({h.reading.sample_rate_hz for h in _tapped(s)}) for s in (before, after)]
    if all(rates) and rates[0] != rates[1]:
        phrases.append(f"sample rate {_listed(rates[0])}, then {_listed(rates[1])} Hz")
    return phrases


def _device(before: Stage, after: Stage) -> list[str]:
    """Name two recorders, where the files of both stages tell them."""
    devices = [sorted({h.reading.device for h in _tapped(s)} - {""}) for s in (before, after)]
    if not all(devices) or devices[0] == devices[1]:
        return []
    return [f"recorder {_listed(devices[0])}, then {_listed(devices[1])}"]


def _lossy(heard: Iterable[Heard]) -> str:
    found = {h.reading.lossy for h in heard}
    return {frozenset(): "", frozenset({True}): "lossy", frozenset({False}): "lossless"}.get(
        frozenset(found), "mixed"
    )


def _listed(values: Iterable[object]) -> str:
    return " and ".join(str(v) or "unsaid" for v in values)


def _days(before: Stage, after: Stage) -> list[str]:
    dates = [_date_of(stage) for stage in (before, after)]
    if dates[0] is None or dates[1] is None:
        return []
    days = abs((dates[1] - dates[0]).days)
    return [f"{days} days passed"] if days >= FEWEST_DAYS else []


def _date_of(stage: Stage) -> date | None:
    noted = stage.note.date if stage.note else ""
    try:
        return date.fromisoformat(noted[:10])
    except ValueError:
        times = [when for when in (recorded_when(h) for h in _tapped(stage)) if when is not None]
        return min(times).date() if times else None


def _noted(before: Note | None, after: Note | None, kind: str) -> list[str]:
    if before is None or after is None:
        return []
    phrases = []
    from_c, to_c = before.temperature_c, after.temperature_c
    if from_c is not None and to_c is not None and from_c != to_c:
        air = f" (an air mode by up to {air_mode_cents(from_c, to_c):+.1f} cents)" if kind == "air" else ""
        phrases.append(f"temperature {from_c:g}, then {to_c:g} C{air}")
    from_pct, to_pct = before.humidity_pct, after.humidity_pct
    if from_pct is not None and to_pct is not None and from_pct != to_pct:
        phrases.append(f"humidity {from_pct:g}, then {to_pct:g} %")
    from_hz, to_hz = before.string_pitch_hz, after.string_pitch_hz
    if from_hz is not None and to_hz is not None and from_hz != to_hz:
        tension = tension_pct(from_hz, to_hz)
        phrases.append(f"string pitch {from_hz:g}, then {to_hz:g} Hz (tension {tension:+.1f} %)")
    return phrases


# ------------------------------------------------------------ never noted

NOTED: tuple[tuple[str, str], ...] = (
    ("temperature", "temperature_c"),
    ("humidity", "humidity_pct"),
    ("string pitch", "string_pitch_hz"),
)


def never_noted(stages: Iterable[Stage]) -> tuple[str, ...]:
    """Return what was noted at none of the stages, so that no caution could name it.

    The pitch of strings is asked for only where some stage was ``strung``.

    Examples
    --------
    >>> never_noted([])
    ()
    """
    listed = list(stages)
    notes = [s.note for s in listed if s.note is not None]
    strung = any(s.state == "strung" for s in listed)
    asked = [(what, field) for what, field in NOTED if listed and (strung or field != "string_pitch_hz")]
    return tuple(what for what, field in asked if all(getattr(note, field) is None for note in notes))
