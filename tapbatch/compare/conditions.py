"""What differs between two stages besides the wood: the cautions that a comparison bears.

Conventions: each difference is a :class:`~tapbatch.model.caution.Caution`; its words are in
:mod:`tapbatch.show.say.cautions`. Only what is known of both stages is compared: what nobody noted is not a
difference. The state is the exception. If only one of two stages names a state, something changed there (the strings
went on, say), so "no state given" differs from every state, here as in learning steps and comparing decays.

- Temperature: the speed of sound goes with the square root of the absolute temperature, so the air mode of a rigid
  cavity moves by ``600 log2(T2/T1)`` cents, which is 2.95 cents a kelvin at 20 degrees Celsius, if the moisture in
  the air stays the same. Modes coupled to wood move less. A mode of kind ``air`` gets this bound.
- String pitch: tension changes by 0.116 % a cent.
- Level: the mean peak of the taps at the points that both stages have, if it differs by 5 dB or more. Softer and
  harder blows differ by that much, and so do distances of the phone; a level alone does not tell which.
- Days: two or more, by the dates of the notes, else by the times of the recordings.

What each of them can do to a mode is said by :mod:`tapbatch.compare.weighing`.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from statistics import fmean

from tapbatch.box.air import air_mode_cents
from tapbatch.compare.open_strings import strings_out_of_tune
from tapbatch.compare.order import recorded_when
from tapbatch.model.caution import Caution, CautionKind
from tapbatch.model.history import Heard, Note, Stage

_LOUDER_DB = 5.0
# One day to the next is one job at the bench; over more days wood dries, glue cures and the air changes.
FEWEST_DAYS = 2


def cautions(before: Stage, after: Stage, kind: str = "") -> tuple[Caution, ...]:
    """Return what differs between two stages besides the wood, in a fixed order; empty where nothing does.

    Parameters
    ----------
    before, after : Stage
        Two stages of one part.
    kind : str
        The kind of the mode that is looked at: for ``air`` physics bounds what a temperature does.

    Returns
    -------
    tuple of Caution
        State, points (where none is common), codec, sample rate, recorder, method, level, concert pitch, strings out
        of tune, days passed, and what the notes tell: temperature, humidity, string pitch.
    """
    found: list[Caution] = []
    if before.state != after.state:
        found.append(Caution("state", before=(before.state,), after=(after.state,)))
    found += _points(before, after)
    found += _codec(before, after)
    found += _device(before, after)
    found += _method(before, after)
    found += _level(before, after)
    if before.concert_pitch_hz != after.concert_pitch_hz:
        found.append(
            Caution("concert pitch", before_hz=before.concert_pitch_hz, after_hz=after.concert_pitch_hz),
        )
    found += strings_out_of_tune(before, after)
    return (*found, *_days(before, after), *_noted(before.note, after.note, kind))


def tension_pct(from_hz: float, to_hz: float) -> float:
    """Return by how much the tension of strings changes with their pitch, in per cent.

    Tension goes with the square of the frequency (Mersenne's law): 0.116 % a cent.

    Examples
    --------
    >>> round(tension_pct(440.0, 440.0 * 2.0 ** (1.0 / 1200.0)), 3)
    0.116
    """
    return 100.0 * ((to_hz / from_hz) ** 2 - 1.0)


def days_between(before: Stage, after: Stage) -> int | None:
    """Return the days between two stages, by their notes, else by their recordings; ``None`` where unknown."""
    dates = [_date_of(stage) for stage in (before, after)]
    return None if dates[0] is None or dates[1] is None else abs((dates[1] - dates[0]).days)


def _points(before: Stage, after: Stage) -> list[Caution]:
    points = [tuple(sorted({h.recording.point for h in s.tapped})) for s in (before, after)]
    if not all(points) or set(points[0]) & set(points[1]):
        return []
    return [Caution("points", before=points[0], after=points[1])]


def _codec(before: Stage, after: Stage) -> list[Caution]:
    found = []
    lossy = [_lossy(s.tapped) for s in (before, after)]
    if all(lossy) and lossy[0] != lossy[1]:
        found.append(Caution("codec", before=(lossy[0],), after=(lossy[1],)))
    rates = [tuple(sorted({h.reading.sample_rate_hz for h in s.tapped})) for s in (before, after)]
    if all(rates) and rates[0] != rates[1]:
        found.append(Caution("sample rate", before_rates_hz=rates[0], after_rates_hz=rates[1]))
    return found


def _device(before: Stage, after: Stage) -> list[Caution]:
    """Name two recorders, where the files of both stages tell them."""
    devices = [tuple(sorted({h.reading.device for h in s.tapped} - {""})) for s in (before, after)]
    if not all(devices) or devices[0] == devices[1]:
        return []
    return [Caution("recorder", before=devices[0], after=devices[1])]


def _method(before: Stage, after: Stage) -> list[Caution]:
    versions = [tuple(sorted({h.reading.method for h in s.tapped})) for s in (before, after)]
    if not all(versions) or versions[0] == versions[1]:
        return []
    return [Caution("method", before=versions[0], after=versions[1])]


def _level(before: Stage, after: Stage) -> list[Caution]:
    levels: list[dict[str, list[float]]] = [{}, {}]
    for side, stage in zip(levels, (before, after), strict=True):
        for heard in stage.tapped:
            side.setdefault(heard.recording.point, []).extend(r.tap.peak_dbfs for r in heard.reading.used_taps)
    common = set(levels[0]) & set(levels[1])
    if not common:
        return []
    louder_db = fmean(fmean(levels[1][point]) - fmean(levels[0][point]) for point in sorted(common))
    return [Caution("level", louder_db=louder_db)] if abs(louder_db) >= _LOUDER_DB else []


def _lossy(heard: Iterable[Heard]) -> str:
    found = {h.reading.lossy for h in heard}
    return {frozenset(): "", frozenset({True}): "lossy", frozenset({False}): "lossless"}.get(
        frozenset(found), "mixed"
    )


def _days(before: Stage, after: Stage) -> list[Caution]:
    days = days_between(before, after)
    return [Caution("days", days=days)] if days is not None and days >= FEWEST_DAYS else []


def _date_of(stage: Stage) -> date | None:
    noted = stage.note.date if stage.note else ""
    try:
        return date.fromisoformat(noted[:10])
    except ValueError:
        times = [when for when in (recorded_when(h) for h in stage.tapped) if when is not None]
        return min(times).date() if times else None


def _noted(before: Note | None, after: Note | None, kind: str) -> list[Caution]:
    if before is None or after is None:
        return []
    found = []
    from_c, to_c = before.temperature_c, after.temperature_c
    if from_c is not None and to_c is not None and from_c != to_c:
        air = air_mode_cents(from_c, to_c) if kind == "air" else None
        found.append(Caution("temperature", before_c=from_c, after_c=to_c, air_cents=air))
    from_pct, to_pct = before.humidity_pct, after.humidity_pct
    if from_pct is not None and to_pct is not None and from_pct != to_pct:
        found.append(Caution("humidity", before_pct=from_pct, after_pct=to_pct))
    from_hz, to_hz = before.string_pitch_hz, after.string_pitch_hz
    if from_hz is not None and to_hz is not None and from_hz != to_hz:
        tension = tension_pct(from_hz, to_hz)
        found.append(Caution("string pitch", before_hz=from_hz, after_hz=to_hz, tension_pct=tension))
    return found


# ------------------------------------------------------------ never noted

NOTED: tuple[tuple[CautionKind, str], ...] = (
    ("temperature", "temperature_c"),
    ("humidity", "humidity_pct"),
    ("string pitch", "string_pitch_hz"),
)


def never_noted(stages: Iterable[Stage]) -> tuple[CautionKind, ...]:
    """Return the kinds of caution that the notes of no stage say anything about, so that none could be given.

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
