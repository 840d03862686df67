"""Convert between hertz and note with cents, at a given concert pitch.

Conventions: equal temperament, ``f = A4 * 2**((m - 69)/12)`` with ``m`` the MIDI number of the note (A4 = 69, C4 =
60) and ``A4`` the concert pitch in hertz, 380 to 470. One cent is a hundredth of a semitone,
``cents = 1200 log2(f_to/f_from)``. Octaves change at C, and C4 is middle C. A note is written as letter, accidental,
and octave (``A#3``, ``Bb3``), and may be followed by cents (``C2-32``).

Two more spellings serve people, and no table: ``german`` (C, Cis, D, Es, E, F, Fis, G, Gis, A, B, H) and ``solfege``
(do, do#, re, re#, mi, fa, fa#, sol, sol#, la, la#, si). Their octaves are counted alike, so la4 is A4. In German, B
is the note below H, which English calls B: :func:`has_two_meanings` tells of a note that may be meant either way.
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

Spelling = Literal["sharp", "flat", "german", "solfege"]

_NAMES: dict[Spelling, tuple[str, ...]] = {
    "sharp": ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"),
    "flat": ("C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B"),
    "german": ("C", "Cis", "D", "Es", "E", "F", "Fis", "G", "Gis", "A", "B", "H"),
    "solfege": ("do", "do#", "re", "re#", "mi", "fa", "fa#", "sol", "sol#", "la", "la#", "si"),
}
_SEMITONES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_SYLLABLES = {"DO": 0, "UT": 0, "RE": 2, "MI": 4, "FA": 5, "SOL": 7, "LA": 9, "SI": 11}
_ACCIDENTALS = {"": 0, "#": 1, "##": 2, "x": 2, "b": -1, "bb": -2}
_GERMAN_ACCIDENTALS = _ACCIDENTALS | {"is": 1, "isis": 2, "es": -1, "eses": -2, "s": -1, "ses": -2}
# Phones and word processors offer real accidentals and a real minus sign, so both are understood.
_PLAIN = str.maketrans(
    {"♯": "#", "♭": "b", "♮": "", "𝄪": "x", "𝄫": "bb", "−": "-", "–": "-", ",": ".", "é": "e", "É": "E"},
)
_BEHIND = r"(?P<octave>-?[0-9]{1,2})(?P<offset>\s*(?P<cents>[+-]\s*[0-9]{1,4}(?:\.[0-9]{1,6})?)\s*(?:c|cents?|¢)?)?"
_NOTE = re.compile(rf"(?P<letter>[A-Ga-g])(?P<accidental>#{{0,2}}|x|b{{1,2}}){_BEHIND}")
_SYLLABLE = re.compile(rf"(?P<letter>(?i:do|ut|re|mi|fa|sol|la|si))(?P<accidental>#{{0,2}}|x|b{{1,2}}){_BEHIND}")
# B itself is the note below H, and Bb is understood as the same. Only A and E lose the vowel of "es".
_GERMAN = re.compile(
    r"(?:(?P<b>[Bb]b?)|(?P<letter>[AC-Hac-h])(?P<accidental>#{0,2}|x|b{1,2}|is|isis|(?<![AEae])(?:es|eses)|"
    rf"(?<=[AEae])(?:s|ses))){_BEHIND}"
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
    spelling : {'sharp', 'flat', 'german', 'solfege'}
        How the notes are named; default ``'sharp'``.

    Returns
    -------
    note : str
        Like ``'A#3'``, ``'Bb3'``, ``'B3'`` (German) or ``'la#3'``.
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
    >>> [hz_to_note(246.94, spelling=each)[0] for each in ('sharp', 'german', 'solfege')]
    ['B3', 'H3', 'si3']
    """
    semitones = cents_between(_checked_concert_pitch(concert_pitch_hz), freq_hz) / 100.0
    nearest = math.floor(semitones + 0.5)
    # Adding 0.5 may round up to the next integer from just below half way; the bound is then -50 itself.
    cents = max(100.0 * (semitones - nearest), -50.0)
    octave, pitch_class = divmod(nearest + 69, 12)
    return f"{_NAMES[spelling][pitch_class]}{octave - 1}", cents


def note_to_hz(note: str, concert_pitch_hz: float = 440.0, spelling: Spelling = "sharp") -> float:
    """Return the frequency of a note.

    Parameters
    ----------
    note : str
        Letter, accidental (``#``, ``b``, doubled, or the printed signs), octave, and optional cents; the letter
        may be in either case.
    concert_pitch_hz : float
        A4 in hertz, 380 to 470; default 440 (ISO 16:1975).
    spelling : {'sharp', 'flat', 'german', 'solfege'}
        How notes are named. ``german`` reads B as the note below H, and understands sharps and flats of the other
        letters as well; ``solfege`` understands letters, too. Default ``'sharp'``; ``'flat'`` reads the same.

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
    >>> round(note_to_hz('H3', spelling='german'), 2), round(note_to_hz('Fis4', spelling='german'), 2)
    (246.94, 369.99)
    >>> note_to_hz('la4', spelling='solfege')
    440.0
    """
    match = _match(note, spelling)
    if match is None:
        raise SettingsError(
            "note", f"found {note!r}", "expected a letter, an accidental and an octave, like A#3 or Bb3"
        )
    semitones = _pitch_class(match) + 12 * (int(match["octave"]) + 1) - 69
    cents = float(match["cents"].replace(" ", "")) if match["cents"] else 0.0
    return _checked_concert_pitch(concert_pitch_hz) * math.pow(2.0, semitones / 12.0 + cents / 1200.0)


def _match(note: str, spelling: Spelling) -> re.Match[str] | None:
    plain = note.translate(_PLAIN).strip()
    if spelling == "german":
        return _GERMAN.fullmatch(plain)
    return (_SYLLABLE.fullmatch(plain) if spelling == "solfege" else None) or _NOTE.fullmatch(plain)


def _pitch_class(match: re.Match[str]) -> int:
    """Return the semitones of a note above the C of its octave; below 0 and above 11 it belongs to a neighbour."""
    if match.groupdict().get("b"):
        return 10
    letters = _SEMITONES | _SYLLABLES | {"H": 11}
    return letters[match["letter"].upper()] + _GERMAN_ACCIDENTALS[match["accidental"]]


def has_two_meanings(note: str, spelling: Spelling) -> bool:
    """Tell whether a note that a person wrote may be meant in two ways: a German B, which English calls Bb.

    Examples
    --------
    >>> [has_two_meanings(note, "german") for note in ("B3", "b3+20", "H3", "Bb3")], has_two_meanings("B3", "sharp")
    ([True, True, False, False], False)
    """
    match = _match(note, spelling) if spelling == "german" else None
    return match is not None and match["b"] in ("B", "b")


def as_sharp(note: str, spelling: Spelling) -> str:
    """Return a note as the tables write it: as it is in letters, else with sharps; cents behind it are kept.

    Examples
    --------
    >>> as_sharp("B3+20", "german"), as_sharp("re#4", "solfege"), as_sharp("Bb3", "flat"), as_sharp("", "german")
    ('A#3+20', 'D#4', 'Bb3', '')
    """
    match = _match(note, spelling) if spelling in ("german", "solfege") else None
    if match is None:
        return note
    octave, pitch_class = divmod(_pitch_class(match) + 12 * int(match["octave"]), 12)
    return f"{_NAMES['sharp'][pitch_class]}{octave}{match['offset'] or ''}"
