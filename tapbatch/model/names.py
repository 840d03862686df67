"""What the name of a recording says: instrument, stage, and in which way it was tapped.

Conventions: a path is given below ``recordings/`` with ``/``. Two forms are understood. Either two folders or more
hold the file, ``INSTRUMENT/STAGE[/WORD ...]/anything.wav``, and then they count and the file's own name does not; or
the file's name says it, ``INSTRUMENT_STAGE[_WORD ...][_TAKE].wav``. Fields are parted by underscores or by hyphens
with spaces around them. The words come from closed lists, so that a slip of the pen is found and not taken for a
stage. Identities are compared, never spellings: see :func:`identity`.
"""

from __future__ import annotations

import difflib
import math
import re
import unicodedata
from datetime import datetime
from pathlib import PurePosixPath
from typing import cast

from tapbatch.model.errors import NamingError
from tapbatch.model.reading import Kind, Recording

KINDS = ("tap", "pluck", "room")
PARTS = ("top", "back", "neck", "blank", "body")
STATES = ("free", "rim", "clamped", "closed", "strung")
MARKS = ("step", "again")
SOUND_ENDINGS = frozenset(
    (
        "wav", "wave", "bwf", "rf64", "w64", "flac", "aif", "aiff", "aifc", "au", "snd", "caf", "ogg",
        "oga", "opus", "spx", "mp3", "mp2", "mpga", "m4a", "m4b", "m4r", "mp4", "m4v", "mov", "qta", "aac",
        "3gp", "3gpp", "3g2", "amr", "awb", "webm", "weba", "mka", "mkv", "wma", "wv", "ape", "tta", "ac3",
    ),
)  # fmt: skip

OWN_NAMES = frozenset({"index.html", "attention.csv", "blanks.csv", "forecasts.csv"})
"""Files of the tool's own beside the instruments' folders; no instrument may take their place."""

MOST_BYTES = 160
"""Of an instrument's identity in UTF-8: file systems allow 255 for a name, and other files bear this one within."""

_SEPARATOR = re.compile(r"_|\s+[-–—]\s+")
_REFUSED = re.compile(r'[\s<>:"/\\|?*\x00-\x1f\x7f-\x9f\ud800-\udfff]+')
_TRAILING_DOTS = re.compile(r"\.+$")
_DEVICE = re.compile(r"(con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³])(?=\.|$)")
_NUMBER = re.compile(r"[0-9]{1,18}")
_NUMBER_IN_FRONT = re.compile(r"[0-9]+(?:[.,][0-9]+)?")
_DATE = re.compile(
    r"(?<![0-9])(?P<y>199[0-9]|20[0-9]{2})(?P<sep>[-._/ ]?)(?P<m>[0-9]{2})(?P=sep)(?P<d>[0-9]{2})"
    r"(?:(?![0-9])|(?=[0-9]{6}(?:[0-9]{3})?(?![0-9])))"
    r"(?:(?:T|\s*[-_,]\s*|\s+(?:at\s+)?)?(?P<H>[0-9]{1,2})(?P<tsep>[-.:_ h]?)(?P<M>[0-9]{2})(?P=tsep)(?P<S>[0-9]{2})"
    r"(?:[0-9]{3})?(?![0-9])(?:\s*(?P<half>[AaPp])\.?[Mm]\b)?)?",
)


def identity(text: str) -> str:
    """Return what two spellings of one instrument or stage have in common; it also names a folder.

    Lower case, Unicode form NFC, without outer spaces; a hyphen for each run of spaces and of characters that some
    file system refuses, for trailing dots, and after names that are devices on some systems (``con``).

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        The identity, empty where the text is. ``identity(identity(x)) == identity(x)``.

    Examples
    --------
    >>> identity("  Cittern-07 ") == identity("cittern-07")
    True
    >>> identity("05-Voicing  step: 1")
    '05-voicing-step-1'
    >>> identity("CON.1")
    'con-.1'
    """
    plain = unicodedata.normalize("NFC", unicodedata.normalize("NFC", text).lower()).strip()
    plain = _TRAILING_DOTS.sub("-", _REFUSED.sub("-", plain))
    return _DEVICE.sub(r"\1-", plain) if _DEVICE.match(plain) else plain


def parse_name(relative_path: str, extra_parts: tuple[str, ...] = (), sha256: str = "") -> Recording:
    """Return what the name or the folders of a recording say.

    Parameters
    ----------
    relative_path : str
        Path below ``recordings/``, with ``/``.
    extra_parts : tuple of str
        Parts that the settings add to ``top``, ``back``, ``neck``, ``blank``, ``body``; default none.
    sha256 : str
        Hash of the bytes where it is known (:func:`hash_file`); default empty.

    Returns
    -------
    Recording
        With ``part`` and ``state`` empty, ``kind`` ``'tap'`` and ``take`` ``None`` where nothing is said; ``point``
        is the name behind ``at-``.

    Raises
    ------
    NamingError
        Where the path does not name an instrument and a stage, or a word is not in the lists; the remedy names the
        nearest word that would do.

    Examples
    --------
    >>> parse_name("cittern-07_03-bars fitted_top_at-bridge_2.wav").stage
    '03-bars-fitted'
    >>> parse_name("Cittern-07/05-voicing/step/New Recording 4.m4a").step
    True
    >>> parse_name("cittern-07_top_fre.wav")
    Traceback (most recent call last):
    ...
    tapbatch.model.errors.NamingError: cittern-07_top_fre.wav: 'fre' is not a word that names use; the nearest word...
    """
    where = _shown(relative_path)
    if re.search(r"[\ud800-\udfff]", relative_path):
        raise NamingError(where, "the name holds bytes that are not text", "rename the file or folder")
    instrument, stage, words, take = _fields(relative_path, where)
    if not identity(instrument):
        raise NamingError(where, "no instrument is named", "put the instrument first, as in cittern-07_top.wav")
    if identity(instrument).startswith(".") or identity(instrument) in OWN_NAMES:
        what = f"an instrument cannot be called '{_shown(instrument)}': the results keep a file of that name"
        raise NamingError(where, what, "call it something else, without a dot in front")
    if len(identity(instrument).encode()) > MOST_BYTES:
        what = f"the instrument's name has {len(instrument)} letters, too many for a folder of results"
        raise NamingError(where, what, "give it 40 letters or fewer, and put the rest into the stage or the notes")
    if not any(c.isalpha() for c in stage):
        raise NamingError(
            where, f"the stage '{stage}' has no letter", "name the stage in words, with plain hyphens: 03-bars-fitted"
        )
    said = _sort_words(words, frozenset(identity(p) for p in extra_parts), where)
    return Recording(
        path=relative_path,
        sha256=sha256,
        instrument=identity(instrument),
        instrument_shown=instrument,
        stage=identity(stage),
        stage_shown=stage,
        kind=cast("Kind", said.get("kind", "tap")),
        part=said.get("part", ""),
        state=said.get("state", ""),
        point=said.get("point", ""),
        take=take,
        step="step" in said,
        again="again" in said,
    )


def _shown(text: str) -> str:
    """Return a spelling fit for a line of text: NFC, no control characters, nothing that UTF-8 cannot hold."""
    text = re.sub(r"[\x00-\x1f\x7f-\x9f]", " ", text).encode("utf-8", "replace").decode("utf-8")
    return " ".join(unicodedata.normalize("NFC", text).split())


def _fields(relative_path: str, where: str) -> tuple[str, str, list[str], int | None]:
    """Return instrument, stage, words and take, from the folders or else from the file's name."""
    *folders, name = [p for p in relative_path.split("/") if p not in ("", ".")] or [""]
    if ".." in folders:
        raise NamingError(where, "the path leaves the recordings folder", "give a path below recordings/")
    if len(folders) >= 2:
        stage, *words = [f for folder in folders[1:] for f in _split(folder, where)]
        _refuse_numbers(words, where, "a folder cannot be a take number; keep all takes in the folder of their stage")
        return _shown(folders[0]), stage, words, None
    stem = _stem(name)
    fields = _split(stem, where)
    if len(fields) < 2:
        raise NamingError(
            where,
            "neither the name nor the folders say instrument and stage",
            "call it INSTRUMENT_STAGE.wav, or put it into INSTRUMENT/STAGE/",
        )
    # A phone's own name ("New_Recording") in the instrument's folder must not be taken for another instrument.
    if folders and identity(folders[0]) != identity(fields[0]):
        raise NamingError(
            where,
            f"the folder '{_shown(folders[0])}' may name the instrument, but no folder names the stage",
            "put it into INSTRUMENT/STAGE/, or straight into recordings/",
        )
    instrument, stage, *words = fields
    take = int(words.pop()) if words and _NUMBER.fullmatch(words[-1]) else None
    _refuse_numbers(words, where, "write one take number, at the end of the name")
    return instrument, stage, words, take


def _stem(name: str) -> str:
    stem, dot, ending = name.rpartition(".")
    return stem if dot and ending.lower() in SOUND_ENDINGS else name


def _split(text: str, where: str) -> list[str]:
    fields = [_shown(f) for f in _SEPARATOR.split(text)]
    if "" in fields and len(fields) > 1:
        raise NamingError(where, "a field is empty", "write one underscore between two fields, and none at the ends")
    return fields


def _refuse_numbers(words: list[str], where: str, remedy: str) -> None:
    for word in words:
        if re.fullmatch(r"[0-9]+", word):
            raise NamingError(where, f"the number '{word}' is out of place", remedy)


def _sort_words(words: list[str], extra_parts: frozenset[str], where: str) -> dict[str, str]:
    """Return the words by what they say; each of kind, part, state and point may be said once."""
    lists = {"kind": KINDS, "part": (*PARTS, *sorted(extra_parts)), "state": STATES}
    group_of = {word: group for group, known in lists.items() for word in known} | {mark: mark for mark in MARKS}
    said: dict[str, str] = {}
    for word in words:
        key = identity(word)
        group, value = ("point", key[3:]) if key.startswith("at-") else (group_of.get(key, ""), key)
        if not group or not value:
            raise NamingError(where, f"'{word}' is not a word that names use", _remedy(word, tuple(group_of)))
        if said.setdefault(group, value) != value:
            raise NamingError(where, f"two words for the {group}, '{said[group]}' and '{value}'", "keep one of them")
    return said


def _remedy(word: str, known: tuple[str, ...]) -> str:
    key = identity(word)
    nearest = difflib.get_close_matches(key, (*known, "at-bridge"), n=1, cutoff=0.0)[0]
    remedy = f"the nearest word that would do is '{nearest}'"
    if difflib.SequenceMatcher(None, key, nearest).ratio() < 0.6:
        remedy += f"; a place is written 'at-{key.removeprefix('at-') or 'bridge'}', and the settings can add parts"
    return remedy


def stage_number(stage: str) -> float | None:
    """Return the number in front of a stage, which orders it, or ``None`` where there is none.

    Examples
    --------
    >>> stage_number("03-bars-fitted"), stage_number("2.5 sanded"), stage_number("strung")
    (3.0, 2.5, None)
    """
    match = _NUMBER_IN_FRONT.match(stage.strip())
    number = float(match[0].replace(",", ".")) if match else math.inf
    return number if math.isfinite(number) else None


def date_in_name(path: str) -> str:
    """Return the date, and the time of day where it stands behind it, found in a file's name; empty without one.

    Only dates with the year first are taken, 1990 or later, as phones write them: others can be read in two ways, and
    older ones are clocks that were never set. Folders do not count. What is not a date or time of
    the calendar is passed over.

    Returns
    -------
    str
        ISO 8601, ``YYYY-MM-DD`` or ``YYYY-MM-DDTHH:MM:SS``, local time as written.

    Examples
    --------
    >>> date_in_name("IMG 20260314 101112.m4a"), date_in_name("cittern-07/top/2026-03-14 at 1.11.12 PM.m4a")
    ('2026-03-14T10:11:12', '2026-03-14T13:11:12')
    >>> date_in_name("cittern-07_top_20261314.wav")
    ''
    """
    for match in _DATE.finditer(PurePosixPath(path).name):
        try:
            day = datetime(int(match["y"]), int(match["m"]), int(match["d"]))
        except ValueError:
            continue
        return _with_time(day, match)
    return ""


def _with_time(day: datetime, match: re.Match[str]) -> str:
    date = day.date().isoformat()
    if match["H"] is None or (len(match["H"]) == 1 and not match["tsep"]):
        return date
    hour = int(match["H"])
    if match["half"]:
        if not 1 <= hour <= 12:
            return date
        hour = hour % 12 + (12 if match["half"] in "Pp" else 0)
    try:
        return day.replace(hour=hour, minute=int(match["M"]), second=int(match["S"])).isoformat()
    except ValueError:
        return date


def is_passing_name(path: str) -> bool:
    """Return whether a file is hidden or bears the temporary name of a copy or sync program.

    Examples
    --------
    >>> is_passing_name("cittern-07/top/.take 1.wav.icloud"), is_passing_name("cittern-07_top.wav.part")
    (True, True)
    >>> is_passing_name("cittern-07_top.wav")
    False
    """
    parts = [p for p in path.split("/") if p not in ("", ".", "..")]
    if any(p.startswith((".", "~")) or p == "__MACOSX" for p in parts):
        return True
    name = parts[-1].lower() if parts else ""
    return name.endswith(
        (
            "~",
            ".part",
            ".partial",
            ".crdownload",
            ".download",
            ".tmp",
            ".temp",
            ".icloud",
            ".filepart",
            ".!sync",
            ".bts",
        )
    )


def is_sound_name(path: str) -> bool:
    """Return whether a file is to be listened to, going by its name: a known ending, not hidden, not temporary.

    Examples
    --------
    >>> is_sound_name("cittern-07_top.WAV"), is_sound_name("README.txt"), is_sound_name("~$cittern-07_top.wav")
    (True, False, False)
    """
    stem, dot, ending = path.rpartition("/")[2].rpartition(".")
    return bool(stem and dot) and ending.lower() in SOUND_ENDINGS and not is_passing_name(path)
