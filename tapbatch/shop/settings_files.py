"""Read and check the settings files; an error gives the file, line, key, what was found and what was expected.

Conventions: files are TOML in UTF-8, with or without a byte order mark. An error shows a value as it was written and
says what was expected in the words of :data:`EXPECTED`, which has one phrase for every key. Parts, states and the
names of other instruments are kept as identities, so that they can be compared with the names of recordings.
"""

from __future__ import annotations

import datetime
import difflib
import json
import math
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from tapbatch.model.errors import SettingsError
from tapbatch.model.interrupts import interrupts_held
from tapbatch.model.names import AIMS, KINDS, MARKS, NAMED, STATES, identity
from tapbatch.model.pitch import Spelling, has_two_meanings, note_to_hz
from tapbatch.model.settings import DENSITIES_KG_M3, InstrumentSettings, ShopSettings, StageSetting, TargetSetting

_MOST_DEPTH = 12
Location = tuple[str | int, ...]

EXPECTED = {
    "concert_pitch_hz": "A4 in hertz, from 380 to 470",
    "spelling": '"sharp", "flat", "german" or "solfege"',
    "band_hz": "two frequencies in hertz, low then high, between 20 and 12000, like [50, 1500]",
    "mains_hz": "50 or 60",
    "steady_cents": "cents, over 0 and up to 50",
    "paper": '"A4" or "Letter"',
    "recordings": "a folder in quotes, with / between its parts",
    "results": "a folder in quotes, with / between its parts",
    "inbox": "a folder in quotes, with / between its parts",
    "phone_file_mb": "megabytes, over 0 and up to 100000",
    "phone_day_mb": "megabytes, over 0 and up to 10000000",
    "family": "text in quotes",
    "species": "text in quotes",
    "blank": 'the name of a blank in quotes, or one a part, like { top = "board-07", back = "board-09" }',
    "pages": '"short" or "full"',
    "reference": "true or false",
    "frozen": 'a day in quotes, like "2026-11-30"',
    "playing_pitch_hz": "A4 in hertz, from 380 to 470",
    "scale_mm": "millimetres, over 0",
    "strings_off_cents": "cents, over 0 and up to 50",
    "strings": 'notes like ["G3", "D4"], or tables with a note',
    "strings.note": "a note in quotes, like \"A#3\" or \"Bb3\"",
    "strings.unit_weight_g_m": "grams per metre, over 0",
    "strings.diameter_mm": "millimetres, over 0",
    "strings.material": f"one of {', '.join(DENSITIES_KG_M3)}",
    "strings.scale_mm": "millimetres, over 0",
    "strings.double": "true or false",
    "stage": "tables that begin with [[stage]]",
    "stage.name": "the name of a stage in quotes, with at least one letter",
    "stage.part": "the name of a part, in quotes",
    "stage.state": f"one of {', '.join(STATES)}",
    "stage.concert_pitch_hz": "A4 in hertz, from 380 to 470",
    "box_volume_l": "litres, over 0 and up to 1000",
    "opening": "tables that begin with [[opening]]",
    "opening.shape": 'one of "round", "oval", "slot"',
    "opening.length_mm": "millimetres, over 0 and up to 2000",
    "opening.width_mm": "millimetres, over 0 and up to 2000",
    "opening.edge_mm": "millimetres, 0 to 200",
    "opening.count": "a whole number from 1 to 50",
    "mode": "tables that begin with [[mode]]",
    "mode.label": "a name for the mode, in quotes, not of the form r1",
    "mode.near_hz": "hertz, over 0 and up to 12000",
    "mode.part": "the name of a part, in quotes",
    "mode.kind": 'one of "air", "plate", "string"',
    "target": "tables that begin with [[target]]",
    "target.mode": "the label of a [[mode]] of this file",
    "target.note": "a note in quotes, like \"A#3\" or \"Bb3\"",
    "target.hz": "hertz, over 0 and up to 12000",
    "target.nearest": "true",
    "target.like": "the name of another instrument, in quotes",
    "target.stiff_as": 'the name of another board, in quotes, for a target of a board ("along" or "across")',
    "target.cents_from": "the label of another [[mode]] of this file",
    "target.cents": "cents, a number",
    "target.tolerance_cents": "cents, over 0 and up to 50",
}  # fmt: skip
_SWITCHES = ("double", "nearest", "reference")
_INHERITED = ("concert_pitch_hz", "spelling", "band_hz", "mains_hz", "steady_cents", "paper")


@dataclass(frozen=True, slots=True)
class _Problem:
    """A value that is not understood: its place in the tables, what was found and what was expected."""

    location: Location
    found: str
    expected: str


def read_shop_settings(path: Path, shown: str = "shop.toml") -> ShopSettings:
    """Return the settings of a shop, or the defaults if there is no file.

    Parameters
    ----------
    path : Path
        The ``shop.toml`` file, which may be missing.
    shown : str
        The name of the file in errors; default ``shop.toml``.

    Raises
    ------
    SettingsError
        If the file cannot be read, is not TOML, or has a value that is not understood; the first such place.

    Examples
    --------
    >>> read_shop_settings(Path("nowhere/shop.toml")).concert_pitch_hz
    440.0
    """
    if not path.exists():
        return ShopSettings()
    text = _read_text(path, shown)
    data = _parse(text, shown)
    problems = list(_odd_values(data)) or _refused_by(ShopSettings, data)
    # Instruments inherit these values, so they must be valid for an instrument too.
    problems = problems or _refused_by(InstrumentSettings, {k: data[k] for k in _INHERITED if k in data})
    if problems:
        raise _error(problems[0], text, shown)
    return ShopSettings.model_validate(data)


def read_instrument_settings(path: Path, shown: str, shop: ShopSettings) -> InstrumentSettings:
    """Return the settings of one instrument; those that its file does not set come from the shop.

    Parameters
    ----------
    path : Path
        The instrument's file.
    shown : str
        The name of the file in errors, like ``instruments/cittern-07.toml``.
    shop : ShopSettings
        The settings used where the file sets nothing.

    Raises
    ------
    SettingsError
        As :func:`read_shop_settings`, and if a note, state, part, label or target does not make sense.
    """
    text = _read_text(path, shown)
    data = _parse(text, shown)
    problems = list(_odd_values(data))
    if isinstance(data.get("strings"), list):
        data["strings"] = [{"note": s} if isinstance(s, str) else s for s in data["strings"]]
    data = {key: getattr(shop, key) for key in _INHERITED} | data
    problems = problems or _refused_by(InstrumentSettings, data)
    if not problems:
        settings = _with_identities(InstrumentSettings.model_validate(data))
        problems = list(_senseless(settings, own=identity(path.stem)))
    if problems:
        raise _error(problems[0], text, shown)
    return settings


# ---------------------------------------------------------------- text and TOML


def _read_text(path: Path, shown: str) -> str:
    try:
        raw = path.read_bytes()
    except OSError as error:
        reason = error.strerror or "no reason given"
        raise SettingsError(
            shown, f"cannot be read ({reason})", "check that it is a file and that you are allowed to read it"
        ) from error
    encoding = "utf-16" if raw.startswith((b"\xff\xfe", b"\xfe\xff")) else "utf-8-sig"
    try:
        return raw.decode(encoding).replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        what = f"line {line}: found a character that is not UTF-8"
        raise SettingsError(shown, what, "expected text in UTF-8; save the file again as UTF-8") from error


def _parse(text: str, shown: str) -> dict[str, Any]:
    try:
        data = tomllib.loads(text)
        if _is_too_deep(data):
            msg = "fewer dots and brackets"
            raise RecursionError(msg)
        return data
    except (ValueError, RecursionError) as error:
        if not isinstance(error, tomllib.TOMLDecodeError):
            # The cause is thousands of digits, brackets or dots in one line, so the longest line is the one.
            number, longest = max(enumerate(text.split("\n"), 1), key=lambda line: len(line[1]))
            what = f"line {number}: found {longest.strip()[:60]!r}, which is not understood"
            raise SettingsError(
                shown, what, "expected key = value, with a number, a text or a list of these"
            ) from error
        match = re.search(r"\(at line ([0-9]+), column [0-9]+\)|\(at end of document\)", str(error))
        number = int(match[1]) if match and match[1] else text.rstrip().count("\n") + 1
        lines = text.split("\n")
        found = lines[number - 1].strip() if number <= len(lines) else ""
        reason = str(error)[: match.start() if match else None].strip().lower()
        expected = _what_toml_wants(found, reason)
        what = f"line {number}: found {found[:60]!r}, which is not understood"
        raise SettingsError(shown, what, expected) from error


def _is_too_deep(data: dict[str, Any]) -> bool:
    """Return whether tables are nested deeper than any setting needs, and deeper than recursion can follow."""
    inner: list[Any] = [data]
    for _ in range(_MOST_DEPTH):
        inner = [
            value
            for outer in inner
            for value in (outer.values() if isinstance(outer, dict) else outer if isinstance(outer, list) else ())
        ]
    return bool(inner)


def _what_toml_wants(line: str, reason: str) -> str:
    """Return what was expected on a line that is not TOML, judged by the likely mistake."""
    if re.search("[\u2018\u2019\u201c\u201d\u201e]", line):
        return 'expected straight quotes, like "sharp"'
    if line.startswith("["):
        return "expected [[stage]], [[mode]] or [[target]] on a line of its own"
    if "=" not in line:
        return "expected key = value, with text in straight quotes"
    if "\\" in line:
        return "expected a path with / in it, or in single quotes"
    return f"expected key = value, each key once, quotes and brackets closed ({reason})"


def _error(problem: _Problem, text: str, shown: str) -> SettingsError:
    line = _line_of(problem.location, text)
    place = (f"line {line}, " if line else "") + _in_words(problem.location)
    return SettingsError(shown, f"{place}: found {problem.found}", problem.expected)


def _in_words(location: Location) -> str:
    """Return a location in words for the builder, such as ``[[stage]] 2, part``."""
    if len(location) > 1 and isinstance(location[1], int) and location[0] in ("stage", "mode", "target"):
        return f"[[{location[0]}]] {location[1] + 1}" + "".join(f", {key}" for key in location[2:])
    if len(location) > 1 and location[0] == "strings" and isinstance(location[1], int):
        return f"strings, number {location[1] + 1}" + "".join(f", {key}" for key in location[2:])
    return str(location[0]) if location else "the file"


def _line_of(location: Location, text: str) -> int:
    """Return the line of a key, counted from 1, or 0 if it cannot be found."""
    if not location:
        return 0
    lines, start = text.split("\n"), 0
    key = str(location[0])
    if len(location) > 1 and isinstance(location[1], int) and key != "strings":
        heads = [i for i, line in enumerate(lines) if re.match(rf"\s*\[\[\s*{re.escape(key)}\s*\]\]", line)]
        if location[1] >= len(heads):
            start = len(lines)
        else:
            start = heads[location[1]] + 1
            if len(location) == 2:
                return start
            key = str(location[2])
    for i, line in enumerate(lines[start:], start + 1):
        if re.match(rf"\s*[\"']?{re.escape(key)}[\"']?\s*=", line):
            return i
        if not start and re.match(rf"\s*\[\[?\s*{re.escape(key)}\s*\]", line):
            return i
        if start and re.match(r"\s*\[", line):
            return start
    return start if start < len(lines) else 0


# ---------------------------------------------------------------- values


def _odd_values(data: Any, location: Location = ()) -> Iterator[_Problem]:
    """Find values that are valid but surely not meant: nan, inf, true for a number, line ends or tabs in text."""
    if isinstance(data, dict | list):
        for key, value in data.items() if isinstance(data, dict) else enumerate(data):
            yield from _odd_values(value, (*location, key))
    elif _is_odd(data, location[-1]):
        yield _Problem(location, _shown(data) if isinstance(data, str | bool) else str(data), _expected(location))


def _is_odd(value: Any, key: str | int) -> bool:
    if isinstance(value, bool):
        return key not in _SWITCHES
    if isinstance(value, float):
        return not math.isfinite(value)
    return isinstance(value, str) and re.search(r"[\x00-\x1f\x7f]", value) is not None


def _expected(location: Location) -> str:
    keys = [key for key in location if isinstance(key, str)]
    phrase = EXPECTED.get(".".join(keys)) or EXPECTED.get(keys[0] if keys else "")
    return f"expected {phrase}" if phrase else "expected one of the keys in docs/settings.md"


def _shown(value: Any) -> str:
    """Return a value roughly as it is written in TOML, on one short line."""
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _refused_by(model: type[ShopSettings] | type[InstrumentSettings], data: dict[str, Any]) -> list[_Problem]:
    try:
        with interrupts_held():
            model.model_validate(data)
    except ValidationError as error:
        return [_problem_from(e, data, model) for e in error.errors(include_url=False)]
    return []


def _problem_from(error: Any, data: dict[str, Any], model: type[ShopSettings] | type[InstrumentSettings]) -> _Problem:
    location: Location = error["loc"]
    if error["type"] == "extra_forbidden":
        return _Problem(location, "an unknown key", _nearest_key(location, model))
    if not location or location[0] == "band_hz":  # the only rule for the whole file is the one for the band
        return _Problem(("band_hz",), _shown(data["band_hz"]), _expected(("band_hz",)))
    if error["type"] == "missing":
        return _Problem(location, "nothing", _expected(location))
    if error["type"] == "value_error":
        return _Problem(location, " and ".join(error["input"]), error["msg"].removeprefix("Value error, "))
    return _Problem(location, _shown(error["input"]), _expected(location))


def _nearest_key(location: Location, model: type[ShopSettings] | type[InstrumentSettings]) -> str:
    *within, key = [str(part) for part in location if isinstance(part, str)]
    prefix = f"{within[0]}." if within else ""
    known = [k.removeprefix(prefix) for k in EXPECTED if k.startswith(prefix) and "." not in k.removeprefix(prefix)]
    if not within:
        known = [k for k in known if k in model.model_fields]
    nearest = difflib.get_close_matches(key, known, n=1, cutoff=0.0)[0]
    return f"expected one of {', '.join(known)}; did you mean {nearest}?"


# ---------------------------------------------------------------- sense


def _with_identities(settings: InstrumentSettings) -> InstrumentSettings:
    stages = tuple(
        s.model_copy(update={"part": identity(s.part), "state": identity(s.state)}) for s in settings.stage
    )
    modes = tuple(m.model_copy(update={"part": identity(m.part)}) for m in settings.mode)
    targets = tuple(t if t.like is None else t.model_copy(update={"like": identity(t.like)}) for t in settings.target)
    return settings.model_copy(update={"stage": stages, "mode": modes, "target": targets})


def _senseless(settings: InstrumentSettings, own: str) -> Iterator[_Problem]:
    """Find values that are valid alone but do not make sense together."""
    for i, string in enumerate(settings.strings):
        yield from _not_a_note(("strings", i, "note"), string.note, settings)
        known = string.material.lower() in ("", *DENSITIES_KG_M3)
        if not known and string.diameter_mm is not None and string.unit_weight_g_m is None:
            # The unit weight gives the tension of a string of any material; the diameter alone does not.
            expected = f"{_expected(('strings', 'material'))}, or unit_weight_g_m"
            yield _Problem(("strings", i, "material"), _shown(string.material), expected)
    yield from _senseless_stages(settings.stage)
    yield from _senseless_modes(settings)
    yield from _senseless_targets(settings, own)
    if settings.reference and settings.target:
        yield _Problem(("target", 0), "a target", "expected none with reference = true: a reference is never cut")


def _not_a_note(location: Location, note: str, settings: InstrumentSettings) -> Iterator[_Problem]:
    pitch, spelling = settings.concert_pitch_hz, settings.spelling
    try:
        hz = note_to_hz(note, pitch, spelling)
    except SettingsError:
        yield _Problem(location, _shown(note), _expected(location) + _other_spelling(note))
        return
    if has_two_meanings(note, spelling):
        # A German B lies a semitone below H, and half of all sheets and programs call H by its name.
        lower, upper = f"{hz:.2f}", f"{hz * 2.0 ** (1.0 / 12.0):.2f}"
        if location[0] == "target":
            expected = f"expected its frequency, as B could be two notes: hz = {lower} for B flat, hz = {upper} for H"
        else:
            expected = f"expected Bb ({lower} Hz) or H ({upper} Hz), as B could be two notes"
        yield _Problem(location, _shown(note), expected)


def _other_spelling(note: str) -> str:
    """Return a hint where a note is understood in another spelling than the one that is set; else nothing."""
    others: tuple[Spelling, ...] = ("german", "solfege")
    for spelling in others:
        try:
            note_to_hz(note, spelling=spelling)
        except SettingsError:
            continue
        return f'; this one needs spelling = "{spelling}"'
    return ""


def _not_a_part(location: Location, part: str) -> Iterator[_Problem]:
    if part in KINDS + STATES + MARKS + AIMS or part.startswith(tuple(NAMED)) or not any(c.isalpha() for c in part):
        yield _Problem(
            location, _shown(part), "expected the name of a part that vibrates, like top; this word has another use"
        )


def _senseless_stages(stages: tuple[StageSetting, ...]) -> Iterator[_Problem]:
    seen: dict[tuple[str, str], int] = {}
    for i, stage in enumerate(stages):
        if not any(c.isalpha() for c in stage.name):
            yield _Problem(("stage", i, "name"), _shown(stage.name), _expected(("stage", "name")))
        if stage.state and stage.state not in STATES:
            nearest = difflib.get_close_matches(stage.state, STATES, n=1, cutoff=0.0)[0]
            expected = f"{_expected(('stage', 'state'))}; did you mean {nearest}?"
            yield _Problem(("stage", i, "state"), _shown(stage.state), expected)
        if stage.part:
            yield from _not_a_part(("stage", i, "part"), stage.part)
        first = seen.setdefault((identity(stage.name), stage.part), i)
        if first != i:
            found = f"{_shown(stage.name)} as in [[stage]] {first + 1}"
            yield _Problem(("stage", i, "name"), found, "expected each stage of a part once")


def _senseless_modes(settings: InstrumentSettings) -> Iterator[_Problem]:
    seen: dict[tuple[str, str], int] = {}
    for i, mode in enumerate(settings.mode):
        if re.fullmatch(r"[rR][0-9]+", mode.label):
            yield _Problem(
                ("mode", i, "label"), _shown(mode.label), "expected another label; the tool itself uses r1, r2, ..."
            )
        yield from _not_a_part(("mode", i, "part"), mode.part)
        first = seen.setdefault((mode.label, mode.part), i)
        if first != i:
            found = f"{_shown(mode.label)} as in [[mode]] {first + 1}"
            yield _Problem(("mode", i, "label"), found, "expected each label of a part once")


def _senseless_targets(settings: InstrumentSettings, own: str) -> Iterator[_Problem]:
    for i, target in enumerate(settings.target):
        if settings.aim_of(target) is None:
            yield from _not_a_label(("target", i, "mode"), target.mode, settings)
        elif target.note is None and target.hz is None and target.stiff_as is None:
            expected = "expected note, hz or stiff_as beside it: it is of a board"
            yield _Problem(("target", i, "mode"), _shown(target.mode), expected)
        if target.stiff_as is not None and not _may_be_stiff_as(target, settings, own):
            yield _Problem(("target", i, "stiff_as"), _shown(target.stiff_as), _expected(("target", "stiff_as")))
        if target.note is not None:
            yield from _not_a_note(("target", i, "note"), target.note, settings)
        if target.like is not None and target.like in ("", own):
            yield _Problem(("target", i, "like"), _shown(target.like), _expected(("target", "like")))
        if target.cents_from is not None:
            yield from _not_a_label(("target", i, "cents_from"), target.cents_from, settings)
            if target.cents_from == target.mode:
                yield _Problem(("target", i, "cents_from"), _shown(target.mode), _expected(("target", "cents_from")))


def _may_be_stiff_as(target: TargetSetting, settings: InstrumentSettings, own: str) -> bool:
    return settings.aim_of(target) in ("along", "across") and identity(target.stiff_as or "") not in ("", own)


def _not_a_label(location: Location, label: str, settings: InstrumentSettings) -> Iterator[_Problem]:
    labels = [m.label for m in settings.mode]
    if labels.count(label) == 1:
        return
    expected = _expected(location)
    if labels.count(label) > 1:
        expected += "; two parts use this label, so rename one of them"
    elif labels:
        expected += f"; did you mean {_shown(difflib.get_close_matches(label, labels, n=1, cutoff=0.0)[0])}?"
    yield _Problem(location, _shown(label), expected)
