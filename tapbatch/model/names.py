"""What the name of a recording says: the instrument, the stage, and how it was tapped.

Conventions: paths are relative to ``recordings/`` and use ``/``. Two forms are understood. If the file lies two or
more folders deep, ``INSTRUMENT/STAGE[/WORD ...]/anything.wav``, the folders count and the file's own name does not.
Otherwise the file's name counts, ``INSTRUMENT_STAGE[_WORD ...][_TAKE].wav``. Fields are separated by underscores, or
by hyphens with spaces around them. The words come from closed lists, so that a typing error is reported and not taken
for a stage. Names are compared by identity, never by spelling: see :func:`identity`.
"""

from __future__ import annotations

import difflib
import math
import re
import unicodedata
from datetime import datetime
from pathlib import PurePosixPath
from typing import cast, get_args

from tapbatch.model.errors import NamingError
from tapbatch.model.reading import Aim, Kind, Recording

KINDS = ("tap", "pluck", "room")
PARTS = ("top", "back", "neck", "blank", "body")
STATES = ("free", "rim", "clamped", "closed", "covered", "strung")
COVERED = "covered"
"""The state of a box whose opening is shut with a stiff cover. It is no step of the work."""

MARKS = ("step", "again", "resets")
AIMS: tuple[Aim, ...] = get_args(Aim)
"""What the taps of a blank aim at."""

NAMED = {"at-": "point", "spot-": "spot"}
"""How a word with a name of the maker's begins, and what it describes."""

SOUND_ENDINGS = frozenset(
    (
        "wav", "wave", "bwf", "rf64", "w64", "flac", "aif", "aiff", "aifc", "au", "snd", "caf", "ogg",
        "oga", "opus", "spx", "mp3", "mp2", "mpga", "m4a", "m4b", "m4r", "mp4", "m4v", "mov", "qta", "aac",
        "3gp", "3gpp", "3g2", "amr", "awb", "webm", "weba", "mka", "mkv", "wma", "wv", "ape", "tta", "ac3",
    ),
)  # fmt: skip

OWN_NAMES = frozenset({"index.html", "attention.csv", "blanks.csv", "blanks.html", "blanks.pdf", "forecasts.csv"})
"""Files that the tool writes beside the instruments' folders; no instrument may have one of these names."""

MOST_BYTES = 160
"""Longest identity of an instrument in UTF-8. File systems allow 255 for a name, and file names contain this one."""

_SEPARATOR = re.compile(r"_|\s+[-–—]\s+")
_REFUSED = re.compile(r'[\s<>:"/\\|?*\x00-\x1f\x7f-\x9f\ud800-\udfff]+')
_TRAILING_DOTS = re.compile(r"\.+$")
_PROVISIONAL = re.compile(r"r[0-9]+\Z")
_STEP = re.compile(r"step-([0-9]{1,4})")
_DEVICE = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|(?:com|lpt)[0-9¹²³]) *(?=\.|$)", re.IGNORECASE)
_NUMBER = re.compile(r"[0-9]{1,18}")
_NUMBER_IN_FRONT = re.compile(r"[0-9]+(?:[.,][0-9]+)?")
_DATE = re.compile(
    r"(?<![0-9])(?P<y>199[0-9]|20[0-9]{2})(?P<sep>[-._/ ]?)(?P<m>[0-9]{2})(?P=sep)(?P<d>[0-9]{2})"
    r"(?:(?![0-9])|(?=[0-9]{6}(?:[0-9]{3})?(?![0-9])))"
    r"(?:(?:T|\s*[-_,]\s*|\s+(?:at\s+)?)?(?P<H>[0-9]{1,2})(?P<tsep>[-.:_ h]?)(?P<M>[0-9]{2})(?P=tsep)(?P<S>[0-9]{2})"
    r"(?:[0-9]{3})?(?![0-9])(?:\s*(?P<half>[AaPp])\.?[Mm]\b)?)?",
)


def identity(text: str) -> str:
    """Return the form in which all spellings of one instrument or stage are the same; it also names a folder.

    The text is put in lower case and Unicode form NFC, without spaces at the ends. A hyphen replaces each run of
    spaces and of characters that some file system refuses, and replaces trailing dots. A hyphen is added after names
    that are devices on some systems (``con``).

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        The identity, empty if the text is empty. ``identity(identity(x)) == identity(x)``.

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
    return _DEVICE.sub(r"\1-", plain) if is_device_name(plain) else plain


def is_device_name(name: str) -> bool:
    """Tell whether a file of this name would be a device on some systems.

    Examples
    --------
    >>> is_device_name("con.wav"), is_device_name("LPT1"), is_device_name("concert.wav")
    (True, True, False)
    """
    return _DEVICE.match(name) is not None


def is_label(mode: str) -> bool:
    """Tell whether the name of a mode is the maker's own, and not empty or ``r1``, ``r2``, ...

    Examples
    --------
    >>> is_label("air"), is_label("r12"), is_label("")
    (True, False, False)
    """
    return bool(mode) and not _PROVISIONAL.match(mode)


def parse_name(relative_path: str, extra_parts: tuple[str, ...] = (), sha256: str = "") -> Recording:
    """Return what the name or the folders of a recording say.

    Parameters
    ----------
    relative_path : str
        Path relative to ``recordings/``, with ``/``.
    extra_parts : tuple of str
        Parts that the settings add to ``top``, ``back``, ``neck``, ``blank`` and ``body``; default none.
    sha256 : str
        Hash of the bytes, if known (:func:`hash_file`); default empty.

    Returns
    -------
    Recording
        What the name does not say keeps its default: ``part`` and ``state`` empty, ``kind`` ``'tap'``, ``take``
        ``None``. ``point`` is what follows ``at-``, ``spot`` what follows ``spot-``.

    Raises
    ------
    NamingError
        If the path does not name an instrument and a stage, or if a word is not in the lists; the remedy then gives
        the nearest known word.

    Examples
    --------
    >>> parse_name("cittern-07_03-bars fitted_top_at-bridge_2.wav").stage
    '03-bars-fitted'
    >>> parse_name("Cittern-07/05-voicing/step/New Recording 4.m4a").step
    True
    >>> parse_name("Cittern-07/05-voicing/step 3/New Recording 4.m4a").step_number
    3
    >>> parse_name("cittern-07_top_fre.wav")
    Traceback (most recent call last):
    ...
    tapbatch.model.errors.NamingError: cittern-07_top_fre.wav: unknown word 'fre' in the name; did you mean 'free'?
    """
    where = _shown(relative_path)
    if re.search(r"[\ud800-\udfff]", relative_path):
        raise NamingError(where, "the name contains bytes that are not text", "rename the file or folder")
    instrument, stage, words, take = _fields(relative_path, where)
    if not identity(instrument):
        raise NamingError(where, "the instrument is missing", "put its name first, as in cittern-07_top.wav")
    if identity(instrument).startswith(".") or identity(instrument) in OWN_NAMES:
        what = f"an instrument cannot be called '{_shown(instrument)}': that name is kept for the tool's own files"
        raise NamingError(where, what, "choose another name, with no dot in front")
    if len(identity(instrument).encode()) > MOST_BYTES:
        what = f"the instrument's name is too long for a results folder: {len(instrument)} letters"
        raise NamingError(where, what, "use 40 letters or fewer, and put the rest in the stage or the notes")
    if not any(c.isalpha() for c in stage):
        raise NamingError(
            where,
            f"the stage '{stage}' has no letter",
            "name the stage in words, with plain hyphens: 03-bars-fitted",
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
        # What the taps of a blank aim at says where they fall, too: a mode is heard at some points and not at others.
        point=said.get("point", said.get("aim", "")),
        spot=said.get("spot", ""),
        take=take,
        step="step" in said,
        step_number=int(said["step"]) if said.get("step", "").isdecimal() else 0,
        again="again" in said,
        resets="resets" in said,
        aim=cast("Aim", said["aim"]) if "aim" in said else "",
    )


def named_in(relative_path: str) -> tuple[str, str]:
    """Return the instrument and the stage that a path names, as they are spelled, whatever its words say.

    Both are empty if it names none.

    Examples
    --------
    >>> named_in("cittern-07_03-bars-fitted_tpo.wav"), named_in("New Recording 4.m4a")
    (('cittern-07', '03-bars-fitted'), ('', ''))
    """
    try:
        instrument, stage, _, _ = _fields(relative_path, "")
    except NamingError:
        return "", ""
    return instrument, stage


def _shown(text: str) -> str:
    """Return a spelling that is safe to print on one line: NFC, no control characters, only what UTF-8 can encode."""
    text = re.sub(r"[\x00-\x1f\x7f-\x9f]", " ", text).encode("utf-8", "replace").decode("utf-8")
    return " ".join(unicodedata.normalize("NFC", text).split())


def _fields(relative_path: str, where: str) -> tuple[str, str, list[str], int | None]:
    """Return instrument, stage, words and take, from the folders or otherwise from the file's name."""
    *folders, name = [p for p in relative_path.split("/") if p not in ("", ".")] or [""]
    if ".." in folders:
        raise NamingError(where, "the path leads out of the recordings folder", "give a path inside recordings/")
    if len(folders) >= 2:
        stage, *words = [f for folder in folders[1:] for f in _split(folder, where)]
        _refuse_numbers(words, where, "a folder cannot be a take number; keep all takes of a stage in its folder")
        return _shown(folders[0]), stage, words, None
    stem = _stem(name)
    fields = _split(stem, where)
    if len(fields) < 2:
        raise NamingError(
            where,
            "neither the name nor the folders give the instrument and the stage",
            "call it INSTRUMENT_STAGE.wav, or move it to INSTRUMENT/STAGE/",
        )
    # A phone's own name ("New_Recording") in the instrument's folder must not be taken for another instrument.
    if folders and identity(folders[0]) != identity(fields[0]):
        raise NamingError(
            where,
            f"the folder '{_shown(folders[0])}' may name the instrument, but no folder names the stage",
            "move it to INSTRUMENT/STAGE/, or straight to recordings/",
        )
    instrument, stage, *words = fields
    take = int(words.pop()) if words and _NUMBER.fullmatch(words[-1]) else None
    _refuse_numbers(words, where, "give one take number, at the end of the name")
    return instrument, stage, words, take


def _stem(name: str) -> str:
    stem, dot, ending = name.rpartition(".")
    return stem if dot and ending.lower() in SOUND_ENDINGS else name


def _split(text: str, where: str) -> list[str]:
    fields = [_shown(f) for f in _SEPARATOR.split(text)]
    if "" in fields and len(fields) > 1:
        raise NamingError(where, "a field is empty", "put one underscore between fields, and none at either end")
    return fields


def _refuse_numbers(words: list[str], where: str, remedy: str) -> None:
    for word in words:
        if re.fullmatch(r"[0-9]+", word):
            raise NamingError(where, f"the number '{word}' is out of place", remedy)


def _sort_words(words: list[str], extra_parts: frozenset[str], where: str) -> dict[str, str]:
    """Return the words by what they describe; kind, part, state, aim, point and spot may each be given once."""
    lists = {"kind": KINDS, "part": (*PARTS, *sorted(extra_parts)), "state": STATES, "aim": AIMS}
    group_of = {word: group for group, known in lists.items() for word in known} | {mark: mark for mark in MARKS}
    said: dict[str, str] = {}
    for word in words:
        key = identity(word)
        group, value = _with_name(key) or _numbered_step(key) or (group_of.get(key, ""), key)
        if not group or not value:
            raise NamingError(where, f"unknown word '{word}' in the name", _remedy(word, tuple(group_of)))
        if said.setdefault(group, value) != value:
            raise NamingError(
                where, f"the {group} is given twice, as '{said[group]}' and '{value}'", "keep one of them"
            )
    if "aim" in said and said.get("part", "blank") != "blank":
        what = f"the word '{said['aim']}' is for a blank, and the part is '{said['part']}'"
        raise NamingError(where, what, "write blank, or leave the word out")
    return said


def _with_name(key: str) -> tuple[str, str] | None:
    """Return what a word with a name of the maker's describes, and that name; ``None`` for all other words."""
    return next(((group, key[len(start) :]) for start, group in NAMED.items() if key.startswith(start)), None)


def _numbered_step(key: str) -> tuple[str, str] | None:
    """Return the number of a step, such as that of ``step-3``; ``None`` for all other words, and for a step 0."""
    match = _STEP.fullmatch(key)
    return ("step", str(int(match[1]))) if match and int(match[1]) else None


def _remedy(word: str, known: tuple[str, ...]) -> str:
    key = identity(word)
    nearest = difflib.get_close_matches(key, (*known, "at-bridge", "spot-window"), n=1, cutoff=0.0)[0]
    remedy = f"did you mean '{nearest}'?"
    # One slip changes more of a short word; a long word as unlike as that is another word, such as `rosette`.
    if difflib.SequenceMatcher(None, key, nearest).ratio() < (0.6 if len(key) <= 5 else 0.8):
        place = f"at-{key.removeprefix('at-') or 'bridge'}"
        remedy += f" If not, write a place as '{place}', or add a part in the settings"
    return remedy


def stage_number(stage: str) -> float | None:
    """Return the number at the start of a stage's name, by which stages are sorted, or ``None`` if there is none.

    Examples
    --------
    >>> stage_number("03-bars-fitted"), stage_number("2.5 sanded"), stage_number("strung")
    (3.0, 2.5, None)
    """
    match = _NUMBER_IN_FRONT.match(stage.strip())
    number = float(match[0].replace(",", ".")) if match else math.inf
    return number if math.isfinite(number) else None


def date_in_name(path: str) -> str:
    """Return the date in a file's name, with the time of day if one follows it; empty if there is none.

    Only dates from 1990 on with the year first are accepted, as phones write them: other orders can be read in two
    ways, and earlier dates come from clocks that were never set. Folders do not count. Dates and times that do not
    exist are skipped.

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
    """Return whether a file is hidden or has the temporary name that a copy or sync program gives.

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
    """Return whether a file's name marks it as a recording: a known ending, not hidden, not temporary.

    Examples
    --------
    >>> is_sound_name("cittern-07_top.WAV"), is_sound_name("README.txt"), is_sound_name("~$cittern-07_top.wav")
    (True, False, False)
    """
    stem, dot, ending = path.rpartition("/")[2].rpartition(".")
    return bool(stem and dot) and ending.lower() in SOUND_ENDINGS and not is_passing_name(path)
