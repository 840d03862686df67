"""The open strings heard at a stage: which string each pluck sounded, how far off it is, and what it pulls.

Conventions: strings are numbered from 1 in the order of the instrument's ``strings``; cents are from the string's
note at the stage's concert pitch, positive sharp. A pluck belongs to the string whose note is nearest, within 150
cents. The plucks of a string in one recording are joined as taps are (:mod:`tapbatch.compare.random_effects`); the
interval of a single pluck is that of its own partials. The pitch of a double course is the middle of its two strings
if at least half of its plucks tell them apart, otherwise the pitch of the sound as a whole.

No formula says what strings out of tune do to a stage's taps. So the stage records how far off the worst string was,
and the drift of its taps bears a caution.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from statistics import median

from tapbatch.compare.random_effects import Mean, Sample, join, random_effects
from tapbatch.compare.tension import tension_of
from tapbatch.model.caution import Caution
from tapbatch.model.history import Heard, OpenString, Stage
from tapbatch.model.notice import Notice
from tapbatch.model.pitch import note_to_hz
from tapbatch.model.reading import StringTone
from tapbatch.model.settings import InstrumentSettings

NEAREST_CENTS = 150.0


def nearest_string(freq_hz: float, settings: InstrumentSettings, concert_pitch_hz: float) -> int | None:
    """Return the number of the string whose note is nearest to a pitch, from 1; ``None`` if none is near.

    Examples
    --------
    >>> from tapbatch.model.settings import StringSetting
    >>> lute = InstrumentSettings(strings=(StringSetting(note="G3"), StringSetting(note="D4")))
    >>> nearest_string(290.0, lute, 440.0), nearest_string(246.0, lute, 440.0)
    (2, None)
    """
    off = [
        abs(1200.0 * math.log2(freq_hz / note_to_hz(s.note, concert_pitch_hz, settings.spelling)))
        for s in settings.strings
    ]
    best = min(range(len(off)), key=lambda i: off[i], default=None)
    return None if best is None or off[best] > NEAREST_CENTS else best + 1


def open_strings(
    heard: Sequence[Heard], settings: InstrumentSettings, concert_pitch_hz: float
) -> tuple[tuple[OpenString, ...], tuple[Notice, ...]]:
    """Return the open strings heard in the plucked recordings of a stage.

    Parameters
    ----------
    heard : sequence of Heard
        Recordings of one place, of any kind.
    settings : InstrumentSettings
        For the strings, their length and weight.
    concert_pitch_hz : float
        A4 of the stage.

    Returns
    -------
    strings : tuple of OpenString
        By recording, then by string; none if the settings name no strings.
    notices : tuple of Notice
        The plucks that are near none of the strings.

    Examples
    --------
    >>> open_strings([], InstrumentSettings(), 440.0)
    ((), ())
    """
    rows: list[OpenString] = []
    notices: list[Notice] = []
    for h in heard if settings.strings else ():
        if h.recording.kind != "pluck":
            continue
        by_string: dict[int, list[StringTone]] = {}
        for tap in h.reading.used_taps:
            if tap.tone is None:
                continue
            number = nearest_string(tap.tone.freq_hz, settings, concert_pitch_hz)
            if number is None:
                at_s, freq_hz = tap.tap.onset_s, tap.tone.freq_hz
                notices.append(Notice("no such string", path=h.recording.path, at_s=at_s, freq_hz=freq_hz))
            else:
                by_string.setdefault(number, []).append(tap.tone)
        rows += [
            _open_string(h.recording.path, n, by_string[n], settings, concert_pitch_hz) for n in sorted(by_string)
        ]
    return tuple(rows), tuple(notices)


def _open_string(
    path: str, number: int, tones: Sequence[StringTone], settings: InstrumentSettings, concert_pitch_hz: float
) -> OpenString:
    string = settings.strings[number - 1]
    expected_hz = note_to_hz(string.note, concert_pitch_hz, settings.spelling)
    pairs = [t for t in tones if string.double and t.pair_cents is not None]
    told_apart = bool(pairs) and 2 * len(pairs) >= len(tones)
    pitch = join(_pitches(pairs) if told_apart else [_whole(t) for t in tones]).mean
    apart = _mean([(t.pair_cents, t.pair_se_cents) for t in pairs]) if told_apart else None
    t60 = _mean([(math.log(t.t60_s), t.t60_log_se) for t in tones if t.t60_s])
    stiffness = [t.inharmonicity for t in (pairs if told_apart else tones) if t.inharmonicity is not None]
    freq_hz = math.exp(pitch.value)
    return OpenString(
        recording=path,
        string=number,
        expected_note=string.note,
        expected_hz=expected_hz,
        freq_hz=freq_hz,
        freq_low_hz=math.exp(pitch.low),
        freq_high_hz=math.exp(pitch.high),
        cents_off=1200.0 * math.log2(freq_hz / expected_hz),
        pair_cents=apart.value if apart else None,
        pair_half_cents=apart.half if apart else None,
        inharmonicity=median(stiffness) if stiffness else None,
        t60_s=math.exp(t60.value) if t60 else None,
        t60_low_s=math.exp(t60.low) if t60 else None,
        t60_high_s=math.exp(t60.high) if t60 else None,
        tension_n=tension_of(string, settings, freq_hz),
        plucks=len(tones),
    )


def _whole(tone: StringTone) -> Sample:
    return Sample(math.log(tone.freq_hz), tone.freq_log_se)


def _pitches(pairs: Sequence[StringTone]) -> list[Sample]:
    return [
        Sample(math.log(t.middle_hz), t.middle_log_se)
        for t in pairs
        if t.middle_hz is not None and t.middle_log_se is not None
    ]


def _mean(values: Sequence[tuple[float | None, float | None]]) -> Mean | None:
    known = [(v, s) for v, s in values if v is not None and s is not None]
    return random_effects([v for v, _ in known], [s for _, s in known]) if known else None


def with_strings_off(stages: Sequence[Stage], settings: InstrumentSettings) -> list[Stage]:
    """Return the stages with ``strings_off_cents`` in place, over all places of a stage: strings pull on every part.

    It is that of the string furthest off, if that is more than ``strings_off_cents`` of the settings.

    Examples
    --------
    >>> with_strings_off([], InstrumentSettings())
    []
    """
    worst: dict[str, float] = {}
    for stage in stages:
        for string in stage.strings:
            if abs(string.cents_off) > max(settings.strings_off_cents, abs(worst.get(stage.stage, 0.0))):
                worst[stage.stage] = string.cents_off
    return [replace(s, strings_off_cents=worst[s.stage]) if s.stage in worst else s for s in stages]


def strings_out_of_tune(before: Stage, after: Stage) -> tuple[Caution, ...]:
    """Return the caution that strings were out of tune at either of two stages; empty if they were not."""
    earlier, later = before.strings_off_cents, after.strings_off_cents
    if earlier is None and later is None:
        return ()
    return (Caution("strings", before_cents=earlier, after_cents=later),)


def tones_by_string(stage: Stage, settings: InstrumentSettings) -> dict[int, list[StringTone]]:
    """Return the plucks of a stage by the number of their string, over all its recordings."""
    found: dict[int, list[StringTone]] = {}
    for h in stage.heard:
        for tap in h.reading.used_taps if h.recording.kind == "pluck" else ():
            if tap.tone is None:
                continue
            number = nearest_string(tap.tone.freq_hz, settings, stage.concert_pitch_hz)
            if number is not None:
                found.setdefault(number, []).append(tap.tone)
    return {n: found[n] for n in sorted(found)}
