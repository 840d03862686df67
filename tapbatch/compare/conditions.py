"""What differs between two stages besides the wood.

Conventions: short phrases, ``what a, then b``. Only what is known of both stages is compared; what was never noted
is not a difference. A temperature goes with the bound that physics gives: the speed of sound goes with the square
root of the absolute temperature, so the air mode of a rigid cavity moves by ``600 log2(T2/T1)`` cents, 2.95 cents a
kelvin at 20 degrees; modes coupled to wood move less. For humidity and string pitch no formula says what they do to a
body, so they are named and no more.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from tapbatch.compare.open_strings import strings_phrase
from tapbatch.values import Heard, Note, Stage

ZERO_CELSIUS_K = 273.15


def cautions(before: Stage, after: Stage) -> tuple[str, ...]:
    """Return what differs between two stages besides the wood, as phrases in a fixed order; empty where nothing does.

    Parameters
    ----------
    before, after : Stage
        Two stages of one part.

    Returns
    -------
    tuple of str
        State, points (where none is common), codec, sample rate, concert pitch, strings out of tune, and what the
        notes tell: temperature, humidity, string pitch.
    """
    phrases = []
    if before.state and after.state and before.state != after.state:
        phrases.append(f"state {before.state}, then {after.state}")
    phrases += _points(before, after)
    phrases += _codec(before, after)
    if before.concert_pitch_hz != after.concert_pitch_hz:
        phrases.append(f"concert pitch {before.concert_pitch_hz:g}, then {after.concert_pitch_hz:g} Hz")
    phrases += strings_phrase(before, after)
    return (*phrases, *_noted(before.note, after.note))


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


def _lossy(heard: Iterable[Heard]) -> str:
    found = {h.reading.lossy for h in heard}
    return {frozenset(): "", frozenset({True}): "lossy", frozenset({False}): "lossless"}.get(
        frozenset(found), "mixed"
    )


def _listed(values: Iterable[object]) -> str:
    return " and ".join(str(v) or "unsaid" for v in values)


def _noted(before: Note | None, after: Note | None) -> list[str]:
    if before is None or after is None:
        return []
    phrases = []
    from_c, to_c = before.temperature_c, after.temperature_c
    if from_c is not None and to_c is not None and from_c != to_c:
        air = air_mode_cents(from_c, to_c)
        phrases.append(f"temperature {from_c:g}, then {to_c:g} C (an air mode by up to {air:+.1f} cents)")
    for what, unit, a, b in (
        ("humidity", "%", before.humidity_pct, after.humidity_pct),
        ("string pitch", "Hz", before.string_pitch_hz, after.string_pitch_hz),
    ):
        if a is not None and b is not None and a != b:
            phrases.append(f"{what} {a:g}, then {b:g} {unit}")
    return phrases
