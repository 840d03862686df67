"""The words of a mode: its note, how far off it is, how sure, how long it rings, and what its flags mean.

Conventions: as in :mod:`tapbatch.show.say.figures`. Cents are given to a tenth at most: the best listeners tell 1.7
cents apart near 1 kHz.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Literal

from tapbatch.compare.faults import Fault, FaultKind
from tapbatch.model.history import Stage, StageMode
from tapbatch.show.say.figures import seconds_text, signed, value_and_half_width

Sureness = Literal["sure", "fairly sure", "only as it lies", "not yet", "unsure"]

FLAGS: dict[str, str] = {
    "string": "rings longer than wood can: an open string, or a piece of one; damp the strings and their ends",
    "hum": "lies on the mains hum or one of its harmonics: record elsewhere, or on battery, before you trust it",
    "unresolved": "a strong line whose decay the fit could not tell: only its frequency and level are known",
    "pair?": "may be two close resonances, or one counted twice: its frequency may be off to either side",
    "not-exponential": "does not decay evenly (a coupled pair, the room, the hold): take T60 as a rough figure",
    "few-taps": "seen in too few taps to know how well it repeats: tap at least five times",
    "one-setup": "from one set-up: record a stage again to learn how much setting up again moves it",
    "glides": "its frequency shifts during the decay (a loose part, a coupled pair): take the note as a rough one",
    "by-amplitude": "damping or pitch depends on how hard it swings: frequency and T60 are those of small amplitude",
    "gain": "the recorder changed its gain during the tap: T60 may be off by a factor of three; record again without",
    "identity?": "may be a neighbour of the mode that had its name before, so no verdict: look at both",
    "recordings-differ": "the recordings of this stage disagree: was wood taken off in between?",
    "wide": "the interval is wide: record more taps, with the phone closer, or in a quieter room",
    "floor": "too little of it stands above the noise or before the next sound: tap harder or wait longer",
    "band-too-narrow": "decays too fast to be measured in so narrow a band: use the whole sound, or the modes",
    "empty-band": "no mode rings in this band: what is heard spills over from a neighbouring band",
}

SPOIL: frozenset[FaultKind] = frozenset({"strings rang", "gain", "clipped"})
"""Faults that make a reading one to take again, however narrow its interval."""

# These make a reading doubtful however narrow its interval. `one-setup` does not: it only says what was not tried.
DOUBTS = frozenset(FLAGS) - {"one-setup"}


def cents_text(mode: StageMode, unit: str = "c") -> str:
    """Return how far a mode is from its note, such as ``+12.3 c``."""
    return _cents(mode, mode.cents, unit)


def _cents(mode: StageMode, cents: float, unit: str = "c") -> str:
    return f"{signed(value_and_half_width(cents, mode.half_cents, 1)[0])} {unit}"


def note_text(mode: StageMode) -> str:
    """Return the note of a mode and how far off it is, such as ``A#3 +12.3 c``."""
    return f"{mode.note} {cents_text(mode)}"


def playing_text(mode: StageMode, stage: Stage) -> str:
    """Return a mode's note at the pitch the instrument is played at, such as ``C4 +45.3 c at 431 Hz``; else empty."""
    note = played_note_text(mode)
    return f"{note} at {stage.playing_pitch_hz:g} Hz" if note and stage.playing_pitch_hz is not None else ""


def played_note_text(mode: StageMode) -> str:
    """Return a mode's note at the pitch the instrument is played at, such as ``C4 +45.3 c``; empty if not known."""
    return "" if mode.playing_cents is None else f"{mode.playing_note} {_cents(mode, mode.playing_cents)}"


def sure_text(mode: StageMode, unit: str = "c") -> str:
    """Return how sure the pitch of a mode is, such as ``± 0.4 c``; ``± ?`` if that is not known.

    It is that of an instrument set up anew; only where nothing is compared, that of the instrument as it lies.
    """
    return _sure(mode, sure_cents(mode), unit)


def sure_cents(mode: StageMode) -> float:
    """Return the half-width that :func:`sure_text` shows, in cents; NaN where it is not known."""
    return mode.half_anew_cents or mode.half_cents


def sure_in_full(mode: StageMode) -> str:
    """Return how sure a pitch is, set up anew and untouched, such as ``± 4 c (± 0.9 c if left untouched)``."""
    left = left_untouched_text(mode)
    return sure_text(mode) + (f" ({left})" if left else "")


def left_untouched_text(mode: StageMode) -> str:
    """Return how sure a pitch is as the instrument lies, such as ``± 0.9 c if left untouched``.

    Empty if it is not known how sure it would be set up anew: then :func:`sure_text` says it already.
    """
    return "" if mode.half_anew_cents is None else f"{untouched_text(mode)} if left untouched"


def untouched_text(mode: StageMode) -> str:
    """Return how sure the pitch of a mode is as the instrument lies, such as ``± 0.9 c``; ``± ?`` if not known."""
    return _sure(mode, mode.half_cents)


def _sure(mode: StageMode, half: float, unit: str = "c") -> str:
    said = value_and_half_width(mode.cents, half, 1)[1]
    return f"± {said} {unit}" if said else "± ?"


def hz_text(mode: StageMode) -> str:
    """Return the frequency of a mode in hertz, such as ``234.77``, with the digits that its interval calls for."""
    return value_and_half_width(mode.freq_hz, (mode.freq_high_hz - mode.freq_low_hz) / 2, 2)[0]


def t60_text(mode: StageMode) -> str:
    """Return how long a mode rings, in seconds, such as ``0.352 ± 0.012``."""
    return seconds_text(mode.t60_s, mode.t60_low_s, mode.t60_high_s)


def how_sure(mode: StageMode, steady_cents: float, faults: Collection[Fault] = ()) -> Sureness:
    """Return whether a pitch can be trusted, in a shop that counts a move within ``steady_cents`` as none.

    *Sure*: the half-width is at most ``steady_cents``, no flag casts doubt and no fault of its stage stands.
    *Unsure*: a flag casts doubt, or the half-width is over four times that, or not known. In between, *not yet* if
    something else than the wood may have sounded, or the sound was not kept as it was; *only as it lies* if all that
    is wrong is that there was one set-up; else *fairly sure*.
    """
    half, kinds = mode.half_cents, {fault.kind for fault in faults}
    if DOUBTS.intersection(mode.flags) or not half <= 4 * steady_cents:
        return "unsure"
    if kinds & SPOIL:
        return "not yet"
    if half > steady_cents or kinds - {"one set-up"}:
        return "fairly sure"
    return "only as it lies" if kinds else "sure"


def is_unsure(mode: StageMode, steady_cents: float) -> bool:
    """Tell whether a reading is too doubtful to stand beside the others as if it were sure."""
    return how_sure(mode, steady_cents) == "unsure"


_FLAG_TEXTS = {
    "one-setup": "one set-up only",
    "not-exponential": "uneven decay",
    "few-taps": "few taps",
    "recordings-differ": "recordings differ",
    "identity?": "name in doubt",
    "by-amplitude": "depends on the blow",
}


def flag_text(flag: str) -> str:
    """Return the name of a flag as pages and lines have it; the tables keep the flag.

    Examples
    --------
    >>> flag_text("not-exponential"), flag_text("hum")
    ('uneven decay', 'hum')
    """
    return _FLAG_TEXTS.get(flag, flag)


def explain(flag: str) -> str:
    """Return a flag with its explanation; one that has none here is returned as it is.

    Examples
    --------
    >>> explain("few-taps")
    'few taps: seen in too few taps to know how well it repeats: tap at least five times'
    """
    return f"{flag_text(flag)}: {FLAGS[flag]}" if flag in FLAGS else flag


def shown(text: str) -> str:
    r"""Return text from a file name or a note without anything that could control a terminal or break a line.

    Examples
    --------
    >>> shown("top\x1b[31m.wav")
    'top�[31m.wav'
    """
    return "".join(c if c.isprintable() else "\ufffd" for c in " ".join(text.split()))
