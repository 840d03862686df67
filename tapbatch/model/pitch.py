"""Convert between hertz and note with cents, at a given concert pitch.

Conventions: equal temperament, ``f = A4 * 2**((m - 69)/12)`` with ``m`` the MIDI number of the note (A4 = 69, C4 =
60) and ``A4`` the concert pitch in hertz, 380 to 470. One cent is a hundredth of a semitone,
``cents = 1200 log2(f_to/f_from)``. Octaves change at C, and C4 is middle C. A note is written as letter, accidental,
and octave (``A#3``, ``Bb3``), and may be followed by cents (``C2-32``).
"""

from __future__ import annotations

import math
import re
from typing import Literal

from tapbatch.model.errors import SettingsError

LOWEST_CONCERT_PITCH_HZ = 380.0
HIGHEST_CONCERT_PITCH_HZ = 470.0

CENTS = 1200.0 / math.log(2.0)
"""Cents for a step of 1 in the natural logarithm of a frequency."""

Spelling = Literal["sharp", "flat"]

_SHARP_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_FLAT_NAMES = ("C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B")
_SEMITONES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_ACCIDENTALS = {"": 0, "#": 1, "##": 2, "x": 2, "b": -1, "bb": -2}
# Phones and word processors offer real accidentals and a real minus sign, so both are understood.
_PLAIN = str.maketrans(
    {"♯": "#", "♭": "b", "♮": "", "𝄪": "x", "𝄫": "bb", "−": "-", "–": "-", ",": "."},
)
_NOTE = re.compile(
    r"(?P<letter>[A-Ga-g])(?P<accidental>#{0,2}|x|b{1,2})(?P<octave>-?[0-9]{1,2})"
    r"(?:\s*(?P<cents>[+-]\s*[0-9]{1,4}(?:\.[0-9]{1,6})?)\s*(?:c|cents?|¢)?)?",
)


def _checked_concert_pitch(concert_pitch_hz: float) -> float:
    if not LOWEST_CONCERT_PITCH_HZ <= concert_pitch_hz <= HIGHEST_CONCERT_PITCH_HZ:
        raise SettingsError(
            "concert pitch",
            f"found {concert_pitch_hz:g} Hz",
            f"expected A4 from {LOWEST_CONCERT_PITCH_HZ:g} to {HIGHEST_CONCERT_PITCH_HZ:g} Hz",
        )
    return concert_pitch_hz


def _checked_freq(freq_hz: float) -> float:
    if not (math.isfinite(freq_hz) and freq_hz > 0):
        msg = f"a frequency must be positive and finite, found {freq_hz!r} Hz"
        raise ValueError(msg)
    return freq_hz


def cents_between(from_hz: float, to_hz: float) -> float:
    """Return the distance from one frequency to another in cents, positive upwards.

    Parameters
    ----------
    from_hz, to_hz : float
        Positive frequencies in hertz.

    Returns
    -------
    float
        ``1200 log2(to_hz/from_hz)``.

    Raises
    ------
    ValueError
        If a frequency is not positive or not finite.

    Examples
    --------
    >>> round(cents_between(431.0, 440.0), 1)
    35.8
    >>> cents_between(220.0, 110.0)
    -1200.0
    """
    return 1200.0 * (math.log2(_checked_freq(to_hz)) - math.log2(_checked_freq(from_hz)))


def hz_to_note(freq_hz: float, concert_pitch_hz: float = 440.0, spelling: Spelling = "sharp") -> tuple[str, float]:
    """Return the nearest note and how far above it a frequency lies.

    Parameters
    ----------
    freq_hz : float
        Positive frequency in hertz.
    concert_pitch_hz : float
        A4 in hertz, 380 to 470; default 440 (ISO 16:1975).
    spelling : {'sharp', 'flat'}
        How the black keys are named; default ``'sharp'``.

    Returns
    -------
    note : str
        Like ``'A#3'`` or ``'Bb3'``.
    cents : float
        Distance from it in cents, ``-50 <= cents < 50``: a frequency half way counts as the upper note.

    Raises
    ------
    ValueError
        If the frequency is not positive or not finite.
    SettingsError
        If the concert pitch is out of range.

    Examples
    --------
    >>> note, cents = hz_to_note(233.08)
    >>> note, round(cents, 1)
    ('A#3', -0.0)
    >>> note, cents = hz_to_note(233.08, concert_pitch_hz=431.0, spelling='flat')
    >>> note, round(cents, 1)
    ('Bb3', 35.8)
    """
    semitones = cents_between(_checked_concert_pitch(concert_pitch_hz), freq_hz) / 100.0
    nearest = math.floor(semitones + 0.5)
    # Adding 0.5 may round up to the next integer from just below half way; the bound is then -50 itself.
    cents = max(100.0 * (semitones - nearest), -50.0)
    octave, pitch_class = divmod(nearest + 69, 12)
    names = _FLAT_NAMES if spelling == "flat" else _SHARP_NAMES
    return f"{names[pitch_class]}{octave - 1}", cents


def note_to_hz(note: str, concert_pitch_hz: float = 440.0) -> float:
    """Return the frequency of a note.

    Parameters
    ----------
    note : str
        Letter, accidental (``#``, ``b``, doubled, or the printed signs), octave, and optional cents; the letter
        may be in either case.
    concert_pitch_hz : float
        A4 in hertz, 380 to 470; default 440 (ISO 16:1975).

    Returns
    -------
    float
        Frequency in hertz.

    Raises
    ------
    SettingsError
        If the text is not a note, or the concert pitch is out of range.

    Examples
    --------
    >>> note_to_hz('A4')
    440.0
    >>> round(note_to_hz('B♭3', concert_pitch_hz=415.0), 3)
    219.839
    >>> round(note_to_hz('C2-32'), 3)
    64.209
    """
    match = _NOTE.fullmatch(note.translate(_PLAIN).strip())
    if match is None:
        raise SettingsError(
            "note", f"found {note!r}", "expected a letter, an accidental and an octave, like A#3 or Bb3"
        )
    semitones = (
        _SEMITONES[match["letter"].upper()] + _ACCIDENTALS[match["accidental"]] + 12 * (int(match["octave"]) + 1) - 69
    )
    cents = float(match["cents"].replace(" ", "")) if match["cents"] else 0.0
    return _checked_concert_pitch(concert_pitch_hz) * math.pow(2.0, semitones / 12.0 + cents / 1200.0)
